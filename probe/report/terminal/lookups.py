"""What resolvers said of each name; names, types and resolvers that say the same stand together."""

from collections.abc import Iterable, Iterator, Sequence

from rich.console import RenderableType
from rich.text import Text

from probe.observation.model import Lookup, LookupAsk, LookupOutcome, Question
from probe.report.escape import visible
from probe.report.terminal import words
from probe.report.terminal.paper import Indented, Labelled, heading, styled
from probe.report.terminal.view import View

ENTRIES = 100
"""Entries that are shown; a node in depth has some dozen, and the JSON has all of them."""

NAMES = 12
"""Names of one entry that are all shown."""

_COLUMN = 18
_INDENT = 5
_TYPE = 10
"""Characters of a type that are shown; one of a saved survey may be anything."""

_TYPES = ("A", "AAAA", "CAA", "TLSA", "PTR")

_Told = dict[tuple[str, str], list[str]]
"""Of one name: a type of records and what was said of them, and the resolvers that said so."""


def lookups(view: View) -> Iterator[RenderableType]:
    """Yield the names that were looked up, with what was said of them; those of which the same was
    said are one entry."""
    survey = view.assessment.survey
    told = _told(survey.questions, survey.lookups)
    if not told:
        return
    yield heading("What resolvers say")
    resolvers = _resolvers(survey.questions)
    yield Indented(Text(f"asked: {words.some_of(resolvers)}"), hang=3)
    entries: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for name, of_name in told.items():
        entries.setdefault(_rows(of_name, len(resolvers)), []).append(name)
    for rows, names in list(entries.items())[:ENTRIES]:
        shown = words.some_of([_as_written(name) for name in names], NAMES)
        yield Indented(styled(shown, "place"), hang=3)
        for kinds, said in rows:
            yield Labelled(kinds, Text(said), _COLUMN, _INDENT, hang=2)
    if len(entries) > ENTRIES:
        left_out = [name for names in list(entries.values())[ENTRIES:] for name in names]
        yield Indented(Text(words.more(len(left_out), "name" if len(left_out) == 1 else "names")))


def _as_written(name: str) -> str:
    """Return a name with what it reads like to people, where that is something else (RFC 5890)."""
    if "xn--" not in name:
        return name
    import idna  # noqa: PLC0415  # few names need its tables

    try:
        return f"{name} ({idna.decode(name)})"
    except (idna.IDNAError, UnicodeError):
        return name


def _resolvers(questions: Iterable[Question]) -> list[str]:
    asked = (question.lookup for question in questions if question.lookup is not None)
    return list(dict.fromkeys(_resolver(ask) for ask in asked))


def _resolver(ask: LookupAsk) -> str:
    named = "the system's resolver" if ask.resolver == "system" else ask.resolver
    return named if ask.view is None else f"{named} ({ask.view} view)"


def _told(questions: Sequence[Question], records: Sequence[Lookup]) -> dict[str, _Told]:
    """Return what was said of each name, in the order in which they were asked for."""
    by_question: dict[str, list[Lookup]] = {}
    for record in records:
        by_question.setdefault(record.question, []).append(record)
    found: dict[str, _Told] = {}
    for question in questions:
        if question.lookup is None:
            continue
        by = _resolver(question.lookup)
        for name, kind, said in _answers(question.lookup, by_question.get(question.id, [])):
            resolvers = found.setdefault(name, {}).setdefault((kind, said), [])
            if by not in resolvers:
                resolvers.append(by)
    return found


def _rows(told: _Told, resolvers: int) -> tuple[tuple[str, str], ...]:
    """Return types and what was said of them; types of which the same was said are one row."""
    rows: dict[str, list[str]] = {}
    for (kind, said), by in sorted(told.items(), key=lambda row: _place(row[0][0])):
        line = said if len(by) == resolvers else f"{said}, says {words.some_of(by)}"
        rows.setdefault(line, []).append(visible(kind, _TYPE))
    return tuple((", ".join(dict.fromkeys(kinds)), line) for line, kinds in rows.items())


def _place(kind: str) -> int:
    return _TYPES.index(kind) if kind in _TYPES else len(_TYPES)


def _answers(ask: LookupAsk, records: Sequence[Lookup]) -> Iterator[tuple[str, str, str]]:
    """Yield what one resolver said to one question, which may have led to further ones: the name,
    the type, and what was said."""
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
