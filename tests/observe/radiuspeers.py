"""A RADIUS server on loopback whose replies a test decides, octet by octet if it likes."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import cast

from probe.wire.radius import Code, Request, build_reply, read_request
from tests.wire.eapserver import EapServer

SECRET = b"a lantern by the quay"

Handler = Callable[[Request], list[bytes]]


@dataclass
class FakeRadius(asyncio.DatagramProtocol):
    """Answers each request as `handle` says, with any number of datagrams."""

    handle: Handler
    heard: list[Request] = field(default_factory=list)
    datagrams: list[bytes] = field(default_factory=list)
    senders: list[tuple[str, int]] = field(default_factory=list)
    crash: BaseException | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.DatagramTransport, transport)

    @property
    def port(self) -> int:
        return int(self.transport.get_extra_info("sockname")[1])

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        try:
            self.datagrams.append(data)
            self.senders.append(addr)
            request = read_request(data, SECRET)
            self.heard.append(request)
            for octets in self.handle(request):
                self.transport.sendto(octets, addr)
        except BaseException as error:
            self.crash = error
            raise


@asynccontextmanager
async def answering(handle: Handler, host: str = "127.0.0.1") -> AsyncIterator[FakeRadius]:
    """Answer on a free port. A crash of the handler is raised at the end."""
    server = FakeRadius(handle)
    transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
        lambda: server, local_addr=(host, 0)
    )
    try:
        yield server
    finally:
        transport.close()
    if server.crash is not None:
        raise server.crash


def challenge(request: Request, eap: bytes, *, secret: bytes = SECRET, number: int = 1) -> bytes:
    """An Access-Challenge that carries EAP, and a State of its own."""
    return build_reply(request, secret, Code.ACCESS_CHALLENGE, eap=eap, state=b"state %d" % number)


def reject(request: Request) -> bytes:
    """An Access-Reject with an EAP-Failure."""
    return build_reply(request, SECRET, Code.ACCESS_REJECT, eap=b"\x04\x01\x00\x04")


def joined(server: EapServer) -> Handler:
    """A RADIUS front for an EAP server: each State is new, and the right one is demanded."""
    states: list[bytes | None] = [None]

    def handle(request: Request) -> list[bytes]:
        assert request.state == states[-1]
        assert request.eap is not None
        code, packet = server.answer(request.eap)
        if code is Code.ACCESS_REJECT:
            return [build_reply(request, SECRET, code, eap=packet.octets)]
        states.append(b"state %d" % len(states))
        return [challenge(request, packet.octets, number=len(states) - 1)]

    return handle
