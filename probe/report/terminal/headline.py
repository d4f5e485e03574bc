"""The first screen: is anyone blocked or warned now, which nodes stand apart, what to do first."""

from collections.abc import Iterable, Iterator

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import Apart, Felt, Folded, Verdict
from probe.observation.model import Endpoint, Survey
from probe.records import replace
from probe.report.escape import SENTENCES, visible
from probe.report.terminal import words
from probe.report.terminal.expected import expected
from probe.report.terminal.paper import Indented, Labelled, styled, to_text
from probe.report.terminal.styles import of_verdict
from probe.report.terminal.view import View

COLUMN = 16
"""Where answers begin."""

SCREEN = 23
"""Lines in which everything up to what to do first must stand: a terminal of 24 has one more, for
the prompt or the pager."""

ENTRIES = 6
"""Entries under one answer, at most; as many as `SCREEN` has room for."""

_FEWER = (
    *((people, apart) for people in range(ENTRIES, 1, -1) for apart in range(ENTRIES, 1, -1)),
    (1, 1),
)
"""Entries for who is held up and for what stands apart: people are the last to be cut."""

REMEDY = 480
"""Characters of what to do first; all of it stands with the finding."""


def headline(view: View, width: int) -> Iterator[RenderableType]:
    """Yield the answers, in the order in which they are wanted: as many of each as let what to do
    first be on the first screen of that width."""
    for entries in _FEWER:
        shown = [*_answers(view, *entries)]
        if to_text(shown, width=width, colour=False).count("\n") <= SCREEN:
            break
    yield from shown
    yield from _since(view)


def _answers(view: View, felt_by: int, apart: int) -> Iterator[RenderableType]:
    """Yield what must be on the first screen, with so many entries under one answer."""
    assessment = view.assessment
    title = styled(f"{visible(assessment.plan_name)}: ", "title")
    yield Indented(title.append(assessment.verdict.word, of_verdict(assessment.verdict)), indent=0)
    yield from interruption(assessment.survey)
    yield Text()
    yield from _as_of(view)
    yield from _part(view)
    yield from _before(view)
    yield from expected(view, COLUMN)
    yield from felt(view, Verdict.BLOCKED, "Blocked now", felt_by)
    yield from felt(view, Verdict.WARNED, "Warned now", felt_by)
    yield from _apart(view, apart)
    yield from first(view)


def circumstances(view: View) -> Iterator[RenderableType]:
    """Yield what the answer is of, and how it stands to what was imported and was before."""
    yield from _as_of(view)
    yield from _part(view)
    yield from _before(view)
    yield from expected(view, COLUMN)
    yield from _since(view)


def _as_of(view: View) -> Iterator[RenderableType]:
    """What holds "now" on another day must not be read as today's."""
    assessment = view.assessment
    seen = max((taken.ended for taken in assessment.survey.taken), default=assessment.judged_at)
    if assessment.judged_at != seen:
        as_of = f"{words.time(assessment.judged_at)}, by what was seen until {words.time(seen)}"
        yield Labelled("As of", Text(as_of), COLUMN)


def _part(view: View) -> Iterator[RenderableType]:
    """A verdict of one node, or of DNS alone, must not be read as the cluster's."""
    part = view.assessment.part
    if part is None:
        return
    limits = []
    if part.nodes > len(view.plan):
        limits.append(f"{words.some_of(view.plan)}, of {part.nodes} nodes")
    if part.left_out:
        asked, left_out = (
            words.all_of([words.endpoint(kind) for kind in kinds])
            for kinds in (part.asked, part.left_out)
        )
        limits.append(f"{asked} without {left_out}")
    yield Labelled("Looked at", Text("; ".join(limits)), COLUMN)


def _before(view: View) -> Iterator[RenderableType]:
    """What is wrong with this machine may be why something else seems to be."""
    for number, identifier in enumerate(view.assessment.headline.before):
        finding = view.finding(identifier)
        if finding is not None:
            body = Text(visible(finding.says, SENTENCES)).append_text(view.references([finding.id]))
            yield Labelled("First of all" if number == 0 else "", body, COLUMN, hang=2)


def felt(view: View, verdict: Verdict, label: str, most: int = ENTRIES) -> Iterator[RenderableType]:
    """Yield who is blocked or warned, and where."""
    entries = [item for item in view.assessment.headline.felt if item.verdict is verdict]
    if not entries:
        yield Labelled(label, Text("nobody").append_text(_as_far_as_seen(view)), COLUMN)
    if len(entries) > most:
        entries = _same_fate(entries)
    for number, entry in enumerate(entries[:most]):
        who = [view.client(family) for family in entry.clients]
        if who or entry.endpoint is not Endpoint.BUNDLE:
            body = styled(words.all_of(who) if who else "anyone", of_verdict(verdict))
            body.append(f", {doing(view, entry)}")
        else:
            body = styled("whoever imports it", of_verdict(verdict))
        body.append_text(view.references(entry.findings))
        yield Labelled(label if number == 0 else "", body, COLUMN, hang=2)
    yield from _more(len(entries) - most, "where it is felt")


def _same_fate(entries: Iterable[Felt]) -> list[Felt]:
    """Return as one what the same clients meet on the same endpoint, wherever that is."""
    fates: dict[tuple[object, ...], list[Felt]] = {}
    for entry in entries:
        fates.setdefault((entry.endpoint, entry.clients), []).append(entry)
    return [
        replace(
            alike[0],
            nodes=_united(entry.nodes for entry in alike),
            names=_united(entry.names for entry in alike),
            findings=_united(entry.findings for entry in alike),
        )
        for alike in fates.values()
    ]


def _united(groups: Iterable[tuple[str, ...]]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(item for group in groups for item in group))


