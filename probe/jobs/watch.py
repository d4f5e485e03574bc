"""Waits until a node serves what was imported there. Time is injected: tests need not wait.

Between looks a node is asked little: its web endpoint as clients ask it, and one EAP conversation
at most every `WATCH_EAP` seconds, each of which is a failed authentication in its log. Where these
show the certificate, the whole look decides: it may show another one to other clients, as a service
does that is not restarted altogether; then the next whole look waits twice as long as the last.
"""

import time
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import Protocol

from probe.assessment import Expectation, Stage
from probe.certificate.facts import facts_of
from probe.jobs.sweep import Scope, assess, narrow, questions
from probe.judge.imported import Imported
from probe.judge.words import called, day
from probe.limits import WATCH_EAP, WATCH_WEB
from probe.observation.merge import merge
from probe.observation.model import (
    Aspect,
    Endpoint,
    Handshake,
    KeyFamily,
    Outcome,
    Question,
    Survey,
)
from probe.observe.agenda import Depth, agenda
from probe.plan.model import Plan
from probe.records import dataclass, replace

_AS_CLIENTS = (None, Aspect.FAMILY)
"""What a short look asks."""


class Clock(Protocol):
    """What the watch knows of time."""

    def now(self) -> datetime:
        """Return the time of day, with a zone."""

    def elapsed(self) -> float:
        """Return seconds since some moment, whatever becomes of the time of day."""

    def sleep(self, seconds: float) -> None:
        """Wait."""


