"""Lists of revoked certificates (RFC 5280, 5): read leniently, believed strictly (6.3.3).

Full lists of the issuer itself are processed, for all reasons, in parts too (a distribution point's
own part). Delta lists, indirect ones and lists for some reasons only are not: they are said to be.
"""

from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache

from probe.certificate.der import (
    BIT_STRING,
    INTEGER,
    SEQUENCE,
    DerError,
    Tlv,
    boolean,
    children,
    content,
    encoding,
    expect,
    integer,
    read,
    small_integer,
    time,
    whole,
)
from probe.certificate.extensions import AUTHORITY_KEY_ID, full_name_addresses
from probe.certificate.facts import CertFacts, Extension
from probe.certificate.keys import verifies
from probe.certificate.naming import rfc4514, same_name
from probe.certificate.structure import split_extensions
from probe.judge.authority.model import Answer, Status, Why, currency, reason_of, unknown
from probe.records import dataclass

_DELTA = "2.5.29.27"
_SCOPE = "2.5.29.28"
_NUMBER = "2.5.29.20"
_REASON = "2.5.29.21"
_HOLD = 6
_REMOVED = 8

_PROCESSED = frozenset({_SCOPE, _NUMBER, AUTHORITY_KEY_ID})
_PROCESSED_OF_ENTRY = frozenset({_REASON, "2.5.29.24"})
"""Of an entry's critical extensions these change nothing here: reason and invalidity date. An
entry's own issuer (2.5.29.29) is not among them: it makes the list an indirect one."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One certificate that was revoked."""

    since: datetime | None
    reason: int | None


@dataclass(frozen=True, slots=True)
class Scope:
    """issuingDistributionPoint (5.2.5): what the list speaks of."""

    addresses: tuple[str, ...] | None = None
    """The distribution points whose part it is; None: all."""
    users_only: bool = False
    authorities_only: bool = False
    attributes_only: bool = False
    some_reasons: bool = False
    indirect: bool = False


@dataclass(frozen=True, slots=True)
class RevokedList:
    """What a list says."""

    issuer: str
    """RFC 4514 text."""
    issuer_raw: bytes
    this_update: datetime
    next_update: datetime | None
    entries: dict[int, Entry]
    """By serial number."""
    extensions: tuple[Extension, ...]
    scope: Scope
    unprocessed: str | None
    """A critical extension, of the list or of an entry, that is not processed here: OID."""
    tbs: bytes
    algorithm: bytes
    signature: bytes


@lru_cache(maxsize=64)
def read_list(body: bytes) -> RevokedList | str:
    """Return the list in a body, or why there is none, in words."""
    try:
        return _read(body)
    except DerError as error:
        start = body[:256].lstrip()
        if start.startswith(b"<"):
            return "what came is a web page, and no list of revoked certificates"
        if start.startswith(b"-----BEGIN"):
            return "what came is PEM, and lists are served as DER (RFC 5280, 4.2.1.13)"
        return f"what came is no list of revoked certificates: {error}"


def _read(body: bytes) -> RevokedList:
    outer = whole(body, SEQUENCE, "the list")
    tbs = expect(body, outer.body, outer.end, SEQUENCE, "tbsCertList")
    algorithm = expect(body, tbs.end, outer.end, SEQUENCE, "signatureAlgorithm")
    signature = expect(body, algorithm.end, outer.end, BIT_STRING, "signatureValue")

    at = tbs.body
    first = read(body, at, tbs.end, "the first field of tbsCertList")
    if first.tag == INTEGER:
        small_integer(body, first)
        at = first.end
    inner = expect(body, at, tbs.end, SEQUENCE, "signature")
    issuer = expect(body, inner.end, tbs.end, SEQUENCE, "issuer")
    begins = read(body, issuer.end, tbs.end, "thisUpdate")
    this_update, _ = time(begins.tag, content(body, begins))
    at, next_update = begins.end, None
    entries: dict[int, Entry] = {}
    extensions: tuple[Extension, ...] = ()
    unprocessed: str | None = None
    while at < tbs.end:
        field = read(body, at, tbs.end, "a field of tbsCertList")
        at = field.end
        if field.tag == SEQUENCE:
            entries, unprocessed = _entries(body, field)
        elif field.tag == 0xA0:
            inside = expect(body, field.body, field.end, SEQUENCE, "crlExtensions")
            found = split_extensions(encoding(body, inside))
            extensions = tuple(Extension(*one) for one in found)
        elif next_update is None:
            next_update, _ = time(field.tag, content(body, field))
        else:
            raise DerError(f"an unknown field 0x{field.tag:02x} at offset {field.start}")
    critical = [one.oid for one in extensions if one.critical and one.oid not in _PROCESSED]
    raw = encoding(body, issuer)
    return RevokedList(
        issuer=rfc4514(raw),
        issuer_raw=raw,
        this_update=this_update,
        next_update=next_update,
        entries=entries,
        extensions=extensions,
        scope=_scope(extensions),
        unprocessed=critical[0] if critical else unprocessed,
        tbs=encoding(body, tbs),
        algorithm=encoding(body, algorithm),
        signature=content(body, signature),
    )


