"""Timestamps of real certificates and staples, and of odd ones (vectors/sct.json; RFC 6962, 3).

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
from probe.certificate.timestamps import POISON, Embedded, by_handshake, embedded, stapled
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


@pytest.mark.parametrize("row", VECTORS["certificates"], ids=lambda row: row["file"])
def test_the_same_lists_by_the_handshake(row: dict[str, object]) -> None:
    """RFC 6962, 3.3.1: the TLS extension holds the list itself, without an OCTET STRING."""
    read = by_handshake(bytes.fromhex(str(row["list_hex"])))
    assert read == embedded(facts(str(row["file"])))


def test_no_list_by_the_handshake_and_half_a_one() -> None:
    whole = bytes.fromhex(VECTORS["certificates"][0]["list_hex"])
    for octets in (None, b""):
        assert by_handshake(octets) == Embedded(present=False)
    for size in range(1, len(whole)):
        read = by_handshake(whole[:size])
        assert read.present
        assert read.trouble is not None


STAPLED = (
    ("4494652eb0eeceafc44007d8a8fe28c0dae682bed8cb31b53fd33396b5b681a8", "15:51:33.992000"),
    ("6f5376ac31f03119d89900a45115ff77151c11d902c10029068db2089a37d913", "15:51:33.997000"),
    ("bbd9dfbc1f8a71b593942397aa927b473857950aab52e81a909664368e1ed185", "15:51:34.247000"),
    ("ee4bbdb775ce60bae142691fabe19e66a30f7e5fb072d88300c47b897aa8fdcb", "15:51:33.853000"),
)
"""Log and time on 2019-11-15, as `openssl ocsp -resp_text` of OpenSSL 3.0.19 prints them."""


def test_the_timestamps_of_a_real_staple() -> None:
    with cryptography_vectors.open_vector_file("x509/ocsp/resp-sct-extension.der", "rb") as opened:
        read = stapled(opened.read())
    assert read.trouble is None
    assert [(one.log, one.at.time().isoformat()) for one in read.timestamps] == list(STAPLED)


@pytest.mark.parametrize(
    "file",
    [
        "resp-sha256.der",
        "resp-unauthorized.der",
        "resp-invalid-version.der",
        "resp-successful-no-response-bytes.der",
        "resp-response-type-unknown-oid.der",
        "req-sha1.der",
    ],
)
def test_staples_without_timestamps_and_no_staples_at_all(file: str) -> None:
    with cryptography_vectors.open_vector_file(f"x509/ocsp/{file}", "rb") as opened:
        assert stapled(opened.read()) == Embedded(present=False)


@given(st.binary(max_size=400))
def test_whatever_comes_as_list_or_staple_is_read_without_a_traceback(octets: bytes) -> None:
    assert by_handshake(octets).present is bool(octets)
    assert not stapled(octets).timestamps


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
