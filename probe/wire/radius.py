"""RADIUS packets (RFC 2865) that carry EAP (RFC 3579), both directions. No socket, no clock.

pyrad writes attributes by name (`attributes.py`), each once: a conversation's requests differ in
little else than EAP. Packets are written and read here, strictly, as a sweep has thousands of them
and a codec for every kind would take more time than all else about them. Accounting and password
logins are none of this file's business.
"""

import hashlib
import hmac
import os
import struct
from collections.abc import Iterator, Sequence
from enum import Enum, IntEnum
from functools import lru_cache

from probe.records import dataclass, field
from probe.wire import mppe
from probe.wire.attributes import (
    LARGEST_VALUE,
    LEAST_PADDING,
    Attribute,
    Value,
    encoded,
    one_attribute,
    padding,
    request_attributes,
    shown,
    status_attributes,
)

__all__ = [
    "LEAST_PADDING",
    "Attribute",
    "Code",
    "RadiusError",
    "Reply",
    "ReplyNotOurs",
    "Request",
    "SecretDiffers",
    "Value",
    "Verification",
    "build_reply",
    "build_request",
    "eap_room",
    "padding",
    "read_reply",
    "read_request",
    "request_attributes",
    "status_attributes",
    "status_server",
]

LARGEST_PACKET = 4096
"""RFC 2865, section 3: "The minimum length is 20 and maximum length is 4096"."""

_HEADER = struct.Struct("!BBH16s")
# As plain numbers: members of an enumeration are looked up by a call of Python each.
_STATE, _VENDOR_SPECIFIC = int(Attribute.STATE), int(Attribute.VENDOR_SPECIFIC)
_PROXY_STATE, _EAP_MESSAGE = int(Attribute.PROXY_STATE), int(Attribute.EAP_MESSAGE)
_MESSAGE_AUTHENTICATOR = int(Attribute.MESSAGE_AUTHENTICATOR)
_UNSIGNED = bytes((Attribute.MESSAGE_AUTHENTICATOR, 18)) + bytes(16)
"""A Message-Authenticator as it counts in its own computation (RFC 3579, 3.2)."""


class Code(IntEnum):
    """Packet codes (IANA "RADIUS Packet Type Codes")."""

    ACCESS_REQUEST = 1
    ACCESS_ACCEPT = 2
    ACCESS_REJECT = 3
    ACCOUNTING_RESPONSE = 5
    ACCESS_CHALLENGE = 11
    STATUS_SERVER = 12


class RadiusError(ValueError):
    """The peer's octets break the protocol. The message quotes nothing secret."""


class ReplyNotOurs(RadiusError):
    """A well-formed reply to another request: its identifier differs."""


class SecretDiffers(RadiusError):
    """A well-formed reply whose authenticators do not verify with our shared secret."""


class Verification(Enum):
    """What a request's Message-Authenticator showed."""

    VALID = "valid"
    UNSIGNED = "unsigned"
    """There is none. Beside EAP-Message it is compulsory (RFC 3579, 3.1), and in Status-Server
    (RFC 5997, 3)."""
    WRONG = "wrong"


@dataclass(frozen=True, slots=True)
class Request:
    """A request, as sent or as received."""

    code: int
    identifier: int
    authenticator: bytes = field(repr=False)
    octets: bytes = field(repr=False)
    """The whole packet. Retransmissions send these very octets (RFC 5080, 2.2.1)."""
    eap: bytes | None = field(repr=False, default=None)
    state: bytes | None = field(repr=False, default=None)
    proxy_states: tuple[bytes, ...] = field(repr=False, default=())
    verification: Verification = Verification.VALID

    @property
    def shown(self) -> tuple[tuple[str, str], ...]:
        """Attributes by name in the order sent, without secrets, State, EAP-Message and
        authenticators."""
        return shown(_walk(self.octets))


