"""The catalogue of rules: all of them in a list, or one with everything that is known about it."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import Protocol

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import Basis, Reaction, Verdict
from probe.observation.model import Endpoint
from probe.report.escape import SENTENCES, visible
from probe.report.terminal import words
from probe.report.terminal.findings import reactions_in_words
from probe.report.terminal.paper import Indented, Labelled, heading, styled, to_text
from probe.report.terminal.styles import of_verdict

COLUMN = 28
"""Where titles begin: most ids fit before it."""

DETAIL = 12


class Rule(Protocol):
    """What a rule of the catalogue tells about itself."""

    @property
    def id(self) -> str:
        """Its id."""

    @property
    def endpoint(self) -> Endpoint:
        """Where it speaks."""

    @property
    def title(self) -> str:
        """A line."""

    @property
    def meaning(self) -> str:
        """What was observed."""

    @property
    def why(self) -> str:
        """Why it matters."""

    @property
    def remedy(self) -> str:
        """What to do."""

    @property
    def source(self) -> str:
        """Document and section."""

    @property
    def basis(self) -> Basis:
        """How its fact is known."""

    @property
    def floor(self) -> Verdict | None:
        """The least bad verdict of a finding; None: it is a note."""


def render_rules(rules: Iterable[Rule], *, width: int = 80, colour: bool = False) -> str:
    """Return the list under each endpoint's name, there in the order of the catalogue."""
    return to_text(_list(rules), width=width, colour=colour)


def render_rule(
    rule: Rule,
    reactions: Sequence[Reaction] = (),
    *,
    client_titles: Mapping[str, str] | None = None,
    width: int = 80,
    colour: bool = False,
) -> str:
    """Return one rule; `reactions` are what client families do about it, as far as is known."""
    return to_text(_one(rule, reactions, client_titles or {}), width=width, colour=colour)


def _list(rules: Iterable[Rule]) -> Iterator[RenderableType]:
    yield styled("What is looked at. `probe rules ID` tells more of one.", "title")
    order = {kind: place for place, kind in enumerate(Endpoint)}
    together = sorted(rules, key=lambda rule: order.get(rule.endpoint, len(order)))
    for kind, group in groupby(together, key=lambda rule: rule.endpoint):
        yield heading(words.endpoint(kind))
        for rule in group:
            identifier = visible(rule.id)
            if len(identifier) + 4 > COLUMN:
                yield Indented(styled(identifier, "place"))
                identifier = ""
            yield Labelled(identifier, Text(visible(rule.title)), COLUMN)


def _one(
    rule: Rule, reactions: Sequence[Reaction], titles: Mapping[str, str]
) -> Iterator[RenderableType]:
    yield Indented(styled(visible(rule.id), "title"), 0)
    yield Indented(Text(visible(rule.title)), 0)
    yield Text()
    yield Labelled("means", Text(visible(rule.meaning, SENTENCES)), DETAIL)
    yield Labelled("matters", Text(visible(rule.why, SENTENCES)), DETAIL)
    yield Labelled("verdict", _verdict(rule.floor), DETAIL)
    label = "felt by"
    for line in reactions_in_words(reactions, lambda family: titles.get(family, family)):
        yield Labelled(label, Text(line), DETAIL)
        label = ""
    yield Labelled("to do", Text(visible(rule.remedy, SENTENCES)), DETAIL)
    source = f"{visible(rule.source, SENTENCES)} ({words.basis(rule.basis)})"
    yield Labelled("source", Text(source), DETAIL)


def _verdict(floor: Verdict | None) -> Text:
    if floor is None:
        return Text("none by itself: a note")
    worse = "" if floor is Verdict.BLOCKED else " or worse"
    return styled(floor.word, of_verdict(floor)).append(worse)
