"""Many questions at once: how many sockets, how many on each, how many TCP connections."""

import asyncio
import errno
import gc
import itertools
import socket
from collections import Counter
from collections.abc import Callable, Sequence
from socket import SOCK_DGRAM, SOCK_STREAM
from typing import cast

import dns.flags
import dns.message
import pytest

from probe.limits import DEFAULT, Limits
from probe.observation.model import LookupAsk, LookupOutcome
from probe.observe import dns as lookups
from probe.observe.dns import LookupSeen, Resolvers
from probe.observe.message import Response
from probe.observe.nameserver import Asked, Nameserver, NoReplyError
from probe.records import replace
from tests.observe.nameservers import Answer, ask, reply, serving
from tests.peers.servers import free_port

SOA = "northpier.example. 300 SOA ns.northpier.example. root.northpier.example. 1 2 3 4 300"


class HoldingServer(asyncio.DatagramProtocol):
    """Answers nothing until it holds so many questions: fewer would stand still."""

    def __init__(self, until: int) -> None:
        self._until = until
        self._held: list[tuple[dns.message.Message, tuple[str, int]]] = []
        self.batches: list[Counter[int]] = []
        """Questions held by the port that they came from, each time."""
        self.ids: list[set[tuple[int, int]]] = []
        """Their ids, each with its port."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self._held.append((dns.message.from_wire(data), addr))
        if len(self._held) < self._until:
            return
        self.batches.append(Counter(port for _, (_, port) in self._held))
        self.ids.append({(port, query.id) for query, (_, port) in self._held})
        for query, asker in self._held:
            self._transport.sendto(reply(query, authority=(SOA,)).to_wire(), asker)
        self._held.clear()


async def ask_all(place: str, count: int, limits: Limits) -> list[LookupSeen]:
    resolvers = Resolvers(limits)
    try:
        return await asyncio.gather(
            *(
                ask(resolvers, LookupAsk(f"quay{number}.northpier.example", "A", place))
                for number in range(count)
            )
        )
    finally:
        await resolvers.close()


def ask_holding(count: int, until: int, limits: Limits) -> tuple[list[LookupSeen], HoldingServer]:
    async def run() -> tuple[list[LookupSeen], HoldingServer]:
        loop = asyncio.get_running_loop()
        transport, server = await loop.create_datagram_endpoint(
            lambda: HoldingServer(until), local_addr=("127.0.0.1", 0)
        )
        port = transport.get_extra_info("sockname")[1]
        try:
            return await ask_all(f"127.0.0.1:{port}", count, limits), server
        finally:
            transport.close()

    return asyncio.run(run())


def outcomes(seen: Sequence[LookupSeen]) -> set[LookupOutcome]:
    return {one.outcome for one in seen}


def test_further_sockets_are_opened_as_each_is_full() -> None:
    limits = replace(DEFAULT, dns_in_flight=4, dns_sockets=3)
    seen, server = ask_holding(48, 12, limits)
    assert outcomes(seen) == {LookupOutcome.NO_DATA}
    assert [sorted(batch.values()) for batch in server.batches] == [[4, 4, 4]] * 4
    assert len(set().union(*server.batches)) == 3


def test_one_socket_is_enough_for_few_questions() -> None:
    seen, server = ask_holding(4, 4, replace(DEFAULT, dns_in_flight=4, dns_sockets=3))
    assert outcomes(seen) == {LookupOutcome.NO_DATA}
    assert [sorted(batch.values()) for batch in server.batches] == [[4]]


def test_most_ids_stay_free_whatever_the_limits_say(monkeypatch: pytest.MonkeyPatch) -> None:
    """A plan may allow more questions in flight than there are ids."""
    monkeypatch.setattr("probe.observe.nameserver._MOST_IN_FLIGHT", 3)
    seen, server = ask_holding(12, 3, replace(DEFAULT, dns_in_flight=100_000, dns_sockets=1))
    assert outcomes(seen) == {LookupOutcome.NO_DATA}
    assert [sorted(batch.values()) for batch in server.batches] == [[3]] * 4


def test_thousands_of_questions_are_all_answered() -> None:
    """As many as a socket's buffer never holds at once."""

    def handle(query: dns.message.Message) -> Answer:
        return reply(query, f"{query.question[0].name} 300 A 192.0.2.11")

    async def run() -> list[LookupSeen]:
        async with serving(handle) as server:
            return await ask_all(server.place, 2_000, DEFAULT)

    seen = asyncio.run(run())
    assert outcomes(seen) == {LookupOutcome.ANSWERED}
    assert {one.data for one in seen} == {("192.0.2.11",)}


def test_a_socket_that_cannot_be_opened_leaves_the_others() -> None:
    """A process may have run out of files: what it has must do."""
    limits = replace(DEFAULT, dns_in_flight=2, dns_sockets=4)

    async def run() -> list[LookupSeen]:
        async with serving(lambda query: reply(query, authority=(SOA,))) as server:
            let_open(lambda before: before == 0)
            return await ask_all(server.place, 20, limits)

    assert outcomes(asyncio.run(run())) == {LookupOutcome.NO_DATA}


