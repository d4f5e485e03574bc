"""One EAP conversation with one server over one socket, and its polite end. Knows no survey."""

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from enum import Enum
from types import TracebackType
from typing import Self

from probe.limits import Limits
from probe.observation.model import HandshakeAsk, Outcome, Phase
from probe.observe.eapcontext import Peer, guise, identity_of
from probe.observe.exchange import Exchange, uniform_jitter
from probe.observe.visit import network_outcome
from probe.records import dataclass
from probe.wire.conversation import Conversation
from probe.wire.hello import Hello
from probe.wire.radius import RadiusError, Reply, Request, SecretDiffers, Value, eap_room

_OVERHEAD = 10
"""Octets of a fragment beside the TLS data: EAP's five, flags and length (RFC 5216, 3.1)."""


class Silence(Enum):
    """Where a server stopped answering."""

    AT_ONCE = "at once"
    LATER = "later"


@dataclass(frozen=True, slots=True)
class Ending:
    """How a conversation ended."""

    outcome: Outcome
    phase: Phase
    detail: str | None


@dataclass(frozen=True, slots=True)
class Asking:
    """What is asked of whom, and within which bounds: all that makes one conversation."""

    ask: HandshakeAsk
    peer: Peer
    limits: Limits
    jitter: Callable[[], float] = uniform_jitter

    def talk(
        self,
        *,
        framed_mtu: int | None = None,
        more: Sequence[tuple[str, Value]] = (),
        everything: bool = False,
    ) -> "Talk":
        """Return the conversation to be held, with another Framed-MTU or further attributes, or
        with `everything` in its hello that one can hold."""
        attributes = (*guise(self.peer.settings, self.ask).attributes(framed_mtu), *more)
        conversation = self.conversation(attributes, framed_mtu, everything=everything)
        exchange = Exchange(self.peer.secret, attributes, self.limits, self.jitter)
        return Talk(conversation, exchange, self.limits)

    def conversation(
        self,
        attributes: Sequence[tuple[str, Value]],
        framed_mtu: int | None = None,
        *,
        everything: bool = False,
    ) -> Conversation:
        """Return the EAP side of it, whatever carries the requests with these attributes."""
        ask, peer = self.ask, self.peer
        return Conversation(
            identity=identity_of(peer.settings, ask),
            methods=ask.methods,
            hello=Hello(
                versions=ask.tls, key_family=ask.key_family, staple=True, everything=everything
            ),
            fragment_size=fragment_size(peer, attributes, framed_mtu),
            limits=self.limits,
            until_request=ask.until_request,
        )


def fragment_size(
    peer: Peer, attributes: Sequence[tuple[str, Value]], framed_mtu: int | None = None
) -> int:
    """Return how many octets of TLS data go into one packet to a server.

    It matters: a server can make the ClientHello long, as its cookie is sent back (RFC 9846,
    4.2.2), and a client's certificates are long by themselves.
    """
    mtu = peer.settings.framed_mtu if framed_mtu is None else framed_mtu
    return min(mtu, eap_room(attributes)) - _OVERHEAD


