"""One DNS server: a few connected UDP sockets that all questions share, and TCP for long answers.

Nothing is decided here about what an answer means; here it is made sure that it is one. Thousands
of questions go through at a time, so each takes one future and one timer, and no more.
"""

import asyncio
import os
import random
from collections import deque
from typing import cast

from probe.limits import Limits
from probe.observe.message import MessageError, Response, query
from probe.plan.addresses import with_port

_ids = random.SystemRandom()
"""Guessing an id must not be easy (RFC 5452, 4.3)."""

_MOST_IN_FLIGHT = 8_192
"""On one socket, whatever the limits say: most of the 65,536 ids have to be free, also where four
times as many wait that no longer count."""

_QR, _TC = 0x80, 0x02
"""In the third octet (RFC 1035, 4.1.1)."""


class NoReplyError(Exception):
    """No usable response came."""

    def __init__(self, says: str, *, malformed: bool = False) -> None:
        super().__init__(says)
        self.says = says
        self.malformed = malformed
        """Something came that is no response."""


class CutShortError(Exception):
    """The response does not fit a datagram, and TCP did not give it either."""

    def __init__(self, says: str) -> None:
        super().__init__(says)
        self.says = says


class _Pending:
    """A query in flight."""

    __slots__ = ("asked", "complaint", "has_place", "name", "response", "timer")

    timer: asyncio.TimerHandle

    def __init__(self, asked: bytes, name: bytes, loop: asyncio.AbstractEventLoop) -> None:
        self.asked = asked
        self.name = name
        self.has_place = True
        """It counts among those in flight on its socket."""
        self.response: asyncio.Future[Response | None] = loop.create_future()
        """None: the response is truncated."""
        self.complaint: str | None = None
        """What was wrong with a datagram that came under its id."""

    def settle(self, response: Response | None) -> None:
        if not self.response.done():
            self.response.set_result(response)

    def fail(self, error: NoReplyError) -> None:
        if not self.response.done():
            self.response.set_exception(error)


