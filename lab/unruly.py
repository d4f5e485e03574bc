"""EAP and RADIUS servers that have lost their way, or mean harm: raw octets, round after round.

Nothing here is made with the codecs of `probe.wire`, which would refuse most of it.
"""

import struct
from collections.abc import Callable, Mapping

from lab import misbehave
from lab.eapsite import EapFault
from lab.signing import signed

Round = Callable[[int, int, int], bytes]
"""Takes a new EAP Identifier, the method's type and which round it is, from 1 on; returns one EAP
packet."""

_REQUEST = 1
_IDENTITY, _NOTIFICATION, _NAK, _MD5, _GTC, _MSCHAPV2, _PWD = 1, 2, 3, 4, 6, 26, 52
_LENGTH, _MORE, _START = 0x80, 0x40, 0x20
"""Flags of RFC 5216, 3.1."""
_PIECE = 1_000
_FLOOD = 400


def _request(identifier: int, kind: int, data: bytes) -> bytes:
    return struct.pack("!BBHB", _REQUEST, identifier % 256, 5 + len(data), kind) + data


def _fragment(flags: int, data: bytes = b"") -> Round:
    return lambda identifier, kind, _: _request(identifier, kind, bytes((flags,)) + data)


def _too_long(identifier: int, kind: int, _: int) -> bytes:
    honest = _request(identifier, kind, b"\0" + misbehave.server_hello())
    return honest[:2] + (len(honest) + 1_000).to_bytes(2) + honest[4:]


def _unchanged(identifier: int, kind: int, turn: int) -> bytes:
    return _request(identifier - turn, kind, b"\0" + misbehave.server_hello())


def _endless(identifier: int, kind: int, turn: int) -> bytes:
    piece = misbehave.endless_flight(_PIECE * turn)[-_PIECE:]
    return _request(identifier, kind, bytes((_MORE,)) + piece)


def _alternating(identifier: int, kind: int, turn: int) -> bytes:
    announced = bytes((_LENGTH | _MORE,)) + (5_000).to_bytes(4)
    begins = announced if turn % 2 else b"\0"
    return _request(identifier, kind, begins + b"\x16\x03\x03\x40\x00")


def _proposal(identifier: int, _: int, turn: int) -> bytes:
    return _request(identifier, (_MD5, _GTC, _MSCHAPV2, _PWD)[turn % 4], bytes(17))


FROM_IDENTITY: Mapping[EapFault, Round] = {
    EapFault.NAKS: lambda identifier, _, turn: _request(identifier, _NAK, bytes((turn % 256,))),
    EapFault.IDENTITIES: lambda identifier, *_: _request(identifier, _IDENTITY, b"Who is it?"),
    EapFault.NOTIFICATIONS: lambda identifier, *_: _request(identifier, _NOTIFICATION, b"Wait"),
    EapFault.PROPOSALS: _proposal,
}
"""What comes instead of a method."""

FROM_HELLO: Mapping[EapFault, Round] = {
    EapFault.EAP_LENGTH: _too_long,
    EapFault.SAME_IDENTIFIER: _unchanged,
    EapFault.ENDLESS_FRAGMENTS: _endless,
    EapFault.EMPTY_FRAGMENTS: _fragment(_MORE),
    EapFault.ALTERNATING: _alternating,
    EapFault.RESTARTS: _fragment(_START),
    EapFault.OTHER_METHOD: lambda identifier, *_: _request(identifier, _MD5, bytes(17)),
    EapFault.BROKEN_HELLO: _fragment(0, misbehave.broken_handshake()),
}
"""What answers the ClientHello, and all that comes after it."""


def spoiled(fault: EapFault | None, reply: bytes, authenticator: bytes, secret: bytes) -> bytes:
    """Return a good RADIUS reply as a server with this fault sends it.

    `authenticator` is the request's.
    """
    match fault:
        case EapFault.RADIUS_LENGTH:
            return reply[:2] + (len(reply) + 40).to_bytes(2) + reply[4:]
        case EapFault.OVERRUN:
            # A Reply-Message that announces 60 octets and brings three.
            return signed(reply + b"\x12\x3cbye", authenticator, secret)
        case EapFault.OVERSIZE:
            # 25 times a Reply-Message of 200 octets.
            return signed(reply + (b"\x12\xc8" + b"." * 198) * 25, authenticator, secret)
        case EapFault.OTHER_IDENTIFIER:
            return reply[:1] + bytes(((reply[1] + 1) % 256,)) + reply[2:]
        case _:
            return reply


def flood() -> tuple[bytes, ...]:
    """Return many datagrams of no protocol, of every length up to some hundreds."""
    return tuple(misbehave.garbage(number) for number in range(_FLOOD))