@dataclass(frozen=True, slots=True)
class Reply:
    """A reply whose Response Authenticator verified."""

    code: int
    kind: str
    """"Access-Challenge", "Access-Reject", "Access-Accept", or "code 99"."""
    identifier: int
    eap: bytes | None = field(repr=False)
    """The joined EAP-Message attributes (RFC 3579, 3.1); None: there is none."""
    state: bytes | None = field(repr=False)
    """To be sent back unaltered in the next request (RFC 2865, 5.24)."""
    attributes: tuple[tuple[str, str], ...]
    """By name, in the order received, without State, EAP-Message and authenticators."""
    message_authenticator: bool
    """Whether a valid one was there. RFC 3579, 3.1 makes it compulsory beside EAP-Message."""
    message_authenticator_first: bool
    """Whether it was the first attribute, as the mitigation of CVE-2024-3596 asks."""
    session_keys: mppe.SessionKeys | None = field(repr=False, default=None)
    """Decrypted; None: there are none. They are compared, and never shown or kept."""


def build_request(  # noqa: PLR0913  # one name for each part of the packet
    secret: bytes,
    identifier: int,
    attributes: Sequence[tuple[str, Value]],
    *,
    eap: bytes | None = None,
    state: bytes | None = None,
    code: int = Code.ACCESS_REQUEST,
    authenticator: bytes | None = None,
    signed: bool = True,
) -> Request:
    """Build a request with a Message-Authenticator as its first attribute (RFC 3579, 3.2).

    Not `signed`, there is none: beside EAP-Message a server should then discard it (RFC 3579, 3.1).
    Raises ValueError for an attribute that is unknown, of the wrong type, or too long, and for a
    packet that would be longer than 4096 octets.
    """
    authenticator = os.urandom(16) if authenticator is None else authenticator
    body = encoded(tuple(attributes)) + _apart(eap, state)
    if signed:
        body = _UNSIGNED + body
    header = _header(code, identifier, body, authenticator)
    if signed:
        body = _signature(header + body, secret) + body[len(_UNSIGNED) :]
    return Request(
        code=int(code),
        identifier=identifier,
        authenticator=authenticator,
        octets=header + body,
        eap=eap,
        state=state,
        verification=Verification.VALID if signed else Verification.UNSIGNED,
    )


