"""Visits an EAP endpoint: one conversation over RADIUS/UDP, as far as the served chain.

Each conversation has a connected socket of its own: such a socket is told of a closed port, and
256 identifiers are enough for it.
"""

import asyncio
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self, cast

from probe.limits import Limits
from probe.observation.model import HandshakeAsk, Outcome, Phase, RadiusSeen
from probe.observe.retransmission import waits
from probe.observe.visit import VisitSeen, network_outcome
from probe.plan.model import Eap, Visit
from probe.wire.conversation import Conversation
from probe.wire.hello import Hello
from probe.wire.radius import (
    RadiusError,
    Reply,
    ReplyNotOurs,
    Request,
    SecretDiffers,
    build_request,
    eap_room,
    read_reply,
    request_attributes,
)

_OVERHEAD = 10
"""Octets of a fragment beside the TLS data: EAP's five, flags and length (RFC 5216, 3.1)."""

_UNREAD = 32
"""Datagrams that wait to be read. A conversation has one reply at a time; a flood is dropped."""

_CLEAR_ENOUGH = 2
"""Transmissions of one request that are answered by what does not verify until it is clear that
the secret differs. One reply may be somebody else's."""


def uniform_jitter() -> float:
    """Return RAND of RFC 5080, 2.2.1."""
    return random.uniform(-0.1, 0.1)  # noqa: S311  # spreads load, protects nothing


@dataclass(frozen=True, slots=True)
class Peer:
    """The server to visit and how it knows us."""

    address: str
    """To connect to."""
    settings: Eap
    secret: bytes = field(repr=False)


class EapVisit:
    """One conversation. `run` it, then `leave` politely, all within `async with`."""

    def __init__(
        self,
        ask: HandshakeAsk,
        peer: Peer,
        limits: Limits,
        *,
        jitter: Callable[[], float] = uniform_jitter,
    ) -> None:
        self._ask = ask
        self._peer = peer
        self._limits = limits
        self._jitter = jitter
        settings = peer.settings
        context = request_context(settings, ask.visit)
        identity = context.identity or settings.anonymous_nai or settings.identity
        self._attributes = request_attributes(
            user_name=identity,
            nas_identifier=settings.nas_identifier,
            nas_address=settings.nas_address,
            calling_station=settings.calling_station,
            ssid=context.ssid,
            medium=context.medium,
            framed_mtu=settings.framed_mtu,
            extra=context.attributes,
        )
        # A server can make the ClientHello long: its cookie is sent back (RFC 9846, 4.2.2).
        largest = min(settings.framed_mtu, eap_room(peer.secret, self._attributes))
        self._conversation = Conversation(
            identity=identity,
            methods=ask.methods,
            hello=Hello(versions=ask.tls, key_family=ask.key_family, staple=True),
            fragment_size=largest - _OVERHEAD,
            limits=limits,
        )
        self._socket = _Socket()
        self._identifier = random.randrange(256)  # noqa: S311  # an ordinal, not a secret
        self._first: Request | None = None
        self._last: Reply | None = None
        self._signed = True
        self._transmissions = 0
        self._doubt: RadiusError | None = None
        """What was wrong with a reply to the request that is in flight."""
        self._unverified = 0
        """Replies whose authenticators did not verify."""

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        await self._socket.close()

    async def run(self) -> VisitSeen:
        """Converse up to the chain. Never raises for what the network or the peer does."""
        loop = asyncio.get_running_loop()
        began = loop.time()
        conversation = self._conversation
        try:
            await self._socket.open(self._peer.address, self._ask.port)
            await self._converse(began + self._limits.eap_visit)
        except OSError as error:
            outcome, detail = network_outcome(error)
            if conversation.round_trips:
                outcome, detail = Outcome.CUT_OFF, f"{detail}, in the middle of the conversation"
                return self._seen(outcome, conversation.phase, loop.time() - began, detail)
            return self._seen(outcome, Phase.CONNECT, loop.time() - began, detail)
        seconds = loop.time() - began
        if conversation.finished:
            return self._seen(
                conversation.outcome, conversation.phase, seconds, conversation.detail
            )
        if isinstance(self._doubt, SecretDiffers):
            outcome = Outcome.SECRET_DIFFERS
        else:
            outcome = Outcome.MALFORMED
        return self._seen(outcome, conversation.phase, seconds, str(self._doubt))

    async def leave(self) -> None:
        """End the server's session, which would else be kept for a minute.

        The answer is awaited for `eap_farewell_wait` at most: it keeps the socket open for it, and
        nothing else depends on it.
        """
        eap = self._conversation.farewell()
        if eap is None:
            return
        request = self._request(eap)
        self._send(request)
        deadline = asyncio.get_running_loop().time() + self._limits.eap_farewell_wait
        try:
            await self._reply(request, deadline)
        except OSError:
            return  # it has gone first

    async def _converse(self, deadline: float) -> None:
        """Exchange packets until the conversation is over, or nothing usable comes any more."""
        eap: bytes | None = self._conversation.start()
        while eap is not None:
            reply = await self._exchange(self._request(eap), deadline)
            if reply is None:
                if self._doubt is None:
                    self._conversation.silence()
                return
            self._last = reply
            self._signed = self._signed and reply.message_authenticator
            eap = self._conversation.receive(reply)

    async def _exchange(self, request: Request, deadline: float) -> Reply | None:
        """Send a request until its reply comes; None: it has not come.

        Where each of several transmissions was answered, and only by what does not verify, more of
        them would tell nothing new.
        """
        loop = asyncio.get_running_loop()
        self._doubt = None
        answered_wrongly = 0
        limits = self._limits
        schedule = waits(
            limits.radius_first_wait,
            limits.radius_longest_wait,
            limits.radius_tries,
            limits.radius_silence,
            self._jitter,
        )
        for wait in schedule:
            if loop.time() >= deadline:
                break
            self._send(request)
            before = self._unverified
            reply = await self._reply(request, min(deadline, loop.time() + wait))
            if reply is not None:
                return reply
            answered_wrongly += self._unverified > before
            if answered_wrongly == _CLEAR_ENOUGH:
                break
        return None

    async def _reply(self, request: Request, deadline: float) -> Reply | None:
        """Wait for the reply to a request. Raises OSError for what ICMP says.

        What does not verify or cannot be read may be somebody else's: it is remembered, and the
        good reply may still come.
        """
        try:
            async with asyncio.timeout_at(deadline):
                while True:
                    octets = await self._socket.receive()
                    try:
                        return read_reply(octets, request, self._peer.secret)
                    except ReplyNotOurs:
                        continue
                    except RadiusError as error:
                        self._unverified += isinstance(error, SecretDiffers)
                        if not isinstance(self._doubt, SecretDiffers):
                            self._doubt = error
        except TimeoutError:
            return None

    def _request(self, eap: bytes) -> Request:
        self._identifier = (self._identifier + 1) % 256
        request = build_request(
            self._peer.secret,
            self._identifier,
            self._attributes,
            eap=eap,
            # RFC 2865, 5.24: of the challenge that is answered, unaltered.
            state=self._last.state if self._last is not None else None,
        )
        self._first = self._first or request
        return request

    def _send(self, request: Request) -> None:
        self._transmissions += 1
        self._socket.send(request.octets)

    def _seen(
        self, outcome: Outcome, phase: Phase, seconds: float, detail: str | None
    ) -> VisitSeen:
        conversation, last = self._conversation, self._last
        return VisitSeen(
            outcome=outcome,
            phase=phase,
            seconds=seconds,
            detail=detail,
            alert=conversation.alert,
            round_trips=conversation.round_trips,
            served=conversation.served,
            certificates=conversation.certificates,
            eap=conversation.seen,
            radius=RadiusSeen(
                reply=last.kind if last else None,
                message_authenticator=self._signed if last else None,
                attributes=last.attributes if last else (),
                sent=self._first.shown if self._first else (),
                transmissions=self._transmissions,
            ),
            source=self._socket.source,
        )


