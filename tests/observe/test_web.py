"""Every outcome of a web visit, each with a peer on loopback that brings it about."""

import asyncio
import errno
import gc
import socket
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from OpenSSL import SSL

from probe.limits import DEFAULT, Limits
from probe.observation.model import HandshakeAsk, HttpSeen, Outcome, Phase, TlsVersion
from probe.observe.visit import VisitSeen
from probe.observe.web import visit_web
from probe.records import replace
from tests.observe import standstill
from tests.wire.handmade import ClientHello, message, record, tls13_flight
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
        except (asyncio.CancelledError, ConnectionResetError):
            pass  # a client that is interrupted leaves in the midst
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
    tls: tuple[TlsVersion, ...] = (TlsVersion.TLS1_2, TlsVersion.TLS1_3),
    head: bool = False,
) -> VisitSeen:
    async def run() -> VisitSeen:
        async with listening(handle) as port:
            ask = HandshakeAsk(
                "127.0.0.1", port, name=server_name, server_name=server_name, tls=tls, head=head
            )
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
    """A true TLS server that keeps what it heard after its own flight, and answers one request."""

    def __init__(
        self,
        version: TlsVersion,
        *,
        piece: int = 1 << 20,
        answer: bytes = b"HTTP/1.1 204 No Content\r\n\r\n",
        staple: bytes | None = None,
    ) -> None:
        chain = make_chain("rsa")
        self._key = chain.key
        self._staple = staple
        """TLS 1.3: what it gives for an OCSP response to whoever wants one, and then nothing."""
        self.chain = der(chain.leaf, chain.intermediate, chain.root)
        self._context = server_context(
            chain.key, chain.leaf, chain.intermediate, chain.root, version=version
        )
        self._piece = piece
        self._answer = answer
        self.request = b""
        self.connections = 0
        self.names: list[bytes | None] = []
        self.after: bytes = b""
        self.left = asyncio.Event()

    async def handle(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        server = MemoryServer(self._context)
        self.connections += 1
        hello = await reader.read(4096)
        flight = server.receive(hello)
        self.names.append(server.connection.get_servername())
        if self._staple is not None and 5 in ClientHello(hello).extensions:
            writer.write(tls13_flight(hello, self.chain, self._key, staple=self._staple))
            await mute(reader, writer)
            return
        await self._send(writer, flight)
        self.after = b""
        while octets := await reader.read(4096):
            self.after += octets
            await self._send(writer, server.receive(octets) + self._answered(server))
        self.left.set()

    async def _send(self, writer: asyncio.StreamWriter, octets: bytes) -> None:
        for start in range(0, len(octets), self._piece):
            writer.write(octets[start : start + self._piece])
            await writer.drain()

    def _answered(self, server: MemoryServer) -> bytes:
        try:
            self.request = server.connection.recv(4096)
            server.connection.sendall(self._answer)
            return server.connection.bio_read(1 << 20)
        except SSL.Error:
            return b""


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
    assert seen.seconds > 0


def test_the_visit_ends_with_close_notify() -> None:
    """RFC 5246, 7.2.1: a warning alert (1) close_notify (0), in a record of type 21."""

    async def run() -> bytes:
        server = TlsServer(TlsVersion.TLS1_2)
        async with listening(server.handle) as port:
            await visit_web(HandshakeAsk("127.0.0.1", port), "127.0.0.1", DEFAULT)
            await server.left.wait()
            return server.after

    assert asyncio.run(run()).endswith(bytes((21, 3, 3, 0, 2, 1, 0)))


# ---------------------------------------------------------------- HEAD

ANSWER = (
    b"HTTP/1.1 302 Found\r\nDate: Wed, 25 Nov 2026 14:47:10 GMT\r\n"
    b"Location: http://elsewhere.invalid/\r\nSet-Cookie: s=1\r\n"
    b"Strict-Transport-Security: max-age=31536000; includeSubDomains\r\n\r\n"
)


@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
@pytest.mark.parametrize("piece", [1 << 20, 1])
def test_one_head_over_the_same_connection(version: TlsVersion, piece: int) -> None:
    """RFC 9110, 9.3.2. The redirect is not followed."""
    server = TlsServer(version, piece=piece, answer=ANSWER)
    seen = visit(server.handle, head=True)
    assert (seen.outcome, seen.phase, seen.certificates) == (
        Outcome.SERVED,
        Phase.FINISH,
        server.chain,
    )
    assert seen.http == HttpSeen(
        status=302,
        date=datetime(2026, 11, 25, 14, 47, 10, tzinfo=UTC),
        strict_transport="max-age=31536000; includeSubDomains",
    )
    first, host, *_ = server.request.split(b"\r\n")
    assert first == b"HEAD / HTTP/1.1"
    assert host.startswith(b"Host: quay1.northpier.example:")
    assert b"ookie" not in server.request
    assert server.connections == 1


def test_without_head_nothing_is_asked() -> None:
    server = TlsServer(TlsVersion.TLS1_3, answer=ANSWER)
    assert visit(server.handle).http is None
    assert server.request == b""


@pytest.mark.parametrize(
    "answer",
    [b"", b"HTTP/1.1 2", b"220 ready\r\n\r\n", b"x" * 40_000, b"HTTP/1.1 103 \r\n\r\n" * 9],
    ids=["silence", "a stump", "no HTTP", "endless", "interim without end"],
)
@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
def test_the_chain_stands_whatever_answers_the_head(answer: bytes, version: TlsVersion) -> None:
    seen = visit(
        TlsServer(version, answer=answer).handle, head=True, limits=replace(DEFAULT, head_wait=0.2)
    )
    assert (seen.outcome, seen.phase, seen.http) == (Outcome.SERVED, Phase.FINISH, None)
    assert seen.served is not None
    assert seen.served.key_proven


@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
def test_a_server_that_goes_after_its_flight_has_shown_its_chain(version: TlsVersion) -> None:
    """As one does that wants a certificate of the client's and gets none."""
    server = TlsServer(version)

    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(MemoryServer(server._context).receive(await reader.read(4096)))
        await reader.read(4096)

    seen = visit(handle, head=True)
    assert (seen.outcome, seen.certificates, seen.http) == (Outcome.SERVED, server.chain, None)


def test_a_name_that_is_an_address_is_written_as_one() -> None:
    """RFC 9110, 7.2; RFC 3986, 3.2.2: an IPv6 address goes into brackets."""
    server = TlsServer(TlsVersion.TLS1_3)

    async def run() -> None:
        async with listening(server.handle, "::1") as port:
            await visit_web(HandshakeAsk("::1", port, name="::1", head=True), "::1", DEFAULT)
            assert server.request.split(b"\r\n")[1] == f"Host: [::1]:{port}".encode()

    asyncio.run(run())


# ---------------------------------------------------------------- staples


def test_a_staple_that_cannot_be_read_costs_one_connection_more() -> None:
    """Most clients pass over it, so what they are served is to be seen whole."""
    server = TlsServer(TlsVersion.TLS1_3, answer=ANSWER, staple=b"no staple")
    seen = visit(server.handle, head=True)
    assert (seen.outcome, seen.certificates, server.connections) == (
        Outcome.SERVED,
        server.chain,
        2,
    )
    assert seen.spoiled_staple
    assert seen.served is not None
    assert seen.served.key_proven
    assert seen.served.staple == b"no staple"
    assert seen.http is not None


# ---------------------------------------------------------------- stalls


@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
@pytest.mark.parametrize("head", [False, True])
def test_a_stall_at_any_place_is_one_outcome_in_time(version: TlsVersion, head: bool) -> None:
    """The server sends so much of its flight, and then nothing, forever."""
    chain = make_chain("ecdsa")
    context = server_context(chain.key, chain.leaf, version=version)
    limits = replace(DEFAULT, tls_wait=0.05, head_wait=0.05)
    outcomes = []
    for sent in range(0, 900, 45):

        async def handle(
            reader: asyncio.StreamReader, writer: asyncio.StreamWriter, most: int = sent
        ) -> None:
            writer.write(MemoryServer(context).receive(await reader.read(4096))[:most])
            await mute(reader, writer)

        seen = visit(handle, limits=limits, head=head)
        assert (seen.outcome is Outcome.SERVED) == bool(seen.certificates)
        outcomes.append(seen.outcome)
    assert outcomes[0] is Outcome.SILENT
    assert Outcome.CUT_OFF in outcomes
    assert outcomes[-1] is Outcome.SERVED


def test_a_trickle_is_left_at_the_deadline() -> None:
    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(4096)
        loop = asyncio.get_running_loop()
        while not writer.is_closing():
            writer.write(b"\x16\x03\x03\x3f\xff\x02" if first() else b"\x00")
            await writer.drain()
            later = loop.create_future()
            loop.call_later(0.01, later.set_result, None)
            await later

    firsts = iter([True])

    def first() -> bool:
        return next(firsts, False)

    seen = visit(handle, limits=replace(DEFAULT, tls_wait=0.1))
    assert (seen.outcome, seen.phase) == (Outcome.CUT_OFF, Phase.HELLO)


def test_megabytes_of_certificates_are_not_taken() -> None:
    """A Certificate message may announce 16 MB (RFC 5246, 7.4.2): 256 KB are taken."""
    sent = 0

    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal sent
        hello = ClientHello(await reader.read(4096))
        body = b"\x03\x03" + hello.random + b"\0\xc0\x2f\0" + b"\0\5\xff\x01\0\1\0"
        writer.write(record(22, message(2, body)))
        writer.write(record(22, b"\x0b\xff\xff\xff\xff\xff\xfc\x03\xff\xff"))
        with suppress(ConnectionError):
            while sent < 16 << 20:
                writer.write(record(22, b"\x30" * 16_000))
                await writer.drain()
                sent += 16_000

    seen = visit(handle, tls=(TlsVersion.TLS1_2,))
    assert seen.outcome is Outcome.MALFORMED
    assert sent < 16 << 20


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
        def refuse(*_: object) -> None:
            raise OSError(number, "in the system's words")

        monkeypatch.setattr(socket.socket, "connect", refuse)
        return await visit_web(HandshakeAsk("192.0.2.1", 443), "192.0.2.1", DEFAULT)

    seen = asyncio.run(run())
    assert (seen.outcome, seen.phase, seen.detail) == (outcome, Phase.CONNECT, detail)


def test_a_connection_that_never_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    async def run() -> VisitSeen:
        def hang(*_: object) -> None:
            raise BlockingIOError

        monkeypatch.setattr(socket.socket, "connect", hang)
        monkeypatch.setattr(asyncio.get_running_loop(), "add_writer", lambda *_: None)
        return await visit_web(HandshakeAsk("192.0.2.1", 443), "192.0.2.1", QUICK)

    seen = standstill.run(run())
    assert (seen.outcome, seen.phase) == (Outcome.SILENT, Phase.CONNECT)
    assert seen.detail == "no connection within 0.1 s"
    assert seen.seconds == pytest.approx(0.1)


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


def test_a_refusal_in_the_turn_of_an_interrupt(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits to be told any more, and nobody is to be told that an error was left unread."""
    unread: list[str] = []

    def hang(*_: object) -> None:
        raise BlockingIOError

    async def run() -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: unread.append(context["message"]))
        watched: asyncio.Future[Callable[[], None]] = loop.create_future()
        monkeypatch.setattr(socket.socket, "connect", hang)
        monkeypatch.setattr(loop, "add_writer", lambda _, told: watched.set_result(told))
        ask = HandshakeAsk("127.0.0.1", 443)
        task = asyncio.create_task(visit_web(ask, "127.0.0.1", DEFAULT))
        told = await watched
        monkeypatch.setattr(socket.socket, "getsockopt", lambda *_: errno.ECONNREFUSED)
        task.cancel()
        told()
        with pytest.raises(asyncio.CancelledError):
            await task
        del task
        gc.collect()

    asyncio.run(run())
    assert unread == []


def test_a_connection_that_stands_as_its_time_is_over(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where asyncio opens it, the time may be over in the turn in which we are told of it."""

    async def run() -> VisitSeen:
        loop = asyncio.get_running_loop()
        connect = loop.create_connection

        async def slow(
            factory: Callable[[], asyncio.Protocol], host: str, port: int
        ) -> tuple[asyncio.Transport, asyncio.Protocol]:
            def stood_still() -> asyncio.Protocol:
                standstill.pass_over(DEFAULT.connect_wait)
                return factory()

            return await connect(stood_still, host, port)

        async with listening(mute) as port:
            # Such a loop is not taken for one that tells when a socket is ready.
            monkeypatch.setattr(asyncio, "SelectorEventLoop", type("Selecting", (), {}))
            monkeypatch.setattr(loop, "create_connection", slow)
            return await visit_web(HandshakeAsk("127.0.0.1", port), "127.0.0.1", DEFAULT)

    seen = asyncio.run(run())
    assert (seen.outcome, seen.phase) == (Outcome.SILENT, Phase.HELLO)
    assert seen.detail == "the connection stands, but nothing came within 0.0 s"
    assert seen.source == "127.0.0.1"


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
