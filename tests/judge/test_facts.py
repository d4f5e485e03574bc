"""Facts of certificates: well-formed ones, odd ones of a published collection, and any bytes."""

import base64
import re
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import certifi
import cryptography_vectors
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.certificate.facts import CertFacts, Name, facts_of
from probe.certificate.keys import signed_by
from probe.certificate.naming import canonical, rfc4514
from probe.limits import DEFAULT
from probe.observation.model import KeyFamily
from tests.judge.pki import CLIENT, SERVER, authority, make

X509 = Path(cryptography_vectors.__file__).parent / "x509"


@cache
def vectors() -> tuple[tuple[str, bytes], ...]:
    """Every certificate of the cryptography-vectors package: (file, DER)."""
    found = []
    for path in sorted(X509.rglob("*")):
        if path.suffix not in (".pem", ".der", ".crt") or not path.is_file():
            continue
        octets = path.read_bytes()
        shown = str(path.relative_to(X509))
        blocks = re.findall(rb"-----BEGIN CERTIFICATE-----(.*?)-----END", octets, re.S)
        if blocks:
            found.extend((shown, base64.b64decode(block)) for block in blocks)
        elif path.suffix in (".der", ".crt") and b"-----BEGIN" not in octets:
            found.append((shown, octets))
    return tuple(found)


def of_file(name: str) -> CertFacts:
    return facts_of(next(der for file, der in vectors() if file == name))


def test_a_leaf_shows_what_was_put_in_it() -> None:
    root = authority("Northpier Root")
    leaf = make(
        "quay1.northpier.example",
        root,
        names=["quay1.northpier.example", "*.northpier.example", "192.0.2.11", "2001:db8::11"],
        purposes=[SERVER, CLIENT],
        usage=["digital_signature", "key_agreement"],
        begins=datetime(2026, 10, 1, 8, 30, tzinfo=UTC),
        days=90,
    )
    facts = facts_of(leaf.der)
    assert facts.readable
    assert facts.oddities == ()
    assert facts.damaged == ()
    assert facts.subject == "CN=quay1.northpier.example"
    assert facts.issuer == "CN=Northpier Root"
    assert facts.sha256 == leaf.certificate.fingerprint(hashes.SHA256()).hex()
    assert facts.serial == f"{leaf.certificate.serial_number:x}"
    assert facts.names == (
        Name("dns", "quay1.northpier.example"),
        Name("dns", "*.northpier.example"),
        Name("ip", "192.0.2.11"),
        Name("ip", "2001:db8::11"),
    )
    assert facts.common_name == "quay1.northpier.example"
    assert facts.not_before == datetime(2026, 10, 1, 8, 30, tzinfo=UTC)
    assert facts.not_after == datetime(2026, 12, 30, 8, 30, tzinfo=UTC)
    assert (facts.key, facts.key_family, facts.key_bits) == ("P-256", KeyFamily.ECDSA, 256)
    assert facts.signature == "ecdsa-with-SHA256"
    assert facts.is_ca is False
    assert facts.key_usage == ("digitalSignature", "keyAgreement")
    assert facts.extended_key_usage == ("1.3.6.1.5.5.7.3.1", "1.3.6.1.5.5.7.3.2")
    assert facts.authority_key_id == facts_of(root.der).subject_key_id is not None
    assert not facts.self_issued


def test_a_root_signs_itself_and_a_leaf_of_the_same_name_does_not() -> None:
    root = authority("Northpier Root", path_length=2)
    facts = facts_of(root.der)
    assert (facts.is_ca, facts.path_length, facts.key_usage) == (
        True,
        2,
        ("keyCertSign", "cRLSign"),
    )
    assert facts.self_issued
    assert facts.self_signed
    twin = facts_of(make("Northpier Root", root, key_label="another").der)
    assert twin.self_issued
    assert not twin.self_signed


