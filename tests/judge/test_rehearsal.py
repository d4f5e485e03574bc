"""Roll-outs of a small world: which steps there are, what counts, and what is advised."""

from collections.abc import Sequence
from datetime import timedelta
from itertools import pairwise

import pytest

from probe.assessment import Verdict
from probe.bundle import Said, ServedNow
from probe.judge.rehearsal.memory import Changed, changes
from probe.judge.rehearsal.rehearsed import rehearse
from probe.judge.rehearsal.way import stops
from probe.judge.rehearse import swap
from probe.observation.model import Aspect, Endpoint, Outcome, Survey, fingerprint
from probe.observe.agenda import Depth
from probe.plan.model import Plan
from probe.records import replace
from probe.rehearsal import Feels, Kind, Rehearsal, Span
from tests.judge.bundles import Files, key_of, pem
from tests.judge.pki import AT, Made, make
from tests.judge.test_rules_supplicant import STRICT, stating
from tests.judge.world import (
    FOREIGN_ROOT,
    GUEST,
    HOSTS,
    NODES,
    OWN,
    PRIVATE_ISSUING,
    PRIVATE_ROOT,
    RADIUS,
    ca,
    clients,
    guest_service,
    plan,
    private,
    public,
    seen,
    web_chain,
    with_private,
    with_public,
)

EAP_ONLY = Said(Endpoint.EAP)
WEB_ONLY = Said(Endpoint.WEB)


def gone_through(
    of: Plan,
    survey: Survey,
    leaf: Made,
    *issuers: bytes,
    said: Said = EAP_ONLY,
    order: Sequence[str] = (),
) -> Rehearsal:
    files = Files((pem(leaf.der, *issuers) + key_of(leaf),), said=said)
    now = ServedNow(survey, "a test")
    return rehearse(of, files.judged(of, now), now, at=AT, order=order)


def renewed(**changes: object) -> Made:
    return private(RADIUS, begins=AT - timedelta(days=1), **changes)


def issuing() -> bytes:
    return with_private(renewed())[1]


def felt(rehearsal: Rehearsal, step: int) -> dict[str, Feels]:
    return {
        one.client + (" by hand" if one.setup == "by-hand" else ""): one.feels
        for one in rehearsal.steps[step].experiences
        if one.feels is not Feels.WORKS
    }


# ---------------------------------------------------------------- steps


def test_every_node_is_a_step_of_its_own_in_a_cluster_that_can_be_overlooked() -> None:
    assert stops(("a", "b", "c")) == ((), ("a",), ("a", "b"), ("a", "b", "c"))
    assert len(stops([f"n{place}" for place in range(12)])) == 13


@pytest.mark.parametrize("count", [13, 40, 1_000])
def test_in_a_large_one_the_ends_are_and_the_middle_comes_in_groups(count: int) -> None:
    order = [f"n{place}" for place in range(count)]
    found = [len(done) for done in stops(order)]
    assert found[:3] == [0, 1, 2]
    assert found[-2:] == [count - 1, count]
    assert len(found) == 12
    assert found == sorted(set(found))
    groups = [later - earlier for earlier, later in pairwise(found[2:-1])]
    assert max(groups) - min(groups) <= 1


def test_the_order_that_is_said_comes_first_and_the_plan_s_after_it() -> None:
    survey = seen(plan())
    found = gone_through(plan(), survey, renewed(), issuing(), order=["quay3"])
    assert found.order == ("quay3", "quay1", "quay2", "quay4")
    assert [step.newly for step in found.steps] == [
        (),
        ("quay3",),
        ("quay1",),
        ("quay2",),
        ("quay4",),
    ]


def test_nodes_that_serve_it_are_no_step() -> None:
    leaf = renewed()
    survey = seen(plan(), eap={"quay2": with_private(leaf)})
    found = gone_through(plan(), survey, leaf, issuing())
    assert (found.already, found.order) == (("quay2",), ("quay1", "quay3", "quay4"))
    with pytest.raises(ValueError, match="quay2 is not among"):
        gone_through(plan(), survey, leaf, issuing(), order=["quay2"])
    everywhere = seen(plan(), eap={"": with_private(leaf)})
    with pytest.raises(ValueError, match="serve it already"):
        gone_through(plan(), everywhere, leaf, issuing())


