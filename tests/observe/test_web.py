"""Every outcome of a web visit, each with a peer on loopback that brings it about."""

import asyncio
import errno
import socket
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.limits import DEFAULT, Limits
from probe.observation.model import HandshakeAsk, Outcome, Phase, TlsVersion
from probe.observe.visit import VisitSeen
from probe.observe.web import visit_web
from tests.wire.pki import MemoryServer, der, make_chain, server_context

QUICK = replace(DEFAULT, connect_wait=0.1, tls_wait=0.1)
"""For tests whose point is that nothing comes."""

Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def listening(handle: Handler, host: str = "127.0.0.1") -> AsyncIterator[int]:
    """Serve on a free port. What the handler raises is raised at the end; all sockets close."""
    crashes: list[BaseException] = []
    running: set[asyncio.Task[None]] = set()

    async def guarded(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        running.add(task)
        try:
            await handle(reader, writer)
        except asyncio.CancelledError:
            pass
        except BaseException as error:
            crashes.append(error)
        finally:
            running.discard(task)
            writer.close()

    server = await asyncio.start_server(guarded, host, 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for task in running:
            task.cancel()
        await asyncio.gather(*running)
    if crashes:
        raise crashes[0]


def visit(
    handle: Handler,
    *,
    limits: Limits = DEFAULT,
    server_name: str | None = "quay1.northpier.example",
) -> VisitSeen:
    async def run() -> VisitSeen:
        async with listening(handle) as port:
            ask = HandshakeAsk("127.0.0.1", port, name=server_name, server_name=server_name)
            seen = await visit_web(ask, "127.0.0.1", limits)
            assert len(asyncio.all_tasks()) <= 2  # the server's handler may still be closing
            return seen

    return asyncio.run(run())


def says(*parts: bytes) -> Handler:
    """A peer that reads our hello, says this, and closes."""

    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(4096)
        for part in parts:
            writer.write(part)
            await writer.drain()

    return handle


async def mute(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """A peer that takes everything and says nothing, until we leave."""
    while await reader.read(4096):
        pass


class TlsServer:
    """A true TLS server that keeps what it heard after its own flight."""

    def __init__(self, version: TlsVersion, *, piece: int = 1 << 20) -> None:
        chain = make_chain("rsa")
        self.chain = der(chain.leaf, chain.intermediate, chain.root)
        self._context = server_context(
            chain.key, chain.leaf, chain.intermediate, chain.root, version=version
        )
        self._piece = piece
        self.names: list[bytes | None] = []
        self.after: bytes = b""
        self.left = asyncio.Event()

    async def handle(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        server = MemoryServer(self._context)
        flight = server.receive(await reader.read(4096))
        self.names.append(server.connection.get_servername())
        for start in range(0, len(flight), self._piece):
            writer.write(flight[start : start + self._piece])
            await writer.drain()
        self.after = await reader.read()
        self.left.set()


@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
@pytest.mark.parametrize("piece", [1 << 20, 700])
def test_a_served_chain_is_in_hand_in_the_order_served(version: TlsVersion, piece: int) -> None:
    server = TlsServer(version, piece=piece)
    seen = visit(server.handle)
    assert (seen.outcome, seen.phase, seen.detail) == (Outcome.SERVED, Phase.FINISH, None)
    assert seen.certificates == server.chain
    assert seen.served is not None
    assert seen.served.tls is version
    assert seen.served.key_proven
    assert server.names == [b"quay1.northpier.example"]
    assert seen.source == "127.0.0.1"
    assert 0 < seen.seconds < 5


def test_the_visit_ends_with_close_notify() -> None:
    """RFC 5246, 7.2.1: a warning alert (1) close_notify (0), in a record of type 21."""

    async def run() -> bytes:
        server = TlsServer(TlsVersion.TLS1_2)
        async with listening(server.handle) as port:
            await visit_web(HandshakeAsk("127.0.0.1", port), "127.0.0.1", DEFAULT)
            await server.left.wait()
            return server.after

    assert asyncio.run(run()).endswith(bytes((21, 3, 3, 0, 2, 1, 0)))


def test_an_endless_talker_is_left_once_the_chain_is_in_hand() -> None:
    server = TlsServer(TlsVersion.TLS1_2)

    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        flight = MemoryServer(server._context).receive(await reader.read(4096))
        writer.write(flight)
        try:
            while True:
                writer.write(b"\x17\x03\x03\x40\x00" + bytes(16384))
                await writer.drain()
        except ConnectionError:
            pass

    assert visit(handle).outcome is Outcome.SERVED


def test_a_closed_port() -> None:
    async def run() -> VisitSeen:
        with socket.socket() as held:
            # Bound, not listening: nobody else gets the port, and connections are refused.
            held.bind(("127.0.0.1", 0))
            ask = HandshakeAsk("127.0.0.1", held.getsockname()[1])
            return await visit_web(ask, "127.0.0.1", DEFAULT)

    seen = asyncio.run(run())
    assert (seen.outcome, seen.phase) == (Outcome.CLOSED, Phase.CONNECT)
    assert seen.detail == "the port is closed"


@pytest.mark.parametrize(
    ("number", "outcome", "detail"),
    [
        (errno.ENETUNREACH, Outcome.UNREACHABLE, "Network is unreachable"),
        (errno.EHOSTUNREACH, Outcome.UNREACHABLE, "No route to host"),
        (errno.EACCES, Outcome.UNREACHABLE, "Permission denied"),
        (errno.ETIMEDOUT, Outcome.SILENT, "nothing came back"),
        (errno.ECONNREFUSED, Outcome.CLOSED, "the port is closed"),
    ],
)
def test_what_the_system_says_on_connecting(
    monkeypatch: pytest.MonkeyPatch, number: int, outcome: Outcome, detail: str
) -> None:
    async def run() -> VisitSeen:
        async def refuse(*_: object) -> None:
            raise OSError(number, "Connect call failed ('192.0.2.1', 443)")

        monkeypatch.setattr(asyncio.get_running_loop(), "sock_connect", refuse)
        return await visit_web(HandshakeAsk("192.0.2.1", 443), "192.0.2.1", DEFAULT)

    seen = asyncio.run(run())
    assert (seen.outcome, seen.phase, seen.detail) == (outcome, Phase.CONNECT, detail)


def test_a_connection_that_never_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    async def run() -> VisitSeen:
        async def hang(*_: object) -> None:
            await asyncio.Event().wait()

        monkeypatch.setattr(asyncio.get_running_loop(), "sock_connect", hang)
        return await visit_web(HandshakeAsk("192.0.2.1", 443), "192.0.2.1", QUICK)

    seen = asyncio.run(run())
    assert (seen.outcome, seen.phase) == (Outcome.SILENT, Phase.CONNECT)
    assert seen.detail == "no connection within 0.1 s"
    assert seen.seconds == pytest.approx(0.1, abs=0.05)


def test_a_peer_that_says_nothing() -> None:
    seen = visit(mute, limits=QUICK)
    assert (seen.outcome, seen.phase) == (Outcome.SILENT, Phase.HELLO)
    assert seen.detail == "the connection stands, but nothing came within 0.1 s"


def test_a_peer_that_stops_in_the_middle() -> None:
    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(4096)
        writer.write(b"\x16\x03\x03\x00\x40\x02\x00\x00")
        await mute(reader, writer)

    seen = visit(handle, limits=QUICK)
    assert (seen.outcome, seen.phase) == (Outcome.CUT_OFF, Phase.HELLO)
    assert seen.detail == "the handshake was not finished within 0.1 s"


@pytest.mark.parametrize(
    ("parts", "outcome", "alert"),
    [
        ((), Outcome.CUT_OFF, None),
        ((b"\x16\x03\x03\x00\x40\x02\x00\x00",), Outcome.CUT_OFF, None),
        # RFC 8446 (now 9846), 6: a fatal (2) alert, handshake_failure (40).
        ((bytes((21, 3, 3, 0, 2, 2, 40)),), Outcome.REFUSED, "handshake_failure"),
        ((b"HTTP/1.1 400 Bad Request\r\n\r\n",), Outcome.NOT_TLS, None),
        ((b"SSH", b"-2.0-OpenSSH_9.2\r\n"), Outcome.NOT_TLS, None),
        ((b"\x16\x03\x03\x00\x2c\x02\x00\x00\x28" + b"\xff" * 40,), Outcome.MALFORMED, None),
    ],
)
def test_other_answers(parts: tuple[bytes, ...], outcome: Outcome, alert: str | None) -> None:
    seen = visit(says(*parts))
    assert (seen.outcome, seen.alert) == (outcome, alert)
    assert seen.certificates == ()


def test_a_reset_is_told_as_such() -> None:
    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(4096)
        # Linger for no time: closing sends RST (socket(7), SO_LINGER).
        writer.get_extra_info("socket").setsockopt(
            socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0)
        )

    seen = visit(handle)
    assert (seen.outcome, seen.phase, seen.detail) == (
        Outcome.CUT_OFF,
        Phase.HELLO,
        "the connection was reset",
    )


def test_an_error_of_our_own_is_not_taken_for_the_peers(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> bytes:
        raise ZeroDivisionError

    monkeypatch.setattr("probe.wire.tls.TlsClient.receive", broken)
    with pytest.raises(ZeroDivisionError):
        visit(says(b"\x16\x03\x03\x00\x01\x02"))


def test_a_cancelled_visit_leaves_no_socket() -> None:
    async def run() -> bytes:
        heard = asyncio.Event()
        rest: list[bytes] = []

        async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await reader.read(4096)
            heard.set()
            rest.append(await reader.read())
            gone.set()

        gone = asyncio.Event()
        async with listening(handle) as port:
            task = asyncio.create_task(
                visit_web(HandshakeAsk("127.0.0.1", port), "127.0.0.1", DEFAULT)
            )
            await heard.wait()
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
            await gone.wait()
            return rest[0]

    # Even then it is a TLS alert with which we leave (record type 21).
    assert asyncio.run(run())[0] == 21


@settings(deadline=None, max_examples=150)
@given(st.binary(max_size=200), st.booleans())
def test_no_answer_is_a_traceback(octets: bytes, looks_like_tls: bool) -> None:
    head = b"\x16\x03\x03" if looks_like_tls else b""
    seen = visit(says(head + octets))
    assert seen.outcome in {
        Outcome.CUT_OFF,
        Outcome.NOT_TLS,
        Outcome.MALFORMED,
        Outcome.REFUSED,
    }
