"""A TCP connection that tells a protocol what comes, as asyncio's transports do, at less cost.

asyncio resolves what is an address already, waits in a task of its own, and goes round the loop
three times before the first octet. A visit opens a connection for a single flight, so that all this
took as long as the handshake.
"""

import asyncio
import socket
from contextlib import suppress

_READ = 65_536
"""Octets that are taken at a time. A server's flight is a few thousand."""


class Stream(asyncio.Transport):
    """One connection, opened by `opening`. What cannot be sent at once waits for room."""

    def __init__(
        self,
        opened: socket.socket,
        protocol: asyncio.Protocol,
        loop: asyncio.AbstractEventLoop,
    ) -> None:
        super().__init__()
        self._socket: socket.socket | None = opened
        self._protocol: asyncio.Protocol | None = protocol
        self._loop = loop
        self._number = opened.fileno()
        """What the loop is given: of a socket it would make a text each time."""
        self._unsent = bytearray()
        self._reads = False
        self._writes = True
        """Whether it is waited for room, or for the connection to stand."""
        loop.add_writer(self._number, self._stands)

    def get_extra_info(self, name: str, default: object = None) -> object:
        """Return `sockname`; nothing else is told."""
        if name != "sockname" or self._socket is None:
            return default
        return self._socket.getsockname()

    def is_closing(self) -> bool:
        """Whether it is closed."""
        return self._socket is None

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """Send it, or as much as there is room for, and the rest as soon as there is."""
        if self._socket is None or not data:
            return
        if self._unsent:
            self._unsent += data
            return
        try:
            sent = self._socket.send(data)
        except (BlockingIOError, InterruptedError):
            sent = 0
        except OSError as error:
            # Not while the protocol is at it.
            self._loop.call_soon(self._lost, error)
            return
        if sent < len(data):
            self._unsent += data[sent:]
            self._writes = True
            self._loop.add_writer(self._number, self._writable)

    def get_write_buffer_size(self) -> int:
        """Return how many octets wait for room."""
        return len(self._unsent)

    def pause_reading(self) -> None:
        """Take nothing more in."""
        if self._reads:
            self._reads = False
            self._loop.remove_reader(self._number)

    def close(self) -> None:
        """Close it at once: what waits for room is dropped."""
        self._lost(None)

    def abort(self) -> None:
        """Do the same."""
        self._lost(None)

    def _stands(self) -> None:
        # It is no longer waited for once closed.
        assert self._socket is not None  # noqa: S101
        assert self._protocol is not None  # noqa: S101
        wrong = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if wrong:
            self._lost(OSError(wrong, "no connection"))
            return
        self._writes = False
        self._loop.remove_writer(self._number)
        self._reads = True
        self._loop.add_reader(self._number, self._readable)
        self._protocol.connection_made(self)

    def _readable(self) -> None:
        # It is no longer waited for once closed.
        assert self._socket is not None  # noqa: S101
        assert self._protocol is not None  # noqa: S101
        try:
            data = self._socket.recv(_READ)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._lost(error)
            return
        if data:
            self._protocol.data_received(data)
        else:
            self._lost(None)

    def _writable(self) -> None:
        assert self._socket is not None  # noqa: S101  # it is no longer waited for once closed
        try:
            sent = self._socket.send(self._unsent)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._lost(error)
            return
        del self._unsent[:sent]
        if not self._unsent:
            self._writes = False
            self._loop.remove_writer(self._number)

    def _lost(self, error: Exception | None) -> None:
        """Close the socket, and tell the protocol, once."""
        opened, self._socket = self._socket, None
        # Let go of: it holds us, and a circle would keep all that OpenSSL has for the connection.
        protocol, self._protocol = self._protocol, None
        if opened is None or protocol is None:
            return
        self.pause_reading()
        if self._writes:
            self._loop.remove_writer(self._number)
            self._unsent.clear()
        opened.close()
        protocol.connection_lost(error)


async def opening(
    protocol: asyncio.Protocol, address: str, port: int, ends: float
) -> asyncio.Transport:
    """Open a connection, or begin to: the protocol is told when it stands, or of its loss before
    that. Raises OSError if it is known already that there is none; TimeoutError without a number
    where the loop opens it, and has not done so when it `ends`, by its clock."""
    loop = asyncio.get_running_loop()
    if "%" in address or not isinstance(loop, asyncio.SelectorEventLoop):
        # A scope has to be resolved; and a loop may not tell when a socket is ready (Windows).
        async with asyncio.timeout_at(ends):
            transport, _ = await loop.create_connection(lambda: protocol, address, port)
            return transport
    opened = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET)
    try:
        opened.setblocking(False)
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with suppress(BlockingIOError, InterruptedError):
            opened.connect((address, port))
        return Stream(opened, protocol, loop)
    except BaseException:
        opened.close()
        raise
