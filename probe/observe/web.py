"""Visits a web endpoint: TCP, TLS as far as the served chain, and one HEAD where that is asked."""

import asyncio
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from typing import cast

from probe.limits import Limits
from probe.observation.model import HandshakeAsk, Outcome, Phase
from probe.observe.visit import VisitSeen, network_outcome
from probe.plan.addresses import with_port
from probe.wire.head import HeadReader, request
from probe.wire.hello import WEB_ALPN, Hello
from probe.wire.tls import TlsClient

_HTTPS = 443


async def visit_web(
    ask: HandshakeAsk, address: str, limits: Limits, *, staple: bool = True
) -> VisitSeen:
    """Visit `address` as `ask` says. Never raises for what the network or the peer does.

    `staple`: whether an OCSP response is asked for. One that this machine's TLS library cannot read
    breaks the handshake, which it does with few clients: it is made once more without.
    """
    began = asyncio.get_running_loop().time()
    seen = await _visit(ask, address, limits, began, staple=staple)
    if not seen.spoiled_staple:
        return seen
    spoiled = seen.served.staple if seen.served is not None else None
    seen = await _visit(ask, address, limits, began, staple=False)
    served = None if seen.served is None else replace(seen.served, staple=spoiled)
    return replace(seen, served=served, spoiled_staple=True)


async def _visit(
    ask: HandshakeAsk, address: str, limits: Limits, began: float, *, staple: bool
) -> VisitSeen:
    loop = asyncio.get_running_loop()
    ends = began + limits.web_visit
    hello = Hello(ask.server_name, ask.tls, ask.key_family, WEB_ALPN, staple, timestamps=True)
    reader = None
    if ask.head:
        reader = HeadReader(limits.head_bytes, limits.text_characters, lambda: datetime.now(UTC))
    talk = _Talk(TlsClient(hello, limits, finish=ask.head), _request(ask, address), reader)
    opening = loop.time()
    try:
        async with asyncio.timeout_at(min(ends, opening + limits.connect_wait)):
            transport, _ = await loop.create_connection(lambda: talk, address, ask.port)
    except TimeoutError as error:
        # The system's own time-out is an OSError with a number.
        waited = loop.time() - opening
        says = "nothing came back" if error.errno else f"no connection within {waited:.1f} s"
        return VisitSeen(Outcome.SILENT, Phase.CONNECT, loop.time() - began, says)
    except OSError as error:
        outcome, says = network_outcome(error)
        return VisitSeen(outcome, Phase.CONNECT, loop.time() - began, says)
    try:
        seen = await _shake_hands(talk, transport, began, min(ends, loop.time() + limits.tls_wait))
        if reader is None or seen.outcome is not Outcome.SERVED:
            return seen
        with suppress(TimeoutError):
            async with asyncio.timeout_at(min(ends, loop.time() + limits.head_wait)):
                await talk.over
        return replace(seen, http=reader.seen)
    finally:
        await talk.leave(transport)


def _request(ask: HandshakeAsk, address: str) -> bytes:
    host = ask.name or address
    if ask.port == _HTTPS and ":" not in host:
        return request(host)
    return request(with_port(host, ask.port))


async def _shake_hands(
    talk: "_Talk", transport: asyncio.Transport, began: float, ends: float
) -> VisitSeen:
    loop = asyncio.get_running_loop()
    source = str(transport.get_extra_info("sockname")[0])
    started = loop.time()
    client = talk.client
    transport.write(client.start())
    try:
        async with asyncio.timeout_at(ends):
            await talk.settled
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
        spoiled_staple=client.spoiled_staple,
    )


class _Talk(asyncio.Protocol):
    """Carries octets between a socket and a TLS client, and the request and its answer in them."""

    def __init__(self, client: TlsClient, request: bytes, reader: HeadReader | None) -> None:
        self.client = client
        loop = asyncio.get_running_loop()
        self.settled: asyncio.Future[None] = loop.create_future()
        """It is known what is served, or why nothing is. Holds the error if we have one."""
        self.over: asyncio.Future[None] = loop.create_future()
        """Nothing more is wanted, or the connection has ended."""
        self.heard = False
        self.reset = False
        self._request = request
        self._reader = reader
        self._transport: asyncio.Transport | None = None
        self._closed = asyncio.Event()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)

    def data_received(self, data: bytes) -> None:
        assert self._transport is not None  # noqa: S101  # data come after the connection
        self.heard = True
        try:
            answer = self.client.receive(data) + self._converse()
        except Exception as error:
            # The event loop would log it and close: a bug of ours must not look like the peer's.
            self._finish(error)
            return
        if answer:
            self._transport.write(answer)
        if self.client.done or (self._reader is not None and self._reader.done):
            # What still comes is of no interest, however much it is.
            self._transport.pause_reading()
            self._finish()
        elif self.client.served is not None and not self.settled.done():
            self.settled.set_result(None)

    def _converse(self) -> bytes:
        """Once the handshake is over, return the request, once, and read what answers it."""
        if self._reader is None or not self.client.established:
            return b""
        asked, self._request = self._request, b""
        octets = self.client.write(asked) if asked else b""
        self._reader.feed(self.client.read())
        return octets

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
        for future in (self.settled, self.over):
            if future.done():
                continue
            if error is None:
                future.set_result(None)
            else:
                future.set_exception(error)
                error = None  # told once
