"""What ends when: every certificate that was seen and every CA it leads to, written out by hand."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from probe.assessment import Verdict
from probe.certificate.facts import facts_of
from probe.due import Due, Renewal, Role, Stage
from probe.judge.due import due
from probe.observation.model import Endpoint, Outcome
from probe.plan.model import Windows
from tests.judge.pki import AT
from tests.judge.world import (
    GUEST,
    HOSTS,
    NODES,
    PRIVATE_ROOT,
    PUBLIC_ISSUING,
    PUBLIC_ROOT,
    RADIUS,
    ca,
    eap_chain,
    plan,
    private,
    public,
    seen,
    web_chain,
    with_private,
    with_public,
)

DAY = timedelta(days=1)
PLAN = plan()


def ends(at: datetime = AT, of: Any = PLAN, **answers: Any) -> Due:
    return due(of, seen(of, **answers), at=at)


def of(found: Due, der: bytes) -> Renewal:
    (one,) = [one for one in found.renewals if found.certificates[one.certificate] == der]
    return one


def test_every_certificate_and_ca_is_one_entry_with_its_places() -> None:
    found = ends()
    assert [
        (one.role, found.facts[one.certificate].common_name, one.endpoints, one.nodes, one.served)
        for one in found.renewals
    ] == [
        (Role.SERVER, "quay1.northpier.example", (Endpoint.WEB,), NODES, True),
        (Role.SERVER, RADIUS, (Endpoint.EAP,), NODES, True),
        (Role.AUTHORITY, "Northpier Issuing", (Endpoint.EAP,), NODES, True),
        (Role.AUTHORITY, "Northpier Root", (Endpoint.EAP,), NODES, False),
        (Role.AUTHORITY, "Saltmarsh Issuing", (Endpoint.WEB,), NODES, True),
        (Role.AUTHORITY, "Saltmarsh Public Root", (Endpoint.WEB,), NODES, False),
    ]
    assert found.certificates[found.renewals[3].certificate] == ca(PRIVATE_ROOT).der
    assert (found.verdict, found.complete, found.unseen) == (Verdict.SOUND, True, ())
    assert of(found, web_chain()[0]).opened == (HOSTS[0], GUEST, *HOSTS[1:])


def test_one_certificate_in_both_worlds_is_one_renewal() -> None:
    both = with_private(private(RADIUS, GUEST, *HOSTS))
    one = of(ends(web={"web/": both}, eap={"": both}), both[0])
    assert (one.endpoints, one.nodes) == ((Endpoint.WEB, Endpoint.EAP), NODES)


def test_what_ends_first_comes_first() -> None:
    soon = with_public(public(*HOSTS, GUEST, begins=AT - 80 * DAY))
    later = with_private(private(RADIUS, days=300))
    found = ends(web={"web/quay3": soon}, eap={"": later})
    assert [one.ends for one in found.renewals] == sorted(one.ends for one in found.renewals)  # type: ignore[type-var]  # all are known
    assert found.certificates[found.renewals[0].certificate] == soon[0]
    assert found.renewals[0].nodes == ("quay3",)


@pytest.mark.parametrize(
    ("day", "stage", "days", "verdict"),
    [
        # The usual leaf lives 90 days from 30 days before AT on, so it ends in 60; a third is 30.
        (0, Stage.LATER, 60, Verdict.SOUND),
        (30, Stage.DUE, 30, Verdict.DUE),
        (60, Stage.DUE, 0, Verdict.DUE),
        (60.5, Stage.ENDED, 0, Verdict.BLOCKED),
        (70, Stage.ENDED, -10, Verdict.BLOCKED),
    ],
)
def test_a_renewal_is_due_from_the_plans_window_on(
    day: float, stage: Stage, days: int, verdict: Verdict
) -> None:
    found = ends(AT + day * DAY)
    one = of(found, web_chain()[0])
    assert (one.stage, one.days, found.verdict) == (stage, days, verdict)
    assert one.renew == AT + 30 * DAY


def test_the_plan_sets_the_windows() -> None:
    short = plan(windows=Windows(expiring_days=7, anchor_days=9_999))
    found = ends(of=short)
    assert of(found, web_chain()[0]).renew == AT + 53 * DAY
    issuing = of(found, ca(PUBLIC_ISSUING, PUBLIC_ROOT).der)
    assert (issuing.stage, found.verdict) == (Stage.DUE, Verdict.DUE)


@pytest.mark.parametrize(
    ("at", "days"),
    [
        # CA/Browser Forum TLS Baseline Requirements, 6.3.2: by the day of issue.
        (datetime(2026, 11, 25, tzinfo=UTC), 200),
        (datetime(2027, 3, 14, 23, 59, 59, tzinfo=UTC), 200),
        (datetime(2027, 3, 15, tzinfo=UTC), 100),
        (datetime(2029, 3, 14, 23, 59, 59, tzinfo=UTC), 100),
        (datetime(2029, 3, 15, tzinfo=UTC), 47),
    ],
)
def test_what_a_successor_may_live_goes_by_the_day_it_is_issued(at: datetime, days: int) -> None:
    """The certificate's own window begins in December 2026, so that these days are past it."""
    found = ends(at)
    assert of(found, web_chain()[0]).successor_days == days
    assert of(found, eap_chain()[0]).successor_days is None, "a private CA's"
    assert of(found, web_chain()[1]).successor_days is None, "no server's"