def _as_far_as_seen(view: View) -> Text:
    assessment = view.assessment
    if assessment.unseen:
        asked = words.plural(len(assessment.survey.questions), "question")
        return Text(f", as far as was seen: {len(assessment.unseen)} of {asked} got no answer")
    # Where a server was silent the question is answered, and yet nothing is known of it.
    unknown = [f.id for f in assessment.findings if f.verdict is Verdict.UNSEEN and f.counts]
    if unknown or not assessment.complete:
        return Text(", as far as was seen").append_text(view.references(unknown))
    return Text()


def doing(view: View, entry: Felt) -> str:
    """Return what its clients are about, and where: "opening its pages at quay3"."""
    names, nodes = words.some_of(entry.names), view.nodes(entry.nodes)
    match entry.endpoint:
        case Endpoint.WEB:
            what = f"opening {names or 'its pages'}"
        case Endpoint.EAP:
            what = "logging in by EAP"
        case Endpoint.DNS:
            what = f"looking up {names or 'its name'}"
        case Endpoint.CLUSTER:
            what = f"opening {names}" if names else "calling from another node"
        case Endpoint.BUNDLE:
            what = f"opening {names}" if names else "shown this certificate"
        case _:
            what = f"by {words.endpoint(entry.endpoint)}"
    return f"{what} at {nodes}" if nodes else what


def _apart(view: View, most: int) -> Iterator[RenderableType]:
    entries = list(view.assessment.headline.apart)
    label = "Stand apart"
    if not entries:
        none = "none" if view.assessment.complete else "none, as far as was seen"
        alone = len(view.plan) == 1
        yield Labelled(label, Text("one node, nothing to compare" if alone else none), COLUMN)
    if len(entries) > most:
        entries = _same_way(entries)
    for number, entry in enumerate(entries[:most]):
        body = styled(view.nodes(entry.nodes), "place").append(f": {difference(entry)}")
        body.append_text(view.references(entry.findings))
        yield Labelled(label if number == 0 else "", body, COLUMN, hang=2)
    yield from _more(len(entries) - most, "ways to stand apart")


def _same_way(entries: Iterable[Apart]) -> list[Apart]:
    """Return as one the nodes that differ from the rest in the same, if by other findings."""
    ways: dict[str, list[Apart]] = {}
    for entry in entries:
        ways.setdefault(difference(entry), []).append(entry)
    return [
        replace(
            alike[0],
            nodes=_united(entry.nodes for entry in alike),
            findings=_united(entry.findings for entry in alike),
        )
        for alike in ways.values()
    ]


def difference(entry: Apart) -> str:
    """Return in what nodes differ from the rest."""
    parts = []
    if entry.other_chain:
        kinds = words.all_of([words.endpoint(kind) for kind in entry.other_chain])
        parts.append(f"another {kinds} chain than the rest")
    if entry.not_served:
        kinds = words.all_of([words.endpoint(kind) for kind in entry.not_served])
        parts.append(f"no {kinds} chain seen")
    if entry.verdict is not Verdict.SOUND or not parts:
        parts.append(words.verdict(entry.verdict))
    return ", ".join(parts)


def first(view: View) -> Iterator[RenderableType]:
    """Yield what to begin with."""
    finding = view.finding(view.assessment.headline.first)
    if finding is None:
        done = "nothing to be done" if view.assessment.complete else "look again: not all was seen"
        yield Labelled("Do first", Text(done), COLUMN)
        return
    body = styled(view.place_of(finding), "place")
    body.append_text(view.references([finding.id]))
    remedy = finding.remedy
    if len(remedy) > REMEDY:
        remedy = remedy[:REMEDY].rpartition(" ")[0] + " ... (all of it below)"
    body.append(f": {visible(remedy, SENTENCES)}")
    day = words.day(finding.due)
    if finding.due is not None and day not in finding.remedy:
        body.append(f" Before {day}.")
    yield Labelled("Do first", body, COLUMN)


def _since(view: View) -> Iterator[RenderableType]:
    """What is new, gone or changed since the last time; nothing where there was none."""
    since = view.assessment.since
    if since is None:
        return
    last = words.time(since.last)
    if since.nothing:
        known = ", as far as was seen now" if view.assessment.unseen else ""
        same = f"{last}; since then nothing has changed{known}"
        yield Labelled("Last time", Text(same), COLUMN)
        return
    parts = []
    if since.appeared:
        parts.append(Text("new").append_text(view.references(since.appeared)))
    if since.altered:
        parts.append(Text("altered").append_text(view.references(a.id for a in since.altered)))
    if since.gone:
        parts.append(Text(f"gone {words.some_of([_gone(view, one) for one in since.gone])}"))
    body = Text(f"{last}; since then ").append_text(Text("; ").join(parts))
    if since.changes:
        body.append("; and seen otherwise:" if parts else "seen otherwise:")
    yield Labelled("Last time", body, COLUMN, hang=2)
    for change in since.changes[:ENTRIES]:
        yield Labelled("", Text(visible(change.says, SENTENCES)), COLUMN, hang=2)
    if len(since.changes) > ENTRIES:
        yield Labelled("", Text(words.more(len(since.changes) - ENTRIES)), COLUMN)


def _gone(view: View, one: Folded) -> str:
    return f"{one.rule} at {view.nodes(one.nodes)}" if one.nodes else one.rule


def _more(left: int, what: str) -> Iterator[RenderableType]:
    if left > 0:
        yield Labelled("", Text(f"and {left} more {what}, below"), COLUMN)


def interruption(survey: Survey) -> Iterator[RenderableType]:
    """Yield what a survey that was broken off is to be read as; nothing for another one."""
    if survey.interrupted:
        yield Text()
        yield Indented(
            styled("Interrupted: this is what was known until then, and no more.", "place")
        )