def request_context(settings: Eap, visit: str | None) -> Visit:
    """Return in which context a server is asked: the plan's own, or the visit of that name.

    A visit's attributes come in place of the plan's own of the same name. Raises KeyError.
    """
    if visit is None:
        return Visit(None, settings.medium, settings.ssid, None, settings.attributes)
    for context in settings.visits:
        if context.name == visit:
            merged = {**dict(settings.attributes), **dict(context.attributes)}
            return Visit(
                visit, context.medium, context.ssid, context.identity, tuple(merged.items())
            )
    raise KeyError(visit)


class _Socket(asyncio.DatagramProtocol):
    """A connected UDP socket: datagrams and ICMP errors, in the order in which they came."""

    def __init__(self) -> None:
        self.source: str | None = None
        """The address that it sends from."""
        self._came: asyncio.Queue[bytes | OSError] = asyncio.Queue(_UNREAD)
        self._transport: asyncio.DatagramTransport | None = None
        self._closed = asyncio.Event()

    async def open(self, address: str, port: int) -> None:
        """Bind and connect. Raises OSError."""
        self._transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            lambda: self, remote_addr=(address, port)
        )
        self.source = str(self._transport.get_extra_info("sockname")[0])

    def send(self, octets: bytes) -> None:
        """Send a datagram; an error comes by `receive`."""
        cast(asyncio.DatagramTransport, self._transport).sendto(octets)

    async def receive(self) -> bytes:
        """Return the next datagram. Raises OSError for what ICMP says."""
        came = await self._came.get()
        if isinstance(came, OSError):
            raise came
        return came

    async def close(self) -> None:
        """Close it and wait until it is gone."""
        if self._transport is not None:
            self._transport.abort()
            await self._closed.wait()

    def datagram_received(self, data: bytes, addr: object) -> None:  # noqa: ARG002  # connected
        self._put(data)

    def error_received(self, exc: Exception) -> None:
        if isinstance(exc, OSError):
            self._put(exc)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002  # only ever ours
        self._closed.set()

    def _put(self, item: bytes | OSError) -> None:
        if not self._came.full():
            self._came.put_nowait(item)