def test_absent_extensions_are_none_and_not_empty() -> None:
    facts = facts_of(make("bare", ca=None, usage=(), purposes=None, key_ids=False).der)
    assert facts.is_ca is None
    assert facts.key_usage is None
    assert facts.extended_key_usage is None
    assert facts.subject_key_id is None
    assert facts.names == ()


def roots() -> tuple[tuple[str, bytes], ...]:
    """Every root of certifi: (number, DER)."""
    blocks = re.findall(r"-----BEGIN CERTIFICATE-----(.*?)-----END", certifi.contents(), re.S)
    return tuple((f"certifi {at}", base64.b64decode(block)) for at, block in enumerate(blocks))


@pytest.mark.parametrize(("source", "at_least"), [(vectors, 480), (roots, 100)])
def test_facts_agree_with_the_strict_parser_wherever_that_one_reads(
    source: Callable[[], tuple[tuple[str, bytes], ...]], at_least: int
) -> None:
    """580 certificates of cryptography-vectors, and certifi, against `cryptography`'s parser."""
    compared = 0
    for file, der in source():
        facts = facts_of(der)
        if any("strict parser" in oddity for oddity in facts.oddities) or not facts.readable:
            continue
        known = x509.load_der_x509_certificate(der)
        assert facts.serial == f"{known.serial_number:x}", file
        assert facts.not_before == known.not_valid_before_utc, file
        assert facts.not_after == known.not_valid_after_utc, file
        assert facts.subject_raw == known.subject.public_bytes(), file
        assert facts.issuer_raw == known.issuer.public_bytes(), file
        assert {one.oid for one in facts.extensions} == {
            one.oid.dotted_string for one in known.extensions
        }, file
        compared += 1
    assert compared > at_least


# Files of datasets.md ("Keys, signatures, oddities" and "Names"), and what must be said of them.
ODD = {
    "badasn1time.pem": "notAfter: a time that cannot be read: '19020701025736Z'",
    "custom/empty-eku.pem": "refuses extensions",
    "custom/two_basic_constraints.pem": "extension 2.5.29.19 stands there twice",
    "custom/negative_serial.pem": "serialNumber is not positive",
    "custom/mismatch_inner_outer_sig_algorithm.der": "signature algorithm inside tbsCertificate",
    "custom/invalid_version.pem": "version 8 does not exist",
    "custom/invalid_utf8_common_name.pem": "subject: attribute 2.5.4.3 is not valid text",
    "custom/malformed-san.pem": "extension subjectAltName: a general name [0]",
    "custom/malformed-ian.pem": "refuses extensions",
    "custom/san_empty_hostname.pem": "an empty dNSName",
    "custom/ecdsa_null_alg.pem": "refuses the certificate",
    "custom/nc_invalid_ip_netmask.pem": "Invalid netmask",
    "custom/invalid-sct-version.der": "Invalid SCT version",
    "custom/invalid-sct-length.der": "Invalid SCT length",
    "custom/unsupported_subject_public_key_info.pem": "refuses the public key",
    "custom/rsa_pss_cert_no_sig_params.der": "refuses signature_algorithm_parameters",
    "utf8-dnsname.pem": "is not ASCII",
    "san_x400address.der": "not supported types",
    "san_edipartyname.der": "not supported types",
    "wosign-bc-invalid.pem": "path_length must be None",
    "cryptography-scts-tbs-precert.der": "no certificate: tbsCertificate has tag 0xa0",
}


@pytest.mark.parametrize(("file", "says"), ODD.items())
def test_an_odd_certificate_says_what_is_odd(file: str, says: str) -> None:
    """cryptography-vectors, x509/, as listed in the project's data sets."""
    facts = of_file(file)
    assert any(says in oddity for oddity in facts.oddities), facts.oddities
    if facts.readable:
        assert facts.subject or facts.names or "malformed" in file


SOUND = (
    "wildcard_san.pem",
    "custom/no_sans.pem",
    "custom/san_ipaddr.pem",
    "custom/san_idna_names.pem",
    "custom/san_wildcard_idna.pem",
    "custom/san_email_dns_ip_dirname_uri.pem",
    "custom/san_registered_id.pem",
    "custom/san_rfc822_names.pem",
    "custom/ms-certificate-template.pem",
    "custom/all_key_usages.pem",
    "cryptography-scts.pem",
    "tls-feature-ocsp-staple.pem",
    "ed25519/root-ed25519.pem",
)


