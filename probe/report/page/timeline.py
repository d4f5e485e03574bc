"""When what ends: one bar for each certificate, on a scale of days around the day of judging.

The drawing is made of percentages, so that it fits any width while its letters keep their size.
"""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta

from probe.assessment import Finding
from probe.certificate.facts import CertFacts
from probe.records import dataclass
from probe.report.page.answer import numbers
from probe.report.terminal import words
from probe.report.terminal.view import View

LONGEST = timedelta(days=2 * 366)
"""How far ahead the drawing goes at most. It follows the servers' certificates: an authority that
ends in ten years would squeeze all else."""

SHORTEST = timedelta(days=60)

BEFORE = 4
"""The part of the scale, as one in so many, that lies before the day of judging."""

TICKS = 8
"""Months written on the scale, at most."""

EDGE = 5
"""Per cent at either end without a month: half of it would be cut off."""

_STEPS = (1, 2, 3, 6, 12)
"""Months between two of them."""


@dataclass(frozen=True, slots=True)
class Bar:
    """One certificate, or several with the same dates and issuer."""

    title: str
    where: str
    nodes: tuple[str, ...]
    since: str
    until: str
    left: str
    """Per cent of the drawing's width."""
    width: str
    ended: bool
    begins_earlier: bool
    ends_later: bool
    due: tuple[str, str, tuple[int, ...]] | None
    """The day from which somebody is held up, its place in per cent, and the findings."""
    authority: bool


@dataclass(frozen=True, slots=True)
class Timeline:
    """The drawing and, row by row, the same in words."""

    bars: tuple[Bar, ...]
    today: str
    today_at: str
    ticks: tuple[tuple[str, str], ...]
    """Place and month."""


@dataclass(frozen=True, slots=True)
class _Scale:
    begin: datetime
    end: datetime

    def at(self, moment: datetime) -> float:
        part = (moment - self.begin) / (self.end - self.begin)
        return 100 * min(max(part, 0.0), 1.0)


def timeline(view: View) -> Timeline | None:
    """Return it; None: no certificate has dates."""
    rows = list(_rows(view))
    if not rows:
        return None
    scale = _scale(view.assessment.judged_at, [facts for group in rows for facts in group])
    return Timeline(
        bars=tuple(_bar(view, group, scale) for group in rows),
        today=words.day(view.assessment.judged_at),
        today_at=_percent(scale.at(view.assessment.judged_at)),
        ticks=tuple(_ticks(scale)),
    )


def _rows(view: View) -> Iterator[list[CertFacts]]:
    assessment = view.assessment
    served = [sha256 for row in assessment.served for sha256 in row.chain]
    served += [sha256 for row in assessment.served for sha256 in row.lacking]
    groups: dict[object, list[CertFacts]] = {}
    for sha256 in dict.fromkeys(served):
        facts = assessment.facts.get(sha256)
        if facts is not None and facts.not_before and facts.not_after:
            key = (facts.not_before, facts.not_after, facts.issuer, facts.is_ca or facts.sha256)
            shared = key if facts.is_ca else key[:3]
            groups.setdefault(shared, []).append(facts)
    yield from sorted(groups.values(), key=lambda group: (bool(group[0].is_ca), _ends(group[0])))


def _ends(facts: CertFacts) -> datetime:
    assert facts.not_after is not None  # noqa: S101  # rows without an end are left out
    return facts.not_after


def _scale(today: datetime, shown: Sequence[CertFacts]) -> _Scale:
    servers = [facts for facts in shown if not facts.is_ca] or shown
    ahead = max(_ends(facts) for facts in servers) - today
    ahead = min(max(ahead * 21 / 20, SHORTEST), LONGEST)
    return _Scale(today - ahead / (BEFORE - 1), today + ahead)


def _bar(view: View, group: Sequence[CertFacts], scale: _Scale) -> Bar:
    facts = group[0]
    assert facts.not_before is not None and facts.not_after is not None  # noqa: PT018, S101  # as above
    shas = {one.sha256 for one in group}
    serving = {n for row in view.assessment.served if shas & set(row.chain) for n in row.nodes}
    nodes = tuple(node for node in view.plan if node in serving)
    left, right = scale.at(facts.not_before), scale.at(facts.not_after)
    kinds = dict.fromkeys(r.endpoint for r in view.assessment.served if shas & set(r.chain))
    place = words.all_of([words.endpoint(kind) for kind in kinds])
    return Bar(
        title=words.some_of(list(dict.fromkeys(view.subject(one.sha256) for one in group)), 2),
        where=f"{place} at {view.nodes(nodes)}" if nodes else "nobody sends it",
        nodes=nodes,
        since=words.day(facts.not_before),
        until=words.day(facts.not_after),
        left=_percent(left),
        width=_percent(max(right - left, 0.6)),
        ended=facts.not_after < view.assessment.judged_at,
        begins_earlier=facts.not_before < scale.begin,
        ends_later=facts.not_after > scale.end,
        due=_due(view, shas, scale),
        authority=bool(facts.is_ca),
    )


def _due(view: View, shas: set[str], scale: _Scale) -> tuple[str, str, tuple[int, ...]] | None:
    found: list[Finding] = [
        finding
        for finding in view.assessment.findings
        if finding.due is not None and shas & set(finding.certificates)
    ]
    if not found or found[0].due is None:
        return None
    ids = [finding.id for finding in found]
    return words.day(found[0].due), _percent(scale.at(found[0].due)), numbers(view, ids)


def _ticks(scale: _Scale) -> Iterator[tuple[str, str]]:
    begin, end = scale.begin.astimezone(UTC), scale.end.astimezone(UTC)
    months = (end.year - begin.year) * 12 + end.month - begin.month
    step = next((step for step in _STEPS if months <= TICKS * step), _STEPS[-1])
    for number in range(begin.year * 12 + begin.month, end.year * 12 + end.month):
        if number % step == 0:
            month = datetime(number // 12, number % 12 + 1, 1, tzinfo=UTC)
            place = scale.at(month)
            if EDGE < place < 100 - EDGE:
                yield _percent(place), f"{month.year}-{month.month:02}"


def _percent(part: float) -> str:
    return f"{part:.2f}%"
