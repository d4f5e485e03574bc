"""A TCP connection of our own, against sockets that are opened here."""

import asyncio
import errno
import gc
import socket
import weakref
from collections.abc import Iterator

import pytest

from probe.observe.stream import opening

WITHIN = 10.0


class Heard(asyncio.Protocol):
    """Notes what it is told."""

    def __init__(self) -> None:
        loop = asyncio.get_running_loop()
        self.data = b""
        self.made = 0
        self.transport: asyncio.BaseTransport | None = None
        self.lost: list[Exception | None] = []
        self.wanted = 1
        self.enough: asyncio.Future[None] = loop.create_future()
        self.over: asyncio.Future[None] = loop.create_future()
        self.stands: asyncio.Future[None] = loop.create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:  # noqa: ARG002
        self.made += 1
        self.stands.set_result(None)

    def data_received(self, data: bytes) -> None:
        self.data += data
        if len(self.data) >= self.wanted and not self.enough.done():
            self.enough.set_result(None)

    def connection_lost(self, exc: Exception | None) -> None:
        self.lost.append(exc)
        self.over.set_result(None)


@pytest.fixture
def listening() -> Iterator[socket.socket]:
    """Listen on loopback; the test takes the connection itself."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(WITHIN)
        yield server


async def opened(server: socket.socket) -> tuple[Heard, asyncio.Transport, socket.socket]:
    heard = Heard()
    ends = asyncio.get_running_loop().time() + WITHIN
    transport = await opening(heard, "127.0.0.1", server.getsockname()[1], ends)
    await heard.stands
    there, _ = server.accept()
    there.settimeout(WITHIN)
    return heard, transport, there


def test_it_carries_octets_both_ways(listening: socket.socket) -> None:
    async def run() -> None:
        heard, transport, there = await opened(listening)
        with there:
            assert heard.made == 1
            assert transport.get_extra_info("sockname") == there.getpeername()
            transport.write(b"a hello")
            assert there.recv(100) == b"a hello"
            there.sendall(b"an answer")
            heard.wanted = 9
            await heard.enough
            assert heard.data == b"an answer"
            transport.close()
            assert there.recv(100) == b""
        assert transport.is_closing()
        assert heard.lost == [None]
        assert transport.get_extra_info("sockname", "none") == "none"
        transport.write(b"too late")
        transport.abort()
        assert heard.lost == [None]

    asyncio.run(run())


def test_nothing_is_left_for_the_garbage_collector(listening: socket.socket) -> None:
    """What OpenSSL holds for a connection is large: it has to go with it."""

    async def run() -> None:
        heard, transport, there = await opened(listening)
        heard.transport = transport
        with there:
            transport.close()
        gone = weakref.ref(heard)
        del heard, transport
        await asyncio.sleep(0)
        assert gone() is None

    gc.disable()
    try:
        asyncio.run(run())
    finally:
        gc.enable()


def test_what_has_no_room_is_sent_later(listening: socket.socket) -> None:
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
    much = bytes(range(256)) * 40_000

    async def run() -> None:
        heard, transport, there = await opened(listening)
        with there:
            transport.write(much)
            transport.write(b"and that")
            assert 0 < transport.get_write_buffer_size() < len(much)
            taken = await asyncio.to_thread(_all, there, len(much) + 8)
            assert taken == much + b"and that"
            assert transport.get_write_buffer_size() == 0
            transport.write(b"." * len(much))
            transport.close()
            assert transport.get_write_buffer_size() == 0
        assert heard.lost == [None]

    asyncio.run(run())


def _all(there: socket.socket, octets: int) -> bytes:
    taken = b""
    while len(taken) < octets and (piece := there.recv(65_536)):
        taken += piece
    return taken


def test_the_peer_closes(listening: socket.socket) -> None:
    async def run() -> None:
        heard, transport, there = await opened(listening)
        there.close()
        await heard.over
        assert heard.lost == [None]
        assert transport.is_closing()

    asyncio.run(run())


def test_the_peer_resets(listening: socket.socket) -> None:
    async def run() -> None:
        heard, transport, there = await opened(listening)
        there.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
        there.close()
        await heard.over
        assert isinstance(heard.lost[0], ConnectionResetError)
        assert transport.is_closing()

    asyncio.run(run())


def test_sending_fails_and_the_protocol_is_told_afterwards(listening: socket.socket) -> None:
    async def run() -> None:
        heard, transport, there = await opened(listening)
        with there:
            there.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
            there.close()
            transport.pause_reading()
            transport.write(b"it was reset")
            assert heard.lost == []
            await heard.over
            assert isinstance(heard.lost[0], OSError)

    asyncio.run(run())


def test_what_comes_is_left_where_nothing_is_wanted(listening: socket.socket) -> None:
    async def run() -> None:
        heard, transport, there = await opened(listening)
        with there:
            transport.pause_reading()
            transport.pause_reading()
            there.sendall(b"more")
            for _ in range(3):
                await asyncio.sleep(0)
            assert heard.data == b""
            transport.close()

    asyncio.run(run())


def test_a_closed_port() -> None:
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))

        async def run() -> None:
            loop = asyncio.get_running_loop()
            heard = Heard()
            port = bound.getsockname()[1]
            try:
                transport = await opening(heard, "127.0.0.1", port, loop.time() + WITHIN)
                await heard.over
            except ConnectionRefusedError:
                return  # at once, on some systems
            assert isinstance(heard.lost[0], ConnectionRefusedError)
            assert transport.is_closing()
            assert heard.made == 0

        asyncio.run(run())


def test_it_is_closed_before_it_stands(listening: socket.socket) -> None:
    async def run() -> None:
        heard = Heard()
        ends = asyncio.get_running_loop().time() + WITHIN
        transport = await opening(heard, "127.0.0.1", listening.getsockname()[1], ends)
        transport.close()
        assert heard.lost == [None]
        for _ in range(3):
            await asyncio.sleep(0)
        assert heard.made == 0

    asyncio.run(run())


def test_a_socket_that_cannot_be_watched_is_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[socket.socket] = []

    def hang(itself: socket.socket, _where: object) -> None:
        made.append(itself)
        raise BlockingIOError

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    async def run() -> None:
        loop = asyncio.get_running_loop()
        monkeypatch.setattr(socket.socket, "connect", hang)
        monkeypatch.setattr(loop, "add_writer", full)
        with pytest.raises(OSError, match="No space left"):
            await opening(Heard(), "127.0.0.1", 443, loop.time() + WITHIN)

    asyncio.run(run())
    assert [one.fileno() for one in made] == [-1]


def test_an_address_with_a_scope(listening: socket.socket) -> None:
    """asyncio resolves it: no such interface is no crash."""

    async def run() -> None:
        loop = asyncio.get_running_loop()
        with pytest.raises(socket.gaierror):
            await opening(Heard(), "fe80::1%nowhere0", 443, loop.time() + WITHIN)

    asyncio.run(run())
