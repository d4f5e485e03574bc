"""EAP endpoints: reachability, expected names, and servers compared."""

from datetime import timedelta

import pytest

from probe.assessment import Verdict
from probe.observation.model import (
    EapSeen,
    Endpoint,
    Handshake,
    HandshakeAsk,
    Outcome,
    Phase,
    RadiusSeen,
)
from probe.observe.agenda import Depth
from probe.plan.model import Audience, Service
from probe.records import replace
from tests.judge.pki import AT, authority, make, name
from tests.judge.world import (
    HOSTS,
    NODES,
    PRIVATE_ISSUING,
    PRIVATE_ROOT,
    RADIUS,
    ca,
    clients,
    folded,
    host,
    judged,
    noted,
    plan,
    private,
    public,
    roots,
    seen,
    told,
    trust,
    with_private,
    with_public,
)

PINNING = clients("windows-eap", by_hand=("windows-eap",))


@pytest.mark.parametrize(
    ("outcome", "rule", "verdict"),
    [
        (Outcome.CLOSED, "eap-closed", Verdict.BLOCKED),
        (Outcome.SILENT, "eap-silent", Verdict.UNSEEN),
        (Outcome.UNREACHABLE, "eap-silent", Verdict.UNSEEN),
        (Outcome.SECRET_DIFFERS, "eap-secret-differs", Verdict.UNSEEN),
        (Outcome.REJECTED, "eap-rejected-early", Verdict.UNSEEN),
        (Outcome.METHOD_REFUSED, "eap-method-refused", Verdict.BLOCKED),
        (Outcome.REFUSED, "eap-refused", Verdict.BLOCKED),
        (Outcome.CUT_OFF, "eap-refused", Verdict.BLOCKED),
        (Outcome.MALFORMED, "eap-refused", Verdict.BLOCKED),
    ],
)
def test_a_conversation_without_a_certificate(
    outcome: Outcome, rule: str, verdict: Verdict
) -> None:
    """Both conversations of each node end alike, at two nodes: one finding."""
    survey = seen(plan(), eap={"eap/quay2": outcome, "eap/quay3": outcome})
    result = judged(plan(), survey)
    assert told(result) == [(rule, "eap", ("quay2", "quay3"), None)]
    assert result.findings[0].verdict is verdict


def test_silence_says_which_address_the_server_has_to_know() -> None:
    survey = seen(plan(), eap={"eap/quay3": Outcome.SILENT})
    handshakes = tuple(replace(record, source="192.0.2.200") for record in survey.handshakes)
    (finding,) = judged(plan(), replace(survey, handshakes=handshakes)).findings
    assert "192.0.2.200" in finding.remedy
    (finding,) = judged(plan(), survey).findings
    assert "this machine's address, as the node sees it" in finding.remedy


def test_silence_where_this_machine_was_answered_before_is_blocked() -> None:
    before = seen(plan(), taken=AT - timedelta(days=1))
    now = seen(plan(), eap={"eap/quay3": Outcome.SILENT})
    assert judged(plan(), now, before=before).findings[0].verdict is Verdict.BLOCKED


def test_a_server_that_agrees_to_one_method_of_the_plan_serves_its_clients() -> None:
    refused = replace(_record(Outcome.METHOD_REFUSED), eap=EapSeen(proposed=("PEAP",)))
    result = judged(plan(), seen(plan(), eap={"quay3/192.0.2.13:1812/EAP-TTLS": refused}))
    assert told(result) == []
    assert noted(result) == [("cluster-methods-differ", ("quay3",))]


def test_what_is_proposed_instead_is_told() -> None:
    refused = replace(_record(Outcome.METHOD_REFUSED), eap=EapSeen(proposed=("TEAP",)))
    (finding,) = judged(plan(), seen(plan(), eap={"eap/quay3": refused})).findings
    assert finding.says.endswith("does not agree to PEAP, EAP-TTLS or EAP-TLS, and proposes TEAP.")


def test_the_attributes_of_a_rejected_request_are_shown() -> None:
    radius = RadiusSeen(sent=(("User-Name", "cert-probe@example.invalid"), ("Framed-MTU", "1400")))
    rejected = replace(_record(Outcome.REJECTED), radius=radius)
    (finding,) = judged(plan(), seen(plan(), eap={"eap/quay3": rejected})).findings
    assert "Framed-MTU=1400" in finding.evidence[0].value


