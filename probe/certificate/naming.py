"""Distinguished names and general names: read, written as text, and brought to one form."""

import unicodedata
from functools import lru_cache
from ipaddress import ip_address

from probe.certificate.der import (
    OID,
    SEQUENCE,
    SET,
    DerError,
    children,
    content,
    expect,
    oid,
    read,
    text,
    whole,
)

COMMON_NAME = "2.5.4.3"
EMAIL_ADDRESS = "1.2.840.113549.1.9.1"

OTHER_NAME, RFC822, DNS, X400, DIRECTORY, EDI_PARTY, URI, ADDRESS, REGISTERED = range(9)
"""Tag numbers of GeneralName (RFC 5280, 4.2.1.6)."""

# RFC 4514, 3, and further registered descriptors (RFC 4519; RFC 2985 for the last).
_SHORT = {
    COMMON_NAME: "CN",
    "2.5.4.7": "L",
    "2.5.4.8": "ST",
    "2.5.4.10": "O",
    "2.5.4.11": "OU",
    "2.5.4.6": "C",
    "2.5.4.9": "STREET",
    "0.9.2342.19200300.100.1.25": "DC",
    "0.9.2342.19200300.100.1.1": "UID",
    "2.5.4.4": "SN",
    "2.5.4.5": "serialNumber",
    "2.5.4.12": "title",
    "2.5.4.13": "description",
    "2.5.4.15": "businessCategory",
    "2.5.4.17": "postalCode",
    "2.5.4.42": "givenName",
    "2.5.4.46": "dnQualifier",
    "2.5.4.97": "organizationIdentifier",
    EMAIL_ADDRESS: "emailAddress",
}

_LONGEST_FOLDED = 1_024
"""Characters of a value that are compared by folding; bounds in use are 64 and 128 (RFC 5280,
appendix A.1). Normalising takes quadratic time over combining marks."""

Attribute = tuple[str, int, bytes]
"""OID, tag of the value, content of the value."""


@lru_cache(maxsize=4_096)
def relative_names(raw: bytes) -> tuple[tuple[Attribute, ...], ...]:
    """Return the RDNs of a Name in the order of the encoding. Raises DerError."""
    outer = whole(raw, SEQUENCE, "a name")
    found = []
    for rdn in children(raw, outer, "a relative name"):
        if rdn.tag != SET:
            raise DerError(f"a relative name has tag 0x{rdn.tag:02x} at offset {rdn.start}")
        attributes = []
        for attribute in children(raw, rdn, "an attribute"):
            kind = expect(raw, attribute.body, attribute.end, OID, "an attribute's type")
            value = read(raw, kind.end, attribute.end, "an attribute's value")
            attributes.append((oid(content(raw, kind)), value.tag, content(raw, value)))
        found.append(tuple(attributes))
    return tuple(found)


@lru_cache(maxsize=4_096)
def rfc4514(raw: bytes) -> str:
    """Return a Name as RFC 4514 text, most specific part first. Raises DerError."""
    return ",".join(
        "+".join(
            f"{_SHORT.get(kind, kind)}={_value(kind, tag, octets)}" for kind, tag, octets in rdn
        )
        for rdn in reversed(relative_names(raw))
    )


def name_text(raw: bytes) -> str:
    """Return a Name as RFC 4514 text; in hex if it is none."""
    try:
        return rfc4514(raw)
    except DerError:
        return f"0x{raw.hex()}"


def _value(kind: str, tag: int, octets: bytes) -> str:
    value, _ = text(tag, octets)
    if kind not in _SHORT:
        return "#" + octets.hex()
    return escaped(value)


def escaped(value: str) -> str:
    """Return an attribute value escaped as RFC 4514, 2.4 demands; nothing else is altered."""
    out = "".join("\\" + sign if sign in '"+,;<>\\' else sign for sign in value)
    out = out.replace("\0", "\\00")
    if out[:1] in ("#", " "):
        out = "\\" + out
    if len(out) > 1 and out.endswith(" ") and not out.endswith("\\ "):
        out = out[:-1] + "\\ "
    return out


