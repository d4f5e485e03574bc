"""A UDP socket: datagrams and ICMP errors, in the order in which they came.

asyncio's own transport would take as long to be made as a round of a conversation, and each
conversation has a socket of its own.
"""

import asyncio
import socket
from collections import deque
from collections.abc import Callable

from probe.observe.waits import Alarm
from probe.plan.addresses import canonical_address, with_port

Take = Callable[[bytes, str | None], bool]
"""Takes a datagram, and where it came from if that is not where we had sent to: an address, with
the port if that alone differs. Returns whether no more is waited for."""

_UNREAD = 32
"""Datagrams that came while nobody waited. A conversation has one reply at a time; a flood is
dropped."""

_LARGEST = 65_536


class Datagrams(Alarm):
    """Speaks with one server.

    Connected, it is told of a closed port, and hears nobody else. Unconnected, it hears whoever
    answers, and is told of nothing. `until` sets another deadline for whoever listens.
    """

    def __init__(self) -> None:
        self.source: str | None = None
        """The address that it sends from."""
        self._server: tuple[str, int] | None = None
        """Unconnected: where to send to."""
        self._came: deque[tuple[bytes, str | None] | OSError] = deque()
        self._take: Take | None = None
        self._waiting: asyncio.Future[bool] | None = None
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
        """Send a datagram; an error comes by `listen`."""
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

    async def listen(self, deadline: float, take: Take) -> bool:
        """Hand over each datagram as it comes, until one is all that was waited for. False: there
        was none before the deadline, by the loop's clock. Raises OSError for what ICMP says, and
        what `take` raises."""
        self.until(deadline)
        while self._came:
            came = self._came.popleft()
            if isinstance(came, OSError):
                raise came
            if take(*came):
                return True
        self._take = take
        self._waiting = asyncio.get_running_loop().create_future()
        try:
            return await self._waiting
        finally:
            self._waiting = self._take = None

    async def close(self) -> None:
        """Close it."""
        self.end()
        if self._socket is not None:
            asyncio.get_running_loop().remove_reader(self._socket.fileno())
            self._socket.close()
            self._socket = None

    def _readable(self, opened: socket.socket) -> None:
        """Take a datagram in, or an ICMP error."""
        elsewhere = None
        try:
            if self._server is None:
                octets = opened.recv(_LARGEST)
            else:
                octets, address = opened.recvfrom(_LARGEST)
                elsewhere = self._elsewhere(self._server, address)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._put(error)
        else:
            self._put((octets, elsewhere))

    def _too_late(self) -> None:
        if self._waiting is not None and not self._waiting.done():
            self._waiting.set_result(False)

    @staticmethod
    def _elsewhere(server: tuple[str, int], addr: tuple[str, int]) -> str | None:
        address, port = canonical_address(addr[0].partition("%")[0]), addr[1]
        if address != canonical_address(server[0]):
            return address
        return None if port == server[1] else with_port(address, port)

    def _put(self, item: tuple[bytes, str | None] | OSError) -> None:
        """Hand something over to whoever listens, or keep it."""
        waiting, take = self._waiting, self._take
        if waiting is None or take is None or waiting.done():
            if len(self._came) < _UNREAD:
                self._came.append(item)
            return
        try:
            if isinstance(item, OSError):
                raise item
            enough = take(*item)
        except Exception as error:  # theirs who listen
            if not waiting.done():
                waiting.set_exception(error)
            return
        if enough and not waiting.done():
            waiting.set_result(True)
