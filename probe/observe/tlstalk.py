"""TLS over TCP: carries octets between a socket and a TLS client, alike for web and RadSec."""

import asyncio
from typing import cast

from probe.limits import Limits
from probe.observation.model import Outcome, Phase
from probe.observe.stream import opening
from probe.observe.visit import VisitSeen, network_outcome
from probe.observe.waits import Patience
from probe.wire.tls import TlsClient


class TlsTalk(asyncio.Protocol):
    """One connection. What is said behind the handshake is for its heirs: `converse`."""

    def __init__(self, client: TlsClient, limits: Limits, ends: float) -> None:
        """`ends`: when all of it has to be over, by the loop's clock."""
        self.client = client
        loop = asyncio.get_running_loop()
        self.settled: asyncio.Future[None] = loop.create_future()
        """It is known what is served, or why nothing is. Holds the error if we have one, or why
        there is no connection."""
        self.over: asyncio.Future[None] = loop.create_future()
        """Nothing more is wanted, or the connection has ended."""
        self.patience = Patience()
        self.ends = min(ends, loop.time() + limits.connect_wait)
        """Until when the handshake may take; before it has begun, until when it has to."""
        self.began: float | None = None
        """When the connection stood, and the handshake began."""
        self.source: str | None = None
        """Our address, as soon as the connection stands."""
        self.heard = False
        self.reset = False
        self._all_ends = ends
        self._tls_wait = limits.tls_wait
        self._loop = loop
        self._transport: asyncio.Transport | None = None
        self._closed: asyncio.Future[None] = loop.create_future()

    @property
    def finished(self) -> bool:
        """Whether nothing more is wanted of what the server says."""
        return False

    def converse(self) -> bytes:
        """Take what came behind the handshake, as soon as that is over; return what to send."""
        return b""

    async def settle(self, address: str, port: int) -> bool:
        """Open the connection and wait until it is settled; False: not in time. Raises OSError if
        there is no connection."""
        self._transport = await opening(self, address, port, self.ends)
        return await self.patience.come(self.settled, self.ends)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Say hello."""
        self._transport = cast(asyncio.Transport, transport)
        self.began = self._loop.time()
        self.ends = min(self._all_ends, self.began + self._tls_wait)
        self.patience.until(self.ends)
        try:
            self.source = str(transport.get_extra_info("sockname")[0])
            self._transport.write(self.client.start())
        except Exception as error:
            self._finish(error)  # as below

    def data_received(self, data: bytes) -> None:
        """Let the client take what came."""
        assert self._transport is not None  # noqa: S101  # data come after the connection
        self.heard = True
        try:
            answer = self.client.receive(data)
            if self.client.established:
                answer += self.converse()
        except Exception as error:
            # The event loop would log it and close: a bug of ours must not look like the peer's.
            self._finish(error)
            return
        if answer:
            self._transport.write(answer)
        if self.client.done or self.finished:
            # What still comes is of no interest, however much it is.
            self._transport.pause_reading()
            self._finish()
        elif self.client.served is not None and not self.settled.done():
            self.settled.set_result(None)

    def say(self, octets: bytes) -> None:
        """Send what the client wants to be sent; the connection stands."""
        assert self._transport is not None  # noqa: S101  # see above
        self._transport.write(octets)

    def connection_lost(self, exc: Exception | None) -> None:
        """Note the end; the end of the peer's data comes here too, as the transport then closes."""
        if self.began is None:
            self._finish(exc)
        else:
            self.reset = isinstance(exc, ConnectionResetError)
            self.client.end_of_input()
            self._finish()
        if not self._closed.done():
            self._closed.set_result(None)

    async def leave(self) -> None:
        """Say goodbye as TLS wants it, close, and wait until the socket is gone."""
        self.patience.end()
        transport = self._transport
        if transport is None:
            return
        if self.began is not None:
            self.client.give_up(Outcome.CUT_OFF, "left")
            farewell = self.client.farewell()
            if farewell and not transport.is_closing():
                transport.write(farewell)
        if transport.get_write_buffer_size():
            # The peer does not even read: nothing polite would get through.
            transport.abort()
        else:
            transport.close()
        await self._closed

    def _finish(self, error: Exception | None = None) -> None:
        for future in (self.settled, self.over):
            if future.cancelled():
                error = None  # nobody waits any more to be told
            if future.done():
                continue
            if error is None:
                future.set_result(None)
            else:
                future.set_exception(error)
                error = None  # told once


async def shake_hands(talk: TlsTalk, address: str, port: int, began: float) -> VisitSeen:
    """Open the connection, and shake hands until it is known what is served, or why nothing is."""
    loop = asyncio.get_running_loop()
    opened = loop.time()
    client = talk.client
    try:
        in_time = await talk.settle(address, port)
    except OSError as error:
        too_late = isinstance(error, TimeoutError) and not error.errno
        if talk.began is not None and not too_late:
            raise  # a bug of ours is not the peer's doing
        if not too_late:
            # The system's own time-out is an OSError with a number.
            outcome, says = network_outcome(error)
            return VisitSeen(outcome, Phase.CONNECT, loop.time() - began, says)
        in_time = False
    if talk.began is None:
        says = f"no connection within {loop.time() - opened:.1f} s"
        return VisitSeen(Outcome.SILENT, Phase.CONNECT, loop.time() - began, says)
    if not in_time:
        waited = f"within {loop.time() - talk.began:.1f} s"
        if not talk.heard:
            says = f"the connection stands, but nothing came {waited}"
            seconds = loop.time() - began
            return VisitSeen(Outcome.SILENT, Phase.HELLO, seconds, says, source=talk.source)
        client.give_up(Outcome.CUT_OFF, f"the handshake was not finished {waited}")
    failure, served = client.failure, client.served
    if failure is None:
        outcome, phase, alert = Outcome.SERVED, client.phase, None
        detail = served.key_detail if served else None
    else:
        outcome, phase, alert = failure.outcome, failure.phase, failure.alert
        reset = talk.reset and outcome is Outcome.CUT_OFF
        detail = "the connection was reset" if reset else failure.detail
    return VisitSeen(
        outcome=outcome,
        phase=phase,
        seconds=loop.time() - began,
        detail=detail,
        alert=alert,
        served=served,
        certificates=client.certificates,
        source=talk.source,
        spoiled_staple=client.spoiled_staple,
    )
