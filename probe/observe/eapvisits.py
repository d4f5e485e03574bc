"""The EAP visits of one survey: at what pace, what need not be asked, and what is tried once."""

import asyncio
from collections import defaultdict
from collections.abc import Callable, Mapping

from probe.limits import Limits
from probe.observation.model import (
    Aspect,
    HandshakeAsk,
    Outcome,
    Phase,
    Question,
    TrialKind,
)
from probe.observe.eap import EapVisit
from probe.observe.eapcontext import Peer, identity_of
from probe.observe.pace import Pace, Timer, Turn
from probe.observe.trials import LOGGED
from probe.observe.visit import VisitSeen
from probe.plan.model import Eap
from probe.records import replace

Note = Callable[[VisitSeen], None]

_NOBODY_IN = frozenset(
    {Outcome.SECRET_DIFFERS, Outcome.REJECTED, Outcome.METHOD_REFUSED, Outcome.SILENT}
)
"""How a visit ends before TLS, so that another hello, user or port would meet the same."""


class EapVisits:
    """Makes the visits of one survey."""

    def __init__(
        self, known_by: Mapping[str, tuple[Eap, bytes]], limits: Limits, timer: Timer
    ) -> None:
        """`known_by`: the settings and the secret of each node that is asked."""
        self.asked = bool(known_by)
        """Whether there are any."""
        self._known_by = known_by
        self._limits = limits
        self.pace = Pace(limits.failed_authentications_per_minute, timer)
        self._at_a_time: defaultdict[str, asyncio.Semaphore] = defaultdict(
            lambda: asyncio.Semaphore(limits.conversations_per_server)
        )
        """By node."""
        self._first_seen: dict[tuple[str, int], VisitSeen] = {}
        """By address and port: how the first method's visit ended there."""
        self._tried: defaultdict[tuple[str, int], set[TrialKind]] = defaultdict(set)

    def before(self, question: Question, ask: HandshakeAsk, address: str) -> VisitSeen | None:
        """Return what has shown already how a closer look ends, if anything has.

        Behind a virtual address another user or port may meet another server. A server that lets
        our hello go unanswered may still answer one of an old version.
        """
        known = self._first_seen.get((address, ask.port))
        if ask.aspect is None or known is None:
            return None
        if known.phase is Phase.CONNECT:
            return known
        if question.service is not None and ask.aspect is Aspect.AGAIN:
            return None
        mute = known.outcome is Outcome.CUT_OFF and ask.aspect is not Aspect.OLD_VERSION
        return known if mute or known.outcome in _NOBODY_IN else None

    def turn(self, question: Question, ask: HandshakeAsk) -> Turn:
        """Return a turn: it is waited until one more failed authentication may be caused there, and
        one more conversation held.

        A virtual address leads to any of the nodes behind it, so it counts at each of them.
        """
        settings, _ = self._known_by[question.nodes[0]]
        identity = identity_of(settings, ask)
        keys = [(node, identity) for node in question.nodes]
        # Always in the same order, so that no two wait for each other.
        places = [self._at_a_time[node] for node in sorted(question.nodes)]
        return self.pace.turn(*keys, places=places)

    async def visit(
        self, question: Question, ask: HandshakeAsk, address: str, turn: Turn, note: Note
    ) -> None:
        """Hold one conversation, and narrow down why it failed. `note` is given what is seen as
        soon as it is seen, and again with what was tried."""
        settings, secret = self._known_by[question.nodes[0]]
        tried = self._tried[address, ask.port]

        def claim(kind: TrialKind) -> bool | None:
            if kind in tried:
                return False
            tried.add(kind)
            return True if kind not in LOGGED or turn.more() else None

        async with EapVisit(ask, Peer(address, settings, secret), self._limits) as visit:
            seen = await visit.run()
            note(seen)
            if ask.aspect is None and ask.visit is None and ask.methods[0] == settings.methods[0]:
                self._first_seen.setdefault((address, ask.port), seen)
            await visit.leave()
            trials = await visit.narrow_down(claim)
            if trials:
                note(replace(seen, trials=trials))
