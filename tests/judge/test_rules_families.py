"""The two key families of one web endpoint: what fails in one only, and what is healthy."""

from datetime import timedelta

import pytest

from probe.assessment import Verdict
from probe.observation.model import Outcome
from probe.observe.agenda import Depth
from tests.judge.pki import AT, Made, make
from tests.judge.world import (
    GUEST,
    HOSTS,
    NAMES_ITS_ISSUER,
    NODES,
    Chain,
    clients,
    folded,
    guest_service,
    host,
    judged,
    plan,
    private,
    public,
    seen,
    told,
    with_private,
    with_public,
)

THIRD = ("quay3",)
EVERY_NAME = (*HOSTS, GUEST)


def rsa(*names: str, **changes: object) -> Made:
    return public(*names, rsa_leaf=True, **changes)


LEFT_OVER: Chain = (
    make(
        "appliance",
        names=EVERY_NAME,
        rsa_leaf=True,
        begins=AT - timedelta(days=90),
        days=700,
    ).der,
)
"""What a node made for itself when it was installed, beside the imported ECDSA certificate."""


@pytest.mark.parametrize("depth", [Depth.SWEEP, Depth.NODE])
def test_a_left_over_of_the_other_family_is_found(depth: Depth) -> None:
    survey = seen(
        plan(),
        depth=depth,
        web={f"web/quay3/192.0.2.13:443/{name}/rsa": LEFT_OVER for name in (host("quay3"), GUEST)},
    )
    result = judged(plan(), survey)
    assert told(result) == [("web-self-signed", "web", THIRD, None)]
    assert "web-families-differ" in folded(result)
    (finding,) = result.findings
    assert 'the RSA certificate "appliance"' in finding.says
    assert finding.evidence[-1].what == "to see it"
    assert "-cipher aRSA" in finding.evidence[-1].value


def test_the_same_left_over_in_both_families_is_no_difference() -> None:
    """The twin: where the answer to every client is the same, nobody is told of families."""
    result = judged(plan(), seen(plan(), web={"web/quay3": LEFT_OVER}))
    assert told(result) == [("web-self-signed", "web", THIRD, None)]
    assert "web-families-differ" not in folded(result)
    assert "RSA" not in result.findings[0].says


def test_a_name_that_one_family_lacks() -> None:
    lacking = with_public(rsa(*HOSTS))
    result = judged(plan(), seen(plan(), web=both(lacking)))
    assert told(result) == [("web-families-differ", "web", THIRD, GUEST)]
    assert set(folded(result)) == {"web-name-mismatch", "cluster-name-uncovered"}
    (finding,) = result.findings
    assert finding.verdict is Verdict.WARNED
    assert GUEST in finding.remedy


def both(chain: Chain) -> dict[str, Chain]:
    """Let quay3 answer every client with the usual certificate, and those that ask for RSA with
    this one."""
    usual = with_public(public(*EVERY_NAME))
    places = [f"web/quay3/192.0.2.13:443/{name}" for name in (host("quay3"), GUEST)]
    return {"web/quay3": usual} | {f"{place}/rsa": chain for place in places}


def test_a_name_that_both_lack_is_no_difference() -> None:
    lacking = with_public(rsa(*HOSTS))
    answers = both(lacking) | {"web/quay3": with_public(public(*HOSTS))}
    answers |= {f"web/quay3/192.0.2.13:443/{name}/rsa": lacking for name in (GUEST, host("quay3"))}
    result = judged(plan(), seen(plan(), web=answers))
    assert told(result) == [("web-name-mismatch", "web", THIRD, GUEST)]
    assert "web-families-differ" not in folded(result)


@pytest.mark.parametrize(
    "chain",
    [
        # Other dates, and another CA that clients have.
        with_public(rsa(*EVERY_NAME, begins=AT - timedelta(days=3), days=40)),
        with_public(rsa("*.northpier.example", "northpier.example")),
    ],
)
def test_other_dates_and_other_names_that_nobody_opens_are_healthy(chain: Chain) -> None:
    assert told(judged(plan(), seen(plan(), web=both(chain)))) == []


def test_another_ca_that_everybody_has_is_healthy() -> None:
    of = plan(services=())
    chain = with_private(private(*HOSTS, rsa_leaf=True))
    assert told(judged(of, seen(of, web=both(chain)))) == []


def test_who_does_not_feel_it_makes_no_difference() -> None:
    """An intermediate that is missing: one browser fetches it, another one warns."""
    short = with_public(rsa(*EVERY_NAME, more=[NAMES_ITS_ISSUER]))[:1]
    fetching = plan(clients=clients("chromium-web"))
    result = judged(fetching, seen(fetching, web=both(short)))
    assert told(result) == [("web-chain-incomplete", "web", THIRD, None)]
    assert folded(result) == []
    warning = plan(clients=clients("firefox-web"))
    assert folded(judged(warning, seen(warning, web=both(short)))) == ["web-families-differ"]


def test_a_family_that_is_refused_is_healthy_and_one_that_throws_the_server_is_unseen() -> None:
    places = [f"web/quay3/192.0.2.13:443/{name}" for name in (host("quay3"), GUEST)]
    for outcome, found in (
        (Outcome.REFUSED, []),
        (Outcome.CUT_OFF, []),
        (Outcome.CLOSED, []),
        (Outcome.SILENT, [("web-silent", "web", THIRD, None)]),
        (Outcome.MALFORMED, [("web-not-tls", "web", THIRD, None)]),
    ):
        result = judged(plan(), seen(plan(), web={f"{place}/rsa": outcome for place in places}))
        assert told(result) == found
        assert [f.verdict for f in result.findings] == [Verdict.UNSEEN for _ in found]


def test_a_family_of_a_virtual_address_is_that_of_its_nodes() -> None:
    of = plan(services=(guest_service(addresses=("192.0.2.80",)),))
    answers = {f"192.0.2.80:443/{GUEST}/rsa": LEFT_OVER}
    result = judged(of, seen(of, web=answers))
    assert told(result) == [("web-self-signed", "web", NODES, GUEST)]


def test_every_node_with_the_same_cause_is_one_finding() -> None:
    old = with_public(rsa(*EVERY_NAME, begins=AT - timedelta(days=91), days=90))
    result = judged(plan(), seen(plan(), web={"/rsa": old}))
    assert told(result) == [("web-expired", "web", NODES, None)]
    assert "web-families-differ" in folded(result)
