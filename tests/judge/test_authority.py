"""Lists and OCSP responses: whose they are, what they speak of, and when they are believed."""

import base64
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import cryptography_vectors
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.x509 import ocsp
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.certificate.bundle import NoCertificateError, certificates_in
from probe.certificate.facts import facts_of
from probe.judge.authority.crl import check_list, read_list
from probe.judge.authority.model import Answer, Status, Why
from probe.judge.authority.ocsp import check_response, read_response
from tests.judge.pki import AT, Made, authority, make

VECTORS = Path(cryptography_vectors.__file__).parent
DAY = timedelta(days=1)
HERE = "http://pki.northpier.example/part-1.crl"

ROOT = authority("Northpier Root")
OTHER = authority("Dry Dock CA")


def named(url: str) -> x509.UniformResourceIdentifier:
    return x509.UniformResourceIdentifier(url)


def leaf(**more: Any) -> Made:
    point = x509.DistributionPoint([named(HERE)], None, None, None)
    extension = x509.CRLDistributionPoints([point]), False
    return make("quay1.northpier.example", ROOT, more=(extension,), **more)


LEAF = leaf()


def a_list(
    *revoked: Made,
    issuer: Made = ROOT,
    signed_by: Made | None = None,
    begins: datetime = AT - DAY,
    ends: datetime = AT + DAY,
    more: Sequence[tuple[x509.ExtensionType, bool]] = (),
    of_entry: Sequence[tuple[x509.ExtensionType, bool]] = (),
) -> bytes:
    builder = (
        x509.CertificateRevocationListBuilder()
        .issuer_name(issuer.certificate.subject)
        .last_update(begins)
        .next_update(ends)
    )
    for extension, critical in more:
        builder = builder.add_extension(extension, critical)
    for made in revoked:
        entry = (
            x509.RevokedCertificateBuilder()
            .serial_number(made.certificate.serial_number)
            .revocation_date(AT - 2 * DAY)
        )
        for extension, critical in of_entry:
            entry = entry.add_extension(extension, critical)
        builder = builder.add_revoked_certificate(entry.build())
    signed = builder.sign((signed_by or issuer).key, hashes.SHA256())
    return signed.public_bytes(serialization.Encoding.DER)


def listed(body: bytes, subject: Made = LEAF, at: datetime = AT, **more: Any) -> Answer:
    return check_list(body, facts_of(subject.der), [facts_of(ROOT.der)], at=at, **more)


# ---------------------------------------------------------------- lists


def test_a_list_that_has_it_not_and_one_that_has_it() -> None:
    assert listed(a_list()).status is Status.GOOD
    answer = listed(a_list(LEAF, of_entry=[(x509.CRLReason(x509.ReasonFlags.superseded), False)]))
    assert (answer.status, answer.since, answer.reason) == (
        Status.REVOKED,
        AT - 2 * DAY,
        "superseded",
    )
    assert listed(a_list(make("quay2.northpier.example", ROOT))).status is Status.GOOD


@pytest.mark.parametrize(
    ("body", "why"),
    [
        (a_list(issuer=OTHER), Why.NOT_ITS),
        (a_list(signed_by=OTHER), Why.NOT_ITS),
        (a_list(begins=AT - 3 * DAY, ends=AT - DAY), Why.STALE),
        (a_list(begins=AT + DAY, ends=AT + 2 * DAY), Why.EARLY),
        (a_list(more=[(x509.DeltaCRLIndicator(7), True)]), Why.UNSUPPORTED),
        (
            a_list(
                more=[(x509.UnrecognizedExtension(x509.ObjectIdentifier("1.2.3.4"), b"\5\0"), True)]
            ),
            Why.UNSUPPORTED,
        ),
        (
            a_list(
                make("quay2.northpier.example", ROOT),
                of_entry=[
                    (x509.UnrecognizedExtension(x509.ObjectIdentifier("1.2.3.4"), b"\5\0"), True)
                ],
            ),
            Why.UNSUPPORTED,
        ),
        (b"<html><body>Please log in</body></html>", Why.UNREADABLE),
        (b"-----BEGIN X509 CRL-----\nMAAA\n-----END X509 CRL-----\n", Why.UNREADABLE),
        (b"", Why.UNREADABLE),
        (ROOT.der, Why.UNREADABLE),
    ],
)
def test_a_list_that_tells_nothing(body: bytes, why: Why) -> None:
    """RFC 5280, 5.1.2.5, 5.2, 5.3 and 6.3.3."""
    answer = listed(body)
    assert (answer.status, answer.why) == (Status.UNKNOWN, why)


