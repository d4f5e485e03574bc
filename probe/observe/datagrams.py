"""A UDP socket as a queue: datagrams and ICMP errors, in the order in which they came.

asyncio's own transport would take as long to be made as a round of a conversation, and each
conversation has a socket of its own.
"""

import asyncio
import socket
from collections import deque

from probe.plan.addresses import canonical_address, with_port

_UNREAD = 32
"""Datagrams that wait to be read. A conversation has one reply at a time; a flood is dropped."""

_LARGEST = 65_536


class Datagrams:
    """Speaks with one server.

    Connected, it is told of a closed port, and hears nobody else. Unconnected, it hears whoever
    answers, and is told of nothing.
    """

    def __init__(self) -> None:
        self.source: str | None = None
        """The address that it sends from."""
        self._server: tuple[str, int] | None = None
        """Unconnected: where to send to."""
        self._came: deque[tuple[bytes, str | None] | OSError] = deque()
        self._waiting: asyncio.Future[None] | None = None
        self._deadline = 0.0
        """Until when it is waited."""
        self._timer: asyncio.TimerHandle | None = None
        """Wakes whoever waits, at the deadline or before. It is kept from one wait to the next, as
        nearly all of them end long before."""
        self._socket: socket.socket | None = None

    async def connect(self, address: str, port: int) -> None:
        """Bind, and connect to the server. Raises OSError."""
        self._open(address).connect((address, port))
        self._begin()

    async def bind(self, source: str, address: str, port: int) -> None:
        """Bind to an address of this machine, for one server, whatever address it answers from.
        Raises OSError."""
        self._server = address, port
        self._open(source).bind((source, 0))
        self._begin()

    def _open(self, address: str) -> socket.socket:
        family = socket.AF_INET6 if ":" in address else socket.AF_INET
        opened = self._socket = socket.socket(family, socket.SOCK_DGRAM)
        opened.setblocking(False)
        return opened

    def _begin(self) -> None:
        assert self._socket is not None  # noqa: S101  # it was just opened
        self.source = str(self._socket.getsockname()[0])
        # By its number: of a socket the loop would make a text.
        number = self._socket.fileno()
        asyncio.get_running_loop().add_reader(number, self._readable, self._socket)

    def send(self, octets: bytes) -> None:
        """Send a datagram; an error comes by `receive`."""
        assert self._socket is not None  # noqa: S101  # nothing is sent before it is open
        try:
            if self._server is None:
                self._socket.send(octets)
            else:
                self._socket.sendto(octets, self._server)
        except (BlockingIOError, InterruptedError):
            pass  # the system has no room for it: it is lost, as datagrams are
        except OSError as error:
            self._put(error)

    async def receive(self, deadline: float) -> tuple[bytes, str | None] | None:
        """Return the next datagram, and where it came from if that is not where we had sent to: an
        address, with the port if that alone differs. None: nothing came before the deadline, by
        the loop's clock. Raises OSError for what ICMP says."""
        if not self._came:
            loop = asyncio.get_running_loop()
            self._waiting = loop.create_future()
            self._deadline = deadline
            self._set_timer(loop)
            try:
                await self._waiting
            finally:
                self._waiting = None
        if not self._came:
            return None
        came = self._came.popleft()
        if isinstance(came, OSError):
            raise came
        return came

    async def close(self) -> None:
        """Close it."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._socket is not None:
            asyncio.get_running_loop().remove_reader(self._socket.fileno())
            self._socket.close()
            self._socket = None

    def _readable(self, opened: socket.socket) -> None:
        """Take a datagram in, or an ICMP error."""
        try:
            octets, address = opened.recvfrom(_LARGEST)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._put(error)
        else:
            self._put((octets, self._elsewhere(address)))

    def _set_timer(self, loop: asyncio.AbstractEventLoop) -> None:
        """Have a timer that runs out at the deadline at the latest."""
        if self._timer is not None:
            if self._timer.when() <= self._deadline:
                return
            self._timer.cancel()
        self._timer = loop.call_at(self._deadline, self._run_out, loop)

    def _run_out(self, loop: asyncio.AbstractEventLoop) -> None:
        """Wake whoever waits if it is time, or wait on."""
        timer, self._timer = self._timer, None
        if self._waiting is None:
            return
        assert timer is not None  # noqa: S101  # it is what calls this
        if timer.when() < self._deadline:
            self._set_timer(loop)
        else:
            self._wake()

    def _wake(self) -> None:
        if self._waiting is not None and not self._waiting.done():
            self._waiting.set_result(None)

    def _elsewhere(self, addr: tuple[str, int]) -> str | None:
        if self._server is None:
            return None
        address, port = canonical_address(addr[0].partition("%")[0]), addr[1]
        if address != canonical_address(self._server[0]):
            return address
        return None if port == self._server[1] else with_port(address, port)

    def _put(self, item: tuple[bytes, str | None] | OSError) -> None:
        if len(self._came) < _UNREAD:
            self._came.append(item)
        self._wake()