class Talk:
    """A conversation to be held: `run` or `knock`, then `leave`, all within `async with`.

    If it is broken off in between, by a cancellation, the server is told before the socket goes.
    """

    def __init__(self, conversation: Conversation, exchange: Exchange, limits: Limits) -> None:
        self.conversation = conversation
        self.exchange = exchange
        self.silence: Silence | None = None
        """Whether and where nothing came any more, though it was asked for long enough."""
        self._limits = limits
        self._error: OSError | None = None
        self._doubt: RadiusError | None = None
        self._pending: Request | None = None
        """What was sent and is not answered."""

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        try:
            if isinstance(error, asyncio.CancelledError):
                await self._break_off("interrupted")
                await self.leave()
        finally:
            await self.exchange.datagrams.close()

    @property
    def ending(self) -> Ending:
        """How it ended. What the network or the peer did is told, never raised."""
        conversation = self.conversation
        if conversation.outcome is Outcome.SERVED:
            # A chain that is in hand stays so, whatever comes behind it.
            return Ending(conversation.outcome, conversation.phase, conversation.detail)
        if self._error is not None:
            outcome, detail = network_outcome(self._error)
            if not conversation.round_trips:
                return Ending(outcome, Phase.CONNECT, detail)
            detail = f"{detail}, in the middle of the conversation"
            return Ending(Outcome.CUT_OFF, conversation.phase, detail)
        if self._doubt is not None:
            differs = isinstance(self._doubt, SecretDiffers)
            outcome = Outcome.SECRET_DIFFERS if differs else Outcome.MALFORMED
            return Ending(outcome, conversation.phase, str(self._doubt))
        return Ending(conversation.outcome, conversation.phase, conversation.detail)

    async def connect(self, address: str, port: int) -> None:
        """Open the socket, to the server alone."""
        await self._open(self.exchange.datagrams.connect(address, port))

    async def bind(self, source: str, address: str, port: int) -> None:
        """Open the socket at an address of this machine, to hear whoever answers."""
        await self._open(self.exchange.datagrams.bind(source, address, port))

    async def _open(self, opening: Coroutine[object, object, None]) -> None:
        try:
            await opening
        except OSError as error:
            self._error = error

    async def run(self, deadline: float) -> None:
        """Converse until it is over, or nothing usable comes any more, or it is too late."""
        await self._converse(self.conversation.start(), deadline)

    async def knock(self, deadline: float, *, signed: bool = True, says: str) -> None:
        """Send the start alone, and end it whatever is answered, with `says` for a reason."""
        eap = await self._converse(self.conversation.start(), deadline, signed=signed, once=True)
        if eap is not None:
            self.conversation.break_off(says)

    async def _converse(
        self, eap: bytes, deadline: float, *, signed: bool = True, once: bool = False
    ) -> bytes | None:
        """Have requests answered, or `once` only. Return what is not said any more; None: nothing
        is to be said."""
        if self._error is not None:
            return None
        loop = asyncio.get_running_loop()
        if loop.time() >= deadline:
            await self._too_late()
            return None
        following: bytes | None = None

        def then(reply: Reply) -> Request | None:
            nonlocal following
            self._pending = None
            following = self.conversation.receive(reply)
            if following is not None and not once and loop.time() < deadline:
                self._pending = self.exchange.request(following)
            return self._pending

        self._pending = self.exchange.request(eap, signed=signed)
        try:
            reply = await self.exchange.ask(self._pending, deadline, then)
        except OSError as error:
            self._error, self._pending = error, None
            self.conversation.break_off("the network failed")
            return None
        if reply is not None:
            if following is not None and not once:
                await self._too_late()
            return following
        if self.exchange.doubt is None and loop.time() >= deadline:
            await self._too_late()
            return None
        self._pending = None
        self._doubt = self.exchange.doubt
        if self._doubt is None:
            self.silence = Silence.LATER if self.conversation.round_trips else Silence.AT_ONCE
        self.conversation.silence()
        return None

    async def _too_late(self) -> None:
        await self._break_off(f"given up after {self._limits.eap_visit:g} s")

    async def _break_off(self, says: str) -> None:
        """End it from our side. A reply that is on its way is awaited for a moment: only what it
        asks can be answered by a polite end."""
        pending, self._pending = self._pending, None
        if pending is not None:
            late = asyncio.get_running_loop().time() + self._limits.eap_farewell_wait
            try:
                reply = await self.exchange.reply(pending, late)
            except OSError as error:
                self._error, reply = error, None
            if reply is not None:
                self.conversation.receive(reply)
        self.conversation.break_off(says)

    async def leave(self) -> None:
        """End the server's session, which would else be kept for a minute. Once: a second time does
        nothing.

        The answer is awaited for `eap_farewell_wait` at most: it keeps the socket open for it, and
        nothing else depends on it.
        """
        eap = self.conversation.farewell()
        if eap is None or self._error is not None:
            return
        deadline = asyncio.get_running_loop().time() + self._limits.eap_farewell_wait
        ahead = self.conversation.farewell_ahead() if self.silence is Silence.LATER else None
        try:
            reply = await self._say(eap, ahead or eap, deadline)
            word = None if reply is None else self.conversation.last_word(reply)
            if word is not None:
                await self._say(word, word, deadline)
        except OSError:
            return  # it has gone first

    async def _say(self, eap: bytes, then: bytes, deadline: float) -> Reply | None:
        """Send, and if nothing comes in half of the time, send `then`. Return the reply, if any.

        These are the last datagrams: nothing behind them would show that one was lost. The same
        once more is the same request (RFC 5080, 2.2.1).
        """
        now = asyncio.get_running_loop().time()
        request = self.exchange.request(eap)
        self.exchange.datagrams.send(request.octets)
        reply = await self.exchange.reply(request, (now + deadline) / 2)
        if reply is not None:
            return reply
        if then != eap:
            request = self.exchange.request(then)
        self.exchange.datagrams.send(request.octets)
        return await self.exchange.reply(request, deadline)


class WithinTalk:
    """What holds one `Talk`, and is entered and left with it."""

    _talk: Talk

    async def __aenter__(self) -> Self:
        await self._talk.__aenter__()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        await self._talk.__aexit__(kind, error, traceback)
