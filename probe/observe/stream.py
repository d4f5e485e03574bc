"""A TCP connection that tells a protocol what comes, as asyncio's transports do, at less cost.

asyncio resolves what is an address already, waits in a task of its own, and goes round the loop
three times before the first octet. A visit opens a connection for a single flight, so that all this
took as long as the handshake.
"""

import asyncio
import socket

_READ = 65_536
"""Octets that are taken at a time. A server's flight is a few thousand."""


class Stream(asyncio.Transport):
    """One connection, opened by `connected`. What cannot be sent at once waits for room."""

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
        self._reads = True
        loop.add_reader(self._number, self._readable)

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
            self._loop.add_writer(self._number, self._writable)

    def get_write_buffer_size(self) -> int:
        """Return how many octets wait for room."""
        return len(self._unsent)

    def pause_reading(self) -> None:
        """Take nothing more in."""
        if self._reads and self._socket is not None:
            self._loop.remove_reader(self._number)
        self._reads = False

    def close(self) -> None:
        """Close it at once: what waits for room is dropped."""
        self._lost(None)

    def abort(self) -> None:
        """Do the same."""
        self._lost(None)

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
            self._loop.remove_writer(self._number)

    def _lost(self, error: Exception | None) -> None:
        """Close the socket, and tell the protocol, once."""
        opened, self._socket = self._socket, None
        # Let go of: it holds us, and a circle would keep all that OpenSSL has for the connection.
        protocol, self._protocol = self._protocol, None
        if opened is None or protocol is None:
            return
        if self._reads:
            self._loop.remove_reader(self._number)
        if self._unsent:
            self._loop.remove_writer(self._number)
            self._unsent.clear()
        opened.close()
        protocol.connection_lost(error)


async def connected(
    protocol: asyncio.Protocol, address: str, port: int, ends: float
) -> asyncio.Transport:
    """Open a connection before `ends` by the loop's clock. Raises OSError; TimeoutError without a
    number if it was too late."""
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
        try:
            opened.connect((address, port))
        except (BlockingIOError, InterruptedError):
            await _stands(loop, opened, ends)
    except BaseException:
        opened.close()
        raise
    stream = Stream(opened, protocol, loop)
    protocol.connection_made(stream)
    return stream


async def _stands(loop: asyncio.AbstractEventLoop, opened: socket.socket, ends: float) -> None:
    """Wait until a connection stands. Raises as `connected` does."""
    over: asyncio.Future[None] = loop.create_future()

    def decided() -> None:
        wrong = opened.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if over.done():
            return
        if wrong:
            over.set_exception(OSError(wrong, "no connection"))
        else:
            over.set_result(None)

    def too_late() -> None:
        if not over.done():
            over.set_exception(TimeoutError())

    number = opened.fileno()
    loop.add_writer(number, decided)
    timer = loop.call_at(ends, too_late)
    try:
        await over
    finally:
        timer.cancel()
        loop.remove_writer(number)


async def come(event: "asyncio.Future[None]", ends: float) -> bool:
    """Wait for a future, and return whether it came before `ends` by the loop's clock. If not, it
    is given its result all the same. Raises what it holds.

    As `asyncio.timeout_at` would, at a third of the cost.
    """
    late = False

    def too_late() -> None:
        nonlocal late
        if not event.done():
            late = True
            event.set_result(None)

    if event.done():
        event.result()
        return True
    timer = asyncio.get_running_loop().call_at(ends, too_late)
    try:
        await event
    finally:
        timer.cancel()
    return not late
