"""The relay: what it loses, where its replies come from, and how it spreads what comes."""

import asyncio
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from lab.relay import Balancing, Path, Relay
from lab.serving import DatagramServer, udp_socket

LOOPBACK = "127.0.0.1"
WAIT = 5.0
Answering = Callable[[bytes, tuple[str, int]], bytes | None]


@asynccontextmanager
async def client_of(
    *answers: Answering,
    path: Path = Path(),  # noqa: B008  # frozen
    balancing: Balancing = Balancing.BY_CLIENT,
    elsewhere: str | None = None,
) -> AsyncIterator[tuple[socket.socket, tuple[str, int]]]:
    """Put a relay before some servers; yield a socket that takes replies from anywhere, and where
    the relay is."""
    servers, places = [], []
    for answer in answers:
        bound = udp_socket(LOOPBACK, 0)
        places.append(bound.getsockname())
        servers.append(DatagramServer(bound, answer))
        await servers[-1].start()
    front = udp_socket(LOOPBACK, 0)
    place = front.getsockname()
    replying = udp_socket(elsewhere, 0) if elsewhere is not None else None
    relay = Relay(front, places, path, balancing=balancing, elsewhere=replying)
    await relay.start()
    client = udp_socket(LOOPBACK, 0)
    client.setblocking(False)
    try:
        yield client, place
    finally:
        client.close()
        await relay.stop()
        for server in servers:
            await server.stop()
        await asyncio.sleep(0)


async def said(client: socket.socket, place: tuple[str, int], octets: bytes) -> bytes:
    loop = asyncio.get_running_loop()
    await loop.sock_sendto(client, octets, place)
    async with asyncio.timeout(WAIT):
        return (await loop.sock_recvfrom(client, 65_536))[0]


def echo(octets: bytes, _: tuple[str, int]) -> bytes:
    return octets


def test_what_is_too_large_is_lost_by_direction() -> None:
    """Order is kept, so that what comes next shows that the large one did not come."""

    def long_answer(octets: bytes, _: tuple[str, int]) -> bytes:
        return octets * 10

    async def run() -> None:
        async with client_of(long_answer, path=Path(lose_requests_over=100)) as (client, place):
            loop = asyncio.get_running_loop()
            await loop.sock_sendto(client, b"x" * 101, place)
            assert await said(client, place, b"y" * 100) == b"y" * 1_000
        async with client_of(long_answer, path=Path(lose_replies_over=999)) as (client, place):
            loop = asyncio.get_running_loop()
            await loop.sock_sendto(client, b"x" * 100, place)
            assert await said(client, place, b"y" * 99) == b"y" * 990

    asyncio.run(run())


def test_replies_may_come_from_elsewhere() -> None:
    async def run() -> None:
        async with client_of(echo, elsewhere="127.0.0.2") as (client, place):
            loop = asyncio.get_running_loop()
            await loop.sock_sendto(client, b"hello", place)
            async with asyncio.timeout(WAIT):
                octets, sender = await loop.sock_recvfrom(client, 100)
            assert (octets, sender[0]) == (b"hello", "127.0.0.2")

    asyncio.run(run())


def test_packets_are_spread_by_client_or_one_by_one() -> None:
    def first(_: bytes, __: tuple[str, int]) -> bytes:
        return b"first"

    def second(_: bytes, __: tuple[str, int]) -> bytes:
        return b"second"

    async def four(balancing: Balancing) -> list[bytes]:
        async with client_of(first, second, balancing=balancing) as (client, place):
            return [await said(client, place, b"?") for _ in range(4)]

    assert asyncio.run(four(Balancing.BY_PACKET)) == [b"first", b"second"] * 2
    assert asyncio.run(four(Balancing.BY_CLIENT)) == [b"first"] * 4


def test_nobody_behind_is_no_crash() -> None:
    """What is sent to a closed port is lost, and the relay goes on."""

    async def run() -> None:
        gone = udp_socket(LOOPBACK, 0)
        place = gone.getsockname()
        gone.close()
        front = udp_socket(LOOPBACK, 0)
        relay = Relay(front, [place])
        await relay.start()
        with udp_socket(LOOPBACK, 0) as client:
            client.setblocking(False)
            loop = asyncio.get_running_loop()
            for _ in range(3):
                await loop.sock_sendto(client, b"anybody?", front.getsockname())
                await asyncio.sleep(0)
        await relay.stop()

    asyncio.run(run())
