"""TLS over TCP: carries octets between a socket and a TLS client, alike for web and RadSec."""

import asyncio
from typing import cast

from probe.limits import Limits
from probe.observation.model import Outcome, Phase
from probe.observe.stream import come, connected
from probe.observe.visit import VisitSeen, network_outcome
from probe.wire.tls import TlsClient


class TlsTalk(asyncio.Protocol):
    """One connection. What is said behind the handshake is for its heirs: `converse`."""

    def __init__(self, client: TlsClient) -> None:
        self.client = client
        loop = asyncio.get_running_loop()
        self.settled: asyncio.Future[None] = loop.create_future()
        """It is known what is served, or why nothing is. Holds the error if we have one."""
        self.over: asyncio.Future[None] = loop.create_future()
        """Nothing more is wanted, or the connection has ended."""
        self.heard = False
        self.reset = False
        self._transport: asyncio.Transport | None = None
        self._closed = asyncio.Event()

    @property
    def finished(self) -> bool:
        """Whether nothing more is wanted of what the server says."""
        return False

    def converse(self) -> bytes:
        """Take what came behind the handshake, as soon as that is over; return what to send."""
        return b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Note the transport, as asyncio calls it."""
        self._transport = cast(asyncio.Transport, transport)

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

    def connection_lost(self, exc: Exception | None) -> None:
        """Note the end; the end of the peer's data comes here too, as the transport then closes."""
        self.reset = isinstance(exc, ConnectionResetError)
        self.client.end_of_input()
        self._finish()
        self._closed.set()

    async def leave(self, transport: asyncio.Transport) -> None:
        """Say goodbye as TLS wants it, close, and wait until the socket is gone."""
        self.client.give_up(Outcome.CUT_OFF, "left")
        farewell = self.client.farewell()
        if farewell and not transport.is_closing():
            transport.write(farewell)
        if transport.get_write_buffer_size():
            # The peer does not even read: nothing polite would get through.
            transport.abort()
        else:
            transport.close()
        await self._closed.wait()

    def _finish(self, error: Exception | None = None) -> None:
        for future in (self.settled, self.over):
            if future.done():
                continue
            if error is None:
                future.set_result(None)
            else:
                future.set_exception(error)
                error = None  # told once


async def connect(
    talk: TlsTalk, address: str, port: int, limits: Limits, ends: float
) -> asyncio.Transport | VisitSeen:
    """Open the connection, before `ends` by the loop's clock; or return why there is none."""
    loop = asyncio.get_running_loop()
    opening = loop.time()
    try:
        return await connected(talk, address, port, min(ends, opening + limits.connect_wait))
    except TimeoutError as error:
        # The system's own time-out is an OSError with a number.
        waited = loop.time() - opening
        says = "nothing came back" if error.errno else f"no connection within {waited:.1f} s"
        return VisitSeen(Outcome.SILENT, Phase.CONNECT, waited, says)
    except OSError as error:
        outcome, says = network_outcome(error)
        return VisitSeen(outcome, Phase.CONNECT, loop.time() - opening, says)


async def shake_hands(
    talk: TlsTalk, transport: asyncio.Transport, began: float, ends: float
) -> VisitSeen:
    """Shake hands until it is known what is served, or why nothing is."""
    loop = asyncio.get_running_loop()
    source = str(transport.get_extra_info("sockname")[0])
    started = loop.time()
    client = talk.client
    transport.write(client.start())
    if not await come(talk.settled, ends):
        waited = f"within {loop.time() - started:.1f} s"
        if not talk.heard:
            says = f"the connection stands, but nothing came {waited}"
            seconds = loop.time() - began
            return VisitSeen(Outcome.SILENT, Phase.HELLO, seconds, says, source=source)
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
        source=source,
        spoiled_staple=client.spoiled_staple,
    )
