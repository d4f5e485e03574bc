"""Certificate requests (PKCS#10, RFC 2986): what a CA is asked for, and by whose key."""

from collections.abc import Callable, Iterator
from typing import TypeVar

from probe.certificate.container.pem import blocks, decoded
from probe.certificate.container.read import as_text, instead
from probe.certificate.der import (
    BIT_STRING,
    INTEGER,
    OID,
    SEQUENCE,
    SET,
    DerError,
    Tlv,
    children,
    content,
    encoding,
    expect,
    oid,
    small_integer,
    text,
    whole,
)
from probe.certificate.extensions import (
    BASIC_CONSTRAINTS,
    EXTENDED_KEY_USAGE,
    KEY_USAGE,
    SUBJECT_ALTERNATIVE_NAME,
    basic_constraints,
    extended_key_usage,
    key_usage,
)
from probe.certificate.facts import UNKNOWN, Name
from probe.certificate.keys import KeyFacts, describe, signature_name, verifies
from probe.certificate.naming import (
    COMMON_NAME,
    general_name,
    general_names,
    relative_names,
    rfc4514,
)
from probe.certificate.structure import split_extensions
from probe.limits import DEFAULT
from probe.observation.model import KeyFamily
from probe.records import dataclass

_LABELS = ("CERTIFICATE REQUEST", "NEW CERTIFICATE REQUEST")
"""RFC 7468, 7."""
_EXTENSIONS = ("1.2.840.113549.1.9.14", "1.3.6.1.4.1.311.2.1.14")
"""extensionRequest (RFC 2985, 5.4.2), and what one vendor wrote before it."""
_ATTRIBUTES = 0xA0


class RequestError(ValueError):
    """There is no request in it. The message is a clause that follows the file's name."""


@dataclass(frozen=True, slots=True)
class Request:
    """What a request says. A part that could not be read is None or empty, and an oddity."""

    der: bytes
    subject: str
    """RFC 4514 text."""
    common_name: str | None
    names: tuple[Name, ...]
    """Subject alternative names that are asked for, in its order."""
    spki: bytes
    """DER of SubjectPublicKeyInfo."""
    key: str
    """Such as "RSA 2048"."""
    key_family: KeyFamily
    key_bits: int | None
    signature: str
    """Name of the signature algorithm."""
    signed: bool | None
    """Whether its own key has signed it; None: that cannot be told."""
    purposes: tuple[str, ...] | None
    """Dotted OIDs of extKeyUsage; None: none is asked for."""
    key_usage: tuple[str, ...] | None
    is_ca: bool | None
    oddities: tuple[str, ...]


def read_request(octets: bytes) -> Request:
    """Return the request in a file, PEM or DER. Raises RequestError."""
    der = _request(as_text(octets))
    if len(der) > DEFAULT.certificate_bytes:
        raise RequestError(f"holds a request of more than {DEFAULT.certificate_bytes} octets")
    try:
        return _Reading(der).request()
    except DerError as error:
        raise RequestError(f"is damaged, or no certificate request: {error}") from None


def _without_line_ends(octets: bytes) -> bytes:
    """Return DER without what an editor has put behind it: its own last octet may look alike."""
    try:
        end = expect(octets, 0, len(octets), SEQUENCE, "the request").end
    except DerError:
        return octets  # which is told when it is read
    return octets if octets[end:].strip(b"\r\n") else octets[:end]


def _request(octets: bytes) -> bytes:
    if b"-----BEGIN " not in octets:
        if octets[:1] != bytes((SEQUENCE,)):
            raise RequestError(instead(octets))
        return _without_line_ends(octets)
    labels = []
    for label, block in blocks(octets):
        labels.append(label)
        if label in _LABELS:
            der = decoded(block) if block is not None else None
            if der is None:
                raise RequestError("is damaged: its certificate request is cut off or no Base64")
            return der
    held = ", ".join(dict.fromkeys(labels)) or "nothing that can be read"
    raise RequestError(f"holds no certificate request, but {held}")


_T = TypeVar("_T")


