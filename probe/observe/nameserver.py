"""One DNS server: a few connected UDP sockets that all questions share, and TCP for long answers.

Nothing is decided here about what an answer means; here it is made sure that it is one. Thousands
of questions go through at a time, so whoever asks is called with what comes: a question takes
neither a task nor a timer of its own.
"""

import asyncio
import os
from collections import deque
from collections.abc import Callable
from typing import cast

from probe.limits import Limits
from probe.observe.message import MessageError, Response, query
from probe.observe.waits import Waits
from probe.plan.addresses import with_port

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


Take = Callable[[Response | Exception], None]
"""Is given what came of a question, once: the response, NoReplyError or CutShortError. Must not
raise."""


class Asked:
    """A question to a server, until there is a response."""

    __slots__ = (
        *("checked", "complaint", "edns", "has_place", "is_failing", "is_over"),
        *("name", "number", "octets", "socket", "take", "type"),
    )

    number: int
    octets: bytes
    """What was sent, and under which id, once it was."""

    def __init__(  # all that makes a question
        self,
        name: bytes,
        record_type: int,
        take: Take,
        *,
        edns: bool,
        checked: bool,
    ) -> None:
        self.name = name
        self.type = record_type
        self.edns = edns
        self.checked = checked
        self.take = take
        self.socket: _Socket | None = None
        """Where it was sent; None: it stands in line."""
        self.has_place = False
        """It counts among those in flight on its socket."""
        self.is_over = False
        """No datagram is awaited any more."""
        self.is_failing = False
        """It will be told of an error at once."""
        self.complaint: str | None = None
        """What was wrong with a datagram that came under its id."""


