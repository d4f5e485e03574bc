"""The certificates of a PKCS#7 message, or CMS (RFC 5652, 3 and 5). Nothing in it is verified."""

from probe.certificate.ber import definite
from probe.certificate.der import (
    OID,
    SEQUENCE,
    DerError,
    Tlv,
    children,
    content,
    encoding,
    expect,
    oid,
    whole,
)

DATA, SIGNED_DATA = "1.2.840.113549.1.7.1", "1.2.840.113549.1.7.2"
_CERTIFICATES = 0xA0


class NotSignedError(DerError):
    """It is a message of another kind, which carries no certificates in the clear."""


def content_info(data: bytes, element: Tlv) -> tuple[str, Tlv]:
    """Return type and content of a ContentInfo (RFC 5652, 3). Raises DerError."""
    name = expect(data, element.body, element.end, OID, "the type of the contents")
    inner = expect(data, name.end, element.end, 0xA0, "the contents")
    return oid(content(data, name)), inner


def certificates_of(message: bytes) -> tuple[bytes, ...]:
    """Return the certificates of a SignedData, in BER too, in its order. Raises DerError."""
    message, _ = definite(message)
    content_type, inner = content_info(message, whole(message, SEQUENCE, "the message"))
    if content_type != SIGNED_DATA:
        raise NotSignedError(f"it is a message that is not signed data, but {content_type}")
    signed = expect(message, inner.body, inner.end, SEQUENCE, "the signed data")
    # version, digestAlgorithms and encapContentInfo stand before them.
    fields = children(message, signed)[3:]
    found = next((field for field in fields if field.tag == _CERTIFICATES), None)
    if found is None:
        return ()
    # Other kinds of certificates have tags of their own (RFC 5652, 10.2.2).
    return tuple(encoding(message, one) for one in children(message, found) if one.tag == SEQUENCE)