# ---------------------------------------------------------------- what counts


def test_what_is_there_today_and_stays_is_not_the_roll_out_s_fault() -> None:
    of = plan(clients=clients("chromium-web", "linux-eap"))
    survey = seen(of, web={"quay4": Outcome.CLOSED})
    found = gone_through(of, survey, renewed(), issuing())
    (closed,) = [one for one in found.troubles if one.rule == "web-closed"]
    assert (closed.span, closed.grows, closed.verdict) == (Span.STAYS, False, Verdict.BLOCKED)
    # What is only found half done, and felt by nobody here, is advised.
    assert found.verdict is Verdict.ADVISED


def test_a_fault_that_the_new_certificate_has_too_is_no_sound_roll_out() -> None:
    """Nobody is worse off, and yet an ended certificate is imported in place of an ended one."""
    of = plan(clients=clients("linux-eap"))
    ended = [private(RADIUS, begins=AT - timedelta(days=400), days=days) for days in (380, 390)]
    survey = seen(of, eap={"": with_private(ended[0])})
    found = gone_through(of, survey, ended[1], issuing())
    (expired,) = [one for one in found.troubles if one.rule == "eap-expired"]
    assert (expired.span, expired.grows) == (Span.STAYS, False)
    assert found.verdict is Verdict.BLOCKED
    assert "The new certificate has faults that today's has: eap-expired." in found.first
    # Its twin mends all of them.
    assert gone_through(of, survey, renewed(), issuing()).verdict is Verdict.SOUND


def test_what_goes_to_further_nodes_is() -> None:
    of = plan(clients=clients("chromium-web"))
    short = public(*HOSTS)
    survey = seen(of, web={"quay4": with_public(short)})
    found = gone_through(of, survey, public(*HOSTS, days=90), web_chain()[1], said=WEB_ONLY)
    (mismatch,) = [one for one in found.troubles if one.rule == "web-name-mismatch"]
    assert (mismatch.span, mismatch.grows) == (Span.STAYS, True)
    assert found.verdict is Verdict.WARNED
    assert felt(found, 0) == felt(found, 4) == {"chromium-web": Feels.WARNED}


def test_a_certificate_that_nobody_can_accept_blocks_those_who_accepted_the_one_before() -> None:
    """Microsoft, EAP changes in Windows 11: with this policy what is untrusted just fails."""
    leaf = renewed(more=(stating(STRICT),))
    of = plan(clients=clients(by_hand=("windows-eap", "apple-eap")))
    found = gone_through(of, seen(of), leaf, issuing())
    assert felt(found, 4) == {
        "windows-eap by hand": Feels.BLOCKED,
        "apple-eap by hand": Feels.ASKED,
    }
    assert [(one.client, one.feels) for one in found.anew] == [
        ("windows-eap", Feels.BLOCKED),
        ("apple-eap", Feels.ASKED),
    ]
    assert found.verdict is Verdict.BLOCKED


def test_nothing_served_is_nothing_known() -> None:
    of = plan(clients=clients("linux-eap"))
    survey = seen(of, eap={"": Outcome.SILENT})
    found = gone_through(of, survey, renewed(), issuing())
    assert felt(found, 4) == {"linux-eap": Feels.UNSEEN}
    (only,) = found.first
    assert "show no certificate (eap)" in only
    assert found.verdict is Verdict.UNSEEN


@pytest.mark.parametrize(
    ("dark", "verdict"),
    [({}, Verdict.SOUND), ({"quay3": Outcome.CLOSED}, Verdict.UNSEEN)],
)
def test_a_node_that_shows_nothing_leaves_it_unseen_how_the_roll_out_goes(
    dark: dict[str, Outcome], verdict: Verdict
) -> None:
    """Whether it goes well at the dark one nobody knows; the bright twin is sound."""
    of = plan(clients=clients("linux-eap"))
    found = gone_through(
        of, seen(of, eap={"": with_private(renewed())} | dark), renewed(), issuing()
    )
    told = [one for one in found.first if one.startswith("quay3 shows no certificate (eap)")]
    assert (found.verdict, len(told)) == (verdict, len(dark))


