"""What the history tells, for people: runs, what changed between two, where certificates were."""

from collections.abc import Iterator, Mapping
from itertools import groupby

from rich.console import RenderableType
from rich.text import Text

from probe.past import Past, Run, Sighting
from probe.report.escape import SENTENCES, visible
from probe.report.terminal import words
from probe.report.terminal.paper import Indented, Labelled, heading, styled, to_text

RUNS = 20
"""Runs that are listed; the JSON document has all of them."""

CERTIFICATES = 20
"""Certificates that are listed, likewise."""

CHANGES = 40
"""Changes that are listed, likewise."""

COLUMN = 8


def render_past(past: Past, *, width: int = 80, colour: bool = False) -> str:
    """Return what a history tells."""
    return to_text(_parts(past), width=width, colour=colour)


def _parts(past: Past) -> Iterator[RenderableType]:
    of = f" of {visible(past.plan)}" if past.plan is not None else ""
    if past.forgotten is not None:
        yield Indented(Text(f"Forgotten: {words.plural(past.forgotten, 'run')}."), 0)
        yield Text()
    if not past.runs:
        yield Indented(Text(f"No run{of} is kept."), 0)
        yield from _certificates(past)
        return
    yield styled(f"Runs{of} that are kept, the latest first", "title")
    for run in past.runs[:RUNS]:
        yield from _run(run, alone=past.plan is not None)
    yield from _more(len(past.runs) - RUNS)
    yield from _between(past)
    yield from _certificates(past)


def _run(run: Run, *, alone: bool) -> Iterator[RenderableType]:
    title = Text(words.span(run.began, run.ended))
    if not alone:
        title.append(f"  {visible(run.plan)}")
    yield Labelled(str(run.id), title, COLUMN, hang=2)
    what = [
        words.places(run.nodes),
        words.all_of([words.endpoint(endpoint) for endpoint in run.endpoints]),
    ]
    asked = words.plural(run.questions, "question")
    what.append(f"{asked}, {run.unseen} without an answer" if run.unseen else asked)
    what.append(words.origin(run.vantage, run.machine))
    if run.interrupted:
        what.append("interrupted")
    if run.clock_back:
        what.append("its clock was behind that of the run before")
    yield Labelled("", Text("; ".join(part for part in what if part)), COLUMN, hang=2)


def _between(past: Past) -> Iterator[RenderableType]:
    if past.between is None:
        return
    between = past.between
    yield heading(f"What changed from run {between.earlier} to run {between.later}")
    if not between.compared:
        yield Indented(Text("They have nothing in common that could be compared."))
        return
    if not between.changes:
        same = words.plural(between.compared, "answer is", "answers are")
        yield Indented(Text(f"Nothing: {same} the same."))
    for change in between.changes[:CHANGES]:
        yield Indented(Text(visible(change.says, SENTENCES)), hang=2)
    yield from _more(len(between.changes) - CHANGES)


def _certificates(past: Past) -> Iterator[RenderableType]:
    if not past.sightings:
        return
    yield heading("Where certificates were seen, the latest first")
    # The run with the most nodes has them in the order of its plan, as far as that is known.
    largest = max(past.runs, key=lambda run: len(run.nodes), default=None)
    order = {name: place for place, name in enumerate(largest.nodes if largest else ())}
    groups = [
        (sha256, list(sights))
        for sha256, sights in groupby(past.sightings, key=lambda one: one.certificate)
    ]
    for sha256, sights in groups[:CERTIFICATES]:
        facts = past.facts.get(sha256)
        name = (facts.common_name or facts.subject) if facts is not None else ""
        until = words.day(facts.not_after) if facts is not None else "unknown"
        title = styled(visible(name or "a certificate without a name"), "place")
        yield Indented(title.append(f"; until {until}; SHA-256 {sha256[:16]}..."), hang=2)
        for line in _sights(sights, order):
            yield Indented(Text(line), 5, hang=2)
    yield from _more(len(groups) - CERTIFICATES)


def _sights(sights: list[Sighting], order: Mapping[str, int]) -> Iterator[str]:
    """Places of one kind with the same days are one line."""

    def key(one: Sighting) -> tuple[str, str, str]:
        return words.endpoint(one.endpoint), words.day(one.first), words.day(one.last)

    for (endpoint, first, last), some in groupby(sorted(sights, key=key), key=key):
        places = sorted(
            dict.fromkeys(one.place for one in some),
            key=lambda place: order.get(place, len(order)),
        )
        yield f"{endpoint} at {words.places(places)}: first {first}, last {last}"


def _more(left: int) -> Iterator[RenderableType]:
    if left > 0:
        yield Indented(Text(words.more(left)))