def idp(**flags: Any) -> tuple[x509.ExtensionType, bool]:
    usual: dict[str, Any] = {
        "full_name": None,
        "relative_name": None,
        "only_contains_user_certs": False,
        "only_contains_ca_certs": False,
        "only_some_reasons": None,
        "indirect_crl": False,
        "only_contains_attribute_certs": False,
    }
    return x509.IssuingDistributionPoint(**{**usual, **flags}), True


@pytest.mark.parametrize(
    ("scope", "status", "why"),
    [
        ({"full_name": [named(HERE)]}, Status.GOOD, None),
        ({"full_name": [named(f"{HERE}2")]}, Status.UNKNOWN, Why.SCOPE),
        ({"only_contains_user_certs": True}, Status.GOOD, None),
        ({"only_contains_ca_certs": True}, Status.UNKNOWN, Why.SCOPE),
        ({"only_contains_attribute_certs": True}, Status.UNKNOWN, Why.SCOPE),
        ({"indirect_crl": True}, Status.UNKNOWN, Why.UNSUPPORTED),
        (
            {"only_some_reasons": frozenset([x509.ReasonFlags.key_compromise])},
            Status.UNKNOWN,
            Why.UNSUPPORTED,
        ),
    ],
)
def test_the_scope_of_a_list(scope: dict[str, Any], status: Status, why: Why | None) -> None:
    """RFC 5280, 6.3.3 (b): a part must be the certificate's own, and of its kind."""
    answer = listed(a_list(more=[idp(**scope)]))
    assert (answer.status, answer.why) == (status, why)


def test_a_list_of_users_tells_nothing_of_a_ca() -> None:
    below = authority("Northpier Issuing", ROOT)
    assert listed(a_list(more=[idp(only_contains_user_certs=True)]), below).why is Why.SCOPE
    assert listed(a_list(more=[idp(only_contains_ca_certs=True)]), below).status is Status.GOOD


def test_only_who_may_sign_lists_signs_them() -> None:
    """RFC 5280, 4.2.1.3: cRLSign."""
    mute = authority("Northpier Root", usage=["key_cert_sign"])
    answer = check_list(a_list(), facts_of(LEAF.der), [facts_of(mute.der)], at=AT)
    assert answer.why is Why.NOT_ITS
    assert "cRLSign" in answer.says


def test_revoked_stays_revoked_and_on_hold_does_not() -> None:
    """RFC 5280, 5.3.1: only certificateHold is ever taken back."""
    old = {"begins": AT - 9 * DAY, "ends": AT - 5 * DAY}
    assert listed(a_list(LEAF, **old)).status is Status.REVOKED  # type: ignore[arg-type]  # dates
    hold = [(x509.CRLReason(x509.ReasonFlags.certificate_hold), False)]
    assert listed(a_list(LEAF, of_entry=hold)).status is Status.REVOKED
    assert listed(a_list(LEAF, of_entry=hold, **old)).why is Why.STALE  # type: ignore[arg-type]  # dates


def test_a_list_that_was_current_when_it_came_accuses_nobody_later() -> None:
    later = AT + 30 * DAY
    assert listed(a_list(), at=later, came=AT).why is Why.OTHER_TIME
    assert listed(a_list(), at=later, came=later).why is Why.STALE
    assert listed(a_list(), at=AT - 30 * DAY, came=AT).why is Why.OTHER_TIME


@pytest.mark.parametrize(
    "path", sorted((VECTORS / "x509/custom").glob("*crl*")), ids=lambda path: path.name
)
def test_published_lists_are_read_or_refused_in_words(path: Path) -> None:
    """cryptography-vectors, x509/custom: what OpenSSL's `crl` reads is read here too."""
    octets = path.read_bytes()
    if octets.startswith(b"-----"):
        loaded = x509.load_pem_x509_crl(octets) if path.name not in UNLOADABLE else None
        octets = _der(octets)
    else:
        loaded = None
    found = read_list(octets)
    if loaded is None:
        return
    assert not isinstance(found, str), found
    assert found.this_update == loaded.last_update_utc
    assert found.next_update == loaded.next_update_utc
    assert set(found.entries) == {entry.serial_number for entry in loaded}


UNLOADABLE = {"crl_bad_version.pem", "freshestcrl.pem", "cdp_crl_issuer.pem"}
UNLOADABLE |= {"cdp_fullname_reasons_crl_issuer.pem"}
"""Certificates, and a list that the library refuses."""


def _der(pem: bytes) -> bytes:
    return base64.b64decode(b"".join(pem.strip().split(b"\n")[1:-1]))


# ---------------------------------------------------------------- OCSP