def test_a_virtual_radius_address_is_told_once() -> None:
    virtual = Service(RADIUS, Endpoint.EAP, Audience.STAFF, NODES, addresses=("192.0.2.90",))
    of = plan(services=(virtual,))
    result = judged(of, seen(of, eap={"192.0.2.90": Outcome.CLOSED}))
    assert told(result) == [("eap-closed", "eap", NODES, None)]
    assert "virtual address 192.0.2.90" in result.findings[0].says


# ---------------------------------------------------------------- names


def test_none_of_the_expected_names() -> None:
    """RFC 9190, 2.2: peers need a root and one or more names to match."""
    result = judged(plan(), seen(plan(), eap={"eap/": with_private(private(host("quay1")))}))
    assert told(result) == [("eap-name-unexpected", "eap", NODES, None)]
    assert result.findings[0].verdict is Verdict.BLOCKED


def test_leaves_of_their_own_without_the_common_name_are_one_finding() -> None:
    own = {f"eap/{node}": with_private(private(host(node))) for node in NODES}
    result = judged(plan(), seen(plan(), eap=own))
    assert told(result) == [("eap-name-unexpected", "eap", NODES, None)]
    assert "4 certificates such as" in result.findings[0].says
    assert "Have each of them issued again" in result.findings[0].remedy


def test_setups_by_hand_check_no_name() -> None:
    of = plan(clients=clients(by_hand=("windows-eap", "apple-eap", "android-eap", "linux-eap")))
    whole = (*with_private(private(host("quay1"))), ca(PRIVATE_ROOT).der)
    result = judged(of, seen(of, eap={"eap/": whole}))
    assert [(f.rule, f.verdict) for f in result.findings] == [
        ("eap-name-unexpected", Verdict.ADVISED)
    ]


def test_one_common_name_among_others_is_enough() -> None:
    chain = with_private(private(host("quay1"), RADIUS))
    assert told(judged(plan(), seen(plan(), eap={"eap/": chain}))) == []


def test_a_wildcard_that_one_supplicant_refuses() -> None:
    """Apple Security framework source: names of the certificate cannot be wildcards."""
    leaf = make(
        name(None, "Northpier Ferries"),
        ca(PRIVATE_ISSUING, PRIVATE_ROOT),
        names=["*.northpier.example"],
    )
    # That the last one minds rests on memory: it counts for nothing beside what is published.
    of = plan(clients=clients("windows-eap", "apple-eap", "linux-eap"))
    result = judged(of, seen(of, eap={"eap/": with_private(leaf)}))
    assert told(result) == [("eap-wildcard-name", "eap", NODES, None)]
    assert result.findings[0].verdict is Verdict.WARNED
    assert result.findings[0].clients == ("apple-eap",)
    without = plan(clients=clients("windows-eap"))
    assert told(judged(without, seen(without, eap={"eap/": with_private(leaf)}))) == []
    memory = plan(clients=clients("linux-eap"))
    (finding,) = judged(memory, seen(memory, eap={"eap/": with_private(leaf)})).findings
    assert (finding.verdict, finding.clients) == (Verdict.ADVISED, ("linux-eap",))
    # Android, WifiEnterpriseConfig reference: labels are compared one at a time.
    suffix = plan(clients=clients("android-eap"))
    (finding,) = judged(suffix, seen(suffix, eap={"eap/": with_private(leaf)})).findings
    assert (finding.verdict, finding.clients) == (Verdict.BLOCKED, ("android-eap",))


def test_a_wildcard_in_the_subject_rests_on_memory() -> None:
    leaf = private("*.northpier.example", RADIUS)
    (finding,) = judged(plan(), seen(plan(), eap={"eap/": with_private(leaf)})).findings
    assert (finding.rule, finding.verdict) == ("eap-wildcard-name", Verdict.ADVISED)
    assert finding.basis.value == "memory"


# ---------------------------------------------------------------- compared


