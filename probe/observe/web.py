"""Visits a web endpoint: TCP, then TLS as far as the served chain. No HTTP is spoken."""

import asyncio
from typing import cast

from probe.limits import Limits
from probe.observation.model import HandshakeAsk, Outcome, Phase
from probe.observe.visit import VisitSeen, network_outcome
from probe.wire.tls import WEB_ALPN, Hello, TlsClient


async def visit_web(ask: HandshakeAsk, address: str, limits: Limits) -> VisitSeen:
    """Visit `address` as `ask` says. Never raises for what the network or the peer does."""
    loop = asyncio.get_running_loop()
    began = loop.time()
    ends = began + limits.web_visit
    hello = Hello(ask.server_name, ask.tls, ask.key_family, WEB_ALPN)
    talk = _Talk(TlsClient(hello, limits))
    try:
        async with asyncio.timeout_at(min(ends, began + limits.connect_wait)):
            transport, _ = await loop.create_connection(lambda: talk, address, ask.port)
    except TimeoutError as error:
        # The system's own time-out is an OSError with a number.
        waited = loop.time() - began
        says = "nothing came back" if error.errno else f"no connection within {waited:.1f} s"
        return VisitSeen(Outcome.SILENT, Phase.CONNECT, waited, says)
    except OSError as error:
        outcome, says = network_outcome(error)
        return VisitSeen(outcome, Phase.CONNECT, loop.time() - began, says)
    try:
        return await _talk(talk, transport, began, min(ends, loop.time() + limits.tls_wait))
    finally:
        await talk.leave(transport)


async def _talk(
    talk: "_Talk", transport: asyncio.Transport, began: float, ends: float
) -> VisitSeen:
    loop = asyncio.get_running_loop()
    source = str(transport.get_extra_info("sockname")[0])
    started = loop.time()
    client = talk.client
    transport.write(client.start())
    try:
        async with asyncio.timeout_at(ends):
            await talk.over
    except TimeoutError:
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
    )


class _Talk(asyncio.Protocol):
    """Carries octets between a socket and a TLS client."""

    def __init__(self, client: TlsClient) -> None:
        self.client = client
        self.over: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        """The client is done, or the connection is. Holds the error if this program has one."""
        self.heard = False
        self.reset = False
        self._transport: asyncio.Transport | None = None
        self._closed = asyncio.Event()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)

    def data_received(self, data: bytes) -> None:
        assert self._transport is not None  # noqa: S101  # data come after the connection
        self.heard = True
        try:
            answer = self.client.receive(data)
        except Exception as error:
            # The event loop would log it and close: a bug of ours must not look like the peer's.
            self._finish(error)
            return
        if answer:
            self._transport.write(answer)
        if self.client.done:
            # What still comes is of no interest, however much it is.
            self._transport.pause_reading()
            self._finish()

    def connection_lost(self, exc: Exception | None) -> None:
        # The end of the peer's data comes here too: the transport closes by itself then.
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
        if self.over.done():
            return
        if error is None:
            self.over.set_result(None)
        else:
            self.over.set_exception(error)
