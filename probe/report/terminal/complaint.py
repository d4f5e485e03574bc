"""The answer to a complaint, for a help desk: the cause, the proof, what to tell the person."""

from collections.abc import Iterable, Iterator

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import Verdict
from probe.complaint import Answer, Cause, Heard, LogAlert, Source, Standing, Whose
from probe.report.escape import SENTENCES, visible
from probe.report.terminal import words
from probe.report.terminal.closing import NOT_PROVEN, looks
from probe.report.terminal.findings import facts
from probe.report.terminal.headline import interruption
from probe.report.terminal.paper import Indented, Labelled, heading, styled, to_text
from probe.report.terminal.styles import of_verdict

COLUMN = 16
"""Where answers begin, as on the first screen of a sweep."""

EVIDENCE = 4
"""Facts shown of one cause; the JSON document has them all."""

ROWS = 8
"""Causes of one standing, and other findings, that are listed."""


def render_complaint(answer: Answer, *, width: int = 80, colour: bool = False) -> str:
    """Return the answer, the cause first."""
    return to_text(_parts(answer), width=width, colour=colour)


def _parts(answer: Answer) -> Iterator[RenderableType]:
    yield Indented(styled(visible(answer.first, SENTENCES), "title"), 0)
    yield from interruption(answer.assessment.survey)
    cautions = list(_cautions(answer))
    if cautions:
        yield Text()
        yield from cautions
    confirmed = answer.of(Standing.CONFIRMED)
    if confirmed:
        yield heading("The proof")
        for number, cause in enumerate(confirmed[:ROWS]):
            if number:
                yield Text()
            yield from _confirmed(answer, cause)
        yield from _more(confirmed, "confirmed")
    yield from _advice(answer)
    yield from _mending(confirmed[:ROWS])
    yield from _open(answer)
    yield from _client_side(answer)
    yield from _ruled_out(answer)
    yield from _also(answer)
    yield from _understood(answer)
    yield from _closing(answer)


# ---------------------------------------------------------------- what must not be missed


def _cautions(answer: Answer) -> Iterator[RenderableType]:
    """Whose certificate it was, what the answer rests on, and what was told and does not fit."""
    recognised = answer.recognised
    if recognised.whose is not Whose.NOT_TOLD:
        style = of_verdict(Verdict.BLOCKED) if recognised.whose is Whose.UNKNOWN else "none"
        yield _line("Shown", styled(visible(recognised.says, SENTENCES), style))
    source = _SOURCES.get(answer.source)
    if source is not None:
        until = max((taken.ended for taken in answer.assessment.survey.taken), default=None)
        seen = f" until {words.time(until)}" if until is not None else ""
        yield _line("By", Text(f"{source}{seen}; nobody was asked"))
    when = answer.complaint.when
    if when is not None and answer.then is None:
        yield _line("Then", Text(f"nothing is kept of that time, {words.time(when)}"))
    doubts = [_heard(heard) for heard in answer.heard if not heard.known or heard.partly]
    doubts += [Text(visible(line, SENTENCES)) for line in answer.contradictions]
    for number, doubt in enumerate(doubts[:ROWS]):
        yield _line("But" if number == 0 else "", doubt)
    yield from _more(tuple(doubts), "doubts")


_SOURCES = {
    Source.SAVED: "what was saved, seen",
    Source.HISTORY: "what earlier runs saw",
}


# ---------------------------------------------------------------- what it was taken for


def _understood(answer: Answer) -> Iterator[RenderableType]:
    yield heading("How it was understood")
    exactly = [heard for heard in answer.heard if heard.known and not heard.partly]
    for number, heard in enumerate(exactly):
        yield _line("told" if number == 0 else "", _heard(heard))
    for number, alerts in enumerate(answer.complaint.log[:ROWS]):
        yield _line("in the log" if number == 0 else "", Text(_logged(alerts)))
    yield from _more(answer.complaint.log, "alerts")
    if answer.families:
        yield _line("used", Text(_clients(answer, answer.families)))
    yield _line("looked at", Text(visible(answer.why_nodes, SENTENCES)))


