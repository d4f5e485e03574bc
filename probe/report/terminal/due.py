"""What ends when, for people: server certificates, CA certificates, the coming rules."""

from collections.abc import Iterator, Sequence

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import Verdict
from probe.due import Due, Renewal, Role, Stage
from probe.report import due_words
from probe.report.escape import visible
from probe.report.terminal import words
from probe.report.terminal.closing import looks
from probe.report.terminal.headline import interruption
from probe.report.terminal.paper import Indented, Labelled, heading, styled, to_text
from probe.report.terminal.styles import of_verdict

COLUMN = 14

ROWS = 60
"""Certificates of one kind that are listed; the JSON document has all of them."""

_STYLES = {Stage.ENDED: Verdict.BLOCKED, Stage.DUE: Verdict.DUE}


def render_due(due: Due, *, width: int = 80, colour: bool = False) -> str:
    """Return what ends when, the first end first."""
    return to_text(_parts(due), width=width, colour=colour)


def _parts(due: Due) -> Iterator[RenderableType]:
    yield Indented(styled(f"{visible(due.plan_name)}: what ends when", "title"), 0)
    yield from interruption(due.survey)
    if not due.renewals:
        yield Text()
        yield Indented(Text("No certificate was seen."))
    of_servers = [one for one in due.renewals if one.role is Role.SERVER]
    of_cas = [one for one in due.renewals if one.role is Role.AUTHORITY]
    yield from _section(due, "Server certificates", of_servers)
    yield from _section(due, "CA certificates", of_cas)
    if any(one.public == "yes" for one in of_servers):
        yield from _steps(due)
    yield from _closing(due)


def _section(due: Due, title: str, renewals: Sequence[Renewal]) -> Iterator[RenderableType]:
    if not renewals:
        return
    yield heading(title)
    for one in renewals[:ROWS]:
        yield from _row(due, one)
    if len(renewals) > ROWS:
        yield Indented(Text(words.more(len(renewals) - ROWS)))


def _row(due: Due, one: Renewal) -> Iterator[RenderableType]:
    when = Text(due_words.left(one))
    if one.stage in _STYLES and one.counts:
        when = styled(when.plain, of_verdict(_STYLES[one.stage]))
    if one.stage is Stage.DUE:
        when.append(f"; to be renewed since {words.day(one.renew)}")
    elif one.stage is Stage.LATER:
        when.append(f"; to be renewed from {words.day(one.renew)}")
    yield Labelled(words.day(one.ends), when, COLUMN)
    yield Labelled("", styled(due_words.title(due, one), "place"), COLUMN, hang=2)
    sent = "" if one.served else ", sent by nobody"
    yield Labelled("", Text(f"{due_words.place(due, one)}{sent}"), COLUMN, hang=2)
    if one.role is Role.SERVER:
        for label, text in (
            ("names", due_words.names(due, one)),
            ("issued by", due_words.issuer(due, one)),
        ):
            if text:
                yield Labelled("", Text(f"{label} {text}"), COLUMN, hang=2)
    if one.successor_days is not None:
        line = f"its successor may live {words.plural(one.successor_days, 'day')} at most"
        yield Labelled("", Text(line), COLUMN)


def _steps(due: Due) -> Iterator[RenderableType]:
    if not due.steps:
        return
    yield heading("What public CAs will issue")
    for step in due.steps:
        line = (
            f"from this day on for {words.plural(step.days, 'day')} at most; a proof of a domain"
            f" may be used again for {words.plural(step.validation_days, 'day')}"
        )
        yield Labelled(words.day(step.since), Text(line), COLUMN)
    yield Labelled("source", Text(visible(due.steps[0].source)), COLUMN)


def _closing(due: Due) -> Iterator[RenderableType]:
    yield heading("About this result")
    if due.unseen:
        line = "No certificate was seen, so that nothing is known, of"
        yield Indented(Text(f"{line} {words.some_of(due.unseen)}."), hang=2)
    yield from looks(due.survey, COLUMN)
    yield Labelled("judged", Text(f"as of {words.time(due.judged_at)}"), COLUMN)
