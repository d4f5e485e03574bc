"""PEM (RFC 7468): blocks in any order, text between them, keys encrypted in either way."""

import binascii
import re
from collections.abc import Iterator

from probe.certificate.container.contents import Contents
from probe.certificate.container.key import encrypted_key, plain_key, traditional_key
from probe.certificate.container.model import Kind, Trouble
from probe.certificate.container.work import ReadError, problem_of
from probe.certificate.der import SEQUENCE, DerError, encoding, expect
from probe.certificate.pkcs7 import NotSignedError, certificates_of

_BEGIN, _END = b"-----BEGIN ", b"-----END "
_LABEL = re.compile(rb"([A-Z0-9 #]{1,64})-----")
_BLOCKS = 4_096
"""Blocks that are looked at in one file."""

_CERTIFICATES = ("CERTIFICATE", "X509 CERTIFICATE", "TRUSTED CERTIFICATE")
"""The second one is older (RFC 7468, 5.1), the third OpenSSL's own: something follows in it."""
_MESSAGES = ("PKCS7", "CMS", "PKCS #7 SIGNED DATA")
_KEYS = ("PRIVATE KEY", "RSA PRIVATE KEY", "EC PRIVATE KEY", "DSA PRIVATE KEY")
_BESIDE = ("EC PARAMETERS", "DH PARAMETERS", "DSA PARAMETERS", "PUBLIC KEY", "X509 CRL")
"""They stand beside keys and certificates, and are not looked at."""
_REQUESTS = ("CERTIFICATE REQUEST", "NEW CERTIFICATE REQUEST")

_DEK_INFO = re.compile(rb"^DEK-Info:[ \t]*([A-Z0-9-]{1,32}),([0-9A-Fa-f]+)[ \t]*\r?$", re.MULTILINE)
"""RFC 1421, 4.6.1.3."""
_VECTORS = {"AES": 32, "DES": 16}
"""Hexadecimal digits of the initialization vector, by cipher: one block (RFC 1423, 1.1). With fewer
the library at hand ends in a panic."""


def blocks(octets: bytes) -> Iterator[tuple[str, bytes | None]]:
    """Yield label and text of each block; None: it does not end."""
    for number, part in enumerate(octets.split(_BEGIN)[1:]):
        label = _LABEL.match(part)
        if label is None:
            continue
        text, end, rest = part[label.end() :].partition(_END)
        name = label.group(1).decode()
        whole = end and rest.startswith(label.group(0)) and number < _BLOCKS
        yield name, text if whole else None


def decoded(text: bytes) -> bytes | None:
    """Return what a block holds; None: it is no Base64."""
    try:
        return binascii.a2b_base64(b"".join(text.split()), strict_mode=True)
    except binascii.Error:
        return None


def read_pem(octets: bytes, contents: Contents) -> None:
    """Add what the blocks hold. What is wrong with one becomes a problem.

    Raises ReadError where there is too much of something.
    """
    contents.kind = Kind.PEM
    seen = set()
    for label, text in blocks(octets):
        seen.add(label)
        if text is None:
            contents.problem(Trouble.DAMAGED, f"is damaged: a block of {label} is cut off")
            continue
        try:
            _block(label, text, contents)
        except DerError as error:
            contents.problem(
                Trouble.DAMAGED, f"is damaged: a block of {label} cannot be read: {error}"
            )
        except ReadError as error:
            if error.trouble is Trouble.EXCESSIVE:
                raise
            contents.problem(*problem_of(error))
    if not (contents.certificates or contents.keys or contents.problems):
        contents.problem(Trouble.NOT_A_BUNDLE, _instead(seen))


def read_message(der: bytes, contents: Contents) -> None:
    """Add the certificates of a PKCS#7 message. Raises DerError and ReadError."""
    try:
        found = certificates_of(der)
    except NotSignedError:
        raise ReadError(
            Trouble.NOT_A_BUNDLE, "holds a PKCS#7 message of another kind than certificates"
        ) from None
    for certificate in found:
        contents.certificate(certificate)
    if not found:
        raise ReadError(Trouble.NOT_A_BUNDLE, "holds a PKCS#7 message without certificates")


def _instead(labels: set[str]) -> str:
    if not labels.isdisjoint(_REQUESTS):
        return "holds a certificate request, and neither certificate nor key"
    held = ", ".join(sorted(labels)) or "nothing that can be read"
    return f"holds neither certificate nor key, but {held}"


def _block(label: str, text: bytes, contents: Contents) -> None:
    if label in _BESIDE or label in _REQUESTS:
        return
    if label in _KEYS and b"Proc-Type:" in text:
        _traditional(label, text, contents)
        return
    der = decoded(text)
    if der is None:
        raise DerError("it is no Base64")
    if label in _CERTIFICATES:
        contents.certificate(encoding(der, expect(der, 0, len(der), SEQUENCE, "the certificate")))
    elif label in _MESSAGES:
        read_message(der, contents)
    elif label == "ENCRYPTED PRIVATE KEY":
        encrypted_key(der, contents)
    elif label in _KEYS:
        plain_key(der, contents)
    else:
        contents.problem(Trouble.UNSUPPORTED, f"holds a block of {label}, which is not read here")


def _traditional(label: str, text: bytes, contents: Contents) -> None:
    """A key whose block has a head of its own (RFC 1421, 4.6.1)."""
    head, _, body = text.lstrip().replace(b"\r\n", b"\n").partition(b"\n\n")
    info = _DEK_INFO.search(head)
    der = decoded(body)
    if info is None or not der:
        raise DerError("its head or its Base64")
    cipher, vector = info.group(1).decode(), info.group(2)
    if len(vector) != _VECTORS.get(cipher.partition("-")[0], len(vector)):
        raise DerError("the initialization vector in its head")
    begin, end = (f"-----{word} {label}-----".encode() for word in ("BEGIN", "END"))
    block = b"\n".join((begin, head, b"", binascii.b2a_base64(der, newline=False), end, b""))
    traditional_key(block, cipher, contents)
