"""A DNS server on loopback whose answers a test decides, octet by octet if it likes."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import cast

import dns.flags
import dns.message
import dns.rrset

from probe.observation.model import LookupAsk
from probe.observe.dns import LookupSeen, Resolvers

Answer = dns.message.Message | bytes | None
Handler = Callable[[dns.message.Message], Answer | list[Answer]]


@dataclass
class FakeNameserver(asyncio.DatagramProtocol):
    """Answers each datagram as `handle` says; None is silence, bytes go out as they are."""

    handle: Handler
    by_stream: Handler | None = None
    asked: list[dns.message.Message] = field(default_factory=list)
    asked_by_stream: list[dns.message.Message] = field(default_factory=list)
    port: int = 0
    crash: BaseException | None = None

    @property
    def place(self) -> str:
        return f"127.0.0.1:{self.port}"

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        try:
            query = dns.message.from_wire(data)
            self.asked.append(query)
            answers = self.handle(query)
            for answer in answers if isinstance(answers, list) else [answers]:
                if answer is not None:
                    octets = answer if isinstance(answer, bytes) else answer.to_wire()
                    self._transport.sendto(octets, addr)
        except BaseException as error:
            self.crash = error
            raise

    async def stream(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            length = int.from_bytes(await reader.readexactly(2))
            query = dns.message.from_wire(await reader.readexactly(length))
            self.asked_by_stream.append(query)
            assert self.by_stream is not None
            answer = self.by_stream(query)
            assert not isinstance(answer, list)
            if isinstance(answer, dns.message.Message):
                writer.write(answer.to_wire(max_size=65535, prepend_length=True))
            elif answer is not None:
                writer.write(answer)
            await writer.drain()
        except BaseException as error:
            self.crash = error
            raise
        finally:
            writer.close()


@asynccontextmanager
async def serving(
    handle: Handler, *, by_stream: Handler | None = None
) -> AsyncIterator[FakeNameserver]:
    """Serve on 127.0.0.1, over TCP too if `by_stream` is given. A crash of it is raised here."""
    server = FakeNameserver(handle, by_stream)
    loop = asyncio.get_running_loop()
    while True:
        listener = None
        if by_stream is not None:
            listener = await asyncio.start_server(server.stream, "127.0.0.1", 0)
            server.port = listener.sockets[0].getsockname()[1]
        try:
            transport, _ = await loop.create_datagram_endpoint(
                lambda: server, local_addr=("127.0.0.1", server.port)
            )
        except OSError:
            # A port that is free for TCP need not be free for UDP.
            if listener is None:
                raise
            listener.close()
            await listener.wait_closed()
        else:
            break
    server.port = transport.get_extra_info("sockname")[1]
    try:
        yield server
    finally:
        transport.close()
        if listener is not None:
            listener.close()
            await listener.wait_closed()
    if server.crash is not None:
        raise server.crash


def reply(
    query: dns.message.Message,
    *answers: str,
    authority: tuple[str, ...] = (),
    flags: int = dns.flags.RA,
    rcode: int = 0,
) -> dns.message.Message:
    """A response in a resolver's manner; records are lines of a zone file."""
    response = dns.message.make_response(query)
    response.flags |= flags
    response.set_rcode(rcode)
    response.answer = [dns.rrset.from_text(*_fields(line)) for line in answers]
    response.authority = [dns.rrset.from_text(*_fields(line)) for line in authority]
    return response


def _fields(line: str) -> tuple[str, int, str, str, str]:
    name, ttl, kind, data = line.split(" ", 3)
    return name, int(ttl), "IN", kind, data


async def ask(resolvers: Resolvers, asking: LookupAsk) -> LookupSeen:
    """Ask one question and wait for what is said."""
    seen: asyncio.Future[LookupSeen] = asyncio.get_running_loop().create_future()
    resolvers.begin(asking, seen.set_result, seen.set_exception)
    return await seen
