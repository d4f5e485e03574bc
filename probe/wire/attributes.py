"""RADIUS attributes by name: the ones a request carries, and any attribute as text."""

from collections.abc import Sequence
from enum import IntEnum
from functools import lru_cache
from pathlib import Path
from struct import Struct

from pyrad import tools
from pyrad.dictionary import Dictionary
from pyrad.packet import AuthPacket

CALLED_STATION = "02-00-00-CE-47-02"
"""Locally administered, so nobody's access point; stands before the SSID (RFC 3580, 3.20)."""

VENDOR_SPECIFIC = "Vendor-Specific"
LARGEST_VALUE = 253
"""An attribute's length octet counts type, length and value (RFC 2865, section 5)."""

_TYPE_AND_LENGTH = Struct("BB")
_PORT_TYPES = {"wifi": "Wireless-802.11", "wired": "Ethernet"}
_CONNECT_INFO = {"wifi": "CONNECT 54Mbps 802.11", "wired": "CONNECT 1000Mbps Full-Duplex"}
_VENDOR_MICROSOFT = 311
_VENDOR_NOBODY = (32_473).to_bytes(4)  # kept for documentation (RFC 5612, section 2)
LEAST_PADDING = 9
"""An attribute's type and length, the vendor, the vendor's type and length, one octet of text."""
_NAMES_THE_CLIENT = {"NAS-Identifier", "NAS-IP-Address", "NAS-IPv6-Address"}

Value = str | int | bytes
"""An attribute's value: text in the dictionary's form, a number, or the raw octets."""


class Attribute(IntEnum):
    """Attribute types that are treated by number (IANA "RADIUS Attribute Types")."""

    USER_PASSWORD = 2
    CHAP_PASSWORD = 3
    STATE = 24
    VENDOR_SPECIFIC = 26
    PROXY_STATE = 33
    CHAP_CHALLENGE = 60
    TUNNEL_PASSWORD = 69
    EAP_MESSAGE = 79
    MESSAGE_AUTHENTICATOR = 80


_HIDDEN = {
    Attribute.USER_PASSWORD,
    Attribute.CHAP_PASSWORD,
    Attribute.CHAP_CHALLENGE,
    Attribute.TUNNEL_PASSWORD,
}


@lru_cache(maxsize=1)
def dictionary() -> Dictionary:
    """Return the attributes known by name."""
    with Path(__file__).with_name("radius.dictionary").open(encoding="ascii") as file:
        return Dictionary(file)


@lru_cache(maxsize=1024)
def encoded(attributes: tuple[tuple[str, Value], ...]) -> bytes:
    """Return the octets of attributes, in this order.

    All requests of a conversation, and those of most conversations, have the same. Raises
    ValueError for an attribute that is unknown, of the wrong type, or too long.
    """
    return b"".join(_encoded(name, value) for name, value in attributes)


def one_attribute(kind: int, value: bytes) -> bytes:
    """Return the octets of one attribute. Raises ValueError for a value that is too long."""
    if len(value) > LARGEST_VALUE:
        raise ValueError(f"attribute {int(kind)} of {len(value)} octets; {LARGEST_VALUE} fit")
    return _TYPE_AND_LENGTH.pack(kind, len(value) + 2) + value


def _encoded(name: str, value: Value) -> bytes:
    if name == VENDOR_SPECIFIC and isinstance(value, bytes):
        return one_attribute(Attribute.VENDOR_SPECIFIC, value)
    known = dictionary()
    if name not in known:
        raise ValueError(f"no attribute is named {name!r}")
    packet = AuthPacket(authenticator=bytes(16), dict=known)
    try:
        # Raw octets go in by number: by name pyrad reads b"0x41" as hexadecimal digits.
        if isinstance(value, bytes):
            packet.setdefault(known.attrindex.GetForward(name), []).append(value)
        else:
            packet.AddAttribute(name, value)
        octets: bytes = packet.RequestPacket()
    except (TypeError, ValueError) as error:
        raise ValueError(f"{name}: {error}") from error
    return octets[20:]