def eap_room(attributes: Sequence[tuple[str, Value]]) -> int:
    """Return how many octets of EAP fit a request with these attributes, whatever State it echoes.

    Raises ValueError as `build_request` does.
    """
    state = 2 + LARGEST_VALUE
    beside = _HEADER.size + len(_UNSIGNED) + len(encoded(tuple(attributes))) + state
    free = LARGEST_PACKET - beside
    if free < 0:
        raise ValueError(f"a packet of {beside} octets; {LARGEST_PACKET} are allowed")
    # Each EAP-Message attribute begins with two octets of its own.
    return free - 2 * -(-free // (LARGEST_VALUE + 2))


def status_server(
    secret: bytes,
    identifier: int,
    attributes: Sequence[tuple[str, Value]],
    *,
    authenticator: bytes | None = None,
) -> Request:
    """Build a Status-Server request (RFC 5997, section 3): the server is asked for a sign of life.

    It should name the client by NAS-Identifier or NAS-IP-Address and carries no user's attributes:
    `status_attributes` picks them out of a visit's. `read_reply` reads the answer: that it
    verifies, whatever its code, shows that the server runs and knows us.
    """
    return build_request(
        secret, identifier, attributes, code=Code.STATUS_SERVER, authenticator=authenticator
    )


def read_reply(octets: bytes, request: Request, secret: bytes) -> Reply:
    """Read a reply to `request`.

    Raises RadiusError if it is malformed or the datagram too large, ReplyNotOurs if its identifier
    is another one's, and SecretDiffers if the Response Authenticator (RFC 2865, section 3) or the
    Message-Authenticator (RFC 3579, 3.2) does not verify. A reply without any
    Message-Authenticator is returned and says so: RFC 3579, 3.1 wants it discarded if it carries
    EAP, but that silence could not be explained to anybody.
    """
    code, identifier, _ = _read_header(octets)
    if identifier != request.identifier:
        raise ReplyNotOurs(f"a reply to request {identifier}, not to {request.identifier}")
    attributes = _walk(octets)
    values = _by_kind(attributes)
    _check_counts(values)
    proxied = tuple(values.get(_PROXY_STATE, ()))
    if proxied != request.proxy_states[: len(proxied)]:
        # RFC 2865, 5.33.
        raise RadiusError("a Proxy-State that was not sent")
    signed = _MESSAGE_AUTHENTICATOR in values
    if not _verifies(octets, request.authenticator, secret, signed=signed):
        raise SecretDiffers("the reply does not verify: the shared secret differs")
    vendors = values.get(_VENDOR_SPECIFIC, ())
    return Reply(
        code=code,
        kind=_kind(code),
        identifier=identifier,
        eap=_joined_eap(values),
        state=_first(values, _STATE),
        attributes=shown(attributes, secret=secret),
        message_authenticator=signed,
        message_authenticator_first=signed and attributes[0][0] == _MESSAGE_AUTHENTICATOR,
        session_keys=mppe.session_keys(vendors, secret, request.authenticator),
    )


def read_request(octets: bytes, secret: bytes) -> Request:
    """Read a request, as a server does. Raises RadiusError if it is malformed.

    A wrong or missing Message-Authenticator is told by `verification`, as what to do about it is
    the server's choice.
    """
    code, identifier, authenticator = _read_header(octets)
    values = _by_kind(_walk(octets))
    _check_counts(values)
    octets = octets[: int.from_bytes(octets[2:4])]
    verification = Verification.UNSIGNED
    if _MESSAGE_AUTHENTICATOR in values:
        right = _signed_rightly(octets, authenticator, secret)
        verification = Verification.VALID if right else Verification.WRONG
    return Request(
        code=code,
        identifier=identifier,
        authenticator=authenticator,
        octets=octets,
        eap=_joined_eap(values),
        state=_first(values, _STATE),
        proxy_states=tuple(values.get(_PROXY_STATE, ())),
        verification=verification,
    )


def build_reply(
    request: Request,
    secret: bytes,
    code: int,
    *,
    eap: bytes | None = None,
    state: bytes | None = None,
    attributes: Sequence[tuple[str, Value]] = (),
    signed: bool = True,
) -> bytes:
    """Build the octets of a reply to `request`, as a server does.

    Proxy-State goes back unaltered (RFC 2865, 5.33). The Message-Authenticator is the first
    attribute, or not there (`signed=False`). Raises ValueError as `build_request` does.
    """
    body = encoded(tuple(attributes)) + _apart(eap, state)
    body += b"".join(one_attribute(Attribute.PROXY_STATE, value) for value in request.proxy_states)
    if signed:
        body = _UNSIGNED + body
    header = _header(code, request.identifier, body, request.authenticator)
    if signed:
        body = _signature(header + body, secret) + body[len(_UNSIGNED) :]
    response = hashlib.md5(header + body + secret, usedforsecurity=False).digest()
    return header[:4] + response + body


# ---------------------------------------------------------------- writing


def _apart(eap: bytes | None, state: bytes | None) -> bytes:
    """Return the attributes that change with each packet of a conversation."""
    octets = b"".join(one_attribute(Attribute.EAP_MESSAGE, piece) for piece in _split(eap or b""))
    return octets if state is None else octets + one_attribute(Attribute.STATE, state)


def _header(code: int, identifier: int, body: bytes, authenticator: bytes) -> bytes:
    length = _HEADER.size + len(body)
    if length > LARGEST_PACKET:
        raise ValueError(f"a packet of {length} octets; {LARGEST_PACKET} are allowed")
    return _HEADER.pack(int(code), identifier, length, authenticator)


def _signature(unsigned: bytes, secret: bytes) -> bytes:
    """Return the Message-Authenticator of a packet in which it is zero (RFC 3579, 3.2)."""
    return _UNSIGNED[:2] + hmac.digest(secret, unsigned, "md5")


def _split(eap: bytes) -> Iterator[bytes]:
    for start in range(0, len(eap), LARGEST_VALUE):
        yield eap[start : start + LARGEST_VALUE]


# ---------------------------------------------------------------- reading


def _read_header(octets: bytes) -> tuple[int, int, bytes]:
    if len(octets) < _HEADER.size:
        raise RadiusError(f"{len(octets)} octets; a packet has at least {_HEADER.size}")
    code, identifier, length, authenticator = _HEADER.unpack_from(octets)
    if not _HEADER.size <= length <= LARGEST_PACKET:
        raise RadiusError(f"a length of {length}; 20 to 4096 are allowed")
    if length > len(octets):
        raise RadiusError(f"a length of {length}, but only {len(octets)} octets came")
    if len(octets) > LARGEST_PACKET:
        # Octets past Length are padding (RFC 2865, section 3), but nobody pads beyond the maximum.
        raise RadiusError(
            f"a datagram of {len(octets)} octets; at most {LARGEST_PACKET} are allowed"
        )
    return code, identifier, authenticator


def _walk(octets: bytes) -> list[tuple[int, bytes]]:
    """Return all attributes in order. What lies past Length is padding (RFC 2865, section 3)."""
    end = int.from_bytes(octets[2:4])
    place = _HEADER.size
    attributes = []
    while place < end:
        if place + 2 > end:
            raise RadiusError("one octet is left over after the last attribute")
        kind, length = octets[place], octets[place + 1]
        if length < 2:
            raise RadiusError(f"attribute {kind} has length {length}; the least is 2")
        if place + length > end:
            raise RadiusError(f"attribute {kind} length {length} overruns the packet")
        attributes.append((kind, octets[place + 2 : place + length]))
        place += length
    return attributes


def _by_kind(attributes: list[tuple[int, bytes]]) -> dict[int, list[bytes]]:
    """Return the values of each kind, in order."""
    found: dict[int, list[bytes]] = {}
    for kind, value in attributes:
        if kind in found:
            found[kind].append(value)
        else:
            found[kind] = [value]
    return found


def _check_counts(values: dict[int, list[bytes]]) -> None:
    for once in (_STATE, _MESSAGE_AUTHENTICATOR):
        # RFC 2865, 5.44 (State: 0-1) and RFC 3579, 3.3 (Message-Authenticator: 0-1).
        count = len(values.get(once, ()))
        if count > 1:
            raise RadiusError(f"attribute {once} is there {count} times")
    signature = _first(values, _MESSAGE_AUTHENTICATOR)
    if signature is not None and len(signature) != 16:
        raise RadiusError(f"a Message-Authenticator of {len(signature)} octets; it has 16")


def _verifies(octets: bytes, asked: bytes, secret: bytes, *, signed: bool) -> bool:
    """Whether a reply is signed by whoever has the secret, to a request of this authenticator.
    `signed`: there is a Message-Authenticator."""
    octets = octets[: int.from_bytes(octets[2:4])]
    as_asked = octets[:4] + asked + octets[_HEADER.size :]
    response = hashlib.md5(as_asked + secret, usedforsecurity=False).digest()
    if not hmac.compare_digest(response, octets[4 : _HEADER.size]):
        return False
    return not signed or _signed_rightly(octets, asked, secret)


def _signed_rightly(octets: bytes, authenticator: bytes, secret: bytes) -> bool:
    """Whether the Message-Authenticator of a packet is right (RFC 3579, 3.2). There is one."""
    place = _HEADER.size
    while octets[place] != _MESSAGE_AUTHENTICATOR:
        place += octets[place + 1]
    value = slice(place + 2, place + len(_UNSIGNED))
    found = octets[value]
    unsigned = octets[:4] + authenticator + octets[_HEADER.size : value.start]
    unsigned += bytes(16) + octets[value.stop :]
    return hmac.compare_digest(hmac.digest(secret, unsigned, "md5"), found)


def _first(values: dict[int, list[bytes]], wanted: int) -> bytes | None:
    found = values.get(wanted)
    return found[0] if found else None


def _joined_eap(values: dict[int, list[bytes]]) -> bytes | None:
    pieces = values.get(_EAP_MESSAGE)
    return b"".join(pieces) if pieces else None


@lru_cache(maxsize=256)
def _kind(code: int) -> str:
    try:
        return Code(code).name.replace("_", "-").title()
    except ValueError:
        return f"code {code}"