def _logged(alerts: LogAlert) -> str:
    how = "received" if alerts.received else "sent"
    line = f"the server {how} {visible(alerts.alert)}, {words.plural(alerts.times, 'time')}"
    return line if alerts.last is None else f"{line}, the last at {words.time(alerts.last)}"


def _heard(heard: Heard) -> Text:
    line = styled(f'"{visible(heard.said)}"', "place")
    if heard.known:
        families = words.all_of(
            list(dict.fromkeys(_FAMILIES.get(one.family, one.family) for one in heard.known))
        )
        if heard.partly:
            taken = words.some_of([one.words for one in heard.known])
            return line.append(f": taken for {taken}, of {families}")
        return line.append(f": known, of {families}")
    if heard.unspecific:
        return line.append(": too general to tell anything by")
    line.append(": not known here")
    if heard.nearest:
        line.append(f"; known and like it: {words.some_of(heard.nearest)}")
    return line


_FAMILIES = {
    "browser-chromium": "Chromium browsers",
    "browser-mozilla": "Firefox",
    "apple": "Apple devices",
    "windows": "Windows",
    "android": "Android",
    "linux-supplicant": "Linux supplicants",
    "openssl-based": "OpenSSL",
    "tls-alert": "TLS itself",
}


# ---------------------------------------------------------------- causes


def _confirmed(answer: Answer, cause: Cause) -> Iterator[RenderableType]:
    title = Text()
    if cause.verdict is not None:
        title.append(cause.verdict.word, of_verdict(cause.verdict))
        title.append(" then  " if cause.then else "  ")
    title.append(_place(answer, cause), "place")
    yield Indented(title.append(f"  {visible(cause.rule)}", "aside"), hang=4)
    if cause.says.rstrip(".") not in answer.first:
        yield Indented(Text(visible(cause.says, SENTENCES)), 4)
    if cause.fixed_since is not None:
        yield _row("fixed since", words.time(cause.fixed_since))
    lines = list(facts(cause.evidence))
    for number, line in enumerate(lines[:EVIDENCE]):
        yield _row("seen" if number == 0 else "", line)
    if len(lines) > EVIDENCE:
        yield _row("", f"and {len(lines) - EVIDENCE} more, in the JSON document")
    if cause.came_and_went is not None:
        yield _row("comes and goes", visible(cause.came_and_went, SENTENCES))
    if cause.clients:
        yield _row("felt by", _clients(answer, cause.clients))


def _mending(causes: Iterable[Cause]) -> Iterator[RenderableType]:
    """What is for the engineer, below what is for the person."""
    causes = [cause for cause in causes if cause.remedy is not None and cause.fixed_since is None]
    if not causes:
        return
    yield heading("To mend it")
    for cause in causes:
        yield Indented(Text(visible(cause.remedy or "", SENTENCES)))
        told = f"({visible(cause.rule)}; {visible(cause.source)})" if cause.source else cause.rule
        yield Indented(styled(told, "aside"), 5)


def _open(answer: Answer) -> Iterator[RenderableType]:
    possible = answer.of(Standing.POSSIBLE)
    if not possible:
        return
    yield heading("Possible, and not decided by what was seen")
    shown = possible[:ROWS]
    for cause, following in zip(shown, (*shown[1:], None), strict=True):
        line = Text(visible(cause.says, SENTENCES)).append(f" ({visible(cause.rule)})", "aside")
        yield Indented(line, hang=3)
        # What decides several is said once, below the last of them.
        if cause.decides is not None and (following is None or following.decides != cause.decides):
            yield _row("would decide", visible(cause.decides, SENTENCES))
    yield from _more(possible, "possible")


