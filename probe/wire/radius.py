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
from collections.abc import Sequence
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
    "sent_as",
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
        return _shown(self.octets)


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


@lru_cache(maxsize=1024)
def sent_as(attributes: tuple[tuple[str, Value], ...]) -> tuple[tuple[str, str], ...]:
    """Return what a request with these attributes shows of them (`Request.shown`): those of most
    conversations have the same. Raises ValueError as `build_request` does."""
    return _shown(bytes(_HEADER.size) + encoded(attributes))


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
    octets = octets[: int.from_bytes(octets[2:4])]
    found = _Attributes(octets)
    proxied = found.values(_PROXY_STATE)
    if proxied != request.proxy_states[: len(proxied)]:
        # RFC 2865, 5.33.
        raise RadiusError("a Proxy-State that was not sent")
    if not _verifies(octets, request.authenticator, secret, found.signature):
        raise SecretDiffers("the reply does not verify: the shared secret differs")
    return Reply(
        code=code,
        kind=_kind(code),
        identifier=identifier,
        eap=found.eap,
        state=found.state,
        attributes=shown(found.others, secret=secret),
        message_authenticator=found.signature is not None,
        message_authenticator_first=found.signature == _HEADER.size,
        session_keys=mppe.session_keys(
            found.values(_VENDOR_SPECIFIC), secret, request.authenticator
        ),
    )


def read_request(octets: bytes, secret: bytes) -> Request:
    """Read a request, as a server does. Raises RadiusError if it is malformed.

    A wrong or missing Message-Authenticator is told by `verification`, as what to do about it is
    the server's choice.
    """
    code, identifier, authenticator = _read_header(octets)
    octets = octets[: int.from_bytes(octets[2:4])]
    found = _Attributes(octets)
    verification = Verification.UNSIGNED
    if found.signature is not None:
        right = _signed_rightly(bytearray(octets), secret, found.signature)
        verification = Verification.VALID if right else Verification.WRONG
    return Request(
        code=code,
        identifier=identifier,
        authenticator=authenticator,
        octets=octets,
        eap=found.eap,
        state=found.state,
        proxy_states=found.values(_PROXY_STATE),
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
    octets = b""
    if eap:
        for start in range(0, len(eap), LARGEST_VALUE):
            octets += one_attribute(_EAP_MESSAGE, eap[start : start + LARGEST_VALUE])
    return octets if state is None else octets + one_attribute(_STATE, state)


def _header(code: int, identifier: int, body: bytes, authenticator: bytes) -> bytes:
    length = _HEADER.size + len(body)
    if length > LARGEST_PACKET:
        raise ValueError(f"a packet of {length} octets; {LARGEST_PACKET} are allowed")
    return _HEADER.pack(int(code), identifier, length, authenticator)


def _signature(unsigned: bytes, secret: bytes) -> bytes:
    """Return the Message-Authenticator of a packet in which it is zero (RFC 3579, 3.2)."""
    return _UNSIGNED[:2] + hmac.digest(secret, unsigned, "md5")


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


class _Attributes:
    """The attributes of a packet, read in one pass."""

    __slots__ = ("eap", "others", "signature", "state")

    def __init__(self, octets: bytes) -> None:
        """`octets` end where the packet does: what lies past Length is padding (RFC 2865, 3).
        Raises RadiusError if they are malformed, or what may be there once is there twice."""
        pieces = []
        states: list[bytes] = []
        signatures = []
        self.others: list[tuple[int, bytes]] = []
        """All but State, EAP-Message and Message-Authenticator, in order."""
        place, end = _HEADER.size, len(octets)
        while place < end:
            if place + 2 > end:
                raise RadiusError("one octet is left over after the last attribute")
            kind, length = octets[place], octets[place + 1]
            if length < 2:
                raise RadiusError(f"attribute {kind} has length {length}; the least is 2")
            following = place + length
            if following > end:
                raise RadiusError(f"attribute {kind} length {length} overruns the packet")
            if kind == _EAP_MESSAGE:
                pieces.append(octets[place + 2 : following])
            elif kind == _STATE:
                states.append(octets[place + 2 : following])
            elif kind == _MESSAGE_AUTHENTICATOR:
                signatures.append(place)
            else:
                self.others.append((kind, octets[place + 2 : following]))
            place = following
        self.eap = b"".join(pieces) if pieces else None
        if len(states) > 1 or len(signatures) > 1:
            # RFC 2865, 5.44 (State: 0-1) and RFC 3579, 3.3 (Message-Authenticator: 0-1).
            kind, count = _STATE, len(states)
            if count < 2:
                kind, count = _MESSAGE_AUTHENTICATOR, len(signatures)
            raise RadiusError(f"attribute {kind} is there {count} times")
        self.state = states[0] if states else None
        self.signature = signatures[0] if signatures else None
        """Where the Message-Authenticator begins."""
        if self.signature is not None and octets[self.signature + 1] != len(_UNSIGNED):
            count = octets[self.signature + 1] - 2
            raise RadiusError(f"a Message-Authenticator of {count} octets; it has 16")

    def values(self, kind: int) -> tuple[bytes, ...]:
        """Return the values of one of the others."""
        if not self.others:
            return ()  # as most have none
        return tuple(value for other, value in self.others if other == kind)


def _shown(octets: bytes) -> tuple[tuple[str, str], ...]:
    return shown(_Attributes(octets).others)


def _verifies(octets: bytes, asked: bytes, secret: bytes, signature: int | None) -> bool:
    """Whether a reply is signed by whoever has the secret, to a request of this authenticator.
    `signature`: where its Message-Authenticator begins, if there is one."""
    as_asked = bytearray(octets)
    as_asked[4 : _HEADER.size] = asked
    response = hashlib.md5(as_asked + secret, usedforsecurity=False).digest()
    if not hmac.compare_digest(response, octets[4 : _HEADER.size]):
        return False
    return signature is None or _signed_rightly(as_asked, secret, signature)


def _signed_rightly(packet: bytearray, secret: bytes, signature: int) -> bool:
    """Whether the Message-Authenticator that begins at `signature` is right (RFC 3579, 3.2). The
    packet has the request's authenticator; its Message-Authenticator is lost here."""
    value = slice(signature + 2, signature + len(_UNSIGNED))
    found = packet[value]
    packet[value] = bytes(16)
    return hmac.compare_digest(hmac.digest(secret, packet, "md5"), found)


@lru_cache(maxsize=256)
def _kind(code: int) -> str:
    try:
        return Code(code).name.replace("_", "-").title()
    except ValueError:
        return f"code {code}"
