"""Whatever texts a survey brings, in every output: they stay texts, and no line gets too long."""

import json
import tomllib
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from probe.assessment import Assessment, Decided
from probe.cli import draft, draftcheck
from probe.drafting.beyond import Beyond, Extra
from probe.drafting.model import Answer, Draft, Open
from probe.drafting.propose import propose
from probe.plan.problems import Problem
from probe.records import replace
from probe.report.bundle_document import bundle_to_json
from probe.report.calendar import due_to_calendar
from probe.report.complaint_document import complaint_to_json
from probe.report.due_document import due_to_json
from probe.report.past_document import past_to_json
from probe.report.rehearsal_document import rehearsal_to_json
from probe.report.render import render as to_form
from probe.report.terminal import (
    render,
    render_agenda,
    render_bundle,
    render_complaint,
    render_decisions,
    render_due,
    render_past,
    render_rehearsal,
    render_rule,
    render_rules,
)
from probe.report.terminal.paper import NARROWEST, WIDEST
from tests.drafting.test_text import GIVEN, NOBODY, certificate
from tests.drafting.test_text import seen as network
from tests.judge.test_decide import decided
from tests.report.build import troubled
from tests.report.clusters import KINDS, judged, one_node
from tests.report.hostile import HOSTILE, LONG, poisoned
from tests.report.test_bundle import made as bundle
from tests.report.test_closer import BALANCED, FULL
from tests.report.test_complaint import FIXED, NOTHING
from tests.report.test_complaint import answer as complaint
from tests.report.test_due import made as due
from tests.report.test_past import past
from tests.report.test_rehearsal import made as rehearsal
from tests.report.test_screens import FOOTPRINT, REACTIONS, RULES

WIDTHS = (60, 80, 120, 200)

TEXTS = {
    "control": HOSTILE,
    "long": LONG,
    "markup": "<script>alert('quay')</script>[bold]&amp;\"'`$(reboot)",
    "right-to-left": "\u05d0\u05d1\u202e\u2066\u0627\u0644",
    "wide": "\u6e2f\u53e3" * 200 + "\U0001f6a2\uff21e\u0301",
}

LOOKED_UP = frozenset({"questions", "lookups", "handshakes", "certificates", "sha256"})
"""Fields by which parts of a value find each other; what they hold stands in other fields too."""

DRAFT = Draft(
    "",
    (Open(1, "trust.eap", "The root of quay1 is Northpier Root, which nobody vouches for."),),
    (),
    nodes=4,
    services=1,
    has_eap=True,
)

MISSING = (Problem("trust.eap", "is empty", "one root or more"),)

OPTIONS = draft.Options(
    *(("quay1.northpier.example",), (), None, (), True, None, None, (), (), 443, 1812, False),
    *(None, None, Path("plan.toml"), False),
)

BEYOND = Beyond(
    (Extra("quay5.northpier.example is named by a certificate of quay1.", '[[node]]\nname = "q"'),),
    ("quay4 is not in DNS.",),
    ("192.0.2.15 did not answer.",),
)

SCREENS: dict[str, Callable[[Callable[[Any], Any], int], str]] = {
    "cluster": lambda spoil, width: render(spoil(troubled()), width=width),
    "node": lambda spoil, width: render(spoil(one_node()), width=width, in_depth=True),
    "closer": lambda spoil, width: render(spoil(looked_at()), width=width),
    "bundle": lambda spoil, width: render_bundle(spoil(bundle()), width=width),
    "due": lambda spoil, width: render_due(spoil(due()), width=width),
    "past": lambda spoil, width: render_past(spoil(past()), width=width),
    "rules": lambda spoil, width: render_rules(spoil(RULES), width=width),
    "rule": lambda spoil, width: render_rule(spoil(RULES[2]), spoil(REACTIONS), width=width),
    "agenda": lambda spoil, width: render_agenda(spoil(FOOTPRINT), width=width),
    "decisions": lambda spoil, width: render_decisions(spoil(explained()), {}, width=width),
    "complaint": lambda spoil, width: render_complaint(spoil(complaint()), width=width),
    "fixed": lambda spoil, width: render_complaint(spoil(FIXED), width=width),
    "unexplained": lambda spoil, width: render_complaint(spoil(NOTHING), width=width),
    "rehearsal": lambda spoil, width: render_rehearsal(spoil(rehearsal()), width=width),
}

TO_COPY: dict[str, Callable[[Callable[[Any], Any], int], str]] = {
    "draft": lambda spoil, width: draft.summary(spoil(DRAFT), spoil(MISSING), OPTIONS, width),
    "check": lambda spoil, width: draftcheck.text_of(spoil(BEYOND), "plan.toml", width),
}
"""Screens whose long words stay whole."""

