"""OCSP responses of public responders (vectors/ocsp.json; files of the cryptography-vectors
package, x509/ocsp): what is read of them, and what is believed.
"""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import cryptography_vectors
import pytest

from probe.certificate.bundle import certificates_in
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.authority.model import Status, Why, reason_of
from probe.judge.authority.ocsp import NoResponse, Response, check_response, read_response
from probe.records import replace

FILES = Path(cryptography_vectors.__file__).parent / "x509"
VECTORS = json.loads((Path(__file__).parent / "vectors/ocsp.json").read_text("utf-8"))
CASES = {case["file"]: case for case in VECTORS["cases"]}

ISSUER = facts_of(certificates_in((FILES / "letsencryptx3.pem").read_bytes())[0])
"""The CA that signed resp-sha256.der (cryptography's own test of that file verifies it so)."""
SERIAL = 271024907440004808294641238224534273948400
"""Of the certificate that resp-sha256.der is about (the same test)."""
THIS_UPDATE = datetime(2018, 8, 30, 11, 0, tzinfo=UTC)
NEXT_UPDATE = datetime(2018, 9, 6, 11, 0, tzinfo=UTC)


def body(name: str) -> bytes:
    return (FILES / "ocsp" / name).read_bytes()


def moment(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def subject(serial: int = SERIAL) -> CertFacts:
    """Return the facts of a certificate of that serial number, as far as OCSP asks for them."""
    return replace(facts_of(b""), serial=f"{serial:x}", issuer_raw=ISSUER.subject_raw)


@pytest.mark.parametrize("name", [name for name in CASES if CASES[name].get("cert")])
def test_what_a_response_says(name: str) -> None:
    """vectors/ocsp.json: values copied from a general-purpose library's reading."""
    case: dict[str, Any] = CASES[name]
    response = read_response(body(name))
    assert isinstance(response, Response)
    (single,) = response.singles
    assert single.status == case["cert"].lower()
    if "this_update" in case:
        assert single.this_update == moment(case["this_update"])
    if "next_update" in case:
        assert single.next_update == moment(case["next_update"])
    if "revoked_at" in case:
        assert single.since == moment(case["revoked_at"])
    if case.get("reason"):
        assert single.reason is not None
        assert reason_of(single.reason) == case["reason"]
    if "responder_certificates" in case:
        assert len(response.certificates) == case["responder_certificates"]


@pytest.mark.parametrize(
    ("name", "why", "says"),
    [
        ("resp-unauthorized.der", Why.REFUSED, "unauthorized"),
        ("resp-successful-no-response-bytes.der", Why.UNREADABLE, "responseBytes is missing"),
        ("resp-response-type-unknown-oid.der", Why.UNSUPPORTED, "unknown kind"),
        ("resp-unknown-response-status.der", Why.REFUSED, "does not exist"),
    ],
)
def test_what_is_no_answer(name: str, why: Why, says: str) -> None:
    """vectors/ocsp.json: status and notes of these files."""
    response = read_response(body(name))
    assert isinstance(response, NoResponse)
    assert response.why is why
    assert says in response.says
    assert check_response(body(name), subject(), ISSUER, at=THIS_UPDATE).status is Status.UNKNOWN


def test_who_answers_is_named_by_name_or_by_the_hash_of_his_key() -> None:
    """vectors/ocsp.json: resp-responder-key-hash.der; RFC 6960, 4.2.1."""
    by_key, by_name = (
        read_response(body(name)) for name in ("resp-responder-key-hash.der", "resp-sha256.der")
    )
    assert isinstance(by_key, Response)
    assert isinstance(by_name, Response)
    assert (by_key.by_name, by_name.by_key) == (None, None)
    assert by_name.by_name == ISSUER.subject_raw
    assert by_key.by_key is not None
    assert len(by_key.by_key) == 20


def test_twenty_answers_in_one_response_are_told_apart() -> None:
    """vectors/ocsp.json: ocsp-army.deps.mil-resp.der has 20 single responses."""
    response = read_response(body("ocsp-army.deps.mil-resp.der"))
    assert isinstance(response, Response)
    assert len(response.singles) == 20
    assert len({single.serial for single in response.singles}) == 20


# ---------------------------------------------------------------- believing


@pytest.mark.parametrize(
    ("at", "status", "why"),
    [
        (THIS_UPDATE, Status.GOOD, None),
        (NEXT_UPDATE, Status.GOOD, None),
        (NEXT_UPDATE + timedelta(seconds=1), Status.UNKNOWN, Why.STALE),
        # Clocks differ a little.
        (THIS_UPDATE - timedelta(minutes=4), Status.GOOD, None),
        (THIS_UPDATE - timedelta(minutes=6), Status.UNKNOWN, Why.EARLY),
    ],
)
def test_a_published_response_is_believed_while_it_is_current(
    at: datetime, status: Status, why: Why | None
) -> None:
    """RFC 6960, 4.2.2.1; the signature is the CA's own (letsencryptx3.pem)."""
    answer = check_response(body("resp-sha256.der"), subject(), ISSUER, at=at)
    assert (answer.status, answer.why) == (status, why)


def test_what_was_current_when_it_came_accuses_nobody_later() -> None:
    later = NEXT_UPDATE + timedelta(days=30)
    octets = body("resp-sha256.der")
    answer = check_response(octets, subject(), ISSUER, at=later, came=THIS_UPDATE)
    assert answer.why is Why.OTHER_TIME
    assert check_response(octets, subject(), ISSUER, at=later, came=later).why is Why.STALE


def test_a_response_about_another_certificate_tells_nothing() -> None:
    """RFC 6960, 3.2 (1): the certificate is the one that was asked for."""
    octets = body("resp-sha256.der")
    other = check_response(octets, subject(SERIAL + 1), ISSUER, at=THIS_UPDATE)
    assert other.why is Why.SCOPE
    stranger = facts_of(certificates_in((FILES / "rapidssl_sha256_ca_g3.pem").read_bytes())[0])
    assert check_response(octets, subject(), stranger, at=THIS_UPDATE).why is Why.SCOPE


def test_one_bit_of_a_published_response_changed() -> None:
    """RFC 6960, 3.2 (2): the twin that must fail."""
    octets = bytearray(body("resp-sha256.der"))
    octets[-1] ^= 1
    answer = check_response(bytes(octets), subject(), ISSUER, at=THIS_UPDATE)
    assert answer.why is Why.NOT_ITS


def test_an_unknown_signature_algorithm_is_not_good() -> None:
    """vectors/ocsp.json: resp-invalid-signature-oid.der, "unverifiable, not good"."""
    octets = body("resp-invalid-signature-oid.der")
    assert check_response(octets, subject(), ISSUER, at=THIS_UPDATE).why is Why.NOT_ITS


@pytest.mark.parametrize("length", range(0, 527, 13))
def test_a_response_that_is_cut_off_is_unreadable(length: int) -> None:
    octets = body("resp-sha256.der")
    assert len(octets) == 527
    answer = check_response(octets[:length], subject(), ISSUER, at=THIS_UPDATE)
    assert answer.status is Status.UNKNOWN