@lru_cache(maxsize=1024)
def request_attributes(  # noqa: PLR0913  # one name for each attribute of the request
    *,
    user_name: str,
    nas_identifier: str,
    nas_address: str | None = None,
    calling_station: str | None = None,
    ssid: str | None = None,
    medium: str = "wifi",
    framed_mtu: int = 1400,
    extra: tuple[tuple[str, Value], ...] = (),
) -> tuple[tuple[str, Value], ...]:
    """Return the attributes of an 802.1X Access-Request in a fixed order (RFC 3580, section 3).

    `medium` is "wifi" or "wired"; `framed_mtu` in octets; `extra` comes last, as it
    stands, in place of what it names anew. NAS-Port is 1: a number without a meaning. Raises
    KeyError for another medium.
    """
    attributes: list[tuple[str, Value]] = [
        ("User-Name", user_name),
        ("NAS-Identifier", nas_identifier),
    ]
    if nas_address is not None:
        name = "NAS-IPv6-Address" if ":" in nas_address else "NAS-IP-Address"
        attributes.append((name, nas_address))
    attributes += [
        ("NAS-Port", 1),
        ("NAS-Port-Type", _PORT_TYPES[medium]),
        ("Service-Type", "Framed-User"),
        ("Framed-MTU", framed_mtu),
        ("Connect-Info", _CONNECT_INFO[medium]),
    ]
    if calling_station is not None:
        attributes.append(("Calling-Station-Id", calling_station))
    if ssid is not None:
        attributes.append(("Called-Station-Id", f"{CALLED_STATION}:{ssid}"))
    renamed = {name for name, _ in extra}
    return (*(each for each in attributes if each[0] not in renamed), *extra)


def status_attributes(attributes: Sequence[tuple[str, Value]]) -> tuple[tuple[str, Value], ...]:
    """Return those attributes of a request that name the client, which is what Status-Server may
    carry (RFC 5997, section 5)."""
    return tuple(each for each in attributes if each[0] in _NAMES_THE_CLIENT)


def padding(octets: int) -> tuple[tuple[str, Value], ...]:
    """Return attributes without a meaning that make a packet longer by exactly so many octets.

    They are Vendor-Specific: a packet may have any number of them (RFC 2865, 5.44), and a server
    that does not know the vendor must ignore them (5.26). Raises ValueError below 9 octets.
    """
    if octets < LEAST_PADDING:
        raise ValueError(f"padding of {octets} octets; the least is {LEAST_PADDING}")
    count = -(-octets // (LARGEST_VALUE + 2))
    found: list[tuple[str, Value]] = []
    for number in range(count):
        size = octets // count + (number < octets % count)
        text = b"." * (size - LEAST_PADDING + 1)
        found.append((VENDOR_SPECIFIC, _VENDOR_NOBODY + bytes((1, len(text) + 2)) + text))
    return tuple(found)


def shown(
    attributes: list[tuple[int, bytes]], *, secret: bytes = b""
) -> tuple[tuple[str, str], ...]:
    """Return attributes by name and as text, in order.

    Nothing that hides a secret is shown, and no value that holds `secret`: whoever knows it could
    else write it into what we keep. An attribute without a name is shown by number, in hex.
    """
    texts = []
    for kind, value in attributes:
        name, said = _text(kind, value)
        texts.append((name, "(not shown)" if secret and secret in value else said))
    return tuple(texts)


@lru_cache(maxsize=1024)
def _text(kind: int, value: bytes) -> tuple[str, str]:
    if kind == Attribute.VENDOR_SPECIFIC:
        return _vendor_text(value)
    known = dictionary()
    if not known.attrindex.HasBackward(kind):
        return f"attribute {kind}", value.hex()
    name = known.attrindex.GetBackward(kind)
    if kind in _HIDDEN:
        return name, "(not shown)"
    attribute = known.attributes[name]
    if attribute.has_tag and value and (attribute.type == "integer" or value[0] <= 0x1F):
        # RFC 2868, section 3: the tag stands in the first octet.
        value = b"\0" + value[1:] if attribute.type == "integer" else value[1:]
    if attribute.values.HasBackward(value):
        return name, str(attribute.values.GetBackward(value))
    if attribute.type == "string":
        return name, value.decode("utf-8", "replace")
    try:
        decoded = tools.DecodeAttr(attribute.type, value)
    except ValueError:
        return name, value.hex()  # of a length that its type does not have
    return name, decoded.hex() if isinstance(decoded, bytes) else str(decoded)


def _vendor_text(value: bytes) -> tuple[str, str]:
    """Name the vendor by its number (RFC 2865, 5.26); keys of a session are kept back."""
    vendor = int.from_bytes(value[:4])
    if vendor == _VENDOR_MICROSOFT:
        # Holds MS-MPPE keys, and nothing that tells one server from another.
        return f"Vendor-Specific {vendor}", "(not shown)"
    return f"Vendor-Specific {vendor}", value[4:].hex()
