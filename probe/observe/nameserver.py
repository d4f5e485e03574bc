"""One DNS server: a connected UDP socket that all questions share, and TCP for long answers.

Nothing is decided here about what an answer means; here it is made sure that it is one.
"""

import asyncio
import os
import random
import struct
from typing import cast

import dns.exception
import dns.flags
import dns.message
import dns.name
import dns.rdatatype

from probe.limits import Limits
from probe.plan.addresses import with_port

_PAYLOAD = 1232
"""Octets of a datagram that we can take: no path has to fragment it, as the least MTU of IPv6 is
1,280 (RFC 8200, 5), and 48 of these are headers."""

_ids = random.SystemRandom()
"""Guessing an id must not be easy (RFC 5452, 4.3)."""


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

    def __init__(self, query: dns.message.Message) -> None:
        self.query = query
        self.response: asyncio.Future[dns.message.Message | None] = (
            asyncio.get_running_loop().create_future()
        )
        """None: the response is truncated."""
        self.complaint: str | None = None
        """What was wrong with a datagram that came under its id."""

    def settle(self, response: dns.message.Message | None) -> None:
        if not self.response.done():
            self.response.set_result(response)

    def fail(self, error: Exception) -> None:
        if not self.response.done():
            self.response.set_exception(error)


class _Turn:
    """A place in the gate, given back once."""

    def __init__(self, gate: asyncio.Semaphore) -> None:
        self._gate: asyncio.Semaphore | None = gate

    def end(self) -> None:
        if self._gate is not None:
            self._gate.release()
            self._gate = None


