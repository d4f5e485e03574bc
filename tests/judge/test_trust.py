"""Anchor sets, and which certificates lead to a public root."""

import base64
import re
from pathlib import Path

import certifi
import pytest
from cryptography import x509

from probe.certificate.pool import Pool
from probe.judge.trust import AnchorSet, anchors, leads, publicity
from probe.plan.model import Roots
from tests.judge.pki import authority, ders, make, trusting

PUBLIC = authority("Harbour Public Root")
PRIVATE = authority("Northpier Root")
INTERMEDIATE = authority("Harbour Issuing 1", PUBLIC)
LEAF = make("portal.northpier.example", INTERMEDIATE)
STAFF = make("quay1.northpier.example", PRIVATE)


def is_public(
    der: bytes, public: AnchorSet, pool: tuple[bytes, ...] = (), private: AnchorSet | None = None
) -> str:
    return leads(der, public, Pool(pool), private)


def test_the_same_roots_give_the_same_set() -> None:
    source = Roots("northpier-root.pem", None, ders(PRIVATE))
    twin = Roots("northpier-root.pem", None, ders(PRIVATE))
    assert anchors(source, name="eap") is anchors(twin, name="eap")
    assert anchors(source, name="eap") is not anchors(source, name="staff")
    assert PRIVATE.sha in anchors(source, name="eap").by_sha
    assert anchors(source, name="eap").alike is anchors(source, name="staff").alike
    assert anchors(source, name="eap").name == "eap"
    other = Roots("northpier-root.pem", None, ders(PUBLIC))
    assert anchors(source, name="eap").alike is not anchors(other, name="eap").alike


@pytest.mark.filterwarnings("ignore")
def test_every_root_of_the_public_bundle_is_found_by_its_subject() -> None:
    """Subjects as the library's own parser reads them; it warns of some old roots."""
    blocks = re.findall(
        "-----BEGIN CERTIFICATE-----(.*?)-----END", Path(certifi.where()).read_text(), re.S
    )
    roots = tuple(base64.b64decode(block) for block in blocks)
    known = anchors(Roots("certifi", None, roots), name="web")
    assert set(known.by_sha.values()) == set(roots) != set()
    for root in roots:
        subject = x509.load_der_x509_certificate(root).subject.public_bytes()
        assert root in known.named(subject)


def test_public_no_and_unknown_are_told_apart() -> None:
    public, private = trusting(PUBLIC), trusting(PRIVATE)
    assert is_public(PUBLIC.der, public) == "yes"
    assert is_public(INTERMEDIATE.der, public) == "yes"
    assert is_public(LEAF.der, public, ders(INTERMEDIATE)) == "yes"
    assert is_public(LEAF.der, public) == "unknown"
    assert is_public(STAFF.der, public) == "unknown"
    assert is_public(STAFF.der, public, private=private) == "no"
    assert is_public(STAFF.der, public, ders(PRIVATE)) == "no"
    assert is_public(make("alone").der, public) == "no"
    assert is_public(b"junk", public) == "unknown"


def test_a_name_alone_makes_nothing_public() -> None:
    """An issuer's name without its signature is a claim."""
    forged = make("portal.northpier.example", INTERMEDIATE, signed_with="somebody else")
    assert is_public(forged.der, trusting(PUBLIC), ders(INTERMEDIATE)) == "unknown"


def test_a_cross_signed_private_root_is_public_too() -> None:
    crossed = authority("Northpier Root", PUBLIC)
    assert is_public(STAFF.der, trusting(PUBLIC), ders(PRIVATE, crossed)) == "yes"


def test_a_whole_survey_is_its_own_pool() -> None:
    known = publicity(ders(LEAF, INTERMEDIATE, STAFF), trusting(PUBLIC), trusting(PRIVATE))
    assert known == {LEAF.sha: "yes", INTERMEDIATE.sha: "yes", STAFF.sha: "no"}


def test_many_certificates_of_one_name_do_not_cost_a_check_for_every_pair(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    same = ders(*(make("Dry Dock Test CA", ca=True, key_label=f"same {n}") for n in range(40)))
    checks: list[bytes] = []

    def counting(der: bytes, spki: bytes) -> bool:
        checks.append(spki)
        return False

    monkeypatch.setattr("probe.judge.trust.signed_by", counting)
    publicity(same, trusting(PUBLIC), trusting(PRIVATE))
    assert len(checks) <= 8 * len(same)