def test_a_first_socket_that_cannot_be_opened_fails_one_question() -> None:
    """There may be files again at once: the others wait for the next socket."""

    async def run() -> list[Response | Exception]:
        loop = asyncio.get_running_loop()
        async with serving(lambda query: reply(query, authority=(SOA,))) as there:
            let_open(lambda before: before > 0)
            server = Nameserver("127.0.0.1", there.port, DEFAULT)
            came: list[asyncio.Future[Response | Exception]] = []
            for _ in range(5):
                came.append(loop.create_future())
                server.ask(b"\x05quay1\x00", 1, came[-1].set_result)
            async with asyncio.timeout(10):
                said = await asyncio.gather(*came)
            await server.close()
            return said

    first, *others = asyncio.run(run())
    assert isinstance(first, NoReplyError)
    assert first.says.endswith(": Too many open files")
    assert [type(one) for one in others] == [Response] * 4


def let_open(may_open: Callable[[int], bool]) -> None:
    """Open a UDP socket on this loop only if `may_open` says so of how many were tried before."""
    loop = asyncio.get_running_loop()
    tries = itertools.count()
    opens = loop.create_datagram_endpoint

    async def faulty(*arguments: object, **options: object) -> object:
        if not may_open(next(tries)):
            raise OSError(errno.EMFILE, "Too many open files")
        return await opens(*arguments, **options)  # type: ignore[arg-type]  # passed on

    loop.create_datagram_endpoint = faulty  # type: ignore[method-assign, assignment]  # the fault


def test_at_most_so_many_tcp_connections_are_open() -> None:
    limits = replace(DEFAULT, dns_streams=4)
    batches: list[int] = []

    async def run() -> list[LookupSeen]:
        held: list[asyncio.Event] = []

        async def stream(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            length = int.from_bytes(await reader.readexactly(2))
            query = dns.message.from_wire(await reader.readexactly(length))
            held.append(asyncio.Event())
            turn = held[-1]
            if len(held) == 4:
                batches.append(len(held))
                for waiting in held:
                    waiting.set()
                held.clear()
            await turn.wait()
            writer.write(reply(query, authority=(SOA,)).to_wire(prepend_length=True))
            await writer.drain()
            writer.close()

        port = free_port(SOCK_DGRAM, SOCK_STREAM)
        listener = await asyncio.start_server(stream, "127.0.0.1", port)
        transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            Truncating, local_addr=("127.0.0.1", port)
        )
        try:
            return await ask_all(f"127.0.0.1:{port}", 12, limits)
        finally:
            transport.close()
            listener.close()
            await listener.wait_closed()

    assert outcomes(asyncio.run(run())) == {LookupOutcome.NO_DATA}
    assert batches == [4] * 3


def test_a_silent_tcp_port_costs_its_time_once() -> None:
    """Two meet the silence together, and perhaps a third before both have; the others are told."""
    limits = replace(DEFAULT, dns_streams=2, dns_wait=0.3)

    async def run() -> tuple[list[LookupSeen], int]:
        port = free_port(SOCK_DGRAM, SOCK_STREAM)
        # The system completes connections to it, and nobody takes them.
        with socket.create_server(("127.0.0.1", port), backlog=64) as silent:
            transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
                Truncating, local_addr=("127.0.0.1", port)
            )
            try:
                seen = await ask_all(f"127.0.0.1:{port}", 40, limits)
            finally:
                transport.close()
            return seen, connections(silent)

    seen, met = asyncio.run(run())
    assert outcomes(seen) == {LookupOutcome.FAILED}
    assert {str(one.detail).rpartition("and ")[2] for one in seen} == {"TCP is silent"}
    assert 2 <= met <= 3


def connections(listener: socket.socket) -> int:
    """Return how many connections nobody has taken yet."""
    listener.setblocking(False)
    count = 0
    while True:
        try:
            listener.accept()[0].close()
        except BlockingIOError:
            return count
        count += 1


def test_a_tcp_port_that_speaks_again_is_asked_again() -> None:
    """Silences in a row count, not those of the whole run."""
    limits = replace(DEFAULT, dns_streams=2, dns_wait=0.3)
    taken: list[str] = []

    async def run() -> list[LookupOutcome]:
        async def stream(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            length = int.from_bytes(await reader.readexactly(2))
            query = dns.message.from_wire(await reader.readexactly(length))
            taken.append(query.question[0].name.labels[0].decode())
            if taken[-1].startswith("silent"):
                await reader.read()  # until the other side gives up
            else:
                writer.write(reply(query, authority=(SOA,)).to_wire(prepend_length=True))
                await writer.drain()
            writer.close()

        port = free_port(SOCK_DGRAM, SOCK_STREAM)
        listener = await asyncio.start_server(stream, "127.0.0.1", port)
        transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            Truncating, local_addr=("127.0.0.1", port)
        )
        resolvers = Resolvers(limits)
        try:
            hosts = ("silent1", "quay1", "silent2", "quay2", "silent3", "silent4", "quay3")
            asks = [
                LookupAsk(f"{host}.northpier.example", "A", f"127.0.0.1:{port}") for host in hosts
            ]
            return [(await ask(resolvers, one)).outcome for one in asks]
        finally:
            await resolvers.close()
            transport.close()
            listener.close()
            await listener.wait_closed()

    failed, no_data = LookupOutcome.FAILED, LookupOutcome.NO_DATA
    assert asyncio.run(run()) == [failed, no_data, failed, no_data, failed, failed, failed]
    assert taken[-1] == "silent4"