@lru_cache(maxsize=8_192)
def canonical(raw: bytes) -> bytes:
    """Return a Name in a form in which equal names are equal octets (RFC 5280, 7.1).

    Case is folded, runs of space are one, and string types do not count. A name that cannot be
    read stands for itself.
    """
    try:
        return repr(tuple(canonical_rdn(rdn) for rdn in relative_names(raw))).encode()
    except DerError:
        return raw


def canonical_rdn(rdn: tuple[Attribute, ...]) -> tuple[tuple[str, str], ...]:
    """Return one relative name in that form; the order inside it does not count."""
    return tuple(sorted((kind, _folded(tag, octets)) for kind, tag, octets in rdn))


def _folded(tag: int, octets: bytes) -> str:
    value = _as_text(tag, octets)
    if value is None:
        return f"{tag}#{octets.hex()}"
    return " ".join(unicodedata.normalize("NFKC", value).casefold().split())


def _as_text(tag: int, octets: bytes) -> str | None:
    """Return a value that is compared as text. None: it is compared octet by octet."""
    value, sound = text(tag, octets)
    return value if sound and len(value) <= _LONGEST_FOLDED else None


@lru_cache(maxsize=8_192)
def is_folded(raw: bytes) -> bool:
    """Return whether `canonical` compares every value of a Name as text, none octet by octet."""
    try:
        values = [value for rdn in relative_names(raw) for value in rdn]
    except DerError:
        return False
    return all(_as_text(tag, octets) is not None for _, tag, octets in values)


def same_name(one: bytes, other: bytes) -> bool:
    """Return whether two Names are the same (RFC 5280, 7.1)."""
    return one == other or canonical(one) == canonical(other)


def general_names(raw: bytes) -> list[tuple[int, bytes]]:
    """Return (tag number, content) of each of a GeneralNames. Raises DerError."""
    outer = whole(raw, SEQUENCE, "general names")
    found = []
    for element in children(raw, outer, "a general name"):
        if element.tag & 0xC0 != 0x80 or element.tag & 0x1F > REGISTERED:
            raise DerError(f"an unknown general name 0x{element.tag:02x} at offset {element.start}")
        found.append((element.tag & 0x1F, content(raw, element)))
    return found


def general_name(number: int, octets: bytes) -> tuple[str, str, str | None]:
    """Return type and text of a general name as the report shows it, and what is odd about it."""
    if number in (DNS, RFC822, URI):
        kind = {DNS: "dns", RFC822: "email", URI: "uri"}[number]
        value = octets.decode("utf-8", "replace")
        return kind, value, _oddity_of_text(number, octets, value)
    if number == ADDRESS:
        if len(octets) in (4, 16):
            return "ip", str(ip_address(octets)), None
        return "ip", octets.hex(), f"an iPAddress of {len(octets)} octets"
    try:
        return "other", _other(number, octets), None
    except DerError as error:
        return "other", octets.hex(), f"a general name [{number}] that cannot be read: {error}"


def _oddity_of_text(number: int, octets: bytes, value: str) -> str | None:
    if not octets.isascii():
        kind = {DNS: "dNSName", RFC822: "rfc822Name", URI: "uniformResourceIdentifier"}[number]
        return f"{kind} {value!a} is not ASCII"
    if number == DNS and not octets:
        return "an empty dNSName"
    if number == DNS and (value.endswith(".") or " " in value or not value.isprintable()):
        return f"dNSName {value!a} is no host name"
    return None


def _other(number: int, octets: bytes) -> str:
    if number == DIRECTORY:
        return "directoryName:" + rfc4514(octets)
    if number == REGISTERED:
        return "registeredID:" + oid(octets)
    if number == OTHER_NAME:
        kind = expect(octets, 0, len(octets), OID, "otherName's type")
        wrapped = expect(octets, kind.end, len(octets), 0xA0, "otherName's value")
        value = read(octets, wrapped.body, wrapped.end, "otherName's value")
        shown, _ = text(value.tag, content(octets, value))
        return f"otherName:{oid(content(octets, kind))}:{shown}"
    return ("x400Address:" if number == X400 else "ediPartyName:") + octets.hex()
