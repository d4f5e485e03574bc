"""What a certificate says, read without trusting it: `facts_of` answers for any bytes at all.

Structure is read by the lenient reader, so a certificate that a stricter parser refuses still shows
its names and dates; what is odd about it stands in `oddities`. Nothing here judges: whether a
signature, a date or a purpose is good enough is for `probe.judge`.
"""

from collections.abc import Callable
from datetime import datetime
from functools import lru_cache
from typing import TypeVar

from probe.certificate.der import BIT_STRING, DerError, text, time
from probe.certificate.extensions import (
    AUTHORITY_ACCESS,
    AUTHORITY_KEY_ID,
    BASIC_CONSTRAINTS,
    CRL_DISTRIBUTION_POINTS,
    EXTENDED_KEY_USAGE,
    KEY_USAGE,
    OCSP_NO_CHECK,
    SUBJECT_ALTERNATIVE_NAME,
    SUBJECT_KEY_ID,
    TLS_FEATURE,
    authority_access,
    authority_key_id,
    basic_constraints,
    crl_addresses,
    extended_key_usage,
    key_usage,
    subject_key_id,
    tls_features,
)
from probe.certificate.keys import KeyFacts, describe, signature_name, signed_by
from probe.certificate.naming import (
    COMMON_NAME,
    general_name,
    general_names,
    relative_names,
    rfc4514,
    same_name,
)
from probe.certificate.strict import read_strictly
from probe.certificate.structure import Outline, outline, split_extensions
from probe.limits import DEFAULT
from probe.observation.model import KeyFamily, fingerprint
from probe.records import dataclass

UNKNOWN = "unknown"
"""What stands for a kind of key or signature that cannot be read."""

_STATUS_REQUEST = 5
"""The TLS extension that asks for a staple (RFC 6066, 8)."""

_STRINGS_OF_ANY_KIND = (BIT_STRING,)
"""x500UniqueIdentifier is a BIT STRING: no text, and nothing odd."""


@dataclass(frozen=True, slots=True)
class Name:
    """One subject alternative name."""

    type: str
    """"dns", "ip", "email", "uri" or "other"."""
    value: str
    """dns: as it stands in the certificate; ip: RFC 5952 form (hex digits if it is no address)."""


@dataclass(frozen=True, slots=True)
class Extension:
    """One extension as it stands in the certificate."""

    oid: str
    critical: bool
    value: bytes
    """The octets inside the OCTET STRING: DER of the extension's own type."""


@dataclass(frozen=True, slots=True)
class CertFacts:
    """The facts of one certificate. A field that could not be read is None or empty; `key` and
    `signature` are then `UNKNOWN`."""

    sha256: str
    """Of the DER, 64 lower-case hex digits."""
    readable: bool
    """Whether the outer structure (RFC 5280, 4.1) could be read at all."""
    oddities: tuple[str, ...]
    """What is odd, and where: everything that a strict parser would refuse or read differently."""
    damaged: tuple[str, ...]
    """The parts that are there and could not be read, or stand there twice: a client that needs
    one must refuse the certificate (RFC 5280, 4.2)."""
    subject: str
    """RFC 4514 text; "" for an empty name."""
    issuer: str
    subject_raw: bytes
    """DER of the Name."""
    issuer_raw: bytes
    serial: str
    """Lower-case hex without leading zeros; a minus sign in front of a negative one."""
    names: tuple[Name, ...]
    """Subject alternative names in certificate order."""
    common_name: str | None
    """The last, that is the most specific, of the subject's common names."""
    common_names: tuple[str, ...]
    not_before: datetime | None
    """UTC."""
    not_after: datetime | None
    """UTC; the last second of validity (RFC 5280, 4.1.2.5)."""
    key: str
    """Such as "RSA 2048", "P-256", "Ed25519"."""
    key_family: KeyFamily
    key_bits: int | None
    spki: bytes
    """DER of SubjectPublicKeyInfo."""
    signature: str
    """Name of the signature algorithm, such as "sha256WithRSAEncryption"."""
    is_ca: bool | None
    """cA of basicConstraints; None: the extension is absent (or unreadable: see `oddities`)."""
    path_length: int | None
    key_usage: tuple[str, ...] | None
    """Names of RFC 5280, 4.2.1.3, such as "digitalSignature"; None: the extension is absent."""
    extended_key_usage: tuple[str, ...] | None
    """Dotted OIDs; None: the extension is absent."""
    subject_key_id: str | None
    """Hex."""
    authority_key_id: str | None
    """Hex of keyIdentifier."""
    extensions: tuple[Extension, ...]
    version: int | None
    """1, 2 or 3."""
    self_issued: bool
    """Issuer and subject are the same name."""
    self_signed: bool
    """Self-issued, and its signature verifies with its own key."""
    issuer_addresses: tuple[str, ...] = ()
    """caIssuers: where the issuer's certificate is to be had (RFC 5280, 4.2.2.1). Of this and the
    next ones what cannot be read is an oddity and empty: clients get along without."""
    ocsp_addresses: tuple[str, ...] = ()
    crl_addresses: tuple[str, ...] = ()
    """Distribution points of the issuer's own list for all reasons (RFC 5280, 4.2.1.13)."""
    must_staple: bool = False
    """It demands a stapled OCSP response (RFC 7633)."""
    ocsp_no_check: bool = False
    """A responder's certificate that is not to be checked itself (RFC 6960, 4.2.2.2.1)."""


