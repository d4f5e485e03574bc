"""Served chains on web and EAP endpoints: each fault, and its twin that is healthy."""

from datetime import timedelta

import pytest
from cryptography import x509
from cryptography.x509.oid import ExtendedKeyUsageOID

from probe.assessment import Verdict
from probe.plan.model import Acceptance, Windows
from probe.records import replace
from tests.judge.pki import AT, Made, authority, make
from tests.judge.world import (
    FOREIGN_ROOT,
    GUEST,
    HOSTS,
    NAMES_ITS_ISSUER,
    NODES,
    OWN,
    PRIVATE_ROOT,
    PUBLIC_ISSUING,
    PUBLIC_ROOT,
    RADIUS,
    Chain,
    Told,
    ca,
    clients,
    folded,
    host,
    judged,
    nodes,
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

EVERY_NAME = (*HOSTS, GUEST)
CODE = ExtendedKeyUsageOID.CODE_SIGNING


def web_fault(chain: Chain) -> list[Told]:
    return told(judged(plan(), seen(plan(), web={"web/quay3": chain})))


def eap_fault(chain: Chain) -> list[Told]:
    """All nodes serve it, so that nothing is compared."""
    return told(judged(plan(), seen(plan(), eap={"eap/": chain})))


def foreign(*names: str) -> Chain:
    leaf = make(names[0], ca(FOREIGN_ROOT), names=names)
    return leaf.der, ca(FOREIGN_ROOT).der


def test_a_leaf_that_is_its_own_issuer() -> None:
    chain = (make("quay3", names=EVERY_NAME).der,)
    assert web_fault(chain) == [("web-self-signed", "web", ("quay3",), None)]


def test_a_private_root_on_the_guests_name_only() -> None:
    """Staff's devices have the private root: the node's own name is well served."""
    chain = with_private(private(*EVERY_NAME))
    result = judged(plan(), seen(plan(), web={"web/quay3": chain}))
    assert told(result) == [("web-private-root", "web", ("quay3",), GUEST)]
    assert result.findings[0].verdict is Verdict.WARNED
    assert PRIVATE_ROOT in result.findings[0].says


def test_a_private_root_that_is_not_sent_is_still_told() -> None:
    direct = make("direct", ca(PRIVATE_ROOT), names=EVERY_NAME)
    assert web_fault((direct.der,)) == [("web-private-root", "web", ("quay3",), GUEST)]


def test_a_root_that_is_nobodys() -> None:
    assert web_fault(foreign(*EVERY_NAME)) == [("web-unknown-root", "web", ("quay3",), None)]


def test_an_intermediate_that_another_node_serves_is_named() -> None:
    chain = with_public(public(*EVERY_NAME))[:1]
    result = judged(plan(), seen(plan(), web={"web/quay3": chain}))
    assert told(result) == [("web-chain-incomplete", "web", ("quay3",), None)]
    missing = ca(PUBLIC_ISSUING, PUBLIC_ROOT)
    assert f'"{PUBLIC_ISSUING}" (SHA-256 {missing.sha[:16]}' in result.findings[0].remedy


def test_an_intermediate_that_nobody_serves_is_told_by_its_name() -> None:
    chain = with_public(public(*EVERY_NAME))[:1]
    result = judged(plan(), seen(plan(), web={"web/": chain}))
    assert told(result) == [("web-chain-incomplete", "web", NODES, None)]
    assert f'"{PUBLIC_ISSUING}"' in result.findings[0].remedy


def test_browsers_that_fetch_intermediates_make_an_incomplete_chain_advised() -> None:
    """The certificate says where its issuer's is (RFC 5280, 4.2.2.1); nobody on site minds."""
    of = plan(clients=clients("chromium-web", "apple-web"))
    chain = with_public(public(*EVERY_NAME, more=[NAMES_ITS_ISSUER]))[:1]
    (finding,) = judged(of, seen(of, web={"web/quay3": chain})).findings
    assert (finding.rule, finding.verdict) == ("web-chain-incomplete", Verdict.ADVISED)
    assert finding.clients == ()


def test_an_intermediate_that_no_address_leads_to_is_fetched_by_nobody() -> None:
    of = plan(clients=clients("chromium-web", "apple-web"))
    chain = with_public(public(*EVERY_NAME))[:1]
    (finding,) = judged(of, seen(of, web={"web/quay3": chain})).findings
    assert (finding.rule, finding.verdict) == ("web-chain-incomplete", Verdict.WARNED)
    assert finding.clients == ("chromium-web", "apple-web")


def test_a_guest_portal_cannot_count_on_fetching() -> None:
    """RFC 8908, 4.1: the portal's browser has no network yet."""
    of = plan(clients=clients("captive-web"))
    chain = with_public(public(*EVERY_NAME))[:1]
    (finding,) = judged(of, seen(of, web={"web/quay3": chain})).findings
    assert (finding.verdict, finding.name) == (Verdict.WARNED, None)


@pytest.mark.parametrize(
    ("leaf", "rule"),
    [
        (public(*EVERY_NAME, begins=AT - timedelta(days=91), days=90), "web-expired"),
        (public(*EVERY_NAME, begins=AT + timedelta(days=1)), "web-not-yet-valid"),
        (public(*EVERY_NAME, OWN, begins=AT - timedelta(days=80), days=90), "web-expiring"),
        (public(*EVERY_NAME, purposes=(CODE,)), "web-wrong-purpose"),
        (public(*EVERY_NAME, usage=("key_agreement",)), "web-wrong-purpose"),
    ],
)
def test_faults_of_a_web_leaf(leaf: Made, rule: str) -> None:
    assert web_fault(with_public(leaf)) == [(rule, "web", ("quay3",), None)]


@pytest.mark.parametrize(
    ("leaf", "rule"),
    [
        (private(RADIUS, begins=AT - timedelta(days=91), days=90), "eap-expired"),
        (private(RADIUS, begins=AT + timedelta(days=1)), "eap-not-yet-valid"),
        (private(RADIUS, begins=AT - timedelta(days=80), days=90), "eap-expiring"),
        (private(RADIUS, purposes=(CODE,)), "eap-wrong-purpose"),
        (private(RADIUS, usage=("key_agreement",)), "eap-wrong-purpose"),
        (private(RADIUS, purposes=None), "eap-wrong-purpose"),
    ],
)
def test_faults_of_an_eap_leaf(leaf: Made, rule: str) -> None:
    assert eap_fault(with_private(leaf)) == [(rule, "eap", NODES, None)]


def test_faults_of_an_eap_chain() -> None:
    assert eap_fault((make(RADIUS, names=[RADIUS]).der,)) == [
        ("eap-self-signed", "eap", NODES, None)
    ]
    assert eap_fault(foreign(RADIUS)) == [("eap-unknown-root", "eap", NODES, None)]
    assert eap_fault(with_private(private(RADIUS))[:1]) == [
        ("eap-chain-incomplete", "eap", NODES, None)
    ]
    assert eap_fault(with_public(public(RADIUS))) == [("eap-unknown-root", "eap", NODES, None)]


def test_a_certificate_without_purposes_is_advised_for_one_supplicant() -> None:
    """RFC 5216, 5.3 takes it; a published requirement of one platform does not."""
    chain = with_private(private(RADIUS, purposes=None))
    (finding,) = judged(plan(), seen(plan(), eap={"eap/": chain})).findings
    assert finding.verdict is Verdict.ADVISED
    without = plan(clients=clients("apple-eap", "android-eap", "linux-eap"))
    assert told(judged(without, seen(without, eap={"eap/": chain}))) == []


def test_a_web_leaf_without_purposes_troubles_one_browser_only() -> None:
    """Apple support 103769 demands one; RFC 5280, 4.2.1.12 does not."""
    chain = with_public(public(*EVERY_NAME, purposes=None))
    (finding,) = judged(plan(), seen(plan(), web={"web/quay3": chain})).findings
    assert (finding.rule, finding.clients) == ("web-wrong-purpose", ("apple-web",))
    without = plan(clients=clients("chromium-web", "firefox-web", "node"))
    assert told(judged(without, seen(without, web={"web/quay3": chain}))) == []


def test_the_last_second_of_validity_belongs_to_it() -> None:
    """RFC 5280, 4.1.2.5: notAfter is included."""
    leaf = private(RADIUS, begins=AT - timedelta(days=90), days=90)
    survey = seen(plan(), eap={"eap/": with_private(leaf)})
    assert told(judged(plan(), survey, at=AT)) == [("eap-expiring", "eap", NODES, None)]
    later = AT + timedelta(seconds=1)
    assert told(judged(plan(), survey, at=later)) == [("eap-expired", "eap", NODES, None)]


@pytest.mark.parametrize(
    ("lifetime", "left", "expiring"),
    [
        (90, 29.9, True),  # a third of 90 days is 30
        (90, 30.1, False),
        (365, 29.9, True),  # at most 30 days
        (365, 30.1, False),
        (6, 1.9, True),  # a third of six days is two
        (6, 2.1, False),
    ],
)
def test_the_warning_window_is_a_third_of_the_lifetime_at_most_30_days(
    lifetime: float, left: float, expiring: bool
) -> None:
    leaf = private(RADIUS, begins=AT - timedelta(days=lifetime - left), days=lifetime)
    found = eap_fault(with_private(leaf))
    assert found == ([("eap-expiring", "eap", NODES, None)] if expiring else [])


def test_the_plan_may_set_the_window() -> None:
    leaf = private(RADIUS, begins=AT - timedelta(days=45), days=90)
    survey = seen(plan(), eap={"eap/": with_private(leaf)})
    wide = plan(windows=Windows(expiring_days=50))
    (finding,) = judged(wide, survey).findings
    assert (finding.verdict, finding.due) == (Verdict.DUE, AT + timedelta(days=45))
    assert told(judged(plan(), survey)) == []


def test_an_issuing_ca_that_has_expired_is_the_certificate_at_fault() -> None:
    old = make(
        "Old Issuing",
        ca(PUBLIC_ROOT),
        ca=True,
        begins=AT - timedelta(days=400),
        days=399,
    )
    leaf = make("quay3", old, names=EVERY_NAME)
    result = judged(plan(), seen(plan(), web={"web/quay3": (leaf.der, old.der)}))
    assert told(result) == [("web-expired", "web", ("quay3",), None)]
    assert result.findings[0].certificates == (old.sha,)
    assert '"Old Issuing"' in result.findings[0].says


def test_a_signature_that_does_not_verify_breaks_the_path() -> None:
    leaf = make("quay3", ca(PUBLIC_ISSUING, PUBLIC_ROOT), names=EVERY_NAME, signed_with="other")
    chain = with_public(leaf)
    assert web_fault(chain) == [("web-path-invalid", "web", ("quay3",), None)]


def test_the_remedy_of_a_broken_path_says_what_to_have_issued() -> None:
    """To have the certificate at fault issued again helps only where it is the wrong one itself."""
    issuing = ca(PUBLIC_ISSUING, PUBLIC_ROOT)
    server = make("portal.northpier.example", issuing)
    narrow = authority("Narrow", ca(PUBLIC_ROOT), path_length=0)
    lower = authority("Lower", narrow)
    within = x509.NameConstraints([x509.DNSName("harbour.example")], None)
    elsewhere = authority("Elsewhere", ca(PUBLIC_ROOT), more=[(within, True)])
    odd = make("quay3", issuing, names=EVERY_NAME, critical=["1.3.6.1.4.1.55555.1"])
    for others, remedy in (
        ((server, issuing), '"quay3" issued by a CA: "portal.northpier.example" is none'),
        ((lower, narrow), 'issued by "Narrow" itself, or "Narrow" again with a longer path'),
        ((elsewhere,), 'Have "quay3" issued again for names that its CAs may issue for'),
    ):
        leaf = make("quay3", others[0], names=EVERY_NAME)
        assert remedy in path_remedy((leaf, *others))
    assert f"(SHA-256 {odd.sha[:16]}...) issued again without this fault" in path_remedy(
        (odd, issuing)
    )


def path_remedy(chain: tuple[Made, ...]) -> str:
    served = tuple(one.der for one in chain)
    (finding,) = judged(plan(), seen(plan(), web={"web/quay3": served})).findings
    assert finding.rule == "web-path-invalid"
    return finding.remedy


def test_a_root_that_forbids_the_path_is_named_though_nobody_served_it() -> None:
    """What is wrong with the leaf besides is another finding, with an id of its own."""
    root = authority("Flat Root", path_length=0)
    issuing = authority("Flat Issuing", root)
    leaf = make(RADIUS, issuing, names=[RADIUS], critical=["1.3.6.1.4.1.55555.1"])
    of = plan(trust=replace(trust(), eap=(roots("flat.pem", root),)))
    result = judged(of, seen(of, eap={"eap/": (leaf.der, issuing.der)}))
    assert told(result) == [("eap-path-invalid", "eap", NODES, None)] * 2
    assert sum('broken at "Flat Root"' in finding.says for finding in result.findings) == 1
    assert len({finding.id for finding in result.findings}) == 2


@pytest.mark.parametrize(
    ("extension", "critical", "rule"),
    [
        # Clients do not process it.
        (x509.ObjectIdentifier("1.3.6.1.4.1.55555.1"), True, "web-path-invalid"),
        # A certificate template that runs past its end: only a strict parser minds.
        (x509.ObjectIdentifier("1.3.6.1.4.1.311.21.7"), False, "web-malformed"),
    ],
)
def test_what_one_ca_puts_into_the_leaf_of_each_node_is_one_finding(
    extension: x509.ObjectIdentifier, rule: str, *, critical: bool
) -> None:
    more = x509.UnrecognizedExtension(extension, bytes.fromhex("302e0626")), critical
    own = {
        f"web/{node}": with_public(public(host(node), GUEST, more=[more])) for node in NODES[1:3]
    }
    result = judged(plan(), seen(plan(), web=own))
    assert told(result) == [(rule, "web", NODES[1:3], None)]
    assert len(result.findings[0].certificates) == 2
    assert "each of them issued again" in result.findings[0].remedy


def test_an_unreadable_certificate_is_no_sound_one() -> None:
    """Its names cannot be read either: that is the same fault."""
    assert web_fault((b"not a certificate",)) == [("web-malformed", "web", ("quay3",), None)]
    assert eap_fault((b"not a certificate",)) == [("eap-malformed", "eap", NODES, None)]


def test_equal_certificates_of_one_renewal_are_one_finding() -> None:
    """Each node has a leaf of its own, all issued to end on one day."""
    own = {
        f"web/{node}": with_public(
            public(host(node), GUEST, begins=AT - timedelta(days=80), days=90)
        )
        for node in NODES
    }
    result = judged(plan(), seen(plan(), web=own))
    assert told(result) == [("web-expiring", "web", NODES, None)]
    assert len(result.findings[0].certificates) == 4


def test_two_methods_of_one_node_are_one_finding() -> None:
    """Two conversations show the same chain."""
    chain = foreign(RADIUS)
    result = judged(plan(), seen(plan(), eap={"eap/quay3": chain}))
    assert told(result) == [("eap-unknown-root", "eap", ("quay3",), None)]
    assert len(result.findings[0].evidence) == 2


def test_what_is_accepted_for_one_node_is_told_apart_from_the_rest() -> None:
    known = Acceptance("web-unknown-root", ("quay4",), "replaced in spring", AT.date())
    of = plan(accepted=(known,))
    chain = foreign(*EVERY_NAME)
    result = judged(of, seen(of, web={"web/quay3": chain, "web/quay4": chain}))
    assert [(f.nodes, f.accepted is not None) for f in result.findings if f.endpoint == "web"] == [
        (("quay3",), False),
        (("quay4",), True),
    ]


def test_ca_certificates_of_both_kinds_of_root_may_be_sent() -> None:
    whole = (*with_private(private(RADIUS)), ca(PRIVATE_ROOT).der)
    assert eap_fault(whole) == []


def test_a_node_alone_is_asked_by_no_other_node() -> None:
    lonely = plan(nodes=nodes(("quay1",)), services=(), clients=clients("node"))
    chain = foreign(host("quay1"))
    result = judged(lonely, seen(lonely, web={"web/": chain}))
    assert told(result) == [("web-unknown-root", "web", ("quay1",), None)]
    assert folded(result) == []


def test_a_certificate_like_the_rest_is_no_fault() -> None:
    """The twin of all web faults above."""
    assert web_fault(with_public(public(*EVERY_NAME))) == []
    assert eap_fault(with_private(private(RADIUS))) == []