def test_who_lets_sessions_be_resumed_is_told_and_of_tls_1_3_nothing_is_claimed() -> None:
    """A resumed session shows no certificate: RFC 9190, 2.1.3; at most a day by RFC 5246, F.1.4."""
    survey = seen(plan())
    resuming = tuple(
        replace(record, eap=replace(record.eap, resumption=("ticket",)))
        if record.eap is not None and record.nodes == ("quay2",)
        else record
        for record in survey.handshakes
    )
    found = gone_through(plan(), replace(survey, handshakes=resuming), renewed(), issuing())
    assert found.resumption is not None
    assert found.resumption.nodes == ("quay2",)
    first, second = found.resumption.says
    assert "quay2 lets sessions be resumed under TLS 1.2" in first
    assert "a day later at most" in first
    assert "Of TLS 1.3 it cannot be seen" in second
    of_web = gone_through(
        plan(), survey, public(*HOSTS, GUEST, days=80), web_chain()[1], said=WEB_ONLY
    )
    assert of_web.resumption is None


# ---------------------------------------------------------------- what is advised


def foreign(**changes: object) -> Made:
    return make(RADIUS, ca(FOREIGN_ROOT), names=(RADIUS,), **changes)


def test_the_new_root_is_advised_where_it_is_at_hand_and_helps() -> None:
    of = plan(clients=clients("linux-eap", "windows-eap"))
    found = gone_through(of, seen(of), foreign(), ca(FOREIGN_ROOT).der)
    (first, like) = found.advice
    assert (first.kinds, like.kinds) == ((Kind.ROOTS_FIRST,), (Kind.LIKE_TODAY,))
    assert set(first.helps) == {("linux-eap", "profile"), ("windows-eap", "profile")}
    assert first.left == ()
    without = gone_through(of, seen(of), foreign())
    assert [one.kinds for one in without.advice] == [(Kind.LIKE_TODAY,)]
    assert any("nowhere at hand" in one for one in without.unknown)


def test_where_nobody_is_troubled_nothing_is_advised() -> None:
    of = plan(clients=clients("linux-eap", "chromium-web"))
    found = gone_through(of, seen(of), renewed(), issuing())
    assert found.advice == ()
    assert found.first[0].startswith("As far as is known, nobody is blocked")


def test_to_serve_the_root_is_advised_for_phones_by_hand_alone() -> None:
    for family, kinds in (("android-eap", [(Kind.SERVE_ROOT,)]), ("windows-eap", [])):
        of = plan(clients=clients(by_hand=(family,)))
        found = gone_through(of, seen(of), renewed(), issuing())
        assert [one.kinds for one in found.advice] == kinds
        assert all(one.later for one in found.advice)
    root = ca(PRIVATE_ROOT).der
    of = plan(clients=clients(by_hand=("android-eap",)))
    served = gone_through(of, seen(of), renewed(), issuing(), root)
    assert served.advice == ()


def test_another_order_is_advised_if_it_mends_sooner() -> None:
    of = plan(clients=clients("linux-eap"))
    ended = with_private(private(RADIUS, begins=AT - timedelta(days=400), days=380))
    survey = seen(of, eap={"quay3": ended})
    found = gone_through(of, survey, renewed(), issuing())
    (order,) = [one for one in found.advice if one.kinds == (Kind.ORDER,)]
    assert order.order == ("quay3", "quay1", "quay2", "quay4")
    again = gone_through(of, survey, renewed(), issuing(), order=order.order)
    assert [one.kinds for one in again.advice] == []


def test_what_one_node_has_already_comes_to_the_others_from_the_first_of_them_on() -> None:
    """An ended certificate is imported: no order of the nodes spares anybody that, not even one
    that begins with a node that shows nothing."""
    of = plan(clients=clients("linux-eap"))
    ended = private(RADIUS, begins=AT - timedelta(days=400), days=380)
    other = private(RADIUS, begins=AT - timedelta(days=400), days=385)
    survey = seen(of, eap={"quay2": with_private(other), "quay4": Outcome.CLOSED})
    found = gone_through(of, survey, ended, issuing())
    assert found.first[0] == "Blocked from quay1 on, to the end: Linux 802.1X (by profile)."
    assert [one for one in found.advice if one.kinds == (Kind.ORDER,)] == []


