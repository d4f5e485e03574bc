"""What resolvers said, name by name: one row for each type of record, where they agree."""

from collections.abc import Iterable, Iterator, Sequence

from rich.console import RenderableType
from rich.text import Text

from probe.observation.model import Lookup, LookupAsk, LookupOutcome, Question
from probe.report.escape import visible
from probe.report.terminal import words
from probe.report.terminal.paper import Indented, Labelled, heading, styled
from probe.report.terminal.view import View

ROWS = 200
"""Rows that are shown: a node in depth has some dozens; the JSON has all of them."""

_COLUMN = 14
_INDENT = 5

_TYPE = 10
"""Characters of a type that are shown; one of a saved survey may be anything."""

_TYPES = ("A", "AAAA", "CAA", "TLSA", "PTR")

_Said = tuple[str, str, str]
"""A name, a type of records, and what was said about them."""


def lookups(view: View) -> Iterator[RenderableType]:
    """Yield each name that was looked up, with what was said of it."""
    survey = view.assessment.survey
    rows = _rows(survey.questions, survey.lookups)
    if not rows:
        return
    yield heading("What resolvers say")
    resolvers = _resolvers(survey.questions)
    yield Indented(Text(f"asked: {words.some_of(resolvers)}"))
    shown = None
    for (name, kind, said), by in list(rows.items())[:ROWS]:
        if name != shown:
            yield Indented(styled(visible(name), "place"))
            shown = name
        line = said if len(by) == len(resolvers) else f"{said}, says {words.some_of(by)}"
        yield Labelled(visible(kind, _TYPE), Text(line), _COLUMN, _INDENT, hang=2)
    if len(rows) > ROWS:
        yield Indented(Text(f"and {words.plural(len(rows) - ROWS, 'more answer')}"))


def _resolvers(questions: Iterable[Question]) -> list[str]:
    asked = (question.lookup for question in questions if question.lookup is not None)
    return list(dict.fromkeys(_resolver(ask) for ask in asked))


def _resolver(ask: LookupAsk) -> str:
    named = "the system's resolver" if ask.resolver == "system" else ask.resolver
    return named if ask.view is None else f"{named} ({ask.view} view)"


def _rows(questions: Sequence[Question], records: Sequence[Lookup]) -> dict[_Said, list[str]]:
    """Return the resolvers that said it, by what was said.

    Names stand in the order in which they were asked for, and under each of them its types.
    """
    by_question: dict[str, list[Lookup]] = {}
    for record in records:
        by_question.setdefault(record.question, []).append(record)
    found: dict[str, dict[_Said, list[str]]] = {}
    for question in questions:
        if question.lookup is None:
            continue
        by = _resolver(question.lookup)
        for said in _answers(question.lookup, by_question.get(question.id, [])):
            resolvers = found.setdefault(said[0], {}).setdefault(said, [])
            if by not in resolvers:
                resolvers.append(by)
    return {
        said: rows[said]
        for rows in found.values()
        for said in sorted(rows, key=lambda said: _place(said[1]))
    }


def _place(kind: str) -> int:
    return _TYPES.index(kind) if kind in _TYPES else len(_TYPES)


def _answers(ask: LookupAsk, records: Sequence[Lookup]) -> Iterator[_Said]:
    """Yield what one resolver said to one question, which may have led to further ones."""
    if not records:
        yield ask.name, ask.type, "not seen"
    name = ask.name
    for record in records:
        asked = record.asked
        if asked.type == ask.type:
            name = asked.name
            if ask.name.startswith("*."):
                name += f", a name at random for {ask.name}"
            yield name, asked.type, _said(record)
        else:
            # An address leads to a name (PTR), and that name was asked whether it leads back.
            forth = f"{visible(asked.name)}, {visible(asked.type, _TYPE)}"
            yield name, ask.type, f"and {forth}: {_said(record)}"


def _said(record: Lookup) -> str:
    """Return an answer in words: data or outcome, the aliases before it, and what validated."""
    if record.outcome is LookupOutcome.ALIAS_BROKEN and record.detail:
        return visible(record.detail)  # which tells of the aliases, too
    if record.outcome is LookupOutcome.ANSWERED:
        said = words.some_of(record.data)
    else:
        said = words.lookup_outcome(record.outcome)
    if record.detail:
        said += f" ({visible(record.detail)})"
    if record.aliases:
        said += f", by way of {words.some_of(record.aliases)}"
    if record.dnssec == "secure":
        said += ", validated by DNSSEC"
    return said
