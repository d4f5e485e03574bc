"""OCSP responses (RFC 6960, 4.2): read leniently, believed strictly (3.2 there).

Who may answer for a CA: the CA itself, or whom it has delegated that to by a certificate for it
(4.2.2.2). Whether a delegate's own certificate was revoked is not looked at.
"""

import hashlib
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import lru_cache

from probe.certificate.der import (
    BIT_STRING,
    INTEGER,
    OCTET_STRING,
    OID,
    SEQUENCE,
    DerError,
    Tlv,
    children,
    content,
    encoding,
    expect,
    integer,
    oid,
    read,
    small_integer,
    time,
    whole,
)
from probe.certificate.facts import CertFacts, Extension, facts_of
from probe.certificate.keys import key_octets, signed_by, verifies
from probe.certificate.naming import same_name
from probe.certificate.structure import algorithm_of, split_extensions
from probe.judge.authority.model import Answer, Status, Why, currency, reason_of, unknown
from probe.records import dataclass

NONCE = "1.3.6.1.5.5.7.48.1.2"
_BASIC = "1.3.6.1.5.5.7.48.1.1"
_SIGNING = "1.3.6.1.5.5.7.3.9"
_GENERALIZED = 0x18

_PROCESSED = frozenset({NONCE, "1.3.6.1.5.5.7.48.1.3", "1.3.6.1.5.5.7.48.1.6"})
"""Critical extensions that change nothing here: which list it was taken from, archive cutoff."""

_STATES = {
    1: "malformedRequest",
    2: "internalError",
    3: "tryLater",
    5: "sigRequired",
    6: "unauthorized",
}
"""OCSPResponseStatus (4.2.1), other than successful."""

_HASHES: dict[str, Callable[[bytes], bytes]] = {
    "1.3.14.3.2.26": lambda octets: hashlib.sha1(octets, usedforsecurity=False).digest(),
    "2.16.840.1.101.3.4.2.1": lambda octets: hashlib.sha256(octets).digest(),
    "2.16.840.1.101.3.4.2.2": lambda octets: hashlib.sha384(octets).digest(),
    "2.16.840.1.101.3.4.2.3": lambda octets: hashlib.sha512(octets).digest(),
}

_WITHOUT_END = timedelta(days=7)
"""How old an answer without nextUpdate may be, which says that newer ones are always to be had
(4.2.2.1): as long as a root programme lets answers live (Microsoft, 3.2.2)."""

MOST = 64
"""Single answers, and certificates, read of one response: responders give one, and an old one
twenty."""


@dataclass(frozen=True, slots=True)
class Single:
    """What a response says of one certificate."""

    hash: str
    """OID of the hash in the CertID (4.1.1)."""
    name_hash: bytes
    key_hash: bytes
    serial: int
    status: str
    """"good", "revoked" or "unknown"."""
    since: datetime | None
    reason: int | None
    this_update: datetime
    next_update: datetime | None
    extensions: tuple[Extension, ...]


@dataclass(frozen=True, slots=True)
class Response:
    """A basic response."""

    by_name: bytes | None
    """The responder's name (DER of a Name), or ..."""
    by_key: bytes | None
    """... the SHA-1 of its key."""
    singles: tuple[Single, ...]
    extensions: tuple[Extension, ...]
    certificates: tuple[bytes, ...]
    tbs: bytes
    algorithm: bytes
    signature: bytes


@dataclass(frozen=True, slots=True)
class NoResponse:
    """Why there is no response in a body."""

    why: Why
    says: str


@lru_cache(maxsize=4_096)
def read_response(body: bytes) -> Response | NoResponse:
    """Return the response in a body, or why there is none."""
    try:
        return _read(body)
    except DerError as error:
        if body[:256].lstrip().startswith(b"<"):
            return NoResponse(Why.UNREADABLE, "what came is a web page, and no OCSP response")
        return NoResponse(Why.UNREADABLE, f"what came is no OCSP response: {error}")


def _read(body: bytes) -> Response | NoResponse:
    outer = whole(body, SEQUENCE, "the response")
    state = expect(body, outer.body, outer.end, 0x0A, "responseStatus")
    number = small_integer(body, state)
    if number:
        named = _STATES.get(number, f"status {number}, which does not exist")
        return NoResponse(Why.REFUSED, f"the responder answers {named}")
    wrapped = expect(body, state.end, outer.end, 0xA0, "responseBytes")
    inside = expect(body, wrapped.body, wrapped.end, SEQUENCE, "ResponseBytes")
    kind = expect(body, inside.body, inside.end, OID, "responseType")
    if oid(content(body, kind)) != _BASIC:
        says = f"the response is of the unknown kind {oid(content(body, kind))}"
        return NoResponse(Why.UNSUPPORTED, says)
    octets = content(body, expect(body, kind.end, inside.end, OCTET_STRING, "response"))
    return _basic(octets)