@pytest.mark.parametrize("file", SOUND)
def test_a_rare_but_sound_certificate_has_no_oddity(file: str) -> None:
    assert of_file(file).oddities == ()


def test_known_names_of_published_certificates_are_read() -> None:
    assert [name.value for name in of_file("wildcard_san.pem").names][:2] == [
        "*.langui.sh",
        "langui.sh",
    ]
    assert of_file("custom/san_ipaddr.pem").names == (Name("ip", "127.0.0.1"), Name("ip", "ff::"))
    assert of_file("ee-pss-sha1-cert.pem").signature == "RSASSA-PSS with SHA-1"
    assert of_file("verisign_md2_root.pem").signature == "md2WithRSAEncryption"
    assert of_file("ed448/root-ed448.pem").key == "Ed448"


@pytest.mark.parametrize(
    ("dotted", "text"),
    [
        # RFC 4514, 4: the examples given there, parsed by the library and written by us.
        ("UID=jsmith,DC=example,DC=net", "UID=jsmith,DC=example,DC=net"),
        ("OU=Sales+CN=J.  Smith,DC=example,DC=net", "OU=Sales+CN=J.  Smith,DC=example,DC=net"),
        (
            'CN=James \\"Jim\\" Smith\\, III,DC=example,DC=net',
            'CN=James \\"Jim\\" Smith\\, III,DC=example,DC=net',
        ),
        ("CN=Lu\\C4\\8Di\\C4\\87", "CN=Lučić"),
    ],
)
def test_distinguished_names_are_written_as_rfc_4514_shows(dotted: str, text: str) -> None:
    assert rfc4514(x509.Name.from_rfc4514_string(dotted).public_bytes()) == text


@given(st.binary(max_size=600))
@settings(max_examples=300, deadline=None)
def test_any_bytes_give_facts(octets: bytes) -> None:
    facts = facts_of(octets)
    assert facts.readable or facts.oddities


@given(st.data())
@settings(max_examples=400, deadline=None)
def test_a_damaged_certificate_gives_facts(data: st.DataObject) -> None:
    """Bits flipped, octets cut and inserted anywhere in certificates of many kinds."""
    file, der = data.draw(st.sampled_from(vectors()))
    octets = bytearray(der[:4_000])
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(octets) - 1))
        octets[at] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(1, len(octets)))
    for damaged in (bytes(octets), bytes(octets[:cut])):
        facts = facts_of(damaged)
        assert facts.sha256, file
        assert facts.readable or facts.oddities


def test_an_oversized_certificate_is_not_looked_at() -> None:
    facts = facts_of(b"\x30\x83\x02\x00\x00" + bytes(131_072))
    assert not facts.readable
    assert str(DEFAULT.certificate_bytes) in facts.oddities[0]


def tlv(tag: int, content: bytes) -> bytes:
    return bytes([tag, 0x82]) + len(content).to_bytes(2, "big") + content


def test_absurd_numbers_are_odd_and_no_error() -> None:
    """Python refuses to print an integer of more than 4,300 digits."""
    absurd = tlv(0x02, b"\x80" + bytes(3_000))
    empty = tlv(0x30, b"")
    moment = tlv(0x17, b"260101000000Z")
    limits = tlv(0x30, tlv(0x06, b"\x55\x1d\x13") + tlv(0x04, tlv(0x30, absurd)))
    for version in (tlv(0xA0, absurd), tlv(0xA0, tlv(0x02, b"\x02"))):
        body = version + absurd + empty + empty + tlv(0x30, moment + moment) + empty + empty
        facts = facts_of(
            tlv(0x30, tlv(0x30, body + tlv(0xA3, tlv(0x30, limits))) + empty + tlv(0x03, b"\0"))
        )
        assert any("absurd integer of 3001 octets" in oddity for oddity in facts.oddities)
        assert facts.path_length is None


