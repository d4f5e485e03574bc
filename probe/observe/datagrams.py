"""A UDP socket as a queue: datagrams and ICMP errors, in the order in which they came."""

import asyncio
from typing import cast

from probe.plan.addresses import canonical_address, with_port

_UNREAD = 32
"""Datagrams that wait to be read. A conversation has one reply at a time; a flood is dropped."""


class Datagrams(asyncio.DatagramProtocol):
    """Speaks with one server.

    Connected, it is told of a closed port, and hears nobody else. Unconnected, it hears whoever
    answers, and is told of nothing.
    """

    def __init__(self) -> None:
        self.source: str | None = None
        """The address that it sends from."""
        self._server: tuple[str, int] | None = None
        """Unconnected: where to send to."""
        self._came: asyncio.Queue[tuple[bytes, str | None] | OSError] = asyncio.Queue(_UNREAD)
        self._transport: asyncio.DatagramTransport | None = None
        self._closed = asyncio.Event()

    async def connect(self, address: str, port: int) -> None:
        """Bind, and connect to the server. Raises OSError."""
        await self._open(remote=(address, port))

    async def bind(self, source: str, address: str, port: int) -> None:
        """Bind to an address of this machine, for one server, whatever address it answers from.
        Raises OSError."""
        self._server = address, port
        await self._open(local=(source, 0))

    async def _open(
        self, local: tuple[str, int] | None = None, remote: tuple[str, int] | None = None
    ) -> None:
        self._transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            lambda: self, local_addr=local, remote_addr=remote
        )
        self.source = str(self._transport.get_extra_info("sockname")[0])

    def send(self, octets: bytes) -> None:
        """Send a datagram; an error comes by `receive`."""
        cast(asyncio.DatagramTransport, self._transport).sendto(octets, self._server)

    async def receive(self) -> tuple[bytes, str | None]:
        """Return the next datagram, and where it came from if that is not where we had sent to: an
        address, with the port if that alone differs. Raises OSError for what ICMP says."""
        came = await self._came.get()
        if isinstance(came, OSError):
            raise came
        return came

    async def close(self) -> None:
        """Close it and wait until it is gone."""
        if self._transport is not None:
            self._transport.abort()
            await self._closed.wait()

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        """Take a datagram in."""
        self._put((data, self._elsewhere(addr)))

    def error_received(self, exc: Exception) -> None:
        """Take an ICMP error in."""
        if isinstance(exc, OSError):
            self._put(exc)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002  # only ever ours
        """Note that the socket is gone."""
        self._closed.set()

    def _elsewhere(self, addr: tuple[str, int]) -> str | None:
        if self._server is None:
            return None
        address, port = canonical_address(addr[0].partition("%")[0]), addr[1]
        if address != canonical_address(self._server[0]):
            return address
        return None if port == self._server[1] else with_port(address, port)

    def _put(self, item: tuple[bytes, str | None] | OSError) -> None:
        if not self._came.full():
            self._came.put_nowait(item)