def _basic(body: bytes) -> Response:
    outer = whole(body, SEQUENCE, "BasicOCSPResponse")
    tbs = expect(body, outer.body, outer.end, SEQUENCE, "tbsResponseData")
    algorithm = expect(body, tbs.end, outer.end, SEQUENCE, "signatureAlgorithm")
    signature = expect(body, algorithm.end, outer.end, BIT_STRING, "signature")
    certificates: tuple[bytes, ...] = ()
    if signature.end < outer.end:
        field = expect(body, signature.end, outer.end, 0xA0, "certs")
        listed = expect(body, field.body, field.end, SEQUENCE, "the certificates")
        certificates = tuple(encoding(body, one) for one in children(body, listed)[:MOST])
    at = tbs.body
    first = read(body, at, tbs.end, "responderID")
    if first.tag == 0xA0:  # version
        at = first.end
    responder = read(body, at, tbs.end, "responderID")
    by_name = by_key = None
    if responder.tag == 0xA1:
        by_name = content(body, responder)
    elif responder.tag == 0xA2:
        key = expect(body, responder.body, responder.end, OCTET_STRING, "KeyHash")
        by_key = content(body, key)
    else:
        raise DerError(f"responderID has tag 0x{responder.tag:02x} at offset {responder.start}")
    produced = expect(body, responder.end, tbs.end, _GENERALIZED, "producedAt")
    answers = expect(body, produced.end, tbs.end, SEQUENCE, "responses")
    return Response(
        by_name=by_name,
        by_key=by_key,
        singles=tuple(_single(body, one) for one in children(body, answers)[:MOST]),
        extensions=_extensions(body, answers.end, tbs.end),
        certificates=certificates,
        tbs=encoding(body, tbs),
        algorithm=encoding(body, algorithm),
        signature=content(body, signature),
    )


def _single(body: bytes, single: Tlv) -> Single:
    identity = expect(body, single.body, single.end, SEQUENCE, "certID")
    algorithm = expect(body, identity.body, identity.end, SEQUENCE, "hashAlgorithm")
    name = expect(body, algorithm.end, identity.end, OCTET_STRING, "issuerNameHash")
    key = expect(body, name.end, identity.end, OCTET_STRING, "issuerKeyHash")
    serial = expect(body, key.end, identity.end, INTEGER, "serialNumber")
    state = read(body, identity.end, single.end, "certStatus")
    since = reason = None
    if state.tag == 0xA1:
        moment = read(body, state.body, state.end, "revocationTime")
        since, _ = time(moment.tag, content(body, moment))
        if moment.end < state.end:
            told = expect(body, moment.end, state.end, 0xA0, "revocationReason")
            reason = small_integer(body, expect(body, told.body, told.end, 0x0A, "CRLReason"))
    status = {0x80: "good", 0xA1: "revoked", 0x82: "unknown"}.get(state.tag)
    if status is None:
        raise DerError(f"certStatus has tag 0x{state.tag:02x} at offset {state.start}")
    begins = read(body, state.end, single.end, "thisUpdate")
    this_update, _ = time(begins.tag, content(body, begins))
    at, next_update = begins.end, None
    if at < single.end and (field := read(body, at, single.end, "nextUpdate")).tag == 0xA0:
        ends = read(body, field.body, field.end, "nextUpdate")
        next_update, _ = time(ends.tag, content(body, ends))
        at = field.end
    return Single(
        hash=algorithm_of(encoding(body, algorithm))[0],
        name_hash=content(body, name),
        key_hash=content(body, key),
        serial=integer(body, serial),
        status=status,
        since=since,
        reason=reason,
        this_update=this_update,
        next_update=next_update,
        extensions=_extensions(body, at, single.end),
    )


def _extensions(body: bytes, at: int, end: int) -> tuple[Extension, ...]:
    if at >= end:
        return ()
    field = expect(body, at, end, 0xA1, "extensions")
    listed = expect(body, field.body, field.end, SEQUENCE, "extensions")
    return tuple(Extension(*one) for one in split_extensions(encoding(body, listed)))


# ---------------------------------------------------------------- believing