def a_response(
    subject: Made = LEAF,
    issuer: Made = ROOT,
    *,
    status: ocsp.OCSPCertStatus = ocsp.OCSPCertStatus.GOOD,
    begins: datetime = AT - timedelta(hours=1),
    ends: datetime | None = AT + DAY,
    signer: Made | None = None,
    shown: Sequence[Made] = (),
    nonce: bytes | None = None,
    algorithm: hashes.HashAlgorithm | None = None,
    by_key: bool = False,
) -> bytes:
    revoked = status is ocsp.OCSPCertStatus.REVOKED
    builder = ocsp.OCSPResponseBuilder().add_response(
        cert=subject.certificate,
        issuer=issuer.certificate,
        algorithm=algorithm or hashes.SHA1(),  # noqa: S303  # as responders have it
        cert_status=status,
        this_update=begins,
        next_update=ends,
        revocation_time=AT - 2 * DAY if revoked else None,
        revocation_reason=None,
    )
    encoding = ocsp.OCSPResponderEncoding.HASH if by_key else ocsp.OCSPResponderEncoding.NAME
    builder = builder.responder_id(encoding, (signer or issuer).certificate)
    if shown:
        builder = builder.certificates([made.certificate for made in shown])
    if nonce is not None:
        builder = builder.add_extension(x509.OCSPNonce(nonce), critical=False)
    signed = builder.sign((signer or issuer).key, hashes.SHA256())
    return signed.public_bytes(serialization.Encoding.DER)


def answered(body: bytes, subject: Made = LEAF, at: datetime = AT, **more: Any) -> Answer:
    return check_response(body, facts_of(subject.der), facts_of(ROOT.der), at=at, **more)


SIGNING = x509.ExtendedKeyUsageOID.OCSP_SIGNING


def delegate(**more: Any) -> Made:
    usual: dict[str, Any] = {"purposes": [SIGNING], "begins": AT - 3 * DAY, "days": 20}
    return make("Northpier Responder", **{"issuer": ROOT, **usual, **more})


@pytest.mark.parametrize("algorithm", [None, hashes.SHA256(), hashes.SHA512()])
@pytest.mark.parametrize("by_key", [False, True])
def test_the_issuer_answers_itself(algorithm: hashes.HashAlgorithm | None, *, by_key: bool) -> None:
    body = a_response(algorithm=algorithm, by_key=by_key)
    assert answered(body).status is Status.GOOD


def test_revoked_unknown_and_old() -> None:
    revoked = answered(a_response(status=ocsp.OCSPCertStatus.REVOKED))
    assert (revoked.status, revoked.since) == (Status.REVOKED, AT - 2 * DAY)
    unknown = answered(a_response(status=ocsp.OCSPCertStatus.UNKNOWN))
    assert (unknown.status, unknown.why) == (Status.UNKNOWN, Why.REFUSED)
    old = a_response(begins=AT - 9 * DAY, ends=AT - 2 * DAY)
    assert answered(old).why is Why.STALE


def test_without_a_next_update_it_is_good_for_some_days() -> None:
    """RFC 6960, 4.2.2.1."""
    assert answered(a_response(ends=None)).status is Status.GOOD
    assert answered(a_response(begins=AT - 8 * DAY, ends=None)).why is Why.STALE


def test_a_responder_that_the_issuer_has_named_may_answer() -> None:
    """RFC 6960, 4.2.2.2."""
    responder = delegate()
    assert answered(a_response(signer=responder, shown=[responder])).status is Status.GOOD


@pytest.mark.parametrize(
    ("responder", "shown"),
    [
        (delegate(), False),
        (delegate(purposes=[x509.ExtendedKeyUsageOID.SERVER_AUTH]), True),
        (delegate(purposes=None), True),
        (delegate(usage=["key_encipherment"]), True),
        (delegate(begins=AT - 30 * DAY, days=20), True),
        (delegate(begins=AT + DAY), True),
        # issued by another CA, or by nobody
        (delegate(issuer=OTHER), True),
        (delegate(issuer=None), True),
        (delegate(signed_with="somebody else"), True),
        (OTHER, True),
    ],
)
def test_a_responder_that_nobody_has_named_may_not(responder: Made, *, shown: bool) -> None:
    """RFC 6960, 4.2.2.2: each twin breaks one thing of the delegation."""
    answer = answered(a_response(signer=responder, shown=[responder] if shown else []))
    assert (answer.status, answer.why) == (Status.UNKNOWN, Why.NOT_ITS)


def test_an_answer_about_another_certificate_or_of_another_ca() -> None:
    """RFC 6960, 3.2 (1) and 4.1.1: all three parts of the CertID."""
    assert answered(a_response(make("quay2.northpier.example", ROOT))).why is Why.SCOPE
    impostor = make("Northpier Root", ca=True, key_label="impostor")
    same_serial = a_response(LEAF, impostor)
    assert answered(same_serial).why is Why.SCOPE


