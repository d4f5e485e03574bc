"""Each rule on bundles with a broken one and a healthy twin, and what would hold were it installed.

Expectations are written by hand, as (rule, endpoint, nodes, name). A healthy bundle is one whose
certificate a healthy cluster would serve.
"""

from datetime import date, timedelta

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding, pkcs12

from probe.assessment import Verdict
from probe.bundle import Said, ServedNow
from probe.judge.catalogue import RULES
from probe.observation.model import Endpoint
from probe.plan.model import Acceptance, Audience, Demand, Eap, Matching, Service, Setup
from probe.records import replace
from tests.judge.bundles import (
    Files,
    folded_under,
    key_of,
    pem,
    pfx,
    request,
    said_of,
)
from tests.judge.pki import AT, CLIENT, key, make, rsa_key
from tests.judge.test_rules_profile import SUFFIX, apple, linux, windows
from tests.judge.world import (
    FOREIGN_ROOT,
    GUEST,
    HOSTS,
    NODES,
    PRIVATE_ISSUING,
    PRIVATE_ROOT,
    PUBLIC_ISSUING,
    PUBLIC_ROOT,
    RADIUS,
    Told,
    ca,
    clients,
    guest_service,
    judged,
    nodes,
    plan,
    private,
    public,
    seen,
    told,
    with_private,
    with_public,
)

EXACT = Demand("altsubject-matches", (("DNS:radius.northpier.example", Matching.ALTERNATIVE),))
WEB = public(*HOSTS, GUEST)
EAP = private(RADIUS)
HEALTHY_WEB = (pem(*with_public(WEB)), key_of(WEB))
HEALTHY_EAP = (pem(*with_private(EAP)), key_of(EAP))

TWINS = {
    "web": Files(HEALTHY_WEB),
    "eap": Files(HEALTHY_EAP),
    "web as PKCS#12": Files((pfx(WEB, *with_public(WEB)[1:]),)),
    "eap with its root": Files((pem(*with_private(EAP), ca(PRIVATE_ROOT).der), key_of(EAP))),
    "key first, then in another order": Files(
        (key_of(WEB), pem(*reversed(with_public(WEB)))),
    ),
    "each in a file": Files((pem(WEB.der), with_public(WEB)[1], key_of(WEB))),
    "without key, with its request": Files(
        HEALTHY_WEB[:1], request=request(GUEST, (*HOSTS, GUEST), WEB.key)
    ),
    "with key and request": Files(HEALTHY_WEB, request=request(GUEST, (*HOSTS, GUEST), WEB.key)),
    "request alone": Files(request=request(GUEST, (*HOSTS, GUEST), key("new"))),
    "request for EAP": Files(request=request(RADIUS, (RADIUS,), key("new"))),
    "wildcard": Files(
        (
            pem(*with_public(public("*.northpier.example"))),
            key_of(public("*.northpier.example")),
        )
    ),
    "of one node, and what is served there": Files(
        (pem(*with_public(public(HOSTS[2], GUEST))), key_of(public(HOSTS[2])))
    ),
    "one name that is chosen by the name": Files(
        (pem(*with_public(public(GUEST))), key_of(public(GUEST)))
    ),
    "RSA": Files(
        (
            pem(*with_public(public(*HOSTS, GUEST, rsa_leaf=True))),
            key_of(public(HOSTS[0], rsa_leaf=True)),
        )
    ),
}

OTHER = private(RADIUS, key_label="another key")
SHORT = public(GUEST, HOSTS[0], HOSTS[1])
THREE = public(GUEST, *HOSTS[:3])
FOREIGN = make(RADIUS, ca(FOREIGN_ROOT), names=(RADIUS,))
SELF = make(RADIUS, names=(RADIUS,))
SHORT_KEY = rsa.generate_private_key(65_537, 1_024)  # noqa: S505  # what is to be found
CUT = pfx(WEB, *with_public(WEB)[1:])

ALL = NODES