class _Reading:
    """One request being read: each part by itself, so that one bad part hides no other."""

    def __init__(self, der: bytes) -> None:
        outer = whole(der, SEQUENCE, "the request")
        info = expect(der, outer.body, outer.end, SEQUENCE, "certificationRequestInfo")
        algorithm = expect(der, info.end, outer.end, SEQUENCE, "signatureAlgorithm")
        signature = expect(der, algorithm.end, outer.end, BIT_STRING, "signature")
        version = expect(der, info.body, info.end, INTEGER, "version")
        subject = expect(der, version.end, info.end, SEQUENCE, "subject")
        spki = expect(der, subject.end, info.end, SEQUENCE, "subjectPKInfo")
        self.der = der
        self.info = encoding(der, info)
        self.algorithm = encoding(der, algorithm)
        self.signature = content(der, signature)
        self.subject = encoding(der, subject)
        self.spki = encoding(der, spki)
        self.oddities: list[str] = []
        number = small_integer(der, version)
        if number != 0:
            self.oddities.append(f"version is {number}, not 0 (RFC 2986, 4.1)")
        self.extensions: dict[str, bytes] = {}
        for sequence in self._part("attributes", self._asked, spki.end, info) or ():
            self._extensions(sequence)

    def request(self) -> Request:
        key = self._part("subjectPKInfo", describe, self.spki) or KeyFacts(
            UNKNOWN, KeyFamily.OTHER, None
        )
        constraints = self._extension("basicConstraints", BASIC_CONSTRAINTS, basic_constraints)
        return Request(
            der=self.der,
            subject=self._part("subject", rfc4514, self.subject) or "",
            common_name=self._common_name(),
            names=tuple(self._names()),
            spki=self.spki,
            key=key.label,
            key_family=key.family,
            key_bits=key.bits,
            signature=self._part("signatureAlgorithm", signature_name, self.algorithm) or UNKNOWN,
            signed=verifies(self.info, self.algorithm, self.signature, self.spki),
            purposes=self._extension("extKeyUsage", EXTENDED_KEY_USAGE, extended_key_usage),
            key_usage=self._extension("keyUsage", KEY_USAGE, key_usage),
            is_ca=constraints[0] if constraints else None,
            oddities=tuple(dict.fromkeys(self.oddities)),
        )

    def _part(self, what: str, get: Callable[..., _T], *read: object) -> _T | None:
        try:
            return get(*read)
        except DerError as error:
            self.oddities.append(f"{what}: {error}")
            return None

    def _extension(self, what: str, name: str, get: Callable[[bytes], _T]) -> _T | None:
        value = self.extensions.get(name)
        return None if value is None else self._part(f"extension {what}", get, value)

    def _asked(self, at: int, info: Tlv) -> list[bytes]:
        """Return the Extensions that are asked for (RFC 2985, 5.4.2)."""
        if at == info.end:
            self.oddities.append("the attributes are missing (RFC 2986, 4.1)")
            return []
        found = []
        attributes = expect(self.der, at, info.end, _ATTRIBUTES, "the attributes")
        for attribute in children(self.der, attributes, "an attribute"):
            name = expect(self.der, attribute.body, attribute.end, OID, "an attribute's name")
            if oid(content(self.der, name)) in _EXTENSIONS:
                values = expect(self.der, name.end, attribute.end, SET, "an attribute's values")
                value = expect(self.der, values.body, values.end, SEQUENCE, "the extensions")
                found.append(encoding(self.der, value))
        return found

    def _extensions(self, sequence: bytes) -> None:
        for name, _, value in self._part("extensions", split_extensions, sequence) or ():
            if name in self.extensions:
                self.oddities.append(f"extension {name} stands there twice; the first is read")
            self.extensions.setdefault(name, value)

    def _common_name(self) -> str | None:
        names = self._part("subject", relative_names, self.subject) or ()
        found = [
            text(tag, octets)[0]
            for rdn in names
            for kind, tag, octets in rdn
            if kind == COMMON_NAME
        ]
        return found[-1] if found else None

    def _names(self) -> Iterator[Name]:
        listed = self._extension("subjectAltName", SUBJECT_ALTERNATIVE_NAME, general_names) or []
        for number, octets in listed:
            kind, value, oddity = general_name(number, octets)
            if oddity:
                self.oddities.append(f"extension subjectAltName: {oddity}")
            yield Name(kind, value)