class _Socket(asyncio.DatagramProtocol):
    """A connected socket and what is in flight on it."""

    def __init__(self, name: str, free: int) -> None:
        self._name = name
        self._closed = asyncio.Event()
        self._pending: dict[int, _Pending] = {}
        self.free = free
        """Questions that may still go."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        self._transport = cast(asyncio.DatagramTransport, transport)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002  # only ever ours
        """Note that the socket is closed."""
        self._closed.set()

    def number(self) -> int:
        """Return an id that nothing in flight has."""
        while (number := _ids.getrandbits(16)) in self._pending:
            pass
        return number

    def send(self, number: int, pending: _Pending) -> None:
        """Send a query under its number; `forget` it in the end."""
        self._pending[number] = pending
        self._transport.sendto(pending.asked)

    def forget(self, number: int) -> None:
        """Drop whatever comes under this number from now on."""
        del self._pending[number]

    def datagram_received(self, data: bytes, addr: object) -> None:  # noqa: ARG002  # connected
        """Match a datagram to its question; what matches none is dropped."""
        pending = self._pending.get(int.from_bytes(data[:2]))
        if pending is None or len(data) < 4:
            return
        if data[2] & _QR and data[2] & _TC:
            # Whether it is genuine shows over TCP, where the whole is checked.
            pending.settle(None)
            return
        try:
            pending.settle(_read(data, pending))
        except NoReplyError as error:
            # It may be forged: the true answer may still come.
            pending.complaint = error.says

    def error_received(self, exc: Exception) -> None:
        """Tell every question in flight that the server cannot be reached (ICMP)."""
        reason = "the port is closed" if isinstance(exc, ConnectionRefusedError) else _reason(exc)
        for pending in self._pending.values():
            pending.fail(NoReplyError(f"{self._name}: {reason}"))

    async def close(self) -> None:
        """Close it."""
        self._transport.abort()
        await self._closed.wait()


class Nameserver:
    """A server to ask. `close` it in the end."""

    def __init__(self, address: str, port: int, limits: Limits) -> None:
        self.name = with_port(address, port)
        self._where = (address, port)
        self._limits = limits
        self._sockets: list[_Socket] = []
        self._most_sockets = limits.dns_sockets
        self._opening = asyncio.Lock()
        self._line: deque[asyncio.Future[_Socket]] = deque()
        """Who waits for a place on a socket."""
        self._streams = asyncio.Semaphore(limits.dns_streams)
        self._silences = 0
        """TCP connections in a row that gave nothing."""

    async def ask(
        self, name: bytes, record_type: int, *, edns: bool = True, checked: bool = True
    ) -> Response:
        """Send one datagram and return its response, taken over TCP if it does not fit.

        `checked`: False asks for what there is without validation (CD; RFC 4035, 3.2.2). Raises
        NoReplyError after `dns_wait`, or at once if the server cannot be reached, and
        CutShortError.
        """
        socket = self._place() or await self._next_place()
        number = socket.number()
        loop = asyncio.get_running_loop()
        pending = _Pending(query(number, name, record_type, edns=edns, checked=checked), name, loop)
        pending.timer = loop.call_later(self._limits.dns_wait / 4, self._wait_on, socket, pending)
        try:
            socket.send(number, pending)
            response = await pending.response
        finally:
            socket.forget(number)
            pending.timer.cancel()
            if pending.has_place:
                self._give_back(socket)
        return await self._ask_by_stream(pending) if response is None else response

    async def close(self) -> None:
        """Close the sockets."""
        for socket in self._sockets:
            await socket.close()

    # ------------------------------------------------------------ places on sockets

    def _place(self) -> _Socket | None:
        """Take a place that is free, if there is one."""
        for socket in self._sockets:
            if socket.free:
                socket.free -= 1
                return socket
        return None

    async def _next_place(self) -> _Socket:
        """Take a place on a socket that may have to be opened first, or wait for one."""
        async with self._opening:
            place = self._place()
            if place is None and len(self._sockets) < self._most_sockets:
                await self._open()
                place = self._place()
            if place is not None:
                return place
        turn: asyncio.Future[_Socket] = asyncio.get_running_loop().create_future()
        self._line.append(turn)
        try:
            return await turn
        except asyncio.CancelledError:
            if turn.done() and not turn.cancelled():
                self._give_back(turn.result())
            raise

    def _give_back(self, socket: _Socket) -> None:
        """Pass a place on to whoever waits longest."""
        while self._line:
            turn = self._line.popleft()
            if not turn.done():
                turn.set_result(socket)
                return
        socket.free += 1

    async def _open(self) -> None:
        loop = asyncio.get_running_loop()
        free = min(self._limits.dns_in_flight, _MOST_IN_FLIGHT)
        try:
            async with asyncio.timeout(self._limits.dns_wait):
                _, socket = await loop.create_datagram_endpoint(
                    lambda: _Socket(self.name, free),
                    remote_addr=self._where,
                )
        except OSError as error:
            if not self._sockets:
                raise NoReplyError(f"no way to {self.name}: {_reason(error)}") from error
            # What there is must do: the process may have too many files open.
            self._most_sockets = len(self._sockets)
        else:
            self._sockets.append(socket)

    # ------------------------------------------------------------ waiting

    def _wait_on(self, socket: _Socket, pending: _Pending) -> None:
        # What has waited for so long will hardly overflow a buffer any more: without this, the
        # questions to a dead server would stand in line for each other.
        pending.has_place = False
        self._give_back(socket)
        rest = self._limits.dns_wait * 3 / 4
        pending.timer = asyncio.get_running_loop().call_later(rest, self._give_up, pending)

    def _give_up(self, pending: _Pending) -> None:
        if pending.complaint is None:
            pending.fail(NoReplyError(f"nothing came back from {self.name}"))
        else:
            pending.fail(NoReplyError(pending.complaint, malformed=True))

    # ------------------------------------------------------------ TCP

    async def _ask_by_stream(self, pending: _Pending) -> Response:
        async with self._streams:
            if self._silences >= self._limits.dns_streams:
                # Else thousands of questions would stand in line for the same silence.
                raise self._is_silent()
            octets = await self._taken_by_stream(pending.asked)
        response = _read(octets, pending)
        if octets[2] & _TC:
            # RFC 2181, 9: what is left of it does not say what the whole says.
            raise CutShortError(f"the answer of {self.name} is cut short over TCP too")
        return response

    def _is_silent(self) -> CutShortError:
        return CutShortError(
            f"the answer of {self.name} is longer than a datagram, and TCP is silent"
        )

    async def _taken_by_stream(self, asked: bytes) -> bytes:
        writer: asyncio.StreamWriter | None = None
        try:
            async with asyncio.timeout(self._limits.dns_wait):
                reader, writer = await asyncio.open_connection(*self._where)
                # RFC 1035, 4.2.2: two octets of length come first.
                writer.write(len(asked).to_bytes(2) + asked)
                length = int.from_bytes(await reader.readexactly(2))
                octets = await reader.readexactly(length)
        except TimeoutError:
            self._silences += 1
            raise self._is_silent() from None
        except (OSError, EOFError) as error:
            raise CutShortError(
                f"the answer of {self.name} is longer than a datagram, and over TCP: "
                f"{_reason(error)}"
            ) from error
        else:
            self._silences = 0
            return octets
        finally:
            if writer is not None:
                # A transport, as documented; StreamWriter types it wider.
                cast(asyncio.Transport, writer.transport).abort()


def _read(octets: bytes, pending: _Pending) -> Response:
    """Read a response to a query. Raises NoReplyError if it is none."""
    try:
        response = Response(octets)
    except MessageError as error:
        raise NoReplyError(f"the answer is no DNS message: {error}", malformed=True) from None
    if not response.is_response:
        raise NoReplyError("what came back is no DNS response", malformed=True)
    if not response.answers(pending.asked, pending.name):
        raise NoReplyError("the answer is to another question", malformed=True)
    return response


def _reason(error: BaseException) -> str:
    if isinstance(error, OSError) and error.errno and error.errno > 0:
        # The event loop replaces the system's words by its own, with the address in them.
        return os.strerror(error.errno)
    return str(error) or type(error).__name__
