"""Visits a web endpoint: TCP, TLS as far as the served chain, and one HEAD where that is asked."""

import asyncio
from datetime import UTC, datetime

from probe.limits import Limits
from probe.observation.model import HandshakeAsk, Outcome
from probe.observe.tlstalk import TlsTalk, shake_hands
from probe.observe.visit import VisitSeen
from probe.plan.addresses import with_port
from probe.records import replace
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
    client = TlsClient(hello, limits, finish=ask.head)
    talk = _Talk(client, limits, ends, _request(ask, address), reader)
    try:
        seen = await shake_hands(talk, address, ask.port, began)
        if reader is None or seen.outcome is not Outcome.SERVED:
            return seen
        await talk.patience.come(talk.over, min(ends, loop.time() + limits.head_wait))
        return replace(seen, http=reader.seen)
    finally:
        await talk.leave()


def _request(ask: HandshakeAsk, address: str) -> bytes:
    host = ask.name or address
    if ask.port == _HTTPS and ":" not in host:
        return request(host)
    return request(with_port(host, ask.port))


class _Talk(TlsTalk):
    """Carries a request behind the handshake, and its answer."""

    def __init__(
        self,
        client: TlsClient,
        limits: Limits,
        ends: float,
        request: bytes,
        reader: HeadReader | None,
    ) -> None:
        super().__init__(client, limits, ends)
        self._request = request
        self._reader = reader

    @property
    def finished(self) -> bool:
        """Whether the head of the answer is there."""
        return self._reader is not None and self._reader.done

    def converse(self) -> bytes:
        """Return the request, once, and read what answers it."""
        if self._reader is None:
            return b""
        asked, self._request = self._request, b""
        octets = self.client.write(asked) if asked else b""
        self._reader.feed(self.client.read())
        return octets
