"""What every server of the lab needs: sockets that are bound before they are handed over.

A port is bound once and kept: nothing here binds, closes and binds again, so two labs that run at
the same time never take each other's place. Also a port that must look closed is held by a socket.
"""

import asyncio
import errno
import socket
from collections.abc import Callable, Iterable
from typing import cast


class PlaceTaken(OSError):
    """An address and port are in use by somebody else, or cannot be used on this machine."""

    @property
    def address_missing(self) -> bool:
        """Whether the machine has no such address at all."""
        return self.errno == errno.EADDRNOTAVAIL


def _bound(kind: socket.SocketKind, address: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    bound = socket.socket(family, kind)
    try:
        if kind is socket.SOCK_STREAM:
            # Connections of an earlier lab that are still in TIME_WAIT are no reason to fail.
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((address, port))
    except OSError as error:
        bound.close()
        if error.errno in (errno.EADDRINUSE, errno.EADDRNOTAVAIL, errno.EACCES):
            protocol = "TCP" if kind is socket.SOCK_STREAM else "UDP"
            raise PlaceTaken(
                error.errno, f"{address} port {port} over {protocol}: {error.strerror}"
            ) from error
        raise
    return bound


def tcp_socket(address: str, port: int) -> socket.socket:
    """Return a TCP socket bound there and listening; port 0 lets the system choose.

    Raises PlaceTaken.
    """
    bound = _bound(socket.SOCK_STREAM, address, port)
    bound.listen(128)
    return bound


def udp_socket(address: str, port: int) -> socket.socket:
    """Return a UDP socket bound there. Raises PlaceTaken."""
    return _bound(socket.SOCK_DGRAM, address, port)


def closed_tcp_socket(address: str, port: int) -> socket.socket:
    """Return a TCP socket that holds the port and refuses connections, for it does not listen."""
    return _bound(socket.SOCK_STREAM, address, port)


def closed_udp_socket(address: str, port: int) -> socket.socket:
    """Return a UDP socket that holds the port, to which the system answers "port unreachable".

    It is connected to itself: so what anybody else sends finds no receiver.
    """
    bound = udp_socket(address, port)
    bound.connect(bound.getsockname())
    return bound


def udp_and_tcp_sockets(address: str, port: int) -> tuple[socket.socket, socket.socket]:
    """Return a UDP and a TCP socket on the same port, UDP first.

    UDP is bound first, as its ports cannot be shared: whoever has it has the place.
    With port 0 some ports are tried until one is free for both. Raises PlaceTaken.
    """
    return _udp_and(tcp_socket, address, port)


def udp_and_closed_tcp_sockets(address: str, port: int) -> tuple[socket.socket, socket.socket]:
    """Return the same, with a TCP socket that refuses connections. Raises PlaceTaken."""
    return _udp_and(closed_tcp_socket, address, port)


def _udp_and(
    tcp: Callable[[str, int], socket.socket], address: str, port: int
) -> tuple[socket.socket, socket.socket]:
    attempts = 1 if port else 20
    while True:
        attempts -= 1
        udp = udp_socket(address, port)
        try:
            return udp, tcp(address, udp.getsockname()[1])
        except PlaceTaken:
            udp.close()
            if not attempts:
                raise


class Stream(asyncio.Protocol):
    """One TCP connection, known to its server until it is lost."""

    transport: asyncio.Transport

    def __init__(self, open_streams: set["Stream"]) -> None:
        self._open_streams = open_streams

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.Transport, transport)
        self._open_streams.add(self)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002  # asyncio's signature
        self._open_streams.discard(self)


class StreamServer:
    """A TCP server over a bound socket that leaves no connection behind when it stops.

    asyncio's own server fails in an assertion if it is closed while a connection arrives, so
    connections are taken by hand here.
    """

    def __init__(self, listener: socket.socket, protocol: Callable[[set[Stream]], Stream]) -> None:
        self._listener = listener
        self._protocol = protocol
        self._open: set[Stream] = set()
        self._arriving: set[asyncio.Task[object]] = set()

    async def start(self) -> None:
        self._listener.setblocking(False)
        asyncio.get_running_loop().add_reader(self._listener, self._accept)

    async def stop(self) -> None:
        asyncio.get_running_loop().remove_reader(self._listener)
        await asyncio.gather(*self._arriving)
        for stream in tuple(self._open):
            stream.transport.abort()
        self._listener.close()

    def _accept(self) -> None:
        try:
            connection, _ = self._listener.accept()
        except (BlockingIOError, InterruptedError, ConnectionAbortedError):
            return  # gone again before it was taken
        loop = asyncio.get_running_loop()
        task: asyncio.Task[object] = loop.create_task(
            loop.connect_accepted_socket(lambda: self._protocol(self._open), connection)
        )
        self._arriving.add(task)
        task.add_done_callback(self._arriving.discard)


Answering = Callable[[bytes, tuple[str, int]], bytes | Iterable[bytes] | None]
"""Takes a datagram and its sender; returns one that answers it, several, or none."""


class Datagrams(asyncio.DatagramProtocol):
    """A UDP server over a bound socket."""

    transport: asyncio.DatagramTransport

    def __init__(self, answer: Answering) -> None:
        self._answer = answer

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        answer = self._answer(data, addr)
        for each in (answer,) if isinstance(answer, bytes) else answer or ():
            self.transport.sendto(each, addr)


class DatagramServer:
    """A UDP server over a bound socket."""

    def __init__(self, bound: socket.socket, answer: Answering) -> None:
        self._bound = bound
        self._answer = answer
        self._transport: asyncio.DatagramTransport | None = None

    async def start(self) -> None:
        self._transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            lambda: Datagrams(self._answer), sock=self._bound
        )

    async def stop(self) -> None:
        if self._transport is not None:
            self._transport.abort()