def _entries(body: bytes, sequence: Tlv) -> tuple[dict[int, Entry], str | None]:
    """Return the revoked certificates, and a critical extension among them that is not processed:
    then the list tells nothing of any certificate (5.3)."""
    found: dict[int, Entry] = {}
    unprocessed = None
    at = sequence.body
    while at < sequence.end:
        entry = expect(body, at, sequence.end, SEQUENCE, "an entry")
        at = entry.end
        serial = expect(body, entry.body, entry.end, INTEGER, "a serial number")
        moment = read(body, serial.end, entry.end, "revocationDate")
        reason = None
        if moment.end < entry.end:
            more = expect(body, moment.end, entry.end, SEQUENCE, "crlEntryExtensions")
            for oid, critical, value in split_extensions(encoding(body, more)):
                if oid == _REASON:
                    reason = _reason(value)
                elif critical and oid not in _PROCESSED_OF_ENTRY:
                    unprocessed = oid
        since, _ = time(moment.tag, content(body, moment))
        found[integer(body, serial)] = Entry(since, reason)
    return found, unprocessed


def _reason(value: bytes) -> int:
    return small_integer(value, whole(value, 0x0A, "a reason"))


def _scope(extensions: Sequence[Extension]) -> Scope:
    value = next((one.value for one in extensions if one.oid == _SCOPE), None)
    if value is None:
        return Scope()
    fields = {element.tag: element for element in children(value, whole(value, SEQUENCE, "scope"))}

    def flag(tag: int) -> bool:
        return tag in fields and boolean(value, fields[tag])

    addresses = None
    if 0xA0 in fields:
        addresses = full_name_addresses(content(value, fields[0xA0]))
    return Scope(addresses, flag(0x81), flag(0x82), flag(0x85), 0x83 in fields, flag(0x84))


# ---------------------------------------------------------------- believing


def check_list(
    body: bytes,
    subject: CertFacts,
    signers: Sequence[CertFacts],
    *,
    at: datetime,
    came: datetime | None = None,
) -> Answer:
    """Return what a list says of a certificate.

    `signers` are the certificates that may have signed it: the issuer's, and others of the same
    name whose own path is good; whether it is, is the caller's to know. What a list once said of a
    revoked certificate stays true when the list is out of date, except for one on hold.
    """
    listed = read_list(body)
    if isinstance(listed, str):
        return unknown(Why.UNREADABLE, listed)
    refused = _not_its(body, listed, subject, signers) or _out_of_scope(listed, subject)
    if refused is not None:
        return refused
    entry = listed.entries.get(int(subject.serial, 16))
    if entry is not None and entry.reason not in (_HOLD, _REMOVED):
        return _revoked(listed, entry)
    late = currency("the list", listed.this_update, listed.next_update, at=at, came=came)
    if late is not None:
        return late
    if entry is not None and entry.reason == _HOLD:
        return _revoked(listed, entry)
    if listed.next_update is None:
        says = "the list does not say until when it holds (RFC 5280, 5.1.2.5)"
        return unknown(Why.STALE, says, this_update=listed.this_update)
    return Answer(
        Status.GOOD,
        "the list of its issuer does not have it",
        this_update=listed.this_update,
        next_update=listed.next_update,
    )


def _revoked(listed: RevokedList, entry: Entry) -> Answer:
    return Answer(
        Status.REVOKED,
        "the list of its issuer has it as revoked",
        since=entry.since,
        reason=None if entry.reason is None else reason_of(entry.reason),
        this_update=listed.this_update,
        next_update=listed.next_update,
    )


def signer_of(body: bytes, signers: Sequence[CertFacts]) -> CertFacts | None:
    """Return the certificate whose key signed a list, of those that may sign lists (6.3.3 (f))."""
    for signer in signers:
        if _may_sign(signer) and _signed(body, signer.spki):
            return signer
    return None


def _may_sign(signer: CertFacts) -> bool:
    return signer.key_usage is None or "cRLSign" in signer.key_usage


@lru_cache(maxsize=256)
def _signed(body: bytes, spki: bytes) -> bool:
    listed = read_list(body)
    return not isinstance(listed, str) and bool(
        verifies(listed.tbs, listed.algorithm, listed.signature, spki)
    )


def _not_its(
    body: bytes, listed: RevokedList, subject: CertFacts, signers: Sequence[CertFacts]
) -> Answer | None:
    if not same_name(listed.issuer_raw, subject.issuer_raw):
        says = f"the list is of {listed.issuer}, and no list of the issuer"
        return unknown(Why.NOT_ITS, says)
    if signer_of(body, signers) is None:
        says = "the list is not signed by the issuer's key"
        if any(_signed(body, one.spki) for one in signers):
            says = "the list is signed by a key whose usage is not to sign lists (no cRLSign)"
        return unknown(Why.NOT_ITS, says)
    return None


def _out_of_scope(listed: RevokedList, subject: CertFacts) -> Answer | None:
    scope = listed.scope
    if any(one.oid == _DELTA for one in listed.extensions):
        return unknown(Why.UNSUPPORTED, "it is a delta list, which is not supported here")
    if scope.indirect or scope.some_reasons:
        kind = "an indirect list" if scope.indirect else "a list for some reasons only"
        return unknown(Why.UNSUPPORTED, f"it is {kind}, which is not supported here")
    if listed.unprocessed is not None:
        says = f"the list has the critical extension {listed.unprocessed}, which is unknown"
        return unknown(Why.UNSUPPORTED, says)
    if scope.attributes_only:
        return unknown(Why.SCOPE, "the list is of attribute certificates")
    if scope.users_only and subject.is_ca:
        return unknown(Why.SCOPE, "the list speaks of no CA certificates")
    if scope.authorities_only and not subject.is_ca:
        return unknown(Why.SCOPE, "the list speaks of CA certificates only")
    # 6.3.3 (b)(2)(i): a part of a list must be the part that the certificate names.
    if scope.addresses is not None and not set(scope.addresses) & set(subject.crl_addresses):
        return unknown(Why.SCOPE, "the list is a part, and another than the certificate names")
    return None