class SystemClock:
    """This machine's."""

    def now(self) -> datetime:
        """Return the time of day in UTC."""
        return datetime.now(UTC)

    def elapsed(self) -> float:
        """Return seconds since the machine began."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)


@dataclass(frozen=True, slots=True)
class Told:
    """One line of progress."""

    at: datetime
    says: str


Look = Callable[[tuple[Question, ...], bool], Survey]
"""Asks questions; the second argument tells whether it is the whole look, with all that follows."""


@dataclass(frozen=True, slots=True)
class Agenda:
    """What is asked while waiting, and at the end."""

    web: tuple[Question, ...]
    """Each time."""
    eap: tuple[tuple[Question, ...], ...]
    """At most every `WATCH_EAP` seconds, one of these after the other."""
    whole: tuple[Question, ...]

    @property
    def every(self) -> tuple[Question, ...]:
        """Every question."""
        return (*self.web, *(question for some in self.eap for question in some), *self.whole)


def to_ask(plan: Plan, scope: Scope, imported: Imported | None = None) -> Agenda:
    """Return what is asked. Raises JobError for an unknown node, or if it is nothing."""
    whole = questions(plan, scope)
    families = {
        facts_of(expected.leaf).key_family
        for expected in (imported.certificates if imported else ())
        if expected.leaf is not None
    }
    short = agenda(
        plan,
        Depth.SWEEP,
        only=scope.only & {Endpoint.WEB, Endpoint.EAP},
        nodes=scope.nodes,
        repeat=1,
        both_kinds=True,
    )
    asked = [q for q in short if q.handshake is not None and q.handshake.aspect in _AS_CLIENTS]
    return Agenda(
        web=tuple(question for question in asked if question.endpoint is Endpoint.WEB),
        eap=tuple(_conversations(asked, families)),
        whole=whole,
    )


def _conversations(
    asked: Iterable[Question], families: set[KeyFamily]
) -> Iterable[tuple[Question, ...]]:
    """Yield one conversation with each address at a time: as clients come, and by the key family
    that is expected, as a server that has both may show the other one to who offers both."""
    by_kind: dict[KeyFamily | None, dict[str | None, Question]] = {}
    for question in asked:
        ask = question.handshake
        if question.endpoint is not Endpoint.EAP or ask is None or question.service is not None:
            continue
        if ask.key_family is None or ask.key_family in families:
            by_kind.setdefault(ask.key_family, {}).setdefault(ask.address, question)
    return [tuple(by_address.values()) for by_address in by_kind.values()]


def wait_for(
    plan: Plan,
    scope: Scope,
    imported: Imported,
    *,
    minutes: float,
    look: Look,
    clock: Clock,
    tell: Callable[[Told], None],
) -> Survey:
    """Return the look that shows all as expected, or the one at the end of the time.

    An interrupt (KeyboardInterrupt, or a survey that was interrupted) ends it: what was last seen
    is returned, marked as interrupted. Raises JobError as `to_ask` does.
    """
    return _Watch(plan, imported, to_ask(plan, scope, imported), look, clock, tell).run(minutes)


@dataclass(slots=True)
class _Shown:
    """What one endpoint has last shown."""

    endpoint: Endpoint
    leaf: str | None = None
    """SHA-256 of what it serves; None: it is down."""
    expected: bool = False
    down_since: float | None = None
    minutes_told: int = 0
    ever: bool = False
    """Whether it has served anything since the watch began."""


class _Watch:
    def __init__(
        self,
        plan: Plan,
        imported: Imported,
        asked: Agenda,
        look: Look,
        clock: Clock,
        tell: Callable[[Told], None],
    ) -> None:
        self._plan = plan
        self._imported = imported
        self._asked = asked
        self._look = look
        self._clock = clock
        self._tell = tell
        self._latest: dict[Endpoint, Survey] = {}
        self._shown: dict[Endpoint, _Shown] = {}
        self._turn = 0
        self._eap_at: float | None = None
        self._whole: Survey | None = None
        self._whole_at: float | None = None
        self._over = 0.0
        self._patience = WATCH_EAP
        self._awaited_for_eap = True
        self._names = frozenset(name for question in asked.every for name in question.nodes)

    def run(self, minutes: float) -> Survey:
        self._over = self._clock.elapsed() + 60 * minutes
        try:
            while True:
                if self._once():
                    break
                left = self._over - self._clock.elapsed()
                if left <= 0:
                    self._say("the time is over; this is how it stands")
                    break
                self._clock.sleep(min(WATCH_WEB, left))
            return self._last_whole()
        except _Interrupted as interrupted:
            return interrupted.seen
        except KeyboardInterrupt:
            return self._known()

    def _once(self) -> bool:
        """Look once; return whether all is as expected."""
        if self._asked.web:
            self._note(Endpoint.WEB, self._ask(self._asked.web, False))
        if not self._all_shown() and self._eap_is_due():
            some = self._asked.eap[self._turn % len(self._asked.eap)]
            self._turn += 1
            self._eap_at = self._clock.elapsed()
            self._note(Endpoint.EAP, self._ask(some, False))
            self._awaited_for_eap = self._is_for_eap()
        if not (self._all_shown() and self._rested()):
            return False
        self._whole = whole = self._ask(self._asked.whole, True)
        self._eap_at = self._whole_at = self._clock.elapsed()
        for kind in _OVER:
            self._note(kind, narrow(whole, frozenset({kind}), self._names))
        expectations = self._expectations(whole)
        down = [kind for kind, shown in self._shown.items() if shown.ever and shown.leaf is None]
        if all(one.fulfilled for one in expectations) and not down:
            self._say("all is as expected")
            return True
        self._patience *= 2
        self._say(f"not all is as expected yet: {_what_is_not(expectations, down)}")
        return False

    # ------------------------------------------------------------ asking

    def _last_whole(self) -> Survey:
        """Return the whole look that was just made, or make one."""
        now = self._clock.elapsed()
        recent = self._whole_at is not None and now - self._whole_at < WATCH_EAP
        if self._whole is not None and recent:
            return self._whole
        return self._ask(self._asked.whole, True)

    def _ask(self, asked: tuple[Question, ...], whole: bool) -> Survey:
        seen = self._look(asked, whole)
        if seen.interrupted:
            raise _Interrupted(seen if whole else self._known(seen))
        return seen

    def _known(self, *more: Survey) -> Survey:
        """Return what was last seen, as of an interrupted look."""
        parts = [*self._latest.values(), *more]
        if not parts:
            # Nothing was seen at all: a look that asks nothing says when and from where that was.
            parts = [self._look((), False)]
        seen = replace(merge(parts), interrupted=True)
        asked = {question.id for question in seen.questions}
        unasked = tuple(q for q in self._asked.whole if q.id not in asked)
        return replace(seen, questions=(*seen.questions, *unasked))

    def _eap_is_due(self) -> bool:
        if not self._asked.eap or self._over - self._clock.elapsed() < WATCH_EAP:
            return False  # the look at the end is near
        if self._eap_at is None:
            return True  # what it is at the beginning
        web = self._shown.get(Endpoint.WEB)
        if web is not None and web.ever and web.leaf is None:
            return False  # the node restarts
        return self._awaited_for_eap and self._clock.elapsed() - self._eap_at >= WATCH_EAP

    def _is_for_eap(self) -> bool:
        """Whether something is expected of the EAP endpoint, as far as can be told."""
        expectations = self._expectations(merge(self._latest.values()))
        return any(at.endpoint is Endpoint.EAP for one in expectations for at in one.at)

    def _expectations(self, seen: Survey) -> tuple[Expectation, ...]:
        return assess(self._plan, seen, imported=self._imported).expected

    def _all_shown(self) -> bool:
        """Whether each certificate is among those that were last seen."""
        shown = [
            seen.certificates[record.served.chain[0]]
            for seen in self._latest.values()
            for record in seen.handshakes
            if record.served is not None and record.served.chain
        ]
        return all(
            any(expected.is_leaf(der) for der in shown) for expected in self._imported.certificates
        )

    def _rested(self) -> bool:
        """Whether it is time for a whole look, which holds EAP conversations too."""
        now = self._clock.elapsed()
        eap = self._eap_at is None or now - self._eap_at >= WATCH_EAP
        return eap and (self._whole_at is None or now - self._whole_at >= self._patience)

    # ------------------------------------------------------------ telling

    def _note(self, endpoint: Endpoint, seen: Survey) -> None:
        """Keep what a short look has shown, and tell what is new about it."""
        met = [r for r in seen.handshakes if r.asked.aspect in _AS_CLIENTS]
        served = [record for record in met if record.served is not None and record.served.chain]
        if not met:
            return
        if not served and endpoint is Endpoint.EAP and _by_family_alone(met):
            return  # it has no certificate of that key family: that says nothing of it
        self._latest[endpoint] = seen
        shown = self._shown.setdefault(endpoint, _Shown(endpoint))
        fresh = shown.leaf is None and shown.down_since is None
        place = f"{_OVER[endpoint]} at {' and '.join(sorted(self._names))}"
        if not served:
            self._down(shown, place, met[0].outcome)
            return
        best = next((r for r in served if self._is_expected(seen, r)), served[0])
        leaf = best.served.chain[0] if best.served else ""
        expected = self._is_expected(seen, best)
        back = ""
        if shown.down_since is not None:
            minutes = (self._clock.elapsed() - shown.down_since) / 60
            back = f"back {self._clock.now():%H:%M}, after {_minutes(minutes)}; "
        if back or fresh or leaf != shown.leaf:
            facts = facts_of(seen.certificates[leaf])
            as_expected = ", as expected" if expected else ""
            what = f"serves {called(facts)}, until {day(facts.not_after)}{as_expected}"
            self._say(f"{place}: {back}{what}")
        shown.leaf, shown.expected, shown.ever = leaf, expected, True
        shown.down_since, shown.minutes_told = None, 0

    def _down(self, shown: _Shown, place: str, outcome: Outcome) -> None:
        now = self._clock.elapsed()
        if shown.down_since is None:
            shown.down_since = now
            self._say(f"{place}: down ({outcome})")
        whole = int((now - shown.down_since) / 60)
        if whole > shown.minutes_told:
            shown.minutes_told = whole
            self._say(f"{place}: down for {whole} min")
        shown.leaf, shown.expected = None, False

    def _is_expected(self, seen: Survey, record: Handshake) -> bool:
        if record.served is None:
            return False
        der = seen.certificates[record.served.chain[0]]
        return any(expected.is_leaf(der) for expected in self._imported.certificates)

    def _say(self, says: str) -> None:
        self._tell(Told(self._clock.now(), says))


class _Interrupted(Exception):
    def __init__(self, seen: Survey) -> None:
        super().__init__()
        self.seen = seen


_OVER = {Endpoint.WEB: "HTTPS", Endpoint.EAP: "EAP"}

_NOT_YET = {
    Stage.PARTLY: "it is served beside another certificate, or with another chain",
    Stage.ELSEWHERE: "it is served on the other endpoint",
    Stage.NOT_SERVED: "another certificate is served",
    Stage.UNSEEN: "nothing is served",
}


def _what_is_not(expectations: Iterable[Expectation], down: Iterable[Endpoint]) -> str:
    found = [
        f"{_OVER[at.endpoint]} at {at.node}: {_NOT_YET[at.stage]}"
        for one in expectations
        for at in one.at
        if at.stage is not Stage.SERVED
    ]
    found += [f"{_OVER[kind]} is down" for kind in down]
    return "; ".join(dict.fromkeys(found)) or "the endpoint that it is for is not asked"


def _by_family_alone(records: Iterable[Handshake]) -> bool:
    return all(record.asked.aspect is Aspect.FAMILY for record in records)


def _minutes(minutes: float) -> str:
    return f"{round(minutes)} min down" if minutes >= 1 else f"{round(60 * minutes)} s down"
