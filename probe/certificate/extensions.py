"""Values of the extensions that the facts hold (RFC 5280, 4.2). Each reader raises DerError."""

from probe.certificate.der import (
    BIT_STRING,
    BOOLEAN,
    INTEGER,
    OCTET_STRING,
    OID,
    SEQUENCE,
    DerError,
    bits,
    boolean,
    children,
    content,
    oid,
    small_integer,
    whole,
)

SUBJECT_KEY_ID = "2.5.29.14"
KEY_USAGE = "2.5.29.15"
SUBJECT_ALTERNATIVE_NAME = "2.5.29.17"
BASIC_CONSTRAINTS = "2.5.29.19"
NAME_CONSTRAINTS = "2.5.29.30"
AUTHORITY_KEY_ID = "2.5.29.35"
EXTENDED_KEY_USAGE = "2.5.29.37"

_USAGES = (
    "digitalSignature",
    "nonRepudiation",
    "keyEncipherment",
    "dataEncipherment",
    "keyAgreement",
    "keyCertSign",
    "cRLSign",
    "encipherOnly",
    "decipherOnly",
)


def basic_constraints(value: bytes) -> tuple[bool, int | None]:
    """Return cA and pathLenConstraint (4.2.1.9)."""
    outer = whole(value, SEQUENCE, "basicConstraints")
    is_ca, length = False, None
    for element in children(value, outer):
        if element.tag == BOOLEAN:
            is_ca = boolean(value, element)
        elif element.tag == INTEGER:
            length = small_integer(value, element)
        else:
            raise DerError(f"an unknown field 0x{element.tag:02x} at offset {element.start}")
    return is_ca, length


def key_usage(value: bytes) -> tuple[str, ...]:
    """Return the names of the usages (4.2.1.3)."""
    element = whole(value, BIT_STRING, "keyUsage")
    return tuple(_USAGES[bit] for bit in bits(content(value, element)) if bit < len(_USAGES))


def extended_key_usage(value: bytes) -> tuple[str, ...]:
    """Return the purposes as OIDs (4.2.1.12)."""
    outer = whole(value, SEQUENCE, "extKeyUsage")
    found = []
    for element in children(value, outer):
        if element.tag != OID:
            raise DerError(f"a purpose has tag 0x{element.tag:02x} at offset {element.start}")
        found.append(oid(content(value, element)))
    return tuple(found)


def subject_key_id(value: bytes) -> str:
    """Return the key identifier in hex (4.2.1.2)."""
    return content(value, whole(value, OCTET_STRING, "subjectKeyIdentifier")).hex()


def authority_key_id(value: bytes) -> str | None:
    """Return keyIdentifier in hex, None if that field is absent (4.2.1.1)."""
    outer = whole(value, SEQUENCE, "authorityKeyIdentifier")
    for element in children(value, outer):
        if element.tag == 0x80:
            return content(value, element).hex()
    return None
