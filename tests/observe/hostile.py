"""Nodes that misbehave, each in a way of its own by HTTPS and by EAP, and how a visit ends there.

Octets are raw (`lab/misbehave.py`, `lab/unruly.py`): no codec of the prober makes them. Servers run
in the loop that they are started in, by its clock.
"""

import asyncio
import socket
import struct
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from typing import cast

from lab import misbehave
from lab.eapsite import EapFault
from lab.signing import signed
from lab.unruly import FROM_HELLO, FROM_IDENTITY, Round, flood
from probe.observation.model import Outcome
from tests.observe.radiuspeers import SECRET
from tests.observe.test_web import Handler, listening, mute, says

SILENT, CUT_OFF, MALFORMED = Outcome.SILENT, Outcome.CUT_OFF, Outcome.MALFORMED
REFUSED, NOT_TLS = Outcome.REFUSED, Outcome.NOT_TLS

PIECE = 16_384


def _slowly(octets: bytes, seconds: float = 1.0) -> Handler:
    """Octet by octet, for ever."""

    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(4096)
        at = 0
        while not writer.is_closing():
            writer.write(octets[at % len(octets) :][:1])
            at += 1
            await writer.drain()
            await asyncio.sleep(seconds)

    return handle


def _for_ever(begins: bytes, piece: bytes) -> Handler:
    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(4096)
        writer.write(begins)
        while not writer.is_closing():
            writer.write(piece)
            await writer.drain()

    return handle