def test_a_nonce_that_comes_back_differently() -> None:
    """RFC 6960, 4.4.1 and 5.2.1: none at all is no fault, as answers are cached."""
    asked = ocsp.OCSPRequestBuilder().add_certificate(
        LEAF.certificate,
        ROOT.certificate,
        hashes.SHA1(),  # noqa: S303  # as above
    )
    request = (
        asked.add_extension(x509.OCSPNonce(b"0123456789abcdef"), False)
        .build()
        .public_bytes(serialization.Encoding.DER)
    )
    same = a_response(nonce=b"0123456789abcdef")
    assert answered(same, request=request).status is Status.GOOD
    assert answered(a_response(), request=request).status is Status.GOOD
    assert answered(a_response(nonce=b"another one 9876"), request=request).why is Why.NOT_ITS


# ---------------------------------------------------------------- any octets


@given(st.binary(max_size=300))
@settings(max_examples=300, derandomize=True, deadline=None)
def test_any_octets_are_read_or_refused(octets: bytes) -> None:
    read_list(octets)
    read_response(octets)
    with suppress(NoCertificateError):
        certificates_in(octets)


LIST, RESPONSE = a_list(), a_response()


@given(st.data())
@settings(max_examples=300, derandomize=True, deadline=None)
def test_a_spoiled_list_or_response_is_never_good(data: st.DataObject) -> None:
    """One octet changed: what is signed is spoiled, and what is not does not matter."""
    for body, check in ((LIST, listed), (RESPONSE, answered)):
        place = data.draw(st.integers(0, len(body) - 1))
        flip = data.draw(st.integers(1, 255))
        spoiled = body[:place] + bytes((body[place] ^ flip,)) + body[place + 1 :]
        assert check(spoiled).status is not Status.REVOKED
        answer = check(spoiled)
        if answer.status is Status.GOOD:
            # The signature itself can be written in several ways, the rest cannot.
            assert _signed_part(body) == _signed_part(spoiled)


def _signed_part(body: bytes) -> object:
    read = read_list(body)
    if not isinstance(read, str):
        return read.tbs
    response = read_response(body)
    return getattr(response, "tbs", None)


# ---------------------------------------------------------------- certificates of issuers


def test_issuers_come_in_three_forms() -> None:
    """RFC 5280, 4.2.2.1; PEM is none of them, and is met."""
    pem = ROOT.certificate.public_bytes(serialization.Encoding.PEM)
    two = pem + OTHER.certificate.public_bytes(serialization.Encoding.PEM)
    assert certificates_in(ROOT.der) == (ROOT.der,)
    assert certificates_in(b"Northpier Root\n" + two) == (ROOT.der, OTHER.der)
    # cryptography-vectors, pkcs7: roots of one CA, as DER and as BER
    for name in ("amazon-roots.der", "amazon-roots.p7b"):
        found = certificates_in((VECTORS / "pkcs7" / name).read_bytes())
        assert len(found) == 2, name
        assert all(facts_of(der).self_signed for der in found), name


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"", "it is empty"),
        (b"\n<!doctype html><title>Log in</title>", "it is a web page"),
        (b"not found", "9 octets of something else"),
        (a_list(), "something else"),
        (b"-----BEGIN CERTIFICATE-----\n!!!\n-----END CERTIFICATE-----", "something else"),
    ],
)
def test_what_is_no_certificate(body: bytes, says: str) -> None:
    with pytest.raises(NoCertificateError, match=says):
        certificates_in(body)


MESSAGE = (VECTORS / "pkcs7" / "amazon-roots.der").read_bytes()


def test_a_message_with_a_certificate_of_no_version_that_exists() -> None:
    """RFC 5280, 4.1.2.1 knows versions 1 to 3; cryptography-vectors, pkcs7. The other certificate
    of the message may be the issuer that is looked for."""
    spoiled = MESSAGE.replace(bytes.fromhex("a003020102"), bytes.fromhex("a003020113"), 1)
    assert spoiled != MESSAGE
    before, after = certificates_in(MESSAGE), certificates_in(spoiled)
    assert facts_of(after[0]).version == 20
    assert after[1:] == before[1:]


@given(st.integers(0, len(MESSAGE) - 1), st.integers(1, 255))
def test_a_spoiled_message_is_read_or_refused(place: int, flip: int) -> None:
    spoiled = MESSAGE[:place] + bytes((MESSAGE[place] ^ flip,)) + MESSAGE[place + 1 :]
    with suppress(NoCertificateError):
        assert all(facts_of(der) for der in certificates_in(spoiled))