@lru_cache(maxsize=4_096)
def facts_of(der: bytes) -> CertFacts:
    """Return the facts of a certificate. Never raises, for any bytes; remembered by content."""
    if len(der) > DEFAULT.certificate_bytes:
        return _unreadable(der, f"{len(der)} octets, more than {DEFAULT.certificate_bytes}")
    try:
        shape = outline(der)
    except DerError as error:
        return _unreadable(der, str(error))
    return _Reading(der, shape).facts()


def _unreadable(der: bytes, why: str) -> CertFacts:
    return CertFacts(
        sha256=fingerprint(der),
        readable=False,
        oddities=(f"no certificate: {why}",),
        damaged=(),
        subject="",
        issuer="",
        subject_raw=b"",
        issuer_raw=b"",
        serial="",
        names=(),
        common_name=None,
        common_names=(),
        not_before=None,
        not_after=None,
        key=UNKNOWN,
        key_family=KeyFamily.OTHER,
        key_bits=None,
        spki=b"",
        signature=UNKNOWN,
        is_ca=None,
        path_length=None,
        key_usage=None,
        extended_key_usage=None,
        subject_key_id=None,
        authority_key_id=None,
        extensions=(),
        version=None,
        self_issued=False,
        self_signed=False,
    )


_T = TypeVar("_T")


