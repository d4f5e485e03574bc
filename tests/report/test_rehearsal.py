"""Rehearsals: the screen as it was read, and the document."""

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from probe.records import replace
from probe.rehearsal import Rehearsal
from probe.report.rehearsal_document import rehearsal_to_json
from probe.report.schema.generate import path
from probe.report.terminal import render_rehearsal
from tests.judge.test_rehearsal import foreign, gone_through
from tests.judge.world import FOREIGN_ROOT, ca, clients, nodes, plan, seen
from tests.report.hostile import HOSTILE, LONG, poisoned

SCREENS = Path(__file__).parent / "screens"


@cache
def made(count: int = 4) -> Rehearsal:
    """Return the rehearsal of a new root, which no profile has, in a cluster of so many nodes."""
    names = [f"quay{place}" for place in range(1, count + 1)]
    of = plan(
        nodes=nodes(names),
        services=(),
        clients=clients(
            *("chromium-web", "windows-eap", "apple-eap", "android-eap", "linux-eap"),
            by_hand=("windows-eap", "android-eap"),
        ),
    )
    found = gone_through(of, seen(of), foreign(), ca(FOREIGN_ROOT).der)
    return replace(found, today=replace(found.today, catalogue="2026-11-25"))


def document(found: Rehearsal) -> dict[str, Any]:
    read: dict[str, Any] = json.loads(rehearsal_to_json(found))
    schema = json.loads(path("probe-rehearsal/1").read_text("utf-8"))
    Draft202012Validator(schema).validate(read)
    return read


@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_screen_is_what_was_read(width: int) -> None:
    assert render_rehearsal(made(), width=width) == (SCREENS / f"rehearsal-{width}.txt").read_text(
        "utf-8"
    )


@pytest.mark.parametrize("width", [40, 60, 80, 120, 200])
@pytest.mark.parametrize("count", [1, 4, 40])
def test_no_line_is_too_long(width: int, count: int) -> None:
    lines = render_rehearsal(made(count), width=width).splitlines()
    assert max(map(len, lines)) <= width
    assert lines[0].startswith("Northpier Ferries network access:")


def test_every_moment_stands_in_the_table_however_many() -> None:
    """A narrow terminal gets the table in parts, and loses no column."""
    found = made(4)
    for width, parts in ((40, 3), (60, 1), (80, 1)):
        text = render_rehearsal(found, width=width)
        assert text.count("Linux 802.1X (by profile)  ") == parts
        for title in ("today", "1-3 of 4", "all 4"):
            assert re.search(rf"^ +(\S.*  )?{title}(  |$)", text, re.MULTILINE)


def test_the_document_has_every_step() -> None:
    read = document(made())
    assert [step["done"] for step in read["steps"]] == [
        [],
        ["quay1"],
        ["quay1", "quay2"],
        ["quay1", "quay2", "quay3"],
        ["quay1", "quay2", "quay3", "quay4"],
    ]
    assert read["order"] == ["quay1", "quay2", "quay3", "quay4"]
    assert read["meant_for"] == ["eap"]
    assert read["leaf"] == read["chain"][0]
    assert read["leaf"] in read["certificates"]
    for step in read["steps"]:
        ids = {finding["id"] for finding in step["findings"]}
        for one in step["experiences"]:
            assert set(one["findings"]) <= ids
    assert read["verdict"] == "blocked"


@pytest.mark.parametrize("text", [HOSTILE, LONG])
def test_nothing_hostile_gets_through(text: str) -> None:
    found = made()
    spoiled = replace(
        found,
        first=poisoned(found.first, text),
        known_from=found.known_from + text,
        troubles=poisoned(found.troubles, text),
        anew=poisoned(found.anew, text),
        advice=poisoned(found.advice, text),
        unknown=poisoned(found.unknown, text),
        resumption=poisoned(found.resumption, text),
        today=replace(found.today, plan_name=text),
    )
    shown = render_rehearsal(spoiled, width=80)
    assert "\x1b" not in shown
    assert "\x07" not in shown
    assert "\u202e" not in shown
    assert "\udc80" not in shown
    document(spoiled)
