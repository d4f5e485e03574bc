"""Public, looks public, or neither: by the set, by marks, and by nothing."""

import pytest
from cryptography import x509

from probe.certificate.pool import Pool
from probe.judge.standing import Standing, Standings
from probe.judge.trust import AnchorSet
from probe.plan.model import Roots
from tests.judge.pki import Extension, Made, authority, make, timestamps
from tests.judge.world import (
    HOSTS,
    PRIVATE_ISSUING,
    PRIVATE_ROOT,
    PUBLIC_ISSUING,
    PUBLIC_ROOT,
    ca,
    host,
    judged,
    plan,
    private,
    seen,
    told,
    with_private,
)

ROOT = authority("Root S")
ISSUING = authority("Issuing S", ROOT)
PROGRAMME = Roots("certifi", "2026.10.19", (ROOT.der,))
NOBODY: tuple[Roots, ...] = ()


def stating(policy: str) -> Extension:
    information = x509.PolicyInformation(x509.ObjectIdentifier(policy), None)
    return x509.CertificatePolicies([information]), False


def leaf(*more: Extension, issuer: Made = ISSUING) -> Made:
    return make("x.example", issuer, names=["x.example"], more=more)


def planned(*made: Made) -> AnchorSet:
    return AnchorSet("plan", [one.der for one in made])


def test_what_ends_in_the_public_set_is_public_and_the_set_is_named() -> None:
    known = Standings((PROGRAMME,), planned(ROOT), Pool([ISSUING.der])).of(leaf().der)
    assert known.standing is Standing.PUBLIC
    assert (known.store, known.versioned) == ("certifi 2026.10.19", True)


def test_a_file_that_the_plan_calls_public_is_no_programmes_set() -> None:
    own = Roots("pki/public.pem", None, (ROOT.der,))
    known = Standings((own,), planned(ROOT), Pool([ISSUING.der])).of(leaf().der)
    assert (known.standing, known.store, known.versioned) == (
        Standing.PUBLIC,
        "pki/public.pem",
        False,
    )


def test_an_anchor_is_its_name_and_key_whatever_certificate_they_come_in() -> None:
    """RFC 5280, 6.1.1 (d): here the root's name and key are certified by another root."""
    older = authority("Older Root S")
    again = make(
        ROOT.certificate.subject,
        older,
        ca=True,
        key_label=ROOT.certificate.subject.rfc4514_string(),
    )
    known = Standings((PROGRAMME,), planned(ROOT), Pool([])).of(again.der)
    assert known.standing is Standing.PUBLIC
    # The twin: the same name with another key.
    other = make(ROOT.certificate.subject, older, ca=True, key_label="another")
    assert Standings((PROGRAMME,), planned(ROOT), Pool([])).of(other.der).standing is Standing.OTHER


@pytest.mark.parametrize(
    ("mark", "words"),
    [
        (timestamps(2), "embedded timestamps"),
        (stating("2.23.140.1.2.1"), "the policy 2.23.140.1.2.1"),
        (stating("2.23.140.1.1"), "the policy 2.23.140.1.1"),
    ],
)
def test_marks_of_a_public_ca_make_it_look_public(mark: Extension, words: str) -> None:
    """RFC 6962, 3.3; CA/Browser Forum TLS Baseline Requirements 2.2.6, 7.1.6.1."""
    known = Standings(NOBODY, planned(), Pool([ISSUING.der])).of(leaf(mark).der)
    assert (known.standing, known.marks) == (Standing.LOOKS_PUBLIC, (words,))
    # The twin: it leads to a root of the plan, which tells whose it is.
    known = Standings(NOBODY, planned(ROOT), Pool([ISSUING.der])).of(leaf(mark).der)
    assert known.standing is Standing.OTHER


@pytest.mark.parametrize("more", [(), (stating("1.3.6.1.4.1.40808.1.3.1"),)])
def test_without_marks_it_is_private_or_unknown(more: tuple[Extension, ...]) -> None:
    known = Standings(NOBODY, planned(), Pool([ISSUING.der])).of(leaf(*more).der)
    assert known.standing is Standing.OTHER


def test_policies_that_cannot_be_read_are_no_mark() -> None:
    broken = x509.UnrecognizedExtension(x509.ObjectIdentifier("2.5.29.32"), b"\x30\x05")
    known = Standings(NOBODY, planned(), Pool([])).of(leaf((broken, False)).der)
    assert known.standing is Standing.OTHER


def test_an_unknown_root_under_a_public_looking_leaf_says_that_the_set_may_be_old() -> None:
    stranger = authority("Brackish Public Root")
    looks = make(host("quay3"), stranger, names=HOSTS, more=[timestamps(3)])
    of = plan(services=())
    (finding,) = judged(of, seen(of, web={"web/quay3": (looks.der, stranger.der)})).findings
    assert finding.rule == "web-unknown-root"
    assert "looks like a public CA's (embedded timestamps)" in finding.says
    plain = make(host("quay3"), stranger, names=HOSTS)
    (finding,) = judged(of, seen(of, web={"web/quay3": (plain.der, stranger.der)})).findings
    assert "public" not in finding.says.replace("Brackish Public Root", "")


def test_the_assessment_keeps_its_three_words() -> None:
    of = plan(services=())
    result = judged(of, seen(of, web={"web/quay3": with_private(private(*HOSTS))}))
    assert told(result) == []
    assert result.public[ca(PRIVATE_ISSUING, PRIVATE_ROOT).sha] == "no"
    assert result.public[ca(PUBLIC_ISSUING, PUBLIC_ROOT).sha] == "yes"
    # Who looks public is unknown to it: nothing but marks was seen.
    looks = make(host("quay3"), ca("Brackish Issuing", "Brackish Root"), more=[timestamps(3)])
    result = judged(of, seen(of, web={"web/quay3": (looks.der,)}))
    assert result.public[looks.sha] == "unknown"
