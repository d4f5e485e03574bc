"""RADIUS itself: signatures, rounds, resumption; the 192-bit mode, and phones set up by hand."""

import pytest
from cryptography import x509

from probe.assessment import Basis, Verdict
from probe.observation.model import Aspect, Outcome, RadiusSeen
from probe.plan.model import Eap, Plan
from probe.records import replace
from tests.judge.eap_world import TLS, TTLS, Said, said, surveyed
from tests.judge.pki import Made, make
from tests.judge.test_rules_eap_way import others
from tests.judge.world import (
    NODES,
    PRIVATE_ROOT,
    RADIUS,
    Chain,
    ca,
    clients,
    folded,
    judged,
    nodes,
    noted,
    plan,
    private,
    roots,
    told,
    trust,
    with_private,
)

FIRST = ("quay1",)
THIRD = ("quay3",)
SIGNED = RadiusSeen("Access-Challenge", True, authenticator_first=True)
UNSIGNED = RadiusSeen("Access-Challenge", False, authenticator_first=False)


# ---------------------------------------------------------------- signatures


def test_replies_without_message_authenticator() -> None:
    """RFC 3579, 3.1 and 3.2."""
    survey = surveyed(
        *others("quay3"),
        said("quay3", radius=UNSIGNED),
        said("quay3", "EAP-TTLS", methods=(TTLS,), radius=UNSIGNED),
    )
    result = judged(plan(), survey)
    assert told(result) == [("eap-unsigned-reply", "eap", THIRD, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert "quay3" in finding.remedy


def test_signed_replies_are_healthy() -> None:
    result = judged(plan(), surveyed(*(said(node, radius=SIGNED) for node in NODES)))
    assert told(result) == []
    assert noted(result) == []


def test_a_bare_reject_need_not_be_signed() -> None:
    bare = RadiusSeen("Access-Reject", False, authenticator_first=False)
    rejected = said("quay3", "PEAP", Outcome.REJECTED, radius=bare)
    result = judged(plan(), surveyed(*others("quay3"), rejected))
    assert told(result) == [("eap-rejected-early", "eap", THIRD, None)]
    # What is noted now speaks of replies with EAP alone.
    rejected = said("quay3", "PEAP", Outcome.REJECTED, radius=replace(bare, largest_reply=64))
    result = judged(plan(), surveyed(*others("quay3"), rejected))
    assert ("eap-unsigned-reply", "eap", THIRD, None) in told(result)


def test_its_place_in_the_packet_is_one_note_for_all() -> None:
    """draft-ietf-radext-deprecating-radius: first in every reply; few servers do so yet."""
    last = replace(SIGNED, authenticator_first=False)
    result = judged(plan(), surveyed(*(said(node, radius=last) for node in NODES)))
    assert told(result) == []
    assert noted(result) == [("eap-unsigned-reply", NODES)]
    assert "work in progress" in result.notes[0].source


def without_signature(reply: str | None, ended: Outcome = Outcome.CUT_OFF) -> Said:
    radius = RadiusSeen(reply) if reply else None
    return said("quay1", "unsigned", ended, aspect=Aspect.UNSIGNED, radius=radius)


def test_a_request_without_a_signature_that_is_answered() -> None:
    result = judged(plan(), surveyed(said("quay1"), without_signature("Access-Challenge")))
    assert told(result) == [("eap-unsigned-accepted", "eap", FIRST, None)]
    assert result.findings[0].verdict is Verdict.ADVISED
    assert "quay1" in result.findings[0].remedy


def test_one_that_is_rejected_may_well_be_rejected_for_that() -> None:
    unsigned = without_signature("Access-Reject", Outcome.REJECTED)
    assert told(judged(plan(), surveyed(said("quay1"), unsigned))) == []
    # The signed one meets the same: it is treated like that one.
    rejected = said("quay1", "PEAP", Outcome.REJECTED)
    assert ("eap-unsigned-accepted", "eap", FIRST, None) in told(
        judged(plan(), surveyed(rejected, unsigned))
    )


# ---------------------------------------------------------------- rounds


def long(octets: int) -> Chain:
    """Return the usual chain with a leaf of about so many octets."""
    padding = x509.UnrecognizedExtension(x509.ObjectIdentifier("2.25.99"), b"\0" * octets)
    return with_private(private(RADIUS, more=[(padding, False)]))


def seen_in(chain: Chain, *fragments: int) -> Said:
    return said("quay1", "PEAP", chain, eap={"fragments": fragments})


def test_a_chain_beyond_forty_rounds_in_the_least_fragments() -> None:
    """RFC 9191, 1 and 3: 40 to 50 round trips, packets of 1,020 octets at least.

    40,000 octets in fragments of 1,020 are 40, of 1,390 are 29; with three more, 43 and 32.
    """
    flight = (1_390,) * 28 + (1_080,)
    result = judged(plan(), surveyed(seen_in(long(38_000), *flight)))
    assert told(result) == [("eap-long-chain", "eap", FIRST, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.ADVISED
    # Behind an access point that gives up after forty rounds nobody gets on, whatever the device.
    assert not {one for one in result.headline.no_change if one.endswith("-eap")}
    value = finding.evidence[0].value
    assert value.startswith("40000 octets, in fragments of 1390: 29 fragments")
    assert "3 round trips besides, are 32" in value
    assert "of 1020: 40 fragments, and 3 round trips besides, are 43" in value
    assert RADIUS in finding.says
    assert "quay1" in finding.remedy


def test_a_chain_beyond_fifty_rounds_as_the_server_cuts_it() -> None:
    """20,000 octets in fragments of 400 are 50; with three more, 53."""
    result = judged(plan(), surveyed(seen_in(long(18_000), *(400,) * 50)))
    assert told(result) == [("eap-long-chain", "eap", FIRST, None)]
    assert result.findings[0].verdict is Verdict.BLOCKED


@pytest.mark.parametrize(
    ("fragments", "verdict"),
    [(37, None), (38, Verdict.ADVISED), (47, Verdict.ADVISED), (48, Verdict.BLOCKED)],
)
def test_authenticators_allow_forty_round_trips_or_fifty_and_no_more(
    fragments: int, verdict: Verdict | None
) -> None:
    """RFC 9191, 3. Three round trips come on top: 40, 41, 50 and 51."""
    visit = said("quay1", eap={"fragments": (500,) * fragments})
    found = [finding.verdict for finding in judged(plan(), surveyed(visit)).findings]
    assert found == ([] if verdict is None else [verdict])


def test_where_the_names_of_cas_make_it_long_they_are_told() -> None:
    """Under TLS 1.3 they come with the chain (RFC 9846, 4.3.2). 19,000 octets in fragments of 500
    are 38; with three more, 41."""
    names = tuple(f"CN=CA {number}" for number in range(200))
    seen = {"fragments": (500,) * 38, "client_authorities": names}
    visit = said("quay1", "EAP-TLS", methods=(TLS,), eap=seen)
    (finding,) = judged(plan(), surveyed(visit)).findings
    assert finding.rule == "eap-long-chain"
    assert "and the names of 200 CAs of clients, which take a login over 40" in finding.says
    assert "name fewer CAs" in finding.remedy


def test_where_nothing_is_seen_of_fragments_the_plans_size_counts() -> None:
    """60,000 octets in fragments of 1,400 are 43 and more; of 1,020 59."""
    (finding,) = judged(plan(), surveyed(seen_in(long(59_000)))).findings
    assert (finding.rule, finding.verdict) == ("eap-long-chain", Verdict.ADVISED)


@pytest.mark.parametrize("size", [250, 300, 500, 1_000, 1_390])
def test_a_common_chain_never_takes_too_many(size: int) -> None:
    """Four certificates of RSA 4096 are some 8,000 octets."""
    flight = (size,) * (8_000 // size) + (40,)
    assert told(judged(plan(), surveyed(seen_in(long(6_500), *flight)))) == []


def test_a_plan_with_tiny_packets_that_the_server_does_not_heed() -> None:
    eap = Eap(expected_names=(RADIUS,), framed_mtu=64)
    of = plan(nodes=nodes(eap=eap), eap=eap)
    assert told(judged(of, surveyed(seen_in(long(3_000), 1_390, 1_390, 900)))) == []
    assert told(judged(of, surveyed(seen_in(long(10), 1_300)))) == []


def test_one_that_does_not_end_is_told_by_its_length() -> None:
    endless = said("quay3", "PEAP", Outcome.CUT_OFF, rounds=60, eap={"fragments": (300,) * 57})
    result = judged(plan(), surveyed(*others("quay3"), endless))
    assert told(result) == [("eap-long-chain", "eap", THIRD, None)]
    assert result.findings[0].verdict is Verdict.BLOCKED
    assert "quay3" in result.findings[0].remedy


def test_a_server_that_itself_gives_up_after_fifty_rounds() -> None:
    """One rejects then (FreeRADIUS 3.2, measured): in one method before the chain is whole, in
    another one before the proof of its key. It is one cause, and no fault of the certificate."""
    refused = said("quay1", "EAP-TTLS", Outcome.REFUSED, rounds=52, eap={"fragments": (270,) * 50})
    survey = surveyed(seen_in(long(12_000), *(270,) * 50), refused)
    shown, other = survey.handshakes
    assert shown.served is not None
    unproven = replace(shown.served, key_proven=None, key_detail="Access-Reject")
    records = replace(shown, served=unproven, round_trips=52), other
    result = judged(plan(), replace(survey, handshakes=records))
    assert told(result) == [("eap-long-chain", "eap", FIRST, None)]
    assert folded(result) == ["eap-key-unproven"]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert len(finding.evidence) == 2


# ---------------------------------------------------------------- resumption


def test_resumption_is_one_note() -> None:
    """RFC 5216, 2.1.2; RFC 5077, 3.2."""
    survey = surveyed(*(said(node, eap={"resumption": ("session-id",)}) for node in NODES))
    result = judged(plan(), survey)
    assert told(result) == []
    assert noted(result) == [("eap-resumption-on", NODES)]


# ---------------------------------------------------------------- 192 bits


def strong(label: str, issuer: Made | None = None, *, names: tuple[str, ...] = ()) -> Made:
    """Make a certificate with a P-384 key, signed with SHA-384."""
    return make(label, issuer, names=names, ca=not names, strong=True, days=90 if names else 3650)


def plan_192(root: Made, *, suite_192: bool = True) -> Plan:
    eap = Eap(expected_names=(RADIUS,), suite_192=suite_192)
    known = replace(trust(), eap=(roots("northpier-192.pem", root),))
    return plan(nodes=nodes(eap=eap), eap=eap, trust=known)


ROOT_192 = strong("Northpier Root 192")
CA_192 = strong("Northpier Issuing 192", ROOT_192)


@pytest.mark.parametrize(
    "cipher", [None, "TLS_AES_256_GCM_SHA384", "ECDHE-ECDSA-AES256-GCM-SHA384"]
)
def test_what_meets_the_192_bit_mode(cipher: str | None) -> None:
    """From memory of the WPA3 specification."""
    leaf = strong(RADIUS, CA_192, names=(RADIUS,))
    visit = said("quay1", "PEAP", (leaf.der, CA_192.der), cipher=cipher)
    assert told(judged(plan_192(ROOT_192), surveyed(visit))) == []


def test_what_does_not_meet_it_is_advised() -> None:
    of = plan_192(ca(PRIVATE_ROOT))
    (finding,) = judged(of, surveyed(said("quay1"))).findings
    assert (finding.rule, finding.verdict) == ("eap-192-bit", Verdict.ADVISED)
    assert finding.basis is Basis.MEMORY
    assert "its key is P-256" in finding.evidence[0].value
    assert "quay1" in finding.remedy
    assert told(judged(plan_192(ca(PRIVATE_ROOT), suite_192=False), surveyed(said("quay1")))) == []


def test_another_cipher_does_not_meet_it() -> None:
    leaf = strong(RADIUS, CA_192, names=(RADIUS,))
    chain = (leaf.der, CA_192.der)
    visit = said("quay1", "PEAP", chain, cipher="TLS_AES_128_GCM_SHA256")
    (finding,) = judged(plan_192(ROOT_192), surveyed(visit)).findings
    assert finding.rule == "eap-192-bit"
    assert finding.evidence[0].value == "the cipher is TLS_AES_128_GCM_SHA256"


def test_a_weak_certificate_of_the_path_does_not_meet_it() -> None:
    weak = make("Northpier Issuing Weak", ROOT_192, ca=True, days=3650)
    leaf = strong(RADIUS, weak, names=(RADIUS,))
    visit = said("quay1", "PEAP", (leaf.der, weak.der))
    (finding,) = judged(plan_192(ROOT_192), surveyed(visit)).findings
    assert 'the key of "Northpier Issuing Weak" is P-256' in finding.evidence[0].value


# ---------------------------------------------------------------- by hand


BY_HAND = clients("windows-eap", by_hand=("android-eap",))


def test_phones_set_up_by_hand_remember_the_leaf_where_the_root_is_not_served() -> None:
    """AOSP source, insecure EAP network handler."""
    result = judged(plan(clients=BY_HAND), surveyed(*others()))
    assert told(result) == [("eap-root-helps-android", "eap", NODES, None)]
    (finding,) = result.findings
    assert (finding.verdict, finding.clients) == (Verdict.ADVISED, ("android-eap",))
    assert RADIUS in finding.says
    assert "quay1" in finding.remedy


def test_where_the_root_is_served_they_remember_that() -> None:
    whole = (*with_private(private(RADIUS)), ca(PRIVATE_ROOT).der)
    result = judged(plan(clients=BY_HAND), surveyed(*(said(n, "PEAP", whole) for n in NODES)))
    assert told(result) == []


@pytest.mark.parametrize(
    "on_site", [clients("android-eap"), clients("windows-eap", by_hand=("windows-eap",))]
)
def test_nobody_else_is_helped_by_the_root(on_site: tuple[object, ...]) -> None:
    assert told(judged(plan(clients=on_site), surveyed(*others()))) == []


def test_where_leaves_differ_that_is_the_finding() -> None:
    other = said("quay3", "PEAP", with_private(private(RADIUS)))
    result = judged(plan(clients=BY_HAND), surveyed(*others("quay3"), other))
    assert told(result) == [("eap-leaf-differs", "eap", THIRD, None)]
    assert folded(result) == ["eap-root-helps-android"]


def test_a_chain_that_leads_nowhere_has_another_fault() -> None:
    chain = with_private(private(RADIUS))[:1]
    result = judged(plan(clients=BY_HAND), surveyed(said("quay1", "PEAP", chain)))
    assert "eap-root-helps-android" not in [rule for rule, *_ in told(result)]