async def _resets(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """RFC 9293, 3.10.4: no linger, so that a reset goes out."""
    held = writer.get_extra_info("socket")
    held.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    cast(asyncio.Transport, writer.transport).abort()


async def _never_reads(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    cast(asyncio.Transport, writer.transport).pause_reading()
    await asyncio.Event().wait()


def _endless_entries() -> bytes:
    flight = misbehave.endless_flight(4 * PIECE)
    return flight[-(5 + 16 * 1003) :]


_GREASE = b"\x16\x03\x03\x00\x04\x00\x00\x00\x00"
"""A HelloRequest in a record of its own: nothing that a client waits for (RFC 5246, 7.4.1.1)."""

WEB: Mapping[str, tuple[Handler, frozenset[Outcome]]] = {
    "mute": (mute, frozenset({SILENT})),
    "never reads": (_never_reads, frozenset({SILENT})),
    "drips a hello": (_slowly(misbehave.server_hello()), frozenset({CUT_OFF})),
    "drips garbage": (_slowly(misbehave.garbage()), frozenset({NOT_TLS})),
    "endless flight": (
        _for_ever(misbehave.endless_flight(4 * PIECE), _endless_entries()),
        frozenset({MALFORMED}),
    ),
    "endless requests": (_for_ever(b"", _GREASE * 1000), frozenset({MALFORMED})),
    "endless garbage": (_for_ever(b"", misbehave.garbage(PIECE)), frozenset({NOT_TLS})),
    "endless page": (
        _for_ever(b"HTTP/1.1 200 OK\r\n\r\n", b"a page " * 2_000),
        frozenset({NOT_TLS}),
    ),
    "resets": (_resets, frozenset({CUT_OFF})),
    "cut off": (says(), frozenset({CUT_OFF})),
    "alert": (says(misbehave.fatal_alert(40)), frozenset({REFUSED})),
    "plain": (says(misbehave.plain_http()), frozenset({NOT_TLS})),
    "garbage": (says(misbehave.garbage()), frozenset({NOT_TLS})),
    "broken hello": (says(misbehave.broken_handshake()), frozenset({MALFORMED})),
    "half a hello": (says(misbehave.server_hello()[:40]), frozenset({CUT_OFF})),
    "no certificate": (says(misbehave.certificate_flight(())), frozenset({MALFORMED})),
    "huge certificate": (
        says(misbehave.certificate_flight((b"\x30\x82\x2e\xe0" + bytes(12_000),))),
        frozenset({MALFORMED}),
    ),
}
"""A handler, and how a visit may end there."""


# ---------------------------------------------------------------- RADIUS

_CHALLENGE, _REJECT = 11, 3
Answers = Callable[[bytes, int], list[tuple[float, bytes]]]
"""Takes a request and how many were heard; returns datagrams and after how many seconds each."""


def _challenge(request: bytes, eap: bytes) -> bytes:
    """An Access-Challenge (RFC 2865, 4.4; RFC 3579, 3.1) with a State."""
    parts = [eap[at : at + 253] for at in range(0, len(eap), 253)]
    attributes = b"\x18\x05abc" + b"".join(bytes((79, 2 + len(each))) + each for each in parts)
    head = bytes((_CHALLENGE, request[1])) + (20 + len(attributes)).to_bytes(2) + bytes(16)
    return signed(head + attributes, request[4:20], SECRET)


def _rounds(say: Round, *, begun: bool, after: float = 0.0) -> Answers:
    """Answer by EAP rounds: `begun`, once PEAP has been begun as it should be."""

    def answers(request: bytes, number: int) -> list[tuple[float, bytes]]:
        if begun and b"\x18\x05abc" not in request:
            return [(after, _challenge(request, b"\x01\x07\0\x06\x19\x20"))]
        return [(after, _challenge(request, say(8 + number, 25, number - begun)))]

    return answers


def _raw(*datagrams: bytes) -> Answers:
    return lambda _request, _number: [(0.0, each) for each in datagrams]


def _octet(identifier: int, kind: int, turn: int) -> bytes:
    """A fragment of one octet of a hello that is never whole (RFC 5216, 3.1: more will come)."""
    octet = misbehave.endless_flight(PIECE)[turn - 1 : turn]
    return struct.pack("!BBHBB", 1, identifier % 256, 7, kind, 0x40) + octet


def _spoiled(change: Callable[[bytes], bytes]) -> Answers:
    good = _rounds(lambda *_: b"\x01\x07\0\x06\x19\x20", begun=False)
    return lambda request, number: [(after, change(each)) for after, each in good(request, number)]


def _other_secret(reply: bytes) -> bytes:
    return reply[:4] + bytes(16) + reply[20:]


_ENDS = {
    EapFault.PROPOSALS: Outcome.METHOD_REFUSED,
    EapFault.IDENTITIES: CUT_OFF,
    EapFault.NOTIFICATIONS: CUT_OFF,
}

RADIUS: Mapping[str, tuple[Answers, frozenset[Outcome]]] = {
    "mute": (lambda *_: [], frozenset({SILENT})),
    "garbage": (_raw(misbehave.garbage()), frozenset({MALFORMED})),
    "flood": (_raw(*flood()), frozenset({MALFORMED})),
    "other secret": (_spoiled(_other_secret), frozenset({Outcome.SECRET_DIFFERS})),
    "wrong length": (
        _spoiled(lambda reply: reply[:2] + b"\x10\0" + reply[4:]),
        frozenset({MALFORMED}),
    ),
    "somebody else's": (
        _spoiled(lambda reply: reply[:1] + bytes(((reply[1] + 1) % 256,)) + reply[2:]),
        frozenset({SILENT}),
    ),
    "drips identities": (
        _rounds(FROM_IDENTITY[EapFault.IDENTITIES], begun=False, after=2.0),
        frozenset({CUT_OFF}),
    ),
    "drips fragments": (
        _rounds(_octet, begun=True, after=0.5),
        frozenset({CUT_OFF}),
    ),
    **{
        fault.value: (
            _rounds(say, begun=fault in FROM_HELLO),
            frozenset({_ENDS.get(fault, MALFORMED)}),
        )
        for fault, say in {**FROM_IDENTITY, **FROM_HELLO}.items()
    },
}
"""What is answered, and how a visit may end there."""


class _Radius(asyncio.DatagramProtocol):
    def __init__(self, answers: Answers) -> None:
        self._answers = answers
        self._heard = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self._heard += 1
        loop = asyncio.get_running_loop()
        for after, octets in self._answers(data, self._heard):
            if after:
                loop.call_later(after, self._send, octets, addr)
            else:
                self._send(octets, addr)

    def _send(self, octets: bytes, addr: tuple[str, int]) -> None:
        if not self._transport.is_closing():
            self._transport.sendto(octets, addr)


@dataclass(frozen=True)
class Place:
    """One node of the cluster."""

    name: str
    address: str
    web: int
    """Its port for HTTPS."""
    radius: int
    web_ends: frozenset[Outcome]
    radius_ends: frozenset[Outcome]


def address(number: int) -> str:
    """Return a loopback address for a node."""
    return f"127.84.{number // 200}.{1 + number % 200}"


@asynccontextmanager
async def hostile(
    numbers: range, *, web: str | None = None, radius: str | None = None
) -> AsyncIterator[list[Place]]:
    """Serve so many nodes, all in one way or each in another: each way by HTTPS meets each way by
    EAP, as their counts have no divisor in common."""
    webs = [ways for way, ways in WEB.items() if web in (None, way)]
    radii = [ways for way, ways in RADIUS.items() if radius in (None, way)]
    async with AsyncExitStack() as stack:
        places = []
        for number in numbers:
            host = address(number)
            handle, web_ends = webs[number % len(webs)]
            answers, radius_ends = radii[number % len(radii)]
            port = await stack.enter_async_context(listening(handle, host))
            udp, _ = await asyncio.get_running_loop().create_datagram_endpoint(
                lambda answers=answers: _Radius(answers),  # type: ignore[misc]  # a default binds it
                local_addr=(host, 0),
            )
            stack.callback(udp.close)
            at = udp.get_extra_info("sockname")[1]
            places.append(Place(f"hulk{number}", host, port, at, web_ends, radius_ends))
        yield places
