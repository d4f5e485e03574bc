"""What the history tells: the screen as it was read and found good, and the document."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

from jsonschema import Draft202012Validator

from probe.assessment import Change
from probe.observation.model import Endpoint
from probe.past import Between, Past, Run, Sighting
from probe.records import replace
from probe.report.past_document import past_to_json
from probe.report.schema.generate import path
from probe.report.terminal import render_past
from tests.report.build import EAP_LEAF, WEB_LEAF, der
from tests.report.hostile import HOSTILE, poisoned

SCREENS = Path(__file__).parent / "screens"
FIRST = datetime(2026, 11, 23, 6, 0, tzinfo=UTC)
DAY = timedelta(days=1)
NAME = "Northpier Ferries network access"
NODES = ("quay1", "quay2", "quay3", "quay4")


def run(number: int, began: datetime, **changes: object) -> Run:
    usual = Run(
        number,
        NAME,
        "ab" * 32,
        began,
        began + timedelta(seconds=2),
        "lighthouse",
        "head office",
        "cluster-probe 0.1.0",
        False,
        54,
        0,
        NODES,
        (Endpoint.DNS, Endpoint.WEB, Endpoint.EAP),
    )
    return replace(usual, **changes)  # type: ignore[arg-type]


def sight(sha256: str, endpoint: Endpoint, place: str, first: int, last: int) -> Sighting:
    return Sighting(NAME, sha256, endpoint, place, FIRST + first * DAY, FIRST + last * DAY)


def past() -> Past:
    changed = Change(
        Endpoint.WEB,
        ("quay2",),
        ("guest.northpier.example",),
        "certificate",
        ("cd" * 32,),
        (WEB_LEAF.sha256,),
        'quay2 serves over HTTPS the certificate "guest.northpier.example" until 2027-03-01, in'
        " place of one until 2026-12-01.",
    )
    runs = (
        run(4, FIRST + DAY, clock_back=True),
        run(3, FIRST + 2 * DAY),
        run(
            2, FIRST + DAY, nodes=("quay2",), endpoints=(Endpoint.EAP,), unseen=2, interrupted=True
        ),
        run(1, FIRST, plan="quay9.northpier.example", vantage=None),
    )
    sights = (
        sight(EAP_LEAF.sha256, Endpoint.EAP, "quay1", 0, 2),
        sight(EAP_LEAF.sha256, Endpoint.EAP, "quay2", 0, 2),
        sight(EAP_LEAF.sha256, Endpoint.EAP, "quay3", 0, 1),
        sight(WEB_LEAF.sha256, Endpoint.WEB, "192.0.2.80", 0, 1),
    )
    known = {leaf.sha256: leaf for leaf in (EAP_LEAF, WEB_LEAF)}
    ders = {leaf.sha256: der(leaf.common_name or "") for leaf in known.values()}
    return Past(None, runs, Between(3, 4, 54, (changed,)), sights, ders, known)


def test_the_screen_is_what_it_was_when_it_was_read() -> None:
    assert render_past(past()) == (SCREENS / "past-80.txt").read_text("utf-8")


def test_an_empty_history_and_what_was_forgotten_are_told() -> None:
    empty = Past(None, (), None, (), {}, {})
    assert render_past(empty) == "No run is kept.\n"
    assert render_past(replace(empty, plan=NAME)) == f"No run of {NAME} is kept.\n"
    assert render_past(replace(empty, forgotten=1)).startswith("Forgotten: 1 run.\n\n")
    same = replace(past(), between=Between(3, 4, 54, ()))
    assert "  Nothing: 54 answers are the same.\n" in render_past(same)
    one = replace(past(), between=Between(3, 4, 1, ()))
    assert "  Nothing: 1 answer is the same.\n" in render_past(one)
    apart = replace(past(), between=Between(3, 4, 0, ()))
    assert "nothing in common that could be compared" in render_past(apart)


def test_long_lists_are_cut_on_the_screen_and_whole_in_the_document() -> None:
    many = replace(past(), runs=tuple(run(n, FIRST) for n in range(30, 0, -1)))
    assert "\n  and 10 more, in the JSON document\n" in render_past(many)
    assert len(json.loads(past_to_json(many))["runs"]) == 30


def test_the_document_has_the_keys_that_its_schema_promises() -> None:
    document = json.loads(past_to_json(past()))
    schema = json.loads(path("probe-past/1").read_text("utf-8"))
    Draft202012Validator(schema).validate(document)
    assert " ".join(document) == ("format tool plan forgotten runs between sightings certificates")
    assert " ".join(document["runs"][0]) == (
        "id plan began ended from vantage tool interrupted questions unseen nodes endpoints"
        " clock_back"
    )
    assert document["runs"][2]["ended"] == "2026-11-24T06:00:02Z"
    assert document["between"]["changes"][0]["after"] == [WEB_LEAF.sha256]
    assert document["sightings"][3]["place"] == "192.0.2.80"
    assert document["certificates"][WEB_LEAF.sha256]["key"] == "P-256"


def test_text_off_the_wire_stays_visible_and_is_no_control() -> None:
    hostile = poisoned(past(), HOSTILE, spare=frozenset({"sha256"}))
    for text in (render_past(hostile), past_to_json(hostile)):
        assert not {"\x1b", "\x9b", "\u202e", "\u200b"} & set(text)


def test_places_are_told_in_the_order_of_the_plan() -> None:
    """Whichever of them was seen first: the largest run has them in its plan's order."""
    made = past()
    one = made.sightings[0]
    mixed = tuple(replace(one, place=node) for node in ("quay4", "quay2", "quay3", "elsewhere"))
    shown = render_past(replace(made, sightings=mixed))
    assert "EAP at quay2 to quay4 and elsewhere: first" in shown