def _ruled_out(answer: Answer) -> Iterator[RenderableType]:
    out = answer.of(Standing.RULED_OUT)
    if not out:
        return
    yield heading("Ruled out")
    for cause in out[:ROWS]:
        line = Text(visible(cause.says, SENTENCES)).append(f" ({visible(cause.rule)})", "aside")
        yield Indented(line, hang=3)
    yield from _more(out, "ruled out")


def _also(answer: Answer) -> Iterator[RenderableType]:
    """Findings that are not the cause: those where this person was not come first."""
    elsewhere = tuple(one for one in answer.also if one.elsewhere)
    others = tuple(one for one in answer.also if not one.elsewhere)
    for title, found in (
        ("Found where this person cannot have been", elsewhere),
        ("Also found, and not what those words mean", others),
    ):
        if found:
            yield heading(title)
        for one in found[:ROWS]:
            line = Text().append(one.verdict.word, of_verdict(one.verdict))
            where = f" at {_nodes(answer, one.nodes)}" if one.nodes else ""
            line.append(f"{where}: {visible(one.says, SENTENCES)}")
            yield Indented(line.append(f" ({visible(one.rule)})", "aside"), hang=3)
        yield from _more(found, "found")


# ---------------------------------------------------------------- what to tell the person


def _advice(answer: Answer) -> Iterator[RenderableType]:
    advice = answer.advice
    yield heading("What to tell them")
    for sentence in advice.sentences:
        yield Indented(Text(visible(sentence, SENTENCES)))
    word = styled("yes", "place") if advice.safe else styled("NO", of_verdict(Verdict.BLOCKED))
    yield Labelled("Safe to go on", word.append(f": {visible(advice.why, SENTENCES)}"), 17)


def _client_side(answer: Answer) -> Iterator[RenderableType]:
    if not answer.client_side:
        return
    yield heading("What the servers cannot show: to be asked")
    for one in answer.client_side:
        yield Indented(Text(visible(one.question, SENTENCES)), hang=3)
        yield Indented(styled(f"({visible(one.cause, SENTENCES)})", "aside"), 5)


def _closing(answer: Answer) -> Iterator[RenderableType]:
    assessment = answer.assessment
    yield heading("About this answer")
    yield Indented(Text(NOT_PROVEN))
    yield from looks(assessment.survey, 11)
    line = f"as of {words.time(assessment.judged_at)}, by rules {visible(assessment.catalogue)}"
    yield Labelled("judged", Text(line), 11)
    if answer.then is not None:
        seen = max((taken.ended for taken in answer.then.survey.taken), default=None)
        line = f"as of {words.time(answer.then.judged_at)}"
        line += f", by what a run saw until {words.time(seen)}" if seen is not None else ""
        yield Labelled("then", Text(line), 11)


# ---------------------------------------------------------------- small things


def _place(answer: Answer, cause: Cause) -> str:
    kind = words.endpoint(cause.endpoint) if cause.endpoint is not None else ""
    nodes = _nodes(answer, cause.nodes)
    place = " at ".join(part for part in (kind, nodes) if part)
    return f"{place}, {visible(cause.name)}" if cause.name is not None else place


def _nodes(answer: Answer, names: tuple[str, ...]) -> str:
    return words.nodes(names, tuple(node.name for node in answer.assessment.nodes))


def _clients(answer: Answer, families: Iterable[str]) -> str:
    titles = answer.assessment.client_titles
    return words.all_of([titles.get(family, family) for family in families])


def _line(label: str, body: Text) -> Labelled:
    return Labelled(label, body, COLUMN, hang=2)


def _row(label: str, text: str) -> Labelled:
    return Labelled(label, Text(text), 20, 4, hang=2)


def _more(items: tuple[object, ...], what: str) -> Iterator[RenderableType]:
    if len(items) > ROWS:
        yield Indented(Text(words.more(len(items) - ROWS, what)))
