"""A rehearsal for people: who meets what, over time; what is found; what would spare it."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import Finding, Verdict
from probe.observation.model import fingerprint
from probe.rehearsal import Anew, Feels, Rehearsal, Span, Trouble
from probe.report.escape import SENTENCES, visible
from probe.report.terminal import words
from probe.report.terminal.closing import looks
from probe.report.terminal.headline import interruption
from probe.report.terminal.paper import WIDEST, Indented, Labelled, heading, styled, to_text
from probe.report.terminal.styles import of_verdict

COLUMN = 16

GAP = 2
"""Columns between two columns of the table."""

ORDER = 12
"""Nodes of an order that are all named."""

ROWS = 30
"""Things found that are listed; the JSON document has all of them."""

_CELLS = {
    Feels.BLOCKED: "blocked",
    Feels.WARNED: "warned",
    Feels.ASKED: "asked",
    Feels.PERHAPS: "may mind",
    Feels.UNSEEN: "unseen",
    Feels.WORKS: "works",
}

_STYLES = {
    Feels.BLOCKED: Verdict.BLOCKED,
    Feels.WARNED: Verdict.WARNED,
    Feels.ASKED: Verdict.WARNED,
    Feels.PERHAPS: Verdict.ADVISED,
    Feels.UNSEEN: Verdict.UNSEEN,
    Feels.WORKS: Verdict.SOUND,
}

_SPANS = {
    Span.MENDED: "today, and no longer after all nodes",
    Span.BETWEEN: "until all nodes are done",
    Span.NEW: "to the end",
    Span.STAYS: "today already, and after all nodes",
}

_MEANS = {
    Feels.ASKED: "its user is asked whether to trust a certificate that it does not know",
    Feels.PERHAPS: "that it minds is known from memory or practice alone",
    Feels.UNSEEN: "nothing was served there, so nothing is known",
}


def render_rehearsal(rehearsal: Rehearsal, *, width: int = 80, colour: bool = False) -> str:
    """Return the rehearsal, what to read first at the top."""
    return to_text(_parts(rehearsal, width), width=width, colour=colour)


def _parts(rehearsal: Rehearsal, width: int) -> Iterator[RenderableType]:
    leaf = rehearsal.bundle.facts[fingerprint(rehearsal.bundle.offered.chain[0])]
    name = visible(leaf.common_name or leaf.subject or leaf.sha256[:16])
    title = f"{visible(rehearsal.today.plan_name)}: rehearsal of {name}"
    top = styled(f"{title}: ", "title")
    yield Indented(top.append(rehearsal.verdict.word, of_verdict(rehearsal.verdict)), 0)
    yield from interruption(rehearsal.survey)
    yield Text()
    kinds = words.all_of([words.endpoint(one) for one in rehearsal.endpoints])
    where = f"{kinds}, at {_nodes(rehearsal, rehearsal.order)}"
    if list(rehearsal.order) != [n for n in rehearsal.bundle.nodes if n in rehearsal.order]:
        where += f", in the order {words.some_of(rehearsal.order, ORDER)}"
    yield Labelled("For", Text(where), COLUMN)
    if rehearsal.already:
        line = f"{_nodes(rehearsal, rehearsal.already)}, where nothing changes"
        yield Labelled("Done already", Text(line), COLUMN)
    for number, line in enumerate(rehearsal.first):
        label = "In short" if number == 0 else ""
        yield Labelled(label, Text(visible(line, SENTENCES)), COLUMN)
    yield from _table(rehearsal, width)
    yield from _where(rehearsal)
    yield from _anew(rehearsal)
    yield from _advice(rehearsal)
    yield from _troubles(rehearsal)
    yield from _findings("Wrong with the files by themselves", rehearsal.blocking)
    yield from _findings("Left behind in the end", rehearsal.left_behind)
    yield from _resumption(rehearsal)
    yield from _closing(rehearsal)


def _nodes(rehearsal: Rehearsal, names: Sequence[str]) -> str:
    return words.nodes(names, rehearsal.bundle.plan_nodes)


def _client(rehearsal: Rehearsal, client: str, setup: str | None) -> str:
    title = visible(rehearsal.titles.get(client, client))
    return title if setup is None else f"{title} ({words.setup(setup)})"


# ---------------------------------------------------------------- the table


def _table(rehearsal: Rehearsal, width: int) -> Iterator[RenderableType]:
    if not rehearsal.steps[0].experiences:
        return
    yield heading("What clients meet, by the number of nodes that are done")
    columns = list(_columns(rehearsal))
    names = [_client(rehearsal, one.client, one.setup) for one in rehearsal.steps[0].experiences]
    label = max(map(len, names)) + GAP
    cell = max(len(word) for word in (*_CELLS.values(), *(title for title, _ in columns))) + GAP
    room = max((min(width, WIDEST) - 2 - label + GAP) // cell, 1)
    for start in range(0, len(columns), room):
        if start:
            yield Text()
        shown = columns[start : start + room]
        head = styled("".ljust(label + 2), "label")
        for title, _ in shown:
            head.append(title.ljust(cell), "label")
        head.rstrip()
        yield head
        for place, name in enumerate(names):
            row = Text("  " + name.ljust(label))
            for _, cells in shown:
                feels = cells[place]
                row.append(_CELLS[feels], of_verdict(_STYLES[feels]))
                row.append(" " * (cell - len(_CELLS[feels])))
            row.rstrip()
            yield row
    for felt, means in _MEANS.items():
        if any(felt in cells for _, cells in columns):
            yield Indented(styled(f"{_CELLS[felt]}: {means}", "aside"), hang=2)


def _columns(rehearsal: Rehearsal) -> Iterator[tuple[str, tuple[Feels, ...]]]:
    """Yield a title and what each client feels; steps alike that follow each other are one."""
    total = len(rehearsal.order)
    told = [
        (len(step.done), tuple(one.feels for one in step.experiences)) for step in rehearsal.steps
    ]
    yield "today", told[0][1]
    for cells, group in groupby(told[1:-1], key=lambda one: one[1]):
        counts = [count for count, _ in group]
        span = str(counts[0]) if len(counts) == 1 else f"{counts[0]}-{counts[-1]}"
        yield f"{span} of {total}", cells
    yield f"all {total}" if total > 1 else "then", told[-1][1]


# ---------------------------------------------------------------- where


def _where(rehearsal: Rehearsal) -> Iterator[RenderableType]:
    steps = rehearsal.steps
    rows: dict[tuple[tuple[Feels, tuple[str, ...]], ...], list[str]] = {}
    for place, first in enumerate(steps[0].experiences):
        each = tuple((s.experiences[place].feels, s.experiences[place].nodes) for s in steps)
        if any(feels < Feels.UNSEEN for feels, _ in each):
            who = _client(rehearsal, first.client, first.setup)
            rows.setdefault(each, []).append(who)
    if not rows:
        return
    yield heading("Where")
    for row, clients in rows.items():
        yield Indented(styled(words.all_of(clients), "place"), hang=2)
        for line in _places(rehearsal, row):
            yield Indented(line, 5, 2)


def _places(rehearsal: Rehearsal, row: Sequence[tuple[Feels, tuple[str, ...]]]) -> Iterator[Text]:
    """Yield a line for each stretch of steps: where nodes are added one by one, one line."""
    done = [step.done for step in rehearsal.steps]
    number = 0
    while number < len(row):
        feels, nodes = row[number]
        last = number
        grows = number > 0 and set(nodes) == set(done[number])
        while last + 1 < len(row) and row[last + 1][0] is feels:
            same = row[last + 1][1] == nodes
            along = grows and set(row[last + 1][1]) == set(done[last + 1])
            if not same and not along:
                break
            grows = grows and along
            last += 1
        if feels < Feels.UNSEEN:
            line = Text(f"{_moment(rehearsal, number, last)}: ")
            line.append(_CELLS[feels], of_verdict(_STYLES[feels]))
            if last > number and grows:
                line.append(" at each node that is done")
            else:
                line.append(f" at {_nodes(rehearsal, row[last][1])}")
            yield line
        number = last + 1


def _moment(rehearsal: Rehearsal, number: int, last: int) -> str:
    ends = len(rehearsal.steps) - 1
    if number == 0:
        if last == ends:
            return "today and at every step"
        return "today" if last == 0 else f"until {_name(rehearsal, last + 1)} is done"
    if number == ends:
        return "after all nodes"
    if last == ends:
        return f"from {_name(rehearsal, number)} on"
    if last == number:
        return _after(rehearsal, number)
    return f"{_after(rehearsal, number)} to {_after(rehearsal, last)}"


def _after(rehearsal: Rehearsal, number: int) -> str:
    return f"after {_name(rehearsal, number)}"


def _name(rehearsal: Rehearsal, number: int) -> str:
    return visible(rehearsal.steps[number].done[-1])


def _anew(rehearsal: Rehearsal) -> Iterator[RenderableType]:
    if not rehearsal.anew:
        return
    yield heading("Asked anew, if they have accepted today's certificate")
    for one in rehearsal.anew:
        yield from _asked(rehearsal, one)


def _asked(rehearsal: Rehearsal, one: Anew) -> Iterator[RenderableType]:
    line = styled(_client(rehearsal, one.client, one.setup), "place")
    where = _nodes(rehearsal, one.nodes)
    line.append(f" at {where}: ").append(_CELLS[one.feels], of_verdict(_STYLES[one.feels]))
    if one.words is not None:
        line.append(f', shown "{visible(one.words)}"')
    yield Indented(line, hang=3)
    yield Indented(Text(visible(one.why, SENTENCES)), 5)
    yield Labelled("source", Text(visible(one.source)), COLUMN, 5, hang=2)


# ---------------------------------------------------------------- what would spare it


def _advice(rehearsal: Rehearsal) -> Iterator[RenderableType]:
    if not rehearsal.advice:
        return
    yield heading("What would spare it, each rehearsed too")
    for one in rehearsal.advice:
        yield Indented(Text("- " + visible(one.says, SENTENCES)), hang=2)
        label = "helps later" if one.later else "helps"
        yield Labelled(label, Text(_clients(rehearsal, one.helps)), COLUMN + 2, 4, hang=2)
        if one.left:
            yield Labelled("not wholly", Text(_clients(rehearsal, one.left)), COLUMN + 2, 4, hang=2)


def _clients(rehearsal: Rehearsal, found: Iterable[tuple[str, str | None]]) -> str:
    return words.all_of([_client(rehearsal, *who) for who in found])


# ---------------------------------------------------------------- what is found


def _troubles(rehearsal: Rehearsal) -> Iterator[RenderableType]:
    if not rehearsal.troubles:
        return
    yield heading("What is found, and when")
    untouched = [one for one in rehearsal.troubles if one.span is Span.STAYS and not one.grows]
    told = [one for one in rehearsal.troubles if one not in untouched]
    for one in told[:ROWS]:
        yield from _trouble(rehearsal, one)
    if len(told) > ROWS:
        yield Indented(Text(f"and {len(told) - ROWS} more, in the JSON document"))
    if untouched:
        line = "untouched, today and after all nodes: "
        places = [f"{one.rule} ({_place(rehearsal, one)})" for one in untouched]
        yield Indented(Text(line + visible(words.some_of(places), SENTENCES)), hang=3)


def _trouble(rehearsal: Rehearsal, one: Trouble) -> Iterator[RenderableType]:
    line = styled(one.verdict.word, of_verdict(one.verdict))
    line.append("  ").append(_place(rehearsal, one), "place")
    if one.name is not None:
        line.append(f", {visible(one.name)}")
    yield Indented(line.append(f"  {visible(one.rule)}", "aside"), hang=3)
    when = _SPANS[one.span]
    if one.span in (Span.BETWEEN, Span.NEW):
        since = f"from {_nodes(rehearsal, rehearsal.steps[one.steps[0]].newly)} on"
        when = f"{since}, {when}"
    elif one.span is Span.STAYS and one.grows:
        when += ", then at further nodes"
    yield Indented(Text(when), 5)
    yield Indented(Text(visible(one.says, SENTENCES)), 5)
    if one.span is not Span.MENDED and one.span is not Span.BETWEEN:
        yield Labelled("to do", Text(visible(one.remedy, SENTENCES)), COLUMN, 5, hang=2)


def _place(rehearsal: Rehearsal, one: Trouble) -> str:
    place = words.endpoint(one.endpoint)
    return f"{place} at {_nodes(rehearsal, one.nodes)}" if one.nodes else place


def _findings(title: str, found: Sequence[Finding]) -> Iterator[RenderableType]:
    if not found:
        return
    yield heading(title)
    for one in found:
        line = styled(one.verdict.word, of_verdict(one.verdict))
        yield Indented(line.append(f"  {visible(one.rule)}", "aside"), hang=3)
        yield Indented(Text(visible(one.says, SENTENCES)), 5)
        yield Labelled("to do", Text(visible(one.remedy, SENTENCES)), COLUMN, 5, hang=2)


def _resumption(rehearsal: Rehearsal) -> Iterator[RenderableType]:
    known = rehearsal.resumption
    if known is None:
        return
    yield heading("When sessions that are resumed catch up")
    for line in known.says:
        yield Indented(Text(visible(line, SENTENCES)))
    yield Labelled("source", Text(visible(known.source)), COLUMN)


def _closing(rehearsal: Rehearsal) -> Iterator[RenderableType]:
    yield heading("What a rehearsal does not know")
    for line in rehearsal.unknown:
        yield Indented(Text("- " + visible(line, SENTENCES)), hang=2)
    yield heading("About this result")
    yield Labelled("known from", Text(visible(rehearsal.known_from)), COLUMN)
    yield from looks(rehearsal.survey, COLUMN)
    today = rehearsal.today
    line = f"as of {words.time(today.judged_at)}, by rules {visible(today.catalogue)}"
    yield Labelled("judged", Text(line), COLUMN)
