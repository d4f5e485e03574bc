"""From files to a bundle. What a file is shows its content, not its name."""

from collections.abc import Callable, Sequence
from functools import partial

from probe.certificate.ber import definite
from probe.certificate.container.contents import Contents
from probe.certificate.container.key import encrypted_key, plain_key
from probe.certificate.container.model import Bundle, Held, Kind, PrivateKey, Trouble
from probe.certificate.container.pem import read_message, read_pem
from probe.certificate.container.pkcs12 import read_pkcs12
from probe.certificate.container.work import ReadError, problem_of
from probe.certificate.der import (
    BIT_STRING,
    INTEGER,
    OCTET_STRING,
    OID,
    SEQUENCE,
    DerError,
    Tlv,
    children,
)
from probe.limits import BUNDLE_BYTES

_MARKS = (b"\xff\xfe", b"\xfe\xff")
"""Byte order marks of UTF-16, which some shells write."""


def read_bundle(
    files: Sequence[tuple[str, bytes]], passwords: Callable[[int], bytes | None]
) -> Bundle:
    """Return what files (name, octets) hold together. Whatever is wrong is among the problems.

    `passwords` is called with the number of a file, from 0, at most once for each, and only if the
    file does not open without a password; it returns None where there is none.
    """
    certificates: dict[bytes, str] = {}
    keys: dict[bytes, PrivateKey] = {}
    found = []
    for number, (name, octets) in enumerate(files):
        contents = Contents(name, partial(passwords, number))
        _read(octets, contents)
        for der in contents.certificates:
            certificates.setdefault(der, name)
        keys = contents.keys | keys
        found.append(contents)
    return Bundle(
        certificates=tuple(Held(der, file) for der, file in certificates.items()),
        keys=tuple(keys.values()),
        containers=tuple(contents.container for contents in found),
        problems=tuple(problem for contents in found for problem in contents.problems),
    )


def _read(octets: bytes, contents: Contents) -> None:
    if len(octets) > BUNDLE_BYTES:
        contents.problem(Trouble.EXCESSIVE, f"is larger than {BUNDLE_BYTES} octets")
        return
    try:
        text = as_text(octets)
        if b"-----BEGIN " in text:
            read_pem(text, contents)
        elif octets[:1] == bytes((SEQUENCE,)):
            _read_der(octets, contents)
        else:
            contents.problem(Trouble.NOT_A_BUNDLE, instead(octets))
    except DerError as error:
        contents.problem(Trouble.DAMAGED, f"is damaged: {error}")
    except ReadError as error:
        contents.problem(*problem_of(error))


def as_text(octets: bytes) -> bytes:
    """Return text of UTF-16 as UTF-8, and everything else as it is."""
    if octets[:2] in _MARKS:
        return octets.decode("utf-16", "replace").encode()
    return octets


def instead(octets: bytes) -> str:
    """Return in words what a file is that is none."""
    start = octets[:256].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if not octets.strip():
        return "is empty"
    if start.startswith(b"<"):
        return "is a web page or another document of markup"
    if octets.startswith(b"PK\x03\x04"):
        return "is a ZIP archive: the files have to be taken out of it first"
    if octets.startswith((b"\xfe\xed\xfe\xed", b"\xce\xce\xce\xce")):
        return "is a Java keystore: keytool -importkeystore turns it into PKCS#12"
    return "is neither PEM nor DER"


def _read_der(octets: bytes, contents: Contents) -> None:
    der, end = definite(octets)
    if octets[end:].strip(b"\r\n\t \0"):
        contents.problem(
            Trouble.DAMAGED, f"is damaged: {len(octets) - end} octets follow what it holds"
        )
    outer = Tlv(SEQUENCE, 0, 2 if der[1] < 0x80 else 2 + (der[1] & 0x7F), len(der))
    fields = children(der, outer, "the file")
    tags = tuple(field.tag for field in fields)
    if (
        tags[:2] == (INTEGER, SEQUENCE)
        and _begins(der, fields[1], OID)
        and OCTET_STRING not in tags
    ):
        read_pkcs12(der, contents)
    elif tags == (OID, 0xA0):
        contents.kind = Kind.PKCS7
        read_message(der, contents)
    else:
        contents.kind = Kind.DER
        _single(der, fields, tags, contents)


def _single(der: bytes, fields: list[Tlv], tags: tuple[int, ...], contents: Contents) -> None:
    """One certificate or one key."""
    if tags == (SEQUENCE, SEQUENCE, BIT_STRING):
        inside = tuple(field.tag for field in children(der, fields[0]))
        if inside == (INTEGER, SEQUENCE, SEQUENCE, 0xA0):
            contents.problem(
                Trouble.NOT_A_BUNDLE,
                "is a certificate request, and holds neither certificate nor key",
            )
        elif inside.count(SEQUENCE) < 5:
            contents.problem(Trouble.NOT_A_BUNDLE, "is a list of revoked certificates")
        else:
            contents.certificate(der)
    elif tags == (SEQUENCE, OCTET_STRING):
        encrypted_key(der, contents)
    elif tags[:1] == (INTEGER,):
        plain_key(der, contents)
    elif tags == (SEQUENCE, BIT_STRING):
        contents.problem(Trouble.NOT_A_BUNDLE, "is a public key, without a certificate")
    else:
        contents.problem(
            Trouble.NOT_A_BUNDLE, "is DER, and neither certificate nor key nor a bundle of them"
        )


def _begins(der: bytes, element: Tlv, tag: int) -> bool:
    return element.body < element.end and der[element.body] == tag
