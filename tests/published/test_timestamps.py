"""Embedded timestamps of real certificates, and of odd ones (vectors/sct.json; RFC 6962, 3.2-3.3).

The certificates come in the Python package `cryptography-vectors`.
"""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import cryptography_vectors
import pytest
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding
from hypothesis import given
from hypothesis import strategies as st

from probe.certificate.facts import CertFacts, facts_of
from probe.certificate.timestamps import POISON, Embedded, embedded
from tests.judge.pki import authority, make

VECTORS = json.loads((Path(__file__).parent / "vectors" / "sct.json").read_text("utf-8"))
LIST = x509.ObjectIdentifier(VECTORS["extension_oid"])


def facts(file: str) -> CertFacts:
    with cryptography_vectors.open_vector_file(file, "rb") as opened:
        octets = opened.read()
    if file.endswith(".pem"):
        octets = x509.load_pem_x509_certificate(octets).public_bytes(Encoding.DER)
    return facts_of(octets)


@pytest.mark.parametrize("row", VECTORS["certificates"], ids=lambda row: row["file"])
def test_the_lists_of_real_certificates(row: dict[str, object]) -> None:
    read = embedded(facts(str(row["file"])))
    expected = row["scts"]
    assert isinstance(expected, list)
    assert read.present
    assert read.trouble is None
    assert [one.log for one in read.timestamps] == [one["log_id_hex"] for one in expected]
    assert [one.at.isoformat() for one in read.timestamps] == [
        datetime.fromisoformat(one["timestamp_utc"]).isoformat() for one in expected
    ]
    assert [(one.hash, one.signature) for one in read.timestamps] == [
        (one["hash"], one["signature"]) for one in expected
    ]
    assert len(read.logs) == len(expected)


def test_the_first_log_saw_a_real_certificate_an_hour_after_its_beginning() -> None:
    """notBefore 19:56:33, timestamps 20:56:33 (vectors/sct.json): CAs date back by an hour."""
    read = embedded(facts("x509/cryptography-scts.pem"))
    assert read.earliest is not None
    assert read.earliest.replace(microsecond=0) == datetime(2018, 9, 26, 20, 56, 33, tzinfo=UTC)


@pytest.mark.parametrize("row", VECTORS["negative"], ids=lambda row: row["file"])
def test_a_list_that_cannot_be_read_is_told_and_counts_nothing(row: dict[str, str]) -> None:
    read = embedded(facts(row["file"]))
    assert read.present
    assert read.trouble
    assert read.logs == frozenset()


@pytest.mark.parametrize(
    ("file", "hash_and_signature"),
    [
        ("x509/badssl-sct-anonymous-sig.der", (4, 0)),
        ("x509/badssl-sct-none-hash.der", (0, 3)),
    ],
)
def test_null_algorithms_are_read_as_they_stand(
    file: str, hash_and_signature: tuple[int, int]
) -> None:
    (one,) = embedded(facts(file)).timestamps
    assert (one.hash, one.signature) == hash_and_signature


def test_a_precertificate_has_poison_and_no_list() -> None:
    of = facts("x509/cryptography.io.precert.pem")
    assert not embedded(of).present
    assert [extension.critical for extension in of.extensions if extension.oid == POISON] == [True]


def test_no_list_at_all() -> None:
    assert embedded(facts("x509/v1_cert.pem")) == Embedded(present=False)


def test_the_file_that_cannot_be_read_is_no_error() -> None:
    assert embedded(facts_of(b"nothing")) == Embedded(present=False)


ROOT = authority("Root T")


def with_list(value: bytes) -> CertFacts:
    extension = x509.UnrecognizedExtension(LIST, value)
    return facts_of(make("x.example", ROOT, more=[(extension, False)]).der)


@given(st.binary(max_size=200))
def test_any_octets_in_the_extension_are_read_or_told(value: bytes) -> None:
    read = embedded(with_list(value))
    assert read.present
    assert read.timestamps or read.trouble


@given(st.data())
def test_a_real_list_with_one_octet_changed_or_cut_never_raises(data: st.DataObject) -> None:
    real = bytes.fromhex(VECTORS["certificates"][0]["list_hex"])
    value = b"\x04\x81" + bytes((len(real),)) + real
    place = data.draw(st.integers(0, len(value) - 1))
    changed = value[:place] + bytes((data.draw(st.integers(0, 255)),)) + value[place + 1 :]
    read = embedded(with_list(changed[: data.draw(st.integers(0, len(changed)))]))
    assert read.present
    assert all(one.at < datetime.max.replace(tzinfo=UTC) - timedelta(0) for one in read.timestamps)
