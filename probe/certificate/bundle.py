"""Certificates out of what a CA's address gives: one as DER, several as PEM, or PKCS#7.

RFC 5280, 4.2.2.1 has DER, or a certs-only CMS message (RFC 5652, 5; RFC 8551, 3.6). PEM is not
allowed there and is met all the same. Nothing in a message is verified: it carries certificates.
"""

import binascii
from functools import lru_cache

from probe.certificate.der import SEQUENCE, DerError, expect
from probe.certificate.pkcs7 import certificates_of
from probe.certificate.structure import outline

MOST = 32
"""Certificates taken from one body: a CA's cross-certificates are a handful."""

_LABELS = (b"CERTIFICATE-----", b"PKCS7-----", b"CMS-----")
"""RFC 7468, 5 and 9; PKCS7 is the older name of the last one."""


class NoCertificateError(ValueError):
    """There is no certificate in it. The message says what there is instead."""


@lru_cache(maxsize=256)
def certificates_in(body: bytes) -> tuple[bytes, ...]:
    """Return the certificates (DER) in a body, in its order, `MOST` of them at most.

    Raises NoCertificateError.
    """
    found = list(_of_der(body)) if body[:1] == bytes((SEQUENCE,)) else _of_pem(body)
    if not found:
        raise NoCertificateError(f"no certificate is in it: {_looks_like(body)}")
    return tuple(dict.fromkeys(found))[:MOST]


def _of_pem(body: bytes) -> list[bytes]:
    found: list[bytes] = []
    for part in body.split(b"-----BEGIN ")[1:]:
        text, end, _ = part.partition(b"-----END ")
        label = next((label for label in _LABELS if end and text.startswith(label)), None)
        if label is None:
            continue
        try:
            found += _of_der(binascii.a2b_base64(text[len(label) :]))
        except binascii.Error:
            continue
        if len(found) >= MOST:
            break
    return found


def _of_der(der: bytes) -> tuple[bytes, ...]:
    try:
        outer = expect(der, 0, len(der), SEQUENCE, "the body")
        outline(der)
    except DerError:
        return _of_message(der)
    return (der[: outer.end],)


def _of_message(der: bytes) -> tuple[bytes, ...]:
    """Return the certificates of a SignedData (RFC 5652, 5.1), in BER too: CAs write it so."""
    try:
        return certificates_of(der)
    except DerError:
        return ()


def _looks_like(body: bytes) -> str:
    start = body[:256].lstrip().lower()
    if not body:
        return "it is empty"
    if start.startswith((b"<", b"\xef\xbb\xbf<")):
        return "it is a web page"
    return f"{len(body)} octets of something else"