def test_a_renewal_that_is_far_goes_by_the_day_of_its_window() -> None:
    """It ends on 2027-06-13, 30 days before which the step to 100 days is past."""
    long = with_public(public(*HOSTS, GUEST, days=200, begins=AT))
    assert of(ends(web={"web/": long}), long[0]).successor_days == 100


@pytest.mark.parametrize(
    ("at", "steps"),
    [
        (AT, [("2027-03-15", 100, 100), ("2029-03-15", 47, 10)]),
        (datetime(2027, 3, 15, tzinfo=UTC), [("2029-03-15", 47, 10)]),
        (datetime(2029, 3, 15, tzinfo=UTC), []),
    ],
)
def test_the_coming_steps(at: datetime, steps: list[tuple[str, int, int]]) -> None:
    """CA/Browser Forum TLS Baseline Requirements, 4.2.1 and 6.3.2."""
    assert [
        (step.since.date().isoformat(), step.days, step.validation_days) for step in ends(at).steps
    ] == steps


def test_what_showed_no_certificate_is_unseen() -> None:
    found = ends(eap={"quay2": Outcome.SILENT}, web={"web/quay3": Outcome.CLOSED})
    assert found.unseen == (
        "eap/quay2/192.0.2.12:1812/PEAP",
        "eap/quay2/192.0.2.12:1812/EAP-TTLS",
        "web/quay3/192.0.2.13:443/quay3.northpier.example",
        "web/quay3/192.0.2.13:443/guest.northpier.example",
    )
    assert (found.verdict, found.complete) == (Verdict.UNSEEN, False)
    assert ends(without=("eap/quay4",)).unseen == (
        "eap/quay4/192.0.2.14:1812/PEAP",
        "eap/quay4/192.0.2.14:1812/EAP-TTLS",
    )


def test_a_method_that_is_refused_hides_nothing_that_another_shows() -> None:
    assert ends(eap={"EAP-TTLS": Outcome.METHOD_REFUSED}).complete


def test_what_is_sent_beside_the_path_may_end_without_harm() -> None:
    old = ca("Old Harbour Issuing", "Old Harbour Root")
    found = ends(AT + 20 * 365 * DAY, web={"web/": (*web_chain(), old.der)})
    assert (of(found, old.der).stage, of(found, old.der).counts) == (Stage.ENDED, False)
    alone = due(PLAN, seen(PLAN, web={"web/": (*web_chain(), old.der)}), at=AT)
    assert alone.verdict is Verdict.SOUND


def test_a_certificate_that_cannot_be_read_comes_last_and_is_unseen() -> None:
    found = ends(eap={"quay1": (b"no certificate",)})
    one = found.renewals[-1]
    assert (one.stage, one.ends, one.renew, one.days) == (Stage.UNKNOWN, None, None, None)
    assert facts_of(b"no certificate").sha256 == one.certificate
    assert found.verdict is Verdict.UNSEEN


def test_an_empty_survey_ends_nothing() -> None:
    found = due(PLAN, seen(PLAN, web={"": Outcome.CLOSED}, eap={"": Outcome.CLOSED}), at=AT)
    assert (found.renewals, found.verdict) == ((), Verdict.UNSEEN)
