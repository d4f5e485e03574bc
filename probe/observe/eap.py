"""Visits an EAP endpoint: one conversation over RADIUS/UDP, as far as the served chain.

Each conversation has a connected socket of its own: such a socket is told of a closed port, and
256 identifiers are enough for it. What is tried after a failure is in trials.py.
"""

import asyncio
from collections.abc import Callable

from probe.limits import Limits
from probe.observation.model import Aspect, HandshakeAsk, Outcome, Trial
from probe.observe.eapcontext import Peer
from probe.observe.exchange import uniform_jitter
from probe.observe.talk import Asking, WithinTalk
from probe.observe.trials import Claim, Trials, none_allowed
from probe.observe.visit import VisitSeen
from probe.records import replace


class EapVisit(WithinTalk):
    """One conversation. `run` it, `leave` politely, then `narrow_down` a failure, all within
    `async with`."""

    def __init__(
        self,
        ask: HandshakeAsk,
        peer: Peer,
        limits: Limits,
        *,
        jitter: Callable[[], float] = uniform_jitter,
    ) -> None:
        if ask.aspect is Aspect.UNSIGNED:
            # It is only to be seen whether anything comes, where signed ones are answered.
            silence = min(limits.trial_wait, limits.radius_silence)
            limits = replace(limits, radius_silence=silence)
        self._asking = Asking(ask, peer, limits, jitter)
        self._talk = self._asking.talk()
        self._deadline = 0.0

    async def run(self) -> VisitSeen:
        """Converse up to the chain. Never raises for what the network or the peer does."""
        loop = asyncio.get_running_loop()
        began = loop.time()
        self._deadline = began + self._asking.limits.eap_visit
        ask, peer, talk = self._asking.ask, self._asking.peer, self._talk
        await talk.connect(peer.address, ask.port)
        if ask.aspect is Aspect.UNSIGNED:
            says = "it answered a request without Message-Authenticator, and no more was asked"
            await talk.knock(self._deadline, signed=False, says=says)
        else:
            await talk.run(self._deadline)
        seconds = loop.time() - began
        ending, conversation = talk.ending, talk.conversation
        return VisitSeen(
            outcome=ending.outcome,
            phase=ending.phase,
            seconds=seconds,
            detail=ending.detail,
            alert=conversation.alert,
            round_trips=conversation.round_trips,
            served=conversation.served,
            certificates=conversation.certificates,
            eap=conversation.seen,
            radius=talk.exchange.seen,
            source=talk.exchange.datagrams.source,
        )

    async def leave(self) -> None:
        """End the server's session, which would else be kept for a minute."""
        await self._talk.leave()

    async def narrow_down(self, claim: Claim = none_allowed) -> tuple[Trial, ...]:
        """Try what tells why the visit failed, within the time that is left of it, once it has run.

        `claim` is asked before each trial whether it may be made.
        """
        if self._asking.ask.aspect is not None or self._talk.ending.outcome is Outcome.SERVED:
            return ()
        return await Trials(self._asking, self._talk, claim, self._deadline).run()