class Truncating(asyncio.DatagramProtocol):
    """Says to everything that the answer is too long."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        query = dns.message.from_wire(data)
        self._transport.sendto(reply(query, flags=dns.flags.TC).to_wire(), addr)


def test_a_closed_port_refuses_hundreds_of_questions() -> None:
    """Each refusal is told to all that are in flight, some while one is just being sent."""

    async def run() -> list[LookupSeen]:
        async with serving(lambda _: None) as server:
            closed = server.place
        return await ask_all(closed, 600, DEFAULT)

    seen = asyncio.run(run())
    assert outcomes(seen) == {LookupOutcome.SILENT}
    assert all(one.detail and "the port is closed" in one.detail for one in seen)


def test_each_question_is_told_once_of_many_errors(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each datagram to a closed port brings an error to the socket, before anybody is told."""
    settled: list[Asked] = []
    settle = Nameserver.settle

    def counted(server: Nameserver, asked: Asked, response: Response | Exception) -> None:
        settled.append(asked)
        settle(server, asked, response)

    monkeypatch.setattr(Nameserver, "settle", counted)

    async def run() -> list[Response | Exception]:
        loop = asyncio.get_running_loop()
        heard = asyncio.Event()

        def handle(query: dns.message.Message) -> None:
            if query.question[0].name.labels[0] == b"quay3":
                heard.set()

        async with serving(handle) as there:
            server = Nameserver("127.0.0.1", there.port, DEFAULT)
            came: list[asyncio.Future[Response | Exception]] = []
            for name in (b"\x05quay1\x00", b"\x05quay2\x00", b"\x05quay3\x00"):
                came.append(loop.create_future())
                server.ask(name, 1, came[-1].set_result)
            await heard.wait()
            (its,) = server._sockets
            for _ in range(5):
                its.error_received(ConnectionRefusedError())
            said = await asyncio.gather(*came)
            await server.close()
            return said

    for error in asyncio.run(run()):
        assert isinstance(error, NoReplyError)
        assert error.says.endswith(": the port is closed")
    assert len(settled) == 3


def test_nothing_more_is_asked_while_it_closes() -> None:
    """An answer leads to the next question: those that come meanwhile lead to none."""
    limits = replace(DEFAULT, dns_in_flight=1, dns_sockets=2)
    name = b"\x05quay1\x00"

    async def run() -> bytes:
        loop = asyncio.get_running_loop()
        with socket.socket(socket.AF_INET, SOCK_DGRAM) as there:
            there.bind(("127.0.0.1", 0))
            there.setblocking(False)
            server = Nameserver("127.0.0.1", there.getsockname()[1], limits)

            def ask_more(_: Response | Exception) -> None:
                server.ask(name, 1, ask_more)

            server.ask(name, 1, ask_more)
            server.ask(name, 1, ask_more)
            held = [await loop.sock_recvfrom(there, 512) for _ in range(2)]
            for octets, asker in held:
                answer = reply(dns.message.from_wire(octets), authority=(SOA,))
                there.sendto(answer.to_wire(), asker)
            await server.close()
            # It comes behind whatever was asked by now.
            there.sendto(b"the end", there.getsockname())
            return await loop.sock_recv(there, 512)

    assert asyncio.run(run()) == b"the end"


def test_lookups_are_freed_as_they_are_let_go_of() -> None:
    """The command looks for circles of garbage seldom, and there are thousands of lookups."""
    gc.collect()
    gc.disable()
    try:
        seen, _ = ask_holding(32, 4, DEFAULT)
        left = [one for one in gc.get_objects() if isinstance(one, lookups._Lookup | Asked)]
    finally:
        gc.enable()
    assert len(seen) == 32
    assert left == []


def test_ids_in_flight_differ() -> None:
    """Of so many at random, two would be alike in one run of eight."""
    _, server = ask_holding(128, 128, DEFAULT)
    assert [len(ids) for ids in server.ids] == [128]


def test_without_a_way_there_is_no_reply() -> None:
    async def run() -> None:
        # The system refuses a broadcast before anything is sent.
        server = Nameserver("255.255.255.255", 53, DEFAULT)
        came: asyncio.Future[Response | Exception] = asyncio.get_running_loop().create_future()
        server.ask(b"\x05quay1\x00", 1, came.set_result)
        error = await came
        assert isinstance(error, NoReplyError)
        assert error.says.startswith("no way to 255.255.255.255:53: ")
        await server.close()

    asyncio.run(run())