class _Socket(asyncio.DatagramProtocol):
    """A connected socket and what is in flight on it."""

    def __init__(self, server: "Nameserver", free: int) -> None:
        self._server = server
        self._closed = asyncio.Event()
        self._pending: dict[int, Asked] = {}
        self.free = free
        """Questions that may still go."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        self._transport = cast(asyncio.DatagramTransport, transport)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002  # only ever ours
        """Note that the socket is closed."""
        self._closed.set()

    def send(self, asked: Asked) -> None:
        """Send a question under an id that nothing in flight has; `forget` it in the end."""
        # Guessing it must not be easy (RFC 5452, 4.3).
        while (number := int.from_bytes(os.urandom(2))) in self._pending:
            pass
        asked.socket, asked.number = self, number
        asked.octets = query(number, asked.name, asked.type, edns=asked.edns, checked=asked.checked)
        self._pending[number] = asked
        self._transport.sendto(asked.octets)

    def forget(self, asked: Asked) -> None:
        """Drop whatever comes under its id from now on."""
        del self._pending[asked.number]

    def datagram_received(self, data: bytes, addr: object) -> None:  # noqa: ARG002  # connected
        """Match a datagram to its question; what matches none is dropped."""
        asked = self._pending.get(int.from_bytes(data[:2]))
        if asked is None or len(data) < 4:
            return
        if data[2] & _QR and data[2] & _TC:
            # Whether it is genuine shows over TCP, where the whole is checked.
            self._server.is_truncated(asked)
            return
        try:
            response = _read(data, asked)
        except NoReplyError as error:
            # It may be forged: the true answer may still come.
            asked.complaint = error.says
        else:
            self._server.settle(asked, response)

    def error_received(self, exc: Exception) -> None:
        """Tell every question in flight that the server cannot be reached (ICMP)."""
        reason = "the port is closed" if isinstance(exc, ConnectionRefusedError) else _reason(exc)
        says = f"{self._server.name}: {reason}"
        # One by one, and later: it may be that a question is just being sent, and each of them may
        # be followed by another.
        loop = asyncio.get_running_loop()
        for asked in self._pending.values():
            if not asked.is_failing:
                asked.is_failing = True
                loop.call_soon(self._server.settle, asked, NoReplyError(says))

    def let_go(self) -> None:
        """Let go of what is in flight, and take nothing more in."""
        for asked in self._pending.values():
            asked.is_over = True
        self._pending.clear()
        self._transport.abort()

    async def close(self) -> None:
        """Close it, and let go of what is in flight."""
        self.let_go()
        await self._closed.wait()


class Nameserver:
    """A server to ask. `close` it in the end."""

    def __init__(self, address: str, port: int, limits: Limits) -> None:
        self.name = with_port(address, port)
        self._where = (address, port)
        self._limits = limits
        self._sockets: list[_Socket] = []
        self._most_sockets = limits.dns_sockets
        self._opening: asyncio.Task[None] | None = None
        self._line: deque[Asked] = deque()
        """What waits for a place on a socket."""
        self._placed = Waits(limits.dns_wait / 4, self._lose_place)
        self._waiting = Waits(limits.dns_wait * 3 / 4, self._give_up)
        self._streams = asyncio.Semaphore(limits.dns_streams)
        self._reading: set[asyncio.Task[None]] = set()
        """What goes on over TCP."""
        self._silences = 0
        """TCP connections in a row that gave nothing."""

    def ask(
        self,
        name: bytes,
        record_type: int,
        take: Take,
        *,
        edns: bool = True,
        checked: bool = True,
    ) -> None:
        """Send one datagram, and have its response taken, over TCP if it does not fit.

        `checked`: False asks for what there is without validation (CD; RFC 4035, 3.2.2). It is
        NoReplyError after `dns_wait`, or at once if the server cannot be reached.
        """
        asked = Asked(name, record_type, take, edns=edns, checked=checked)
        for socket in self._sockets:
            if socket.free:
                socket.free -= 1
                self._send(asked, socket)
                return
        self._line.append(asked)
        self._open_one()

    def settle(self, asked: Asked, response: Response | Exception) -> None:
        """Hand over what came of a question, once."""
        if not asked.is_over:
            self._drop(asked)
            asked.take(response)

    def is_truncated(self, asked: Asked) -> None:
        """Take the response to a question over TCP."""
        self._drop(asked)
        reading = asyncio.create_task(self._take_by_stream(asked))
        self._reading.add(reading)
        reading.add_done_callback(self._reading.discard)

    async def close(self) -> None:
        """Close the sockets. What is not answered by now never will be."""
        self._line.clear()
        self._placed.close()
        self._waiting.close()
        for socket in self._sockets:
            socket.let_go()  # at once: else answers would lead to further questions meanwhile
        tasks = [*self._reading, *([self._opening] if self._opening is not None else ())]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for socket in self._sockets:
            await socket.close()

    # ------------------------------------------------------------ places on sockets

    def _send(self, asked: Asked, socket: _Socket) -> None:
        """Send a question on a socket where a place was taken for it."""
        asked.has_place = True
        self._placed.add(asked)
        socket.send(asked)

    def _drop(self, asked: Asked) -> None:
        asked.is_over = True
        if asked.socket is None:
            return  # it stood in line
        asked.socket.forget(asked)
        self._give_back(asked)

    def _give_back(self, asked: Asked) -> None:
        """Give back the place of a question, if it has one still."""
        if asked.has_place and asked.socket is not None:
            asked.has_place = False
            self._pass_on(asked.socket)

    def _pass_on(self, socket: _Socket) -> None:
        """Give a place to what waits longest."""
        if self._line:
            self._send(self._line.popleft(), socket)
        else:
            socket.free += 1

    def _open_one(self) -> None:
        """Open one more socket, if there may be one, for what waits in line."""
        if self._opening is None and len(self._sockets) < self._most_sockets:
            self._opening = asyncio.create_task(self._open())

    async def _open(self) -> None:
        loop = asyncio.get_running_loop()
        free = min(self._limits.dns_in_flight, _MOST_IN_FLIGHT)
        try:
            async with asyncio.timeout(self._limits.dns_wait):
                _, socket = await loop.create_datagram_endpoint(
                    lambda: _Socket(self, free), remote_addr=self._where
                )
        except Exception as error:
            self._opening = None
            # What there is must do: the process may have too many files open.
            self._most_sockets = len(self._sockets) or self._most_sockets
            if not self._sockets:
                self._fail(error)
                if self._line:
                    self._open_one()
            return
        self._opening = None
        self._sockets.append(socket)
        self._fill(socket)

    def _fill(self, socket: _Socket) -> None:
        """Give the places on a new socket to what waits in line: one each time round the loop, as
        the server's buffer may hold less than all of them together."""
        if not self._line:
            return
        if not socket.free:
            self._open_one()
            return
        socket.free -= 1
        self._pass_on(socket)
        asyncio.get_running_loop().call_soon(self._fill, socket)

    def _fail(self, error: Exception) -> None:
        """Tell what waits longest that there is no socket; for the next one there may be."""
        if isinstance(error, OSError):
            error = NoReplyError(f"no way to {self.name}: {_reason(error)}")
        if self._line:
            self.settle(self._line.popleft(), error)

    # ------------------------------------------------------------ waiting

    def _lose_place(self, asked: Asked) -> None:
        # What has waited for so long will hardly overflow a buffer any more: without this, the
        # questions to a dead server would stand in line for each other.
        self._waiting.add(asked)
        self._give_back(asked)

    def _give_up(self, asked: Asked) -> None:
        if asked.complaint is None:
            self.settle(asked, NoReplyError(f"nothing came back from {self.name}"))
        else:
            self.settle(asked, NoReplyError(asked.complaint, malformed=True))

    # ------------------------------------------------------------ TCP

    async def _take_by_stream(self, asked: Asked) -> None:
        try:
            response: Response | Exception = await self._ask_by_stream(asked)
        except Exception as error:  # whoever asked knows which of them are to be expected
            response = error
        asked.take(response)

    async def _ask_by_stream(self, asked: Asked) -> Response:
        async with self._streams:
            if self._silences >= self._limits.dns_streams:
                # Else thousands of questions would stand in line for the same silence.
                raise self._is_silent()
            octets = await self._taken_by_stream(asked.octets)
        response = _read(octets, asked)
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


def _read(octets: bytes, asked: Asked) -> Response:
    """Read a response to a query. Raises NoReplyError if it is none."""
    try:
        response = Response(octets)
    except MessageError as error:
        raise NoReplyError(f"the answer is no DNS message: {error}", malformed=True) from None
    if not response.is_response:
        raise NoReplyError("what came back is no DNS response", malformed=True)
    if not response.answers(asked.octets, asked.name):
        raise NoReplyError("the answer is to another question", malformed=True)
    return response


def _reason(error: BaseException) -> str:
    if isinstance(error, OSError) and error.errno and error.errno > 0:
        # The event loop replaces the system's words by its own, with the address in them.
        return os.strerror(error.errno)
    return str(error) or type(error).__name__