class _Reading:
    """One certificate being read: each part by itself, so that one bad part hides no other."""

    def __init__(self, der: bytes, shape: Outline) -> None:
        self.der = der
        self.shape = shape
        self.oddities: list[str] = []
        self.damaged: list[str] = []
        self.values: dict[str, bytes] = {}
        """Of each extension by its OID; of one that stands there twice the first."""
        self.extensions = self._split()

    def facts(self) -> CertFacts:
        shape = self.shape
        not_before = self._time("notBefore", *shape.not_before)
        not_after = self._time("notAfter", *shape.not_after)
        if not_before and not_after and not_after < not_before:
            self.oddities.append("notAfter is before notBefore")
        key = self._part("subjectPublicKeyInfo", describe, shape.spki) or KeyFacts(
            UNKNOWN, KeyFamily.OTHER, None
        )
        is_ca, path_length = self._extension(
            "basicConstraints", BASIC_CONSTRAINTS, basic_constraints
        ) or (None, None)
        ocsp, issuers = self._advice("authorityInfoAccess", AUTHORITY_ACCESS, authority_access) or (
            (),
            (),
        )
        self_issued = same_name(shape.issuer, shape.subject)
        common_names = self._common_names()
        self._outer_oddities()
        return CertFacts(
            sha256=fingerprint(self.der),
            readable=True,
            subject=self._part("subject", rfc4514, shape.subject) or "",
            issuer=self._part("issuer", rfc4514, shape.issuer) or "",
            subject_raw=shape.subject,
            issuer_raw=shape.issuer,
            serial=f"{shape.serial:x}",
            names=self._names(),
            common_name=common_names[-1] if common_names else None,
            common_names=common_names,
            not_before=not_before,
            not_after=not_after,
            key=key.label,
            key_family=key.family,
            key_bits=key.bits,
            spki=shape.spki,
            signature=self._part("signatureAlgorithm", signature_name, shape.outer_algorithm)
            or UNKNOWN,
            is_ca=is_ca,
            path_length=path_length,
            key_usage=self._extension("keyUsage", KEY_USAGE, key_usage),
            extended_key_usage=self._extension(
                "extKeyUsage", EXTENDED_KEY_USAGE, extended_key_usage
            ),
            subject_key_id=self._extension("subjectKeyIdentifier", SUBJECT_KEY_ID, subject_key_id),
            authority_key_id=self._extension(
                "authorityKeyIdentifier", AUTHORITY_KEY_ID, authority_key_id
            ),
            extensions=self.extensions,
            version=shape.version,
            self_issued=self_issued,
            self_signed=self_issued and signed_by(self.der, shape.spki) is True,
            issuer_addresses=issuers,
            ocsp_addresses=ocsp,
            crl_addresses=self._advice(
                "cRLDistributionPoints", CRL_DISTRIBUTION_POINTS, crl_addresses
            )
            or (),
            must_staple=_STATUS_REQUEST
            in (self._advice("TLS feature", TLS_FEATURE, tls_features) or ()),
            ocsp_no_check=OCSP_NO_CHECK in self.values,
            # Last, as what is read above adds to them.
            oddities=tuple(dict.fromkeys((*self.oddities, *read_strictly(self.der).refusals))),
            damaged=tuple(dict.fromkeys(self.damaged)),
        )

    def _part(self, what: str, get: Callable[..., _T], *read: object) -> _T | None:
        try:
            return get(*read)
        except DerError as error:
            self.oddities.append(f"{what}: {error}")
            self.damaged.append(what)
            return None

    def _extension(self, what: str, oid: str, get: Callable[[bytes], _T]) -> _T | None:
        value = self.values.get(oid)
        return None if value is None else self._part(f"extension {what}", get, value)

    def _advice(self, what: str, oid: str, get: Callable[[bytes], _T]) -> _T | None:
        """Read an extension that clients do not have to read."""
        value = self.values.get(oid)
        try:
            return None if value is None else get(value)
        except DerError as error:
            self.oddities.append(f"extension {what}: {error}")
            return None

    def _split(self) -> tuple[Extension, ...]:
        sequence = self.shape.extensions
        if sequence is None:
            return ()
        found = self._part("extensions", split_extensions, sequence) or []
        if self.shape.version != 3:
            self.oddities.append(f"extensions in a certificate of version {self.shape.version}")
        for oid, _, value in found:
            if oid in self.values:
                self.oddities.append(f"extension {oid} stands there twice; the first is read")
                self.damaged.append(f"extension {oid}")
            else:
                self.values[oid] = value
        return tuple(Extension(*one) for one in found)

    def _time(self, what: str, tag: int, octets: bytes) -> datetime | None:
        read = self._part(what, time, tag, octets)
        if read is None:
            return None
        moment, strict = read
        if not strict:
            self.oddities.append(f"{what} is not written as RFC 5280, 4.1.2.5 demands")
        return moment

    def _common_names(self) -> tuple[str, ...]:
        names = []
        for raw, what in ((self.shape.subject, "subject"), (self.shape.issuer, "issuer")):
            for rdn in self._part(what, relative_names, raw) or ():
                for kind, tag, octets in rdn:
                    value, sound = text(tag, octets)
                    if not sound and tag not in _STRINGS_OF_ANY_KIND:
                        self.oddities.append(f"{what}: attribute {kind} is not valid text")
                    if kind == COMMON_NAME and what == "subject":
                        names.append(value)
        return tuple(names)

    def _names(self) -> tuple[Name, ...]:
        listed = self._extension("subjectAltName", SUBJECT_ALTERNATIVE_NAME, general_names) or []
        names = []
        for number, octets in listed:
            kind, value, oddity = general_name(number, octets)
            if oddity:
                self.oddities.append(f"extension subjectAltName: {oddity}")
            names.append(Name(kind, value))
        return tuple(names)

    def _outer_oddities(self) -> None:
        shape = self.shape
        if shape.version not in (1, 2, 3):
            self.oddities.append(f"version {shape.version} does not exist")
        if shape.serial <= 0:
            self.oddities.append("serialNumber is not positive (RFC 5280, 4.1.2.2)")
        if shape.serial_octets > 20:
            self.oddities.append(
                f"serialNumber has {shape.serial_octets} octets, more than 20 (RFC 5280, 4.1.2.2)"
            )
        if shape.inner_algorithm != shape.outer_algorithm:
            self.oddities.append(
                "the signature algorithm inside tbsCertificate is not the one outside it"
            )
        if shape.trailing:
            self.oddities.append(f"{shape.trailing} octets follow the certificate")