class Nameserver(asyncio.DatagramProtocol):
    """A server to ask. `close` it in the end."""

    def __init__(self, address: str, port: int, limits: Limits) -> None:
        self.name = with_port(address, port)
        self._where = (address, port)
        self._limits = limits
        self._transport: asyncio.DatagramTransport | None = None
        self._opening = asyncio.Lock()
        self._closed = asyncio.Event()
        self._pending: dict[int, _Pending] = {}
        self._gate = asyncio.Semaphore(limits.dns_in_flight)

    async def ask(
        self,
        name: dns.name.Name,
        record_type: dns.rdatatype.RdataType,
        *,
        edns: bool = True,
        checked: bool = True,
    ) -> dns.message.Message:
        """Send one datagram and return its response, taken over TCP if it does not fit.

        `checked`: False asks for what there is without validation (CD; RFC 4035, 3.2.2). Raises
        NoReplyError after `dns_wait`, or at once if the server cannot be reached, and
        CutShortError.
        """
        query = dns.message.make_query(
            name, record_type, use_edns=0 if edns else False, payload=_PAYLOAD
        )
        # RFC 6840, 5.7: AD in a question asks for AD in the answer.
        query.flags |= dns.flags.AD if checked else dns.flags.CD
        await self._gate.acquire()
        turn = _Turn(self._gate)
        # What has waited for so long will hardly overflow a buffer any more: without this, the
        # questions to a dead server would stand in line for each other.
        timer = asyncio.get_running_loop().call_later(self._limits.dns_wait / 4, turn.end)
        try:
            response = await self._ask_by_datagram(query)
        finally:
            timer.cancel()
            turn.end()
        return await self._ask_by_stream(query) if response is None else response

    async def close(self) -> None:
        """Close the socket."""
        if self._transport is not None:
            self._transport.abort()
            await self._closed.wait()

    async def _ask_by_datagram(self, query: dns.message.Message) -> dns.message.Message | None:
        try:
            async with asyncio.timeout(self._limits.dns_wait):
                transport = await self._open()
        except OSError as error:
            raise NoReplyError(f"no way to {self.name}: {_reason(error)}") from error
        while query.id in self._pending:
            query.id = _ids.randrange(65536)
        pending = self._pending[query.id] = _Pending(query)
        try:
            transport.sendto(query.to_wire())
            async with asyncio.timeout(self._limits.dns_wait):
                return await pending.response
        except TimeoutError:
            if pending.complaint is not None:
                raise NoReplyError(pending.complaint, malformed=True) from None
            raise NoReplyError(f"nothing came back from {self.name}") from None
        finally:
            del self._pending[query.id]

    async def _open(self) -> asyncio.DatagramTransport:
        async with self._opening:
            if self._transport is None:
                loop = asyncio.get_running_loop()
                self._transport, _ = await loop.create_datagram_endpoint(
                    lambda: self, remote_addr=self._where
                )
            return self._transport

    def datagram_received(self, data: bytes, addr: object) -> None:  # noqa: ARG002  # connected
        """Match a datagram to its question; what matches none is dropped."""
        if len(data) < 4:
            return
        number, flags = struct.unpack_from("!HH", data)
        pending = self._pending.get(number)
        if pending is None:
            return
        if not flags & dns.flags.QR:
            pending.complaint = "what came back is no DNS response"
            return
        if flags & dns.flags.TC:
            # Whether it is genuine shows over TCP, where the whole is checked.
            pending.settle(None)
            return
        try:
            pending.settle(_read(data, pending.query))
        except NoReplyError as error:
            # It may be forged: the true answer may still come.
            pending.complaint = error.says

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002  # only ever ours
        """Note that the socket is closed."""
        self._closed.set()

    def error_received(self, exc: Exception) -> None:
        """Tell every question in flight that the server cannot be reached (ICMP)."""
        reason = "the port is closed" if isinstance(exc, ConnectionRefusedError) else _reason(exc)
        for pending in self._pending.values():
            pending.fail(NoReplyError(f"{self.name}: {reason}"))

    async def _ask_by_stream(self, query: dns.message.Message) -> dns.message.Message:
        writer: asyncio.StreamWriter | None = None
        try:
            async with asyncio.timeout(self._limits.dns_wait):
                reader, writer = await asyncio.open_connection(*self._where)
                # RFC 1035, 4.2.2: two octets of length come first.
                writer.write(query.to_wire(prepend_length=True))
                length = int.from_bytes(await reader.readexactly(2))
                octets = await reader.readexactly(length)
        except TimeoutError:
            raise CutShortError(
                f"the answer of {self.name} is longer than a datagram, and TCP is silent"
            ) from None
        except (OSError, EOFError) as error:
            raise CutShortError(
                f"the answer of {self.name} is longer than a datagram, and over TCP: "
                f"{_reason(error)}"
            ) from error
        finally:
            if writer is not None:
                # A transport, as documented; StreamWriter types it wider.
                cast(asyncio.Transport, writer.transport).abort()
        return _read(octets, query)


def _read(octets: bytes, query: dns.message.Message) -> dns.message.Message:
    """Read a response to `query`. Raises NoReplyError if it is none."""
    try:
        response = dns.message.from_wire(octets)
    except (dns.exception.DNSException, ValueError, struct.error) as error:
        whole = _with_errors(octets)
        if whole is None:
            raise NoReplyError(
                f"the answer is no DNS message: {_reason(error)}", malformed=True
            ) from None
        response = whole
    if not query.is_response(response):
        raise NoReplyError("the answer is to another question", malformed=True)
    return response


def _with_errors(octets: bytes) -> dns.message.Message | None:
    """Read a message in which nothing is wrong but what single records say; `errors` has these.

    The library refuses some values that the standards call unusable (RFC 6698, 4.1), not malformed.
    """
    try:
        message = dns.message.from_wire(octets, continue_on_error=True)
    except (dns.exception.DNSException, ValueError, struct.error):
        return None
    for error in message.errors:
        if not isinstance(error.exception.__cause__, ValueError):
            return None
    return message


def _reason(error: BaseException) -> str:
    if isinstance(error, OSError) and error.errno and error.errno > 0:
        # The event loop replaces the system's words by its own, with the address in them.
        return os.strerror(error.errno)
    return str(error) or type(error).__name__
