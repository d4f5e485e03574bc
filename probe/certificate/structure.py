"""The outer structure of a certificate (RFC 5280, 4.1) as slices of its own octets."""

from functools import lru_cache

from probe.certificate.der import (
    BIT_STRING,
    BOOLEAN,
    INTEGER,
    OCTET_STRING,
    OID,
    SEQUENCE,
    DerError,
    Tlv,
    boolean,
    children,
    content,
    encoding,
    expect,
    integer,
    oid,
    read,
    small_integer,
)
from probe.records import dataclass

_VERSION, _ISSUER_ID, _SUBJECT_ID, _EXTENSIONS = 0xA0, 0x81, 0x82, 0xA3


@dataclass(frozen=True, slots=True)
class Outline:
    """Where everything stands. Slices are whole encodings unless they say otherwise."""

    tbs: bytes
    version: int
    serial: int
    serial_octets: int
    inner_algorithm: bytes
    issuer: bytes
    not_before: tuple[int, bytes]
    """Tag and content."""
    not_after: tuple[int, bytes]
    subject: bytes
    spki: bytes
    extensions: bytes | None
    """The SEQUENCE OF Extension; None: absent."""
    outer_algorithm: bytes
    signature: bytes
    """Content of the BIT STRING, its count of unused bits first."""
    trailing: int
    """Octets that follow the certificate."""


@lru_cache(maxsize=1_024)
def outline(der: bytes) -> Outline:
    """Return the outline of a certificate. Raises DerError where the structure ends."""
    outer = expect(der, 0, len(der), SEQUENCE, "the certificate")
    tbs = expect(der, outer.body, outer.end, SEQUENCE, "tbsCertificate")
    algorithm = expect(der, tbs.end, outer.end, SEQUENCE, "signatureAlgorithm")
    signature = expect(der, algorithm.end, outer.end, BIT_STRING, "signatureValue")
    if signature.end != outer.end:
        raise DerError(f"unknown elements after signatureValue at offset {signature.end}")

    at = tbs.body
    version = 1
    first = read(der, at, tbs.end, "serialNumber")
    if first.tag == _VERSION:
        number = expect(der, first.body, first.end, INTEGER, "version")
        version = small_integer(der, number) + 1
        at = first.end
    serial = expect(der, at, tbs.end, INTEGER, "serialNumber")
    inner = expect(der, serial.end, tbs.end, SEQUENCE, "signature")
    issuer = expect(der, inner.end, tbs.end, SEQUENCE, "issuer")
    validity = expect(der, issuer.end, tbs.end, SEQUENCE, "validity")
    begins = read(der, validity.body, validity.end, "notBefore")
    ends = read(der, begins.end, validity.end, "notAfter")
    subject = expect(der, validity.end, tbs.end, SEQUENCE, "subject")
    spki = expect(der, subject.end, tbs.end, SEQUENCE, "subjectPublicKeyInfo")
    extensions = _extensions(der, spki.end, tbs)
    return Outline(
        tbs=encoding(der, tbs),
        version=version,
        serial=integer(der, serial),
        serial_octets=serial.end - serial.body,
        inner_algorithm=encoding(der, inner),
        issuer=encoding(der, issuer),
        not_before=(begins.tag, content(der, begins)),
        not_after=(ends.tag, content(der, ends)),
        subject=encoding(der, subject),
        spki=encoding(der, spki),
        extensions=encoding(der, extensions) if extensions else None,
        outer_algorithm=encoding(der, algorithm),
        signature=content(der, signature),
        trailing=len(der) - outer.end,
    )


def _extensions(der: bytes, at: int, tbs: Tlv) -> Tlv | None:
    found = None
    while at < tbs.end:
        element = read(der, at, tbs.end, "an optional field of tbsCertificate")
        if element.tag == _EXTENSIONS:
            found = expect(der, element.body, element.end, SEQUENCE, "extensions")
        elif element.tag not in (_ISSUER_ID, _SUBJECT_ID):
            raise DerError(f"an unknown field 0x{element.tag:02x} at offset {at}")
        at = element.end
    return found


def split_extensions(sequence: bytes) -> list[tuple[str, bool, bytes]]:
    """Return (OID, critical, value) of each extension (RFC 5280, 4.1)."""
    outer = expect(sequence, 0, len(sequence), SEQUENCE, "extensions")
    found = []
    for number, extension in enumerate(children(sequence, outer, "an extension"), 1):
        what = f"extension {number}"
        name = expect(sequence, extension.body, extension.end, OID, f"the identifier of {what}")
        value = read(sequence, name.end, extension.end, f"the value of {what}")
        critical = False
        if value.tag == BOOLEAN:
            critical = boolean(sequence, value)
            value = read(sequence, value.end, extension.end, f"the value of {what}")
        if value.tag != OCTET_STRING:
            raise DerError(f"the value of {what} has tag 0x{value.tag:02x}")
        found.append((oid(content(sequence, name)), critical, content(sequence, value)))
    return found


@lru_cache(maxsize=1_024)
def algorithm_of(identifier: bytes) -> tuple[str, bytes]:
    """Return the OID of an AlgorithmIdentifier and the encoding of its parameters, or b""."""
    outer = expect(identifier, 0, len(identifier), SEQUENCE, "an algorithm identifier")
    name = expect(identifier, outer.body, outer.end, OID, "an algorithm's name")
    return oid(content(identifier, name)), identifier[name.end : outer.end]