BROKEN: dict[str, tuple[Files, Verdict, list[Told]]] = {
    "bundle-unreadable: cut off": (
        Files((CUT[: len(CUT) // 2],)),
        Verdict.BLOCKED,
        [("bundle-unreadable", "bundle", (), None)],
    ),
    "bundle-unreadable: wrong password": (
        Files((CUT,), password=b"wet-dock"),
        Verdict.UNSEEN,
        [("bundle-unreadable", "bundle", (), None)],
    ),
    "bundle-unreadable: no password": (
        Files((CUT,), password=None),
        Verdict.UNSEEN,
        [("bundle-unreadable", "bundle", (), None)],
    ),
    "bundle-unreadable: another kind of file": (
        Files((b"<!DOCTYPE html>",)),
        Verdict.BLOCKED,
        [("bundle-unreadable", "bundle", (), None)],
    ),
    "bundle-unreadable: a key alone": (
        Files((key_of(WEB),)),
        Verdict.BLOCKED,
        [("bundle-unreadable", "bundle", (), None)],
    ),
    "bundle-unreadable: CA certificates alone": (
        Files((pem(ca(PUBLIC_ISSUING, PUBLIC_ROOT).der, ca(PUBLIC_ROOT).der),)),
        Verdict.BLOCKED,
        [("bundle-unreadable", "bundle", (), None)],
    ),
    "bundle-unreadable: the request": (
        Files(request=pem(WEB.der)),
        Verdict.BLOCKED,
        [("bundle-unreadable", "bundle", (), None)],
    ),
    "bundle-no-key": (
        Files(HEALTHY_WEB[:1]),
        Verdict.BLOCKED,
        [("bundle-no-key", "bundle", (), None)],
    ),
    "bundle-key-differs": (
        Files((HEALTHY_EAP[0], key_of(OTHER))),
        Verdict.BLOCKED,
        [("bundle-key-differs", "bundle", (), None)],
    ),
    "bundle-key-differs: of another kind": (
        Files((HEALTHY_EAP[0], key_of(public(HOSTS[0], rsa_leaf=True)))),
        Verdict.BLOCKED,
        [("bundle-key-differs", "bundle", (), None)],
    ),
    "bundle-key-differs: another request": (
        Files(HEALTHY_WEB[:1], request=request(GUEST, (*HOSTS, GUEST), key("new"))),
        Verdict.BLOCKED,
        [("bundle-key-differs", "bundle", (), None)],
    ),
    "bundle-chain-incomplete: web": (
        Files((pem(WEB.der), key_of(WEB))),
        Verdict.BLOCKED,
        [("bundle-chain-incomplete", "bundle", ALL, None)],
    ),
    "bundle-chain-incomplete: eap": (
        Files((pem(EAP.der), key_of(EAP))),
        Verdict.BLOCKED,
        [("bundle-chain-incomplete", "bundle", ALL, None)],
    ),
    "bundle-old-encryption": (
        Files(
            (pfx(EAP, *with_private(EAP)[1:], scheme=pkcs12.PBES.PBESv1SHA1And3KeyTripleDESCBC),)
        ),
        Verdict.ADVISED,
        [("bundle-old-encryption", "bundle", (), None)],
    ),
    "bundle-name-uncovered: two hosts": (
        Files((pem(*with_public(SHORT)), key_of(SHORT))),
        Verdict.BLOCKED,
        [("bundle-name-uncovered", "bundle", ("quay3", "quay4"), None)],
    ),
    "bundle-name-uncovered: one host": (
        Files((pem(*with_public(THREE)), key_of(THREE))),
        Verdict.BLOCKED,
        [("bundle-name-uncovered", "bundle", ("quay4",), HOSTS[3])],
    ),
    "bundle-name-uncovered: eap": (
        Files(
            (
                pem(*with_private(private("aaa.northpier.example"))),
                key_of(private("aaa.northpier.example")),
            ),
            said=Said(Endpoint.EAP),
        ),
        Verdict.BLOCKED,
        [("bundle-name-uncovered", "bundle", ALL, None)],
    ),
    "bundle-name-uncovered: a request": (
        Files(request=request(GUEST, (GUEST, *HOSTS[:3]), key("new"))),
        Verdict.WARNED,
        [("bundle-name-uncovered", "bundle", (), HOSTS[3])],
    ),
    "a foreign root": (
        Files((pem(FOREIGN.der, ca(FOREIGN_ROOT).der), key_of(FOREIGN))),
        Verdict.BLOCKED,
        [("eap-unknown-root", "eap", ALL, None)],
    ),
    "a certificate that is its own issuer": (
        Files((pem(SELF.der), key_of(SELF))),
        Verdict.BLOCKED,
        [("eap-self-signed", "eap", ALL, None)],
    ),
    "a private root for guests": (
        Files(
            (pem(*with_private(private(*HOSTS, GUEST))), key_of(private(HOSTS[0]))),
            said=Said(Endpoint.WEB),
        ),
        Verdict.WARNED,
        [("web-private-root", "web", ALL, GUEST)],
    ),
    "a request for a short key": (
        Files(request=request(GUEST, (*HOSTS, GUEST), SHORT_KEY)),
        Verdict.WARNED,
        [("web-weak-key", "web", (), None)],
    ),
}
"""Files, the verdict, and what is found of them."""


@pytest.mark.parametrize("name", TWINS)
def test_a_healthy_bundle_gives_no_finding(name: str) -> None:
    found = TWINS[name].judged(plan())
    assert said_of(found) == []
    assert found.verdict is Verdict.SOUND


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_bundle_is_called_by_its_fault_and_nothing_else(name: str) -> None:
    files, verdict, expected = BROKEN[name]
    found = files.judged(plan())
    assert said_of(found) == expected
    assert found.verdict is verdict
    for finding in found.assessment.findings:
        assert finding.remedy.endswith(".")
        assert finding.says.endswith(".")
        assert all(row.observation is None for row in finding.evidence), "nothing was observed"


def test_nodes_without_the_root_need_it_first() -> None:
    """The twin: the same bundle, where the plan says that nodes have the organisation's root."""
    files = Files(HEALTHY_EAP)
    without = replace(plan(), trust=replace(plan().trust, node=plan().trust.web))
    found = files.judged(without)
    assert said_of(found) == [("bundle-trust-needed", "bundle", ALL, None)]
    assert found.verdict is Verdict.ADVISED
    names = [one.subject for one in found.authorities]
    assert names == [f"CN={PRIVATE_ISSUING}", f"CN={PRIVATE_ROOT}"]
    assert said_of(files.judged(plan())) == []


def test_every_rule_on_bundles_has_a_broken_one_here() -> None:
    tried = {rule for _, _, found in BROKEN.values() for rule, *_ in found}
    tried.add("bundle-trust-needed")
    assert {rule.id for rule in RULES if rule.id.startswith("bundle-")} <= tried


def test_what_the_bundle_explains_goes_under_it() -> None:
    lone = BROKEN["bundle-chain-incomplete: web"][0].judged(plan())
    assert folded_under(lone, "bundle-chain-incomplete") == {
        "web-chain-incomplete",
        "cluster-join-untrusted",
        "bundle-trust-needed",
    }
    short = BROKEN["bundle-name-uncovered: two hosts"][0].judged(plan())
    assert folded_under(short, "bundle-name-uncovered") == {
        "web-name-mismatch",
        "cluster-join-untrusted",
    }
    foreign = BROKEN["a foreign root"][0].judged(plan())
    assert folded_under(foreign, "eap-unknown-root") == {"bundle-trust-needed"}


def test_a_request_by_another_key_is_taken_by_no_ca() -> None:
    """RFC 2986, 4.2: the signature is by the subject's private key. One bit of it is turned."""
    whole = request(GUEST, (*HOSTS, GUEST), rsa_key("new"))
    der = x509.load_pem_x509_csr(whole).public_bytes(Encoding.DER)
    altered = der[:-1] + bytes((der[-1] ^ 1,))
    assert not x509.load_der_x509_csr(altered).is_signature_valid
    found = Files(request=altered).judged(plan())
    assert said_of(found) == [("bundle-key-differs", "bundle", (), None)]
    assert said_of(Files(request=der).judged(plan())) == []


# ---------------------------------------------------------------- were it installed


INSTALLED = {
    "expired": ({"begins": AT - timedelta(days=90), "days": 60}, "web-expired"),
    "not yet valid": ({"begins": AT + timedelta(days=3), "days": 60}, "web-not-yet-valid"),
    "expiring": ({"begins": AT - timedelta(days=80), "days": 90}, "web-expiring"),
    "for clients": ({"purposes": (CLIENT,)}, "web-wrong-purpose"),
    "too long": ({"days": 300}, "web-lifetime-too-long"),
    "too few timestamps": ({"logs": 1}, "web-too-few-timestamps"),
    "another signature": ({"signed_with": "somebody"}, "web-path-invalid"),
}


@pytest.mark.parametrize("name", INSTALLED)
def test_the_same_is_said_of_it_before_and_after(name: str) -> None:
    """The judge's other way to the same: a survey in which the nodes serve it."""
    changes, rule = INSTALLED[name]
    leaf = public(*HOSTS, GUEST, **changes)
    before = Files((pem(*with_public(leaf)), key_of(leaf))).judged(plan())
    after = judged(plan(), seen(plan(), web={"": with_public(leaf)}))
    assert rule in {one[0] for one in said_of(before)}
    assert said_of(before) == told(after)
    for one, other in zip(before.assessment.findings, after.findings, strict=True):
        assert (one.id, one.verdict, one.reactions) == (other.id, other.verdict, other.reactions)


def test_a_public_root_for_eap_without_names_is_told() -> None:
    trust = replace(plan().trust, eap=plan().trust.public)
    bare = replace(plan(), trust=trust, nodes=nodes(eap=replace(nodes()[0].eap, expected_names=())))  # type: ignore[type-var]
    leaf = public(RADIUS)
    found = Files((pem(*with_public(leaf)), key_of(leaf)), said=Said(Endpoint.EAP)).judged(bare)
    assert "eap-public-root" in {one[0] for one in said_of(found)}


def test_the_192_bit_mode_is_looked_at_before_an_import() -> None:
    eap = nodes()[0].eap
    assert eap is not None
    strict = replace(plan(), nodes=nodes(eap=replace(eap, suite_192=True)))
    found = Files(HEALTHY_EAP, said=Said(Endpoint.EAP)).judged(strict)
    assert "eap-192-bit" in {one[0] for one in said_of(found)}
    assert "eap-192-bit" not in {one[0] for one in said_of(Files(HEALTHY_EAP).judged(plan()))}


def test_phones_set_up_by_hand_need_the_root_in_what_is_imported() -> None:
    by_hand = replace(plan(), clients=clients(by_hand=("android-eap",)))
    found = Files(HEALTHY_EAP, said=Said(Endpoint.EAP)).judged(by_hand)
    assert "eap-root-helps-android" in {one[0] for one in said_of(found)}
    whole = (pem(*with_private(EAP), ca(PRIVATE_ROOT).der), key_of(EAP))
    found = Files(whole, said=Said(Endpoint.EAP)).judged(by_hand)
    assert "eap-root-helps-android" not in {one[0] for one in said_of(found)}


def test_an_accepted_finding_does_not_count() -> None:
    files = BROKEN["bundle-old-encryption"][0]
    taken = Acceptance(
        "bundle-old-encryption", (), "the appliance reads no other", date(2027, 1, 1)
    )
    found = files.judged(replace(plan(), accepted=(taken,)))
    (finding,) = found.assessment.findings
    assert finding.accepted is not None
    assert found.verdict is Verdict.SOUND


# ---------------------------------------------------------------- what it is for


def test_both_worlds_where_it_fits_both() -> None:
    leaf = private(*HOSTS, GUEST, RADIUS)
    both = replace(plan(), services=(guest_service(audience=Audience.STAFF),))
    found = Files((pem(*with_private(leaf)), key_of(leaf))).judged(both)
    assert [world.meant for world in found.worlds] == [True, True]
    assert said_of(found) == []
    assert {note.rule for note in found.assessment.notes} == {"eap-same-as-web"}


def test_names_that_stand_in_profiles_alone_say_what_it_is_for() -> None:
    """The plan's own names are out of date, and its private root is one of the web's too."""
    old = Eap(expected_names=("old.northpier.example",))
    of = replace(plan(), eap=old, nodes=nodes(eap=old))
    meant = [world.endpoint for world in Files(HEALTHY_EAP).judged(of).worlds if world.meant]
    assert meant == [Endpoint.WEB, Endpoint.EAP]  # nothing says which
    for profile in (apple(RADIUS), windows((RADIUS, Matching.NAME)), linux(EXACT)):
        given = replace(of, profiles=(profile,))
        found = Files(HEALTHY_EAP).judged(given)
        assert [world.endpoint for world in found.worlds if world.meant] == [Endpoint.EAP]


def test_an_ending_in_a_profile_makes_no_certificate_of_the_web_one_for_eap() -> None:
    leaf = private(*HOSTS)
    old = Eap(expected_names=("old.northpier.example",))
    of = replace(plan(), services=(), eap=old, nodes=nodes(eap=old), profiles=(linux(SUFFIX),))
    found = Files((pem(*with_private(leaf)), key_of(leaf))).judged(of)
    assert [world.endpoint for world in found.worlds if world.meant] == [Endpoint.WEB]


def test_what_was_said_goes_before_the_guess() -> None:
    found = Files(HEALTHY_WEB, said=Said(Endpoint.EAP)).judged(plan())
    assert [world.endpoint for world in found.worlds if world.meant] == [Endpoint.EAP]
    rules = {one[0] for one in said_of(found)}
    assert rules == {"bundle-name-uncovered", "eap-unknown-root"}


def test_one_node_is_taken_by_its_own_name_and_said_so() -> None:
    files = TWINS["of one node, and what is served there"]
    found = files.judged(plan())
    assert found.nodes == ("quay3",)
    assert found.nodes_why is not None
    named = replace(files, said=Said(nodes=NODES)).judged(plan())
    assert said_of(named) == [
        ("bundle-name-uncovered", "bundle", ("quay1", "quay2", "quay4"), None)
    ]


# ---------------------------------------------------------------- names


def test_names_of_another_kind_are_a_note_unless_one_certificate_serves_both() -> None:
    """A node may have another certificate for what guests open. Seen to have one, it has not."""
    leaf = public(*HOSTS)
    files = Files((pem(*with_public(leaf)), key_of(leaf)))
    found = files.judged(plan())
    assert said_of(found) == []
    assert [note.rule for note in found.assessment.notes] == ["bundle-name-uncovered"]
    one = ServedNow(seen(plan()), "the history")
    found = files.judged(plan(), one)
    assert said_of(found) == [("bundle-name-uncovered", "bundle", ALL, GUEST)]
    assert found.verdict is Verdict.WARNED
    assert found.assessment.notes == ()
    other = {f"/{GUEST}": with_public(public(GUEST, key_label="another"))}
    apart = ServedNow(seen(plan(), web=other), "the history")
    assert said_of(files.judged(plan(), apart)) == []


def test_one_service_alone_is_for_that_service() -> None:
    """Each service may have a certificate of its own; a certificate of several lacks the third."""
    names = ("onboard.northpier.example", "welcome.northpier.example")
    services = (
        guest_service(),
        *(Service(name, Endpoint.WEB, Audience.GUESTS, NODES) for name in names),
    )
    three = replace(plan(), services=services)
    alone, two = public(GUEST), public(GUEST, names[0])
    found = Files((pem(*with_public(alone)), key_of(alone))).judged(three)
    assert said_of(found) == []
    found = Files((pem(*with_public(two)), key_of(two))).judged(three)
    assert said_of(found) == [("bundle-name-uncovered", "bundle", ALL, names[1])]


def test_the_fewest_entries() -> None:
    """By hand: a star for the two or more names of a domain, each other name by itself."""
    services = (
        guest_service(),
        Service("onboard.northpier.example", Endpoint.WEB, Audience.GUESTS, NODES),
        Service("welcome.ferries.example", Endpoint.WEB, Audience.GUESTS, NODES),
        Service("northpier.example", Endpoint.WEB, Audience.GUESTS, NODES),
        Service("ferries.example", Endpoint.WEB, Audience.GUESTS, NODES),
        Service("192.0.2.80", Endpoint.WEB, Audience.GUESTS, NODES),
    )
    many = replace(plan(), services=services)
    found = Files(request=request(GUEST, (GUEST, HOSTS[0], HOSTS[1]), key("new"))).judged(many)
    assert set(found.entries.names) == {
        *HOSTS,
        GUEST,
        "onboard.northpier.example",
        "welcome.ferries.example",
        "northpier.example",
        "ferries.example",
        "192.0.2.80",
    }
    assert set(found.entries.fewest) == {
        "*.northpier.example",
        "welcome.ferries.example",
        "northpier.example",
        "ferries.example",
        "192.0.2.80",
    }


def test_no_entries_are_proposed_where_nothing_is_missing() -> None:
    found = TWINS["web"].judged(plan())
    assert (found.entries.names, found.entries.fewest) == ((), ())
    assert {row.name for row in found.coverage if row.wanted} == {*HOSTS, GUEST}
    assert all(row.covered and row.by == row.name for row in found.coverage if row.wanted)


def test_the_first_name_that_supplicants_expect_is_proposed_and_no_star() -> None:
    two = nodes(eap=replace(nodes()[0].eap, expected_names=(RADIUS, "aaa.northpier.example")))  # type: ignore[type-var]
    files = Files(
        request=request("x.northpier.example", ("x.northpier.example",), key("new")),
        said=Said(Endpoint.EAP),
    )
    found = files.judged(replace(plan(), nodes=two))
    assert found.entries.names == found.entries.fewest == (RADIUS,)


# ---------------------------------------------------------------- chain and authorities


def test_the_chain_to_serve_is_in_order_without_the_root() -> None:
    files = Files((pem(ca(PRIVATE_ROOT).der, *reversed(with_private(EAP))), key_of(EAP)))
    found = files.judged(plan())
    assert found.to_serve == with_private(EAP)
    assert not found.offered.in_order
    assert {note.rule for note in found.assessment.notes} == {"bundle-chain-incomplete"}


def test_what_is_missing_may_be_at_hand_elsewhere() -> None:
    """The nodes serve the issuing CA's certificate today: the chain can be written whole."""
    now = ServedNow(seen(plan()), "what was saved")
    found = Files((pem(EAP.der), key_of(EAP))).judged(plan(), now)
    assert said_of(found) == [("bundle-chain-incomplete", "bundle", ALL, None)]
    assert found.to_serve == with_private(EAP)
    assert [one.origin.value for one in found.authorities] == ["seen", "plan"]
    assert Files((pem(EAP.der), key_of(EAP))).judged(plan()).to_serve is None


def test_authorities_have_both_fingerprints() -> None:
    """By the library: SHA-256 and SHA-1 of the DER."""
    found = TWINS["eap"].judged(plan())
    made = (ca(PRIVATE_ISSUING, PRIVATE_ROOT), ca(PRIVATE_ROOT))
    for one, by in zip(found.authorities, made, strict=True):
        assert one.certificate == by.certificate.fingerprint(hashes.SHA256()).hex()
        assert one.sha1 == by.certificate.fingerprint(hashes.SHA1()).hex()  # noqa: S303  # shown
    assert [one.trusted for one in found.authorities] == [False, True]
    assert [one.root for one in found.authorities] == [False, True]


def test_two_servers_certificates_are_told_and_the_one_with_the_key_is_judged() -> None:
    found = Files((pem(*with_private(EAP)), *HEALTHY_WEB)).judged(plan())
    assert said_of(found) == []
    assert found.offered.chain == with_public(WEB)
    assert found.offered.others == (EAP.der,)
    assert [note.rule for note in found.assessment.notes] == ["bundle-key-differs"]


# ---------------------------------------------------------------- the key


def test_a_key_that_is_used_again() -> None:
    old = private(RADIUS, days=60)
    now = ServedNow(seen(plan(), eap={"": with_private(old)}), "the history")
    found = TWINS["eap"].judged(plan(), now)
    assert found.key is not None
    assert found.key.reused is True
    assert [(one.certificate, one.endpoint, one.nodes) for one in found.key.served] == [
        (old.sha, Endpoint.EAP, NODES)
    ]
    assert "used again" in found.key.says[0]


def test_a_new_key_and_who_remembers_the_certificate() -> None:
    by_hand = replace(plan(), clients=clients("windows-eap", by_hand=("apple-eap", "windows-eap")))
    now = ServedNow(seen(by_hand), "the history")
    leaf = private(RADIUS, key_label="next year's")
    found = Files((pem(*with_private(leaf)), key_of(leaf))).judged(by_hand, now)
    assert found.key is not None
    assert (found.key.reused, found.key.served) == (False, ())
    assert set(found.key.asked_again) == {"apple-eap", "windows-eap"}
    assert {c.setup for c in by_hand.clients} == {Setup.PROFILE, Setup.BY_HAND}


def test_nothing_is_claimed_of_a_key_where_nothing_is_known_of_the_nodes() -> None:
    found = TWINS["eap"].judged(plan())
    assert found.key is not None
    assert (found.key.reused, found.key.known_from) == (None, None)


def test_a_certificate_that_is_served_already_is_no_new_one() -> None:
    now = ServedNow(seen(plan(), eap={"": with_private(EAP)}), "the history")
    found = TWINS["eap"].judged(plan(), now)
    assert found.key is not None
    assert found.key.says == (
        "This very certificate is served already at quay1, quay2, quay3 and quay4 (eap).",
    )


# ---------------------------------------------------------------- without a plan


def test_without_a_plan_the_certificate_is_judged_by_its_own_name() -> None:
    found = TWINS["web"].judged(None)
    assert not found.planned
    assert found.coverage == ()
    assert {one[0] for one in said_of(found)} == {"web-unknown-root"}, "certifi has no such root"
