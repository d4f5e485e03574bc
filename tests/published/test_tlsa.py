"""RFC 6698: the records of its section 2.3, and association data of a certificate of
cryptography-vectors (vectors/tlsa.json, computed by two other implementations)."""

import json
from hashlib import sha256
from pathlib import Path
from typing import Any

import cryptography_vectors
import pytest
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from probe.certificate.facts import facts_of
from probe.judge.tlsa import Association, owner, parse

DATA = json.loads((Path(__file__).parent / "vectors" / "tlsa.json").read_text("utf-8"))
COMPUTED = DATA["computed"]


def certificate() -> bytes:
    with cryptography_vectors.open_vector_file("x509/cryptography.io.pem", "rb") as file:
        return x509.load_pem_x509_certificate(file.read()).public_bytes(Encoding.DER)


def text(record: dict[str, Any], data: str) -> str:
    return f"{record['usage']} {record['selector']} {record['matching']} {data}"


@pytest.mark.parametrize("record", DATA["published_examples"][:2])
def test_a_published_record_is_read(record: dict[str, Any]) -> None:
    """RFC 6698, 2.3, first and second example."""
    read = parse(text(record, record["data_hex"]))
    assert read == Association(
        record["usage"],
        record["selector"],
        record["matching"],
        bytes.fromhex(record["data_hex"]),
    )


def test_a_published_record_that_is_cut_off_is_not_usable() -> None:
    """RFC 6698, 2.3, third example: printed with an odd number of digits."""
    (record,) = DATA["published_examples"][2:]
    assert parse(text(record, record["data_hex_prefix"])) is None


@pytest.mark.parametrize(
    "record", COMPUTED["records"], ids=lambda r: f"{r['selector']}{r['matching']}"
)
def test_a_certificate_is_told_by_its_record(record: dict[str, Any]) -> None:
    der = certificate()
    assert sha256(der).hexdigest() == COMPUTED["certificate_sha256"]
    read = parse(text(record, record["data_hex"]))
    assert read is not None
    assert read.matches(der, facts_of(der).spki)
    changed = record["data_hex"][:-1] + ("0" if record["data_hex"][-1] != "0" else "1")
    other = parse(text(record, changed))
    assert other is not None
    assert not other.matches(der, facts_of(der).spki)


def test_the_whole_certificate_or_key_as_it_is() -> None:
    """RFC 6698, 2.1.3: matching type 0."""
    der = certificate()
    key = facts_of(der).spki
    assert sha256(key).hexdigest() == COMPUTED["spki_sha256"]
    for selector, data in ((0, der), (1, key)):
        read = parse(f"3 {selector} 0 {data.hex()}")
        assert read is not None
        assert read.matches(der, key)


@pytest.mark.parametrize(
    "record",
    [
        f"4 1 1 {'00' * 32}",
        f"3 2 1 {'00' * 32}",
        f"3 1 3 {'00' * 32}",
        "255 255 255 00",
        f"3 1 1 {'00' * 31}",
        f"3 1 2 {'00' * 32}",
        "3 1 1",
        "3 1 0 ",
        "3 1 0 0g",
        "",
        "-1 0 0 00",
    ],
)
def test_what_nobody_can_use_is_left_out(record: str) -> None:
    """RFC 6698, 4.1 (vectors/tlsa.json, "unusable")."""
    assert parse(record) is None


def test_where_the_records_of_a_service_stand() -> None:
    """RFC 6698, 3: the port without leading zeros."""
    assert owner("www.example.com", 443) == "_443._tcp.www.example.com"
