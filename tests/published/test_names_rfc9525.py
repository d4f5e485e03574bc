"""Which names a certificate covers: the cases of vectors/names.json, each with its source.

Every case is judged on a real certificate, built with the names it lists.
"""

import json
from datetime import UTC, datetime
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import NameOID

from probe.certificate.facts import CertFacts, facts_of
from probe.judge.names import covers, dns_name_matches, supplicant_covers

VECTORS = json.loads((Path(__file__).parent / "vectors/names.json").read_text("utf-8"))
KEY = ec.generate_private_key(ec.SECP256R1())

_GENERAL = {"dns": 0x82, "ip": 0x87, "email": 0x81, "uri": 0x86}


def certificate(common_name: str | None, san: list[dict[str, str]]) -> CertFacts:
    """Build a certificate; names are encoded by hand, as some are deliberately no valid names."""
    subject = x509.Name(
        [x509.NameAttribute(NameOID.COMMON_NAME, common_name)] if common_name else []
    )
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(KEY.public_key())
        .serial_number(1)
        .not_valid_before(datetime(2026, 1, 1, tzinfo=UTC))
        .not_valid_after(datetime(2027, 1, 1, tzinfo=UTC))
    )
    if san:
        entries = b""
        for entry in san:
            value = (
                ip_address(entry["value"]).packed
                if entry["type"] == "ip"
                else entry["value"].encode()
            )
            entries += bytes([_GENERAL[entry["type"]], len(value)]) + value
        assert len(entries) < 128
        builder = builder.add_extension(
            x509.UnrecognizedExtension(
                x509.ObjectIdentifier("2.5.29.17"), bytes([0x30, len(entries)]) + entries
            ),
            critical=False,
        )
    return facts_of(builder.sign(KEY, hashes.SHA256()).public_bytes(Encoding.DER))


def test_all_cases_are_there() -> None:
    assert len(VECTORS["tls_names"]) == 44
    assert len(VECTORS["supplicant_names"]) == 11


@pytest.mark.parametrize("case", VECTORS["tls_names"], ids=lambda case: case["id"])
def test_rfc_9525_case(case: dict[str, Any]) -> None:
    """RFC 9525, 6 and 7 (the case names its section)."""
    facts = certificate(case["subject_cn"], case["san"])
    match = covers(facts, case["reference"])
    assert match.why
    # "either": RFC 9525 does not settle a lone star; we refuse it, as every library observed does.
    assert match.covered is (case["expect"] == "match")
    assert (match.by is not None) is match.covered
    named = [entry["value"] for entry in case["san"] if entry["type"] == "dns"]
    if named and not any(entry["type"] == "ip" for entry in case["san"]):
        assert any(dns_name_matches(entry, case["reference"]) for entry in named) is match.covered


@pytest.mark.parametrize("id", ["cn-only", "cn-with-other-san", "cn-with-only-ip-san", "ip4-in-cn"])
def test_a_name_in_the_subject_only_is_seen_as_such(id: str) -> None:  # the vectors' own word
    """RFC 9525, 6.1.1 and 6.2; Apple support 103769."""
    case = next(case for case in VECTORS["tls_names"] if case["id"] == id)
    match = covers(certificate(case["subject_cn"], case["san"]), case["reference"])
    assert not match.covered
    assert match.common_name_only


@pytest.mark.parametrize("case", VECTORS["supplicant_names"], ids=lambda case: case["id"])
def test_supplicant_case(case: dict[str, Any]) -> None:
    """The case names its source; those marked [memory] are the project's own expectation."""
    facts = certificate(
        case.get("cert_cn"), [{"type": "dns", "value": value} for value in case["cert_dns"]]
    )
    match = supplicant_covers(facts, tuple(case["configured"]), case["family"])
    assert match.why
    if case["expect"] == "depends":
        assert match.depends is not None
        assert "22000" in match.depends
    else:
        assert match.depends is None
        assert match.covered is (case["expect"] == "match")


def test_a_wildcard_certificate_that_a_supplicant_refuses_is_told_apart_from_a_wrong_name() -> None:
    """Apple Security framework source, EAP policy: no wildcard in the certificate."""
    wild = certificate("x", [{"type": "dns", "value": "*.corp.example"}])
    match = supplicant_covers(wild, ("n1.corp.example",), "apple-eap")
    assert (match.covered, match.by_wildcard) == (False, True)
    other = certificate("x", [{"type": "dns", "value": "n2.corp.example"}])
    match = supplicant_covers(other, ("n1.corp.example",), "apple-eap")
    assert (match.covered, match.by_wildcard) == (False, False)
