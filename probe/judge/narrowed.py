"""Why conversations with RADIUS servers failed: what other visits and later tries rule out.

A failing visit has one reason at most that is known better than its ending tells. Rules ask for it,
so that each visit is told by one of them. Nothing is judged here.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterable
from enum import Enum

from probe.judge.case import Case, Visit
from probe.judge.words import VERSIONS, listing
from probe.observation.model import Outcome, TlsVersion, Trial, TrialKind

OLD = (TlsVersion.TLS1_0, TlsVersion.TLS1_1)
"""Versions that are no longer to be used (RFC 8996)."""

ROUNDS_OF_MANY = 40
ROUNDS_OF_MOST = 50
"""Round trips after which common authenticators give up (RFC 9191, 1 and 3)."""


class Why(Enum):
    """What is known of a failure beyond how it ended."""

    ELSEWHERE = "the reply comes from another address"
    SECRET = "a reply does not verify"  # noqa: S105  # a reason's name, no secret
    KNOWN = "the server runs and knows this machine"
    LOST = "large packets are lost"
    LONG = "it takes too many rounds"
    SPLIT = "a balancer splits the conversation"
    OLD = "nothing newer than TLS 1.1 is spoken"
    OFFER = "another offer is taken"


_UNVERIFIED = (Outcome.SECRET_DIFFERS, Outcome.SILENT, Outcome.NOT_ASKED)
"""Endings of a trial that no reply of the server's stands behind."""

_GIVEN_UP = (Outcome.CUT_OFF, Outcome.REFUSED)

_IN_THE_MIDST = (Outcome.REFUSED, Outcome.CUT_OFF, Outcome.MALFORMED, Outcome.METHOD_REFUSED)


def narrowing_of(case: Case) -> "Narrowing":
    """Return the reasons of a case, which several rules ask for."""
    return case.once(Narrowing, lambda: Narrowing(case))


class Narrowing:
    """The reasons of one case."""

    def __init__(self, case: Case) -> None:
        self._case = case
        self._tried: dict[Hashable, list[Trial]] = defaultdict(list)
        self._newer: set[Hashable] = set()
        self._old: dict[Hashable, set[TlsVersion]] = defaultdict(set)
        self._own: dict[str, list[Visit]] = defaultdict(list)
        for visit in case.asked_of_eap:
            self._tried[visit.server] += visit.record.trials
            if visit.aspect is None and not visit.virtual and len(visit.record.nodes) == 1:
                self._own[visit.record.nodes[0]].append(visit)
            for version in _agreed(visit):
                if version in OLD:
                    self._old[visit.server].add(version)
                else:
                    self._newer.add(visit.server)

    def tried(self, visit: Visit) -> tuple[Trial, ...]:
        """Return what was tried at the server of a visit, whichever visit had failed."""
        return tuple(self._tried[visit.server])

    def old_only(self, visit: Visit) -> bool:
        """Whether its server was seen to speak old versions, and none that is newer."""
        return visit.server in self._old and visit.server not in self._newer

    def old_versions(self, visit: Visit) -> frozenset[TlsVersion]:
        """Return the old versions that its server agreed to."""
        return frozenset(self._old.get(visit.server, ()))

    def why(self, visit: Visit) -> Why | None:
        """Return what is known of a failing visit; None: no more than its ending."""
        match visit.record.outcome:
            case Outcome.SILENT:
                return self._of_silence(visit)
            case Outcome.CUT_OFF | Outcome.REFUSED | Outcome.MALFORMED | Outcome.METHOD_REFUSED:
                return self._of_a_break(visit)
            case Outcome.REJECTED if (visit.record.round_trips or 0) > 1 and self._splits(visit):
                return Why.SPLIT
            case _:
                return None

    def elsewhere(self, visit: Visit) -> str | None:
        """Return the address that replies came from instead of the one that was asked."""
        return next(
            (
                trial.replied_from
                for trial in self.tried(visit)
                if trial.outcome not in _UNVERIFIED
                and trial.replied_from not in (None, visit.asked.address)
            ),
            None,
        )

    def _of_silence(self, visit: Visit) -> Why | None:
        tried = self.tried(visit)
        if self.elsewhere(visit) is not None:
            return Why.ELSEWHERE
        if any(trial.outcome is Outcome.SECRET_DIFFERS for trial in tried):
            return Why.SECRET
        if Outcome.SERVED in _ended(tried, TrialKind.STATUS_SERVER):
            return Why.KNOWN
        return None

    def _of_a_break(self, visit: Visit) -> Why | None:
        tried, outcome = self.tried(visit), visit.record.outcome
        if outcome is Outcome.CUT_OFF and self.elsewhere(visit) is not None:
            return Why.ELSEWHERE
        # There are servers too that give up after so many, by a reject.
        if outcome in _GIVEN_UP and (visit.record.round_trips or 0) > ROUNDS_OF_MOST:
            return Why.LONG
        if outcome is Outcome.CUT_OFF and _large_are_lost(tried):
            return Why.LOST
        if outcome is not Outcome.METHOD_REFUSED and self.old_only(visit):
            return Why.OLD
        if self._splits(visit):
            return Why.SPLIT
        if outcome is Outcome.REFUSED and Outcome.SERVED in _ended(tried, TrialKind.WIDER_OFFER):
            return Why.OFFER
        return None

    def _splits(self, visit: Visit) -> bool:
        """Whether a virtual address broke what every node behind it carries through by itself."""
        if visit.service is None or not visit.virtual:
            return False
        for node in self._case.behind(visit.service):
            alike = [own for own in self._own[node] if own.method in visit.asked.methods]
            broken = any(own.record.outcome in _IN_THE_MIDST for own in alike)
            if broken or not any(own.chain for own in alike):
                return False
        return True


def _agreed(visit: Visit) -> Iterable[TlsVersion]:
    """Return the versions in which a visit, or what was tried after it, was served."""
    served = visit.record.served
    if served is not None and served.tls is not None:
        yield served.tls
    for trial in visit.record.trials:
        if trial.kind is TrialKind.WIDER_OFFER and trial.outcome is Outcome.SERVED:
            # Its detail begins with the version.
            word = (trial.detail or "").partition(":")[0].strip()
            if word in frozenset(TlsVersion):
                yield TlsVersion(word)


def _ended(tried: Iterable[Trial], kind: TrialKind) -> frozenset[Outcome]:
    return frozenset(trial.outcome for trial in tried if trial.kind is kind)


def _large_are_lost(tried: tuple[Trial, ...]) -> bool:
    """Whether the same conversation works in small packets; or fails again in its midst, so that
    the server is there, and a large request gets no answer."""
    smaller = _ended(tried, TrialKind.SMALLER_REPLIES)
    large = _ended(tried, TrialKind.LARGE_REQUEST)
    return Outcome.SERVED in smaller or (Outcome.CUT_OFF in smaller and Outcome.SILENT in large)


def old_versions(visits: Iterable[Visit]) -> str:
    """Return in words which of the old versions were asked for."""
    asked = {version for visit in visits for version in visit.asked.tls}
    return listing([VERSIONS[version] for version in OLD if version in asked])