def test_a_name_in_the_profiles_is_advised_where_it_is_the_name_that_lacks() -> None:
    of = plan(clients=clients("linux-eap"))
    leaf = private(OWN)
    found = gone_through(of, seen(of), leaf, issuing())
    assert [one.kinds for one in found.advice] == [(Kind.COMMON_NAME,), (Kind.LIKE_TODAY,)]


def test_behind_a_virtual_address_trouble_may_begin_sooner_and_that_is_said_on_top() -> None:
    of = plan(clients=clients("chromium-web"), services=(guest_service(addresses=("192.0.2.80",)),))
    lost, whole = public(*HOSTS, days=80), public(*HOSTS, GUEST, days=80)
    for leaf, said in ((lost, 1), (whole, 0)):
        found = gone_through(of, seen(of), leaf, web_chain()[1], said=WEB_ONLY)
        told = [one for one in found.first if "may begin with the first node that is done" in one]
        assert len(told) == said


def test_what_is_advised_only_is_called_no_fault() -> None:
    """That the root is not served for phones set up by hand is there today, and stays."""
    of = plan(clients=clients(by_hand=("android-eap",)))
    found = gone_through(of, seen(of), renewed(), issuing())
    assert ("eap-root-helps-android", Span.STAYS) in [(o.rule, o.span) for o in found.troubles]
    assert not any("has faults" in one for one in found.first)


def test_another_certificate_in_the_files_is_said_to_be_rehearsed_by_itself() -> None:
    of = plan(clients=clients("linux-eap"))
    other = public(GUEST)
    found = gone_through(of, seen(of), renewed(), issuing(), other.der)
    assert found.first[-1] == (
        f'Rehearsed is "{RADIUS}" alone: the files hold "{GUEST}", too, which is to be rehearsed'
        " by itself."
    )
    assert not any("alone:" in one for one in gone_through(of, seen(of), renewed()).first)


# ---------------------------------------------------------------- what an import replaces


def test_the_canary_and_where_dns_leads_serve_what_they_did() -> None:
    survey = seen(plan())
    aside = tuple(
        replace(record, asked=replace(record.asked, aspect=Aspect.CANARY))
        for record in survey.handshakes
        if record.endpoint is Endpoint.WEB
    )
    short = with_public(public(*HOSTS))
    after = swap(replace(survey, handshakes=(*survey.handshakes, *aside)), short, NODES)
    found = {
        record.served.chain[0]
        for record in after.handshakes
        if record.asked.aspect is Aspect.CANARY and record.served
    }
    assert found == {fingerprint(web_chain()[0])}


def test_a_certificate_for_other_names_stays() -> None:
    of = plan(services=(guest_service(),))
    own = with_public(public(*HOSTS))
    survey = seen(of, web={"northpier.example": own, GUEST: web_chain()})
    new = with_public(public(GUEST, days=80))
    after = swap(survey, new, NODES, only=[Endpoint.WEB], names=[GUEST])
    for record in after.handshakes:
        if record.endpoint is Endpoint.WEB and record.asked.aspect is None:
            assert record.served is not None
            wanted = new if record.asked.name == GUEST else own
            assert record.served.chain[0] == fingerprint(wanted[0])


def test_what_changes_at_a_node_is_told_in_the_order_in_which_it_is_met() -> None:
    """Of changes that are felt alike the first is told: it must be the same one in each run."""
    of, root, issuing = plan(), ca(PRIVATE_ROOT).der, ca(PRIVATE_ISSUING, PRIVATE_ROOT).der
    short, long = (issuing,), (issuing, root)

    def served(leaf: Made) -> Survey:
        return seen(
            of,
            depth=Depth.NODE,
            eap={"/PEAP": (leaf.der, *short), "/EAP-TTLS": (leaf.der, *long)},
        )

    old, new = private(RADIUS), renewed()
    found = changes(served(old), served(new))
    told = [
        tuple(map(fingerprint, (leaf.der, *rest))) for rest in (short, long) for leaf in (old, new)
    ]
    expected = (Changed(told[0], told[1]), Changed(told[2], told[3]))
    assert {node: of_node[:2] for node, of_node in found.items()} == dict.fromkeys(NODES, expected)