DOCUMENTS: dict[str, Callable[[Callable[[Any], Any]], str]] = {
    "json": lambda spoil: to_form(spoil(troubled()), "json"),
    "metrics": lambda spoil: to_form(spoil(troubled()), "metrics"),
    "page": lambda spoil: to_form(spoil(troubled()), "page"),
    "decided json": lambda spoil: to_form(spoil(replace(troubled(), decided=explained())), "json"),
    "decided page": lambda spoil: to_form(spoil(replace(troubled(), decided=explained())), "page"),
    "due json": lambda spoil: due_to_json(spoil(due())),
    "calendar": lambda spoil: due_to_calendar(spoil(due())),
    "past json": lambda spoil: past_to_json(spoil(past())),
    "bundle json": lambda spoil: bundle_to_json(spoil(bundle())),
    "complaint json": lambda spoil: complaint_to_json(spoil(complaint())),
    "rehearsal json": lambda spoil: rehearsal_to_json(spoil(rehearsal())),
    "draft toml": lambda spoil: drafted(spoil("Northpier Root"), spoil("alias")),
}


def looked_at() -> Assessment:
    return replace(troubled(), eap_looks=(FULL, BALANCED))


def explained() -> Decided:
    return Decided("quay3", "windows-eap", decided("windows-eap"))


def drafted(issuer: str, alias: str) -> str:
    """Return a draft where a certificate and DNS bring such texts: a common name has 64 octets at
    most."""
    name = issuer.encode(errors="replace")[:64].decode(errors="ignore")
    told = network((certificate(name, ["quay1.example"]),))
    answers = {**told.answers, "quay1.example": Answer((), alias, alias)}
    return propose(GIVEN, replace(told, answers=answers), NOBODY).text


def spoiling(text: str) -> Callable[[Any], Any]:
    """Return what puts a text after each text of a value."""
    return lambda value: poisoned(value, text, spare=LOOKED_UP)


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("text", TEXTS)
@pytest.mark.parametrize("screen", SCREENS)
def test_on_every_screen_a_text_stays_a_text_of_the_width(
    screen: str, text: str, width: int
) -> None:
    fits(SCREENS[screen](spoiling(TEXTS[text]), width), width)


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("text", TEXTS)
@pytest.mark.parametrize("screen", TO_COPY)
def test_what_is_to_be_copied_has_a_line_to_itself(screen: str, text: str, width: int) -> None:
    shown = TO_COPY[screen](spoiling(TEXTS[text]), width)
    assert not unprintable(shown)
    for line in shown.split("\n"):
        assert line == line.rstrip(" ")
        if line.startswith("  probe "):  # a command
            continue
        said = line.removeprefix("  OPEN ").lstrip("1").removeprefix("  [1]")
        alone = len(said.split()) == 1 or line.startswith(" " * 6)  # a word, or a table's line
        assert cell_len(line) <= width or alone, line


@pytest.mark.parametrize("text", TEXTS)
@pytest.mark.parametrize("document", DOCUMENTS)
def test_in_every_document_a_text_is_nothing_but_a_text(document: str, text: str) -> None:
    written = DOCUMENTS[document](spoiling(TEXTS[text]))
    assert not unprintable(written)
    assert "page" not in document or "<script>alert" not in written
    if "json" in document:
        json.loads(written)
    if "toml" in document:
        assert tomllib.loads(written)["trust"] == {"staff": ["public"], "eap": []}


@pytest.mark.parametrize(
    ("kind", "count"),
    [*((kind, count) for kind in KINDS for count in (4, 40)), ("many", 400), ("half", 400)],
)
def test_no_line_about_a_cluster_is_wider_than_the_terminal(kind: str, count: int) -> None:
    for width in WIDTHS:
        fits(render(judged(kind, count), width=width), width)


@settings(max_examples=15, deadline=None)
@given(st.text(max_size=400), st.integers(NARROWEST, WIDEST + 20), st.booleans())
def test_no_text_at_all_gets_onto_a_screen_otherwise(text: str, width: int, long: bool) -> None:
    spoil = spoiling(text * 40 if long else text)
    for screen in ("cluster", "due", "past"):
        fits(SCREENS[screen](spoil, width), width)


def fits(shown: str, width: int) -> None:
    """Fails unless each line has the width, counted in cells, and holds nothing that acts."""
    assert not unprintable(shown)
    for line in shown.split("\n"):
        assert cell_len(line) <= min(width, WIDEST), line
        assert line == line.rstrip(" ")


def unprintable(text: str) -> set[str]:
    """Return what a terminal would act on, or show as nothing."""
    kinds = {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}
    return {c for c in set(text) - {"\n", "\r"} if unicodedata.category(c) in kinds}


@pytest.mark.parametrize("line", ["\x1b[2J", "\u202e", "\u200b", "W" * 81, "\u6e2f" * 41, "a "])
def test_what_must_not_be_there_is_found(line: str) -> None:
    """The twin that must fail."""
    with pytest.raises(AssertionError):
        fits(f"a line\n{line}\n", 80)