def test_leaves_of_their_own_with_a_common_name_are_a_note() -> None:
    """RFC 9190, 2.2: one common name in the certificate of every server."""
    own = {f"eap/{node}": with_private(private(host(node), RADIUS)) for node in NODES}
    result = judged(plan(), seen(plan(), eap=own))
    assert told(result) == []
    assert noted(result) == [("eap-leaf-differs", NODES)]


def test_another_leaf_is_a_finding_where_a_setup_pins_leaves() -> None:
    """Microsoft, EAP changes in Windows 11: an accepted prompt remembers the thumbprint."""
    of = plan(clients=PINNING)
    result = judged(of, seen(of, eap={"eap/quay3": with_private(private(RADIUS))}))
    assert told(result) == [("eap-leaf-differs", "eap", ("quay3",), None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.WARNED
    assert [(r.client, r.setup, r.does.value) for r in finding.reactions] == [
        ("windows-eap", "by-hand", "warns")
    ]
    assert [row.what for row in finding.evidence] == ["quay1, quay2 and quay4", "quay3"]


def test_on_a_tie_all_nodes_are_named() -> None:
    of = plan(clients=PINNING)
    chain = with_private(private(RADIUS))
    result = judged(of, seen(of, eap={"eap/quay3": chain, "eap/quay4": chain}))
    assert told(result) == [("eap-leaf-differs", "eap", NODES, None)]
    assert [row.what for row in result.findings[0].evidence] == [
        "quay1 and quay2",
        "quay3 and quay4",
    ]


def test_another_leaf_of_another_ca_is_a_finding_for_anybody() -> None:
    other = authority("Northpier Issuing 2", ca(PRIVATE_ROOT))
    leaf = make(RADIUS, other, names=[RADIUS])
    result = judged(plan(), seen(plan(), eap={"eap/quay3": (leaf.der, other.der)}))
    assert [(f.rule, f.nodes, f.verdict) for f in result.findings] == [
        ("eap-leaf-differs", ("quay3",), Verdict.ADVISED)
    ]


def test_by_hand_android_pins_the_leaf_where_the_root_is_not_served() -> None:
    """AOSP source, insecure EAP network handler; Android, Trust on First Use."""
    of = plan(clients=clients(by_hand=("android-eap",)))
    other = with_private(private(RADIUS))
    result = judged(of, seen(of, eap={"eap/quay3": other}))
    assert told(result) == [("eap-leaf-differs", "eap", ("quay3",), None)]
    root = ca(PRIVATE_ROOT).der
    usual = with_private(private(RADIUS))
    rooted = seen(of, eap={"eap/": (*usual, root), "eap/quay3": (*other, root)})
    assert told(judged(of, rooted)) == []


def two_roots() -> object:
    """Every profile has both roots."""
    second = authority("Northpier Root 2")
    return second, replace(
        trust(), eap=(roots("both.pem", ca(PRIVATE_ROOT), second),), node=trust().node
    )


def test_two_anchored_roots_are_a_note() -> None:
    second, both = two_roots()
    leaf = make(RADIUS, second, names=[RADIUS])
    of = plan(trust=both, clients=clients("windows-eap", "android-eap"))
    result = judged(of, seen(of, eap={"eap/quay3": (leaf.der, second.der)}))
    assert ("eap-root-differs", ("quay3",)) in noted(result)
    assert all(f.rule != "eap-root-differs" for f in result.findings)


def test_two_anchored_roots_trouble_who_remembers_one() -> None:
    """Android, Trust on First Use: the accepted root is the one that is installed."""
    second, both = two_roots()
    leaf = make(RADIUS, second, names=[RADIUS])
    of = plan(trust=both, clients=clients(by_hand=("android-eap",)))
    usual = (*with_private(private(RADIUS)), ca(PRIVATE_ROOT).der)
    result = judged(of, seen(of, eap={"eap/": usual, "eap/quay3": (leaf.der, second.der)}))
    assert told(result) == [("eap-root-differs", "eap", ("quay3",), None)]
    assert folded(result) == ["eap-leaf-differs"]
    assert result.findings[0].reactions[0].words == "Is this network trusted?"


def test_a_root_of_another_world_at_one_node_is_a_difference() -> None:
    """The web certificate was imported for EAP on one node: its root is public, not unknown."""
    chain = with_public(public(*HOSTS))
    result = judged(plan(), seen(plan(), eap={"eap/quay3": chain}))
    assert told(result) == [("eap-root-differs", "eap", ("quay3",), None)]
    assert result.findings[0].verdict is Verdict.BLOCKED
    assert sorted(folded(result)) == [
        "eap-leaf-differs",
        "eap-name-unexpected",
        "eap-unknown-root",
    ]


def test_the_same_leaf_with_another_anchored_chain_is_a_note() -> None:
    second, both = two_roots()
    cross = make(
        PRIVATE_ISSUING,
        second,
        ca=True,
        key_label=name(PRIVATE_ISSUING).rfc4514_string(),
        days=3000,
    )
    leaf = private(RADIUS)
    of = plan(trust=both)
    result = judged(
        of, seen(of, eap={"eap/": with_private(leaf), "eap/quay3": (leaf.der, cross.der)})
    )
    assert told(result) == []
    assert noted(result) == [("eap-chain-differs", ("quay3",))]


def test_a_root_sent_by_some_nodes_is_no_difference() -> None:
    leaf = private(RADIUS)
    whole = (*with_private(leaf), ca(PRIVATE_ROOT).der)
    result = judged(plan(), seen(plan(), eap={"eap/": with_private(leaf), "eap/quay3": whole}))
    assert told(result) == []
    assert noted(result) == []


OLD = private(RADIUS, begins=AT - timedelta(days=300), days=365)
NEW = private(RADIUS, begins=AT - timedelta(days=2), days=365)


def test_a_renewal_that_missed_one_node() -> None:
    survey = seen(plan(), eap={"eap/": with_private(NEW), "eap/quay3": with_private(OLD)})
    result = judged(plan(), survey)
    assert told(result) == [("eap-half-renewed", "eap", ("quay3",), None)]
    assert result.findings[0].verdict is Verdict.ADVISED
    assert "on quay3" in result.findings[0].remedy
    pinned = judged(plan(clients=PINNING), survey)
    assert [f.verdict for f in pinned.findings] == [Verdict.WARNED]


def test_a_renewal_that_reached_one_node_only() -> None:
    """Outside the largest group is the renewed node; what is to be done is at the others."""
    survey = seen(plan(), eap={"eap/": with_private(OLD), "eap/quay3": with_private(NEW)})
    result = judged(plan(), survey)
    assert told(result) == [("eap-half-renewed", "eap", ("quay3",), None)]
    assert "on quay1, quay2 and quay4" in result.findings[0].remedy


def test_leaves_of_one_day_are_no_renewal() -> None:
    same_day = private(RADIUS, begins=AT - timedelta(days=2, hours=3), days=365)
    survey = seen(plan(), eap={"eap/": with_private(NEW), "eap/quay3": with_private(same_day)})
    assert told(judged(plan(), survey)) == []


def test_nodes_that_renew_each_at_its_own_time_are_healthy() -> None:
    """A leaf for each node with the same names in all, none of them past two thirds of its life."""
    own = {
        f"eap/{node}": with_private(private(RADIUS, begins=AT - timedelta(days=10 * n), days=90))
        for n, node in enumerate(NODES, 1)
    }
    assert told(judged(plan(), seen(plan(), eap=own))) == []


def test_visits_are_compared_with_their_like() -> None:
    """In depth each method is asked by itself; the same difference in all is told once."""
    of = plan(clients=PINNING)
    survey = seen(of, eap={"eap/quay3": with_private(private(RADIUS))}, depth=Depth.NODE)
    assert told(judged(of, survey)) == [("eap-leaf-differs", "eap", ("quay3",), None)]


def test_one_certificate_for_both_worlds_is_a_note() -> None:
    both = with_private(private(RADIUS, *HOSTS))
    of = plan(services=())
    result = judged(of, seen(of, web={"web/": both}, eap={"eap/": both}))
    assert told(result) == []
    assert noted(result) == [("eap-same-as-web", NODES)]


def _record(outcome: Outcome) -> Handshake:
    asked = HandshakeAsk("", 1812)
    return Handshake("", Endpoint.EAP, (), asked, AT, 0.0, outcome, Phase.IDENTITY)