def check_response(
    body: bytes,
    subject: CertFacts,
    issuer: CertFacts,
    *,
    at: datetime,
    came: datetime | None = None,
    request: bytes | None = None,
) -> Answer:
    """Return what a response says of a certificate of that issuer.

    `request` is what it answers, where that is known: a nonce that was sent must not come back as
    another one (4.4.1; one that does not come back is no fault, as answers are cached).
    """
    response = read_response(body)
    if isinstance(response, NoResponse):
        return unknown(response.why, response.says)
    single = _about(response, subject, issuer)
    if single is None:
        return unknown(Why.SCOPE, "the response speaks of another certificate than this")
    if not _authorized(response, issuer, (at, came or at)):
        says = "the response is signed neither by the issuer nor by a responder of its own"
        return unknown(Why.NOT_ITS, says)
    for extension in (*response.extensions, *single.extensions):
        if extension.critical and extension.oid not in _PROCESSED:
            says = f"the response has the critical extension {extension.oid}, which is unknown"
            return unknown(Why.UNSUPPORTED, says)
    if request is not None and _other_nonce(request, response):
        return unknown(Why.NOT_ITS, "the response answers another question: its nonce differs")
    return _of_single(single, at, came)


def _of_single(single: Single, at: datetime, came: datetime | None) -> Answer:
    dates = single.this_update, single.next_update
    if single.status == "revoked" and single.reason != 6:  # certificateHold may end again
        return _revoked(single)
    late = currency("the response", *dates, at=at, came=came)
    if late is not None:
        return late
    if single.next_update is None and at - single.this_update > _WITHOUT_END:
        says = "the response says that newer ones are to be had, and is old itself"
        fresh = came is not None and came - single.this_update <= _WITHOUT_END
        return unknown(Why.OTHER_TIME if fresh else Why.STALE, says, *dates)
    if single.status == "revoked":
        return _revoked(single)
    if single.status == "unknown":
        return unknown(Why.REFUSED, "the responder does not know the certificate", *dates)
    says = "its OCSP responder calls it good"
    return Answer(Status.GOOD, says, this_update=dates[0], next_update=dates[1])


def _revoked(single: Single) -> Answer:
    return Answer(
        Status.REVOKED,
        "its OCSP responder calls it revoked",
        since=single.since,
        reason=None if single.reason is None else reason_of(single.reason),
        this_update=single.this_update,
        next_update=single.next_update,
    )


def _about(response: Response, subject: CertFacts, issuer: CertFacts) -> Single | None:
    """Return the answer for a certificate: all three parts of its CertID must match (4.1.1)."""
    try:
        key = key_octets(issuer.spki)
    except DerError:
        return None
    serial = int(subject.serial, 16)
    for single in response.singles:
        digest = _HASHES.get(single.hash)
        if (
            digest is not None
            and single.serial == serial
            and single.key_hash == digest(key)
            and single.name_hash in (digest(subject.issuer_raw), digest(issuer.subject_raw))
        ):
            return single
    return None


def _authorized(response: Response, issuer: CertFacts, at: tuple[datetime, ...]) -> bool:
    return any(
        _is_named(response, signer)
        and verifies(response.tbs, response.algorithm, response.signature, signer.spki)
        for signer in (issuer, *_delegates(response, issuer, at))
    )


def _is_named(response: Response, signer: CertFacts) -> bool:
    if response.by_name is not None:
        return same_name(response.by_name, signer.subject_raw)
    try:
        octets = key_octets(signer.spki)
    except DerError:
        return False
    return response.by_key == hashlib.sha1(octets, usedforsecurity=False).digest()


def _delegates(
    response: Response, issuer: CertFacts, at: tuple[datetime, ...]
) -> Iterator[CertFacts]:
    """Yield the responders that the issuer has delegated its answers to (4.2.2.2): directly, by a
    certificate for that purpose that is valid, at the time that is judged for or when it came: what
    it signed is not to be blamed on the CA because a later day is judged for."""
    for der in response.certificates:
        facts = facts_of(der)
        if (
            facts.readable
            and _SIGNING in (facts.extended_key_usage or ())
            and (facts.key_usage is None or "digitalSignature" in facts.key_usage)
            and facts.not_before is not None
            and facts.not_after is not None
            and any(facts.not_before <= moment <= facts.not_after for moment in at)
            and same_name(facts.issuer_raw, issuer.subject_raw)
            and signed_by(der, issuer.spki)
        ):
            yield facts


def _other_nonce(request: bytes, response: Response) -> bool:
    sent = _nonce(_of_request(request))
    came = _nonce(response.extensions)
    return sent is not None and came is not None and sent != came


def _nonce(extensions: tuple[Extension, ...]) -> bytes | None:
    return next((one.value for one in extensions if one.oid == NONCE), None)


def _of_request(request: bytes) -> tuple[Extension, ...]:
    """Return requestExtensions (4.1.1)."""
    try:
        outer = whole(request, SEQUENCE, "the request")
        tbs = expect(request, outer.body, outer.end, SEQUENCE, "tbsRequest")
        for field in children(request, tbs):
            if field.tag == 0xA2:
                listed = expect(request, field.body, field.end, SEQUENCE, "requestExtensions")
                return tuple(Extension(*one) for one in split_extensions(encoding(request, listed)))
    except DerError:
        pass
    return ()