def test_octets_after_the_certificate_are_odd() -> None:
    der = make("x").certificate.public_bytes(Encoding.DER)
    facts = facts_of(der + b"junk")
    assert facts.readable
    assert "4 octets follow the certificate" in facts.oddities


def test_comparing_names_takes_no_time_that_a_peer_chooses() -> None:
    """Normalising combining marks out of order is quadratic; what is that long counts as it is."""
    marks = "\u0315\u0300" * 10_000
    one, other = (
        tlv(0x30, tlv(0x31, tlv(0x30, b"\x06\x03\x55\x04\x03" + tlv(0x0C, text.encode()))))
        for text in (marks, marks + "x")
    )
    folded = canonical(one)
    assert folded != canonical(other)
    assert marks.encode().hex().encode() in folded


@pytest.mark.parametrize(
    ("exponent", "told"), [(3, True), (65_537, True), (2**32 + 1, True), (2**2_040 + 1, None)]
)
def test_a_key_that_makes_every_check_dear_is_not_used(exponent: int, told: bool | None) -> None:
    """An exponent as long as the modulus costs a hundred times as much; the public CAs' rules end
    far below what a peer can send (Baseline Requirements, 6.1.6: from 2^16 + 1 on)."""
    # Any odd number serves as a modulus for checking; no signature verifies with it.
    numbers = rsa.RSAPublicNumbers(exponent, 2**2_047 + 2**1_000 + 1)
    spki = numbers.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    identifier = bytes.fromhex("300d06092a864886f70d01010b0500")  # sha256WithRSAEncryption
    moment = tlv(0x17, b"260101000000Z")
    empty = tlv(0x30, b"")
    body = tlv(0x02, b"\x01") + identifier + empty + tlv(0x30, moment + moment) + empty + spki
    der = tlv(0x30, tlv(0x30, body) + identifier + tlv(0x03, b"\0" + bytes(255) + b"\x01"))
    assert signed_by(der, spki) is (None if told is None else False)


def test_addresses_of_authorities_of_a_published_certificate() -> None:
    """cryptography-vectors, cryptography.io.pem, as `openssl x509 -ext` shows it."""
    facts = of_file("cryptography.io.pem")
    assert facts.ocsp_addresses == ("http://gv.symcd.com",)
    assert facts.issuer_addresses == ("http://gv.symcb.com/gv.crt",)
    assert facts.crl_addresses == ("http://gv.symcb.com/gv.crl",)
    assert (facts.must_staple, facts.ocsp_no_check) == (False, False)


def test_must_staple_and_no_check_of_published_certificates() -> None:
    """The same collection: tls-feature-ocsp-staple.pem (RFC 7633), custom/ocsp_nocheck.pem."""
    assert of_file("tls-feature-ocsp-staple.pem").must_staple
    assert of_file("custom/ocsp_nocheck.pem").ocsp_no_check


def test_lists_of_others_and_for_some_reasons_are_not_the_issuers_own() -> None:
    """RFC 5280, 4.2.1.13; custom/cdp_crl_issuer.pem, cdp_fullname_reasons_crl_issuer.pem."""
    assert of_file("custom/cdp_crl_issuer.pem").crl_addresses == ()
    assert of_file("custom/cdp_fullname_reasons_crl_issuer.pem").crl_addresses == ()


def test_an_address_that_cannot_be_read_is_odd_and_no_damage() -> None:
    """Clients get along without: it is no reason to refuse the certificate."""
    spoiled = x509.UnrecognizedExtension(x509.ObjectIdentifier("1.3.6.1.5.5.7.1.1"), b"\x30\x80")
    facts = facts_of(make("quay1.northpier.example", more=[(spoiled, False)]).der)
    assert facts.issuer_addresses == ()
    assert facts.damaged == ()
    assert any("authorityInfoAccess" in oddity for oddity in facts.oddities)
