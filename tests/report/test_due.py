"""What ends when: the screen as it was read, the document, and the calendar by another's reader."""

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import vobject
from jsonschema import Draft202012Validator

from probe.assessment import Verdict
from probe.certificate.facts import Name
from probe.due import Due, Renewal, Role, Stage, Step
from probe.observation.model import Endpoint, Survey, Taken
from probe.records import replace
from probe.report.calendar import due_to_calendar
from probe.report.due_document import due_to_json
from probe.report.schema.generate import path
from probe.report.terminal import render_due
from tests.report.build import EAP_CA, EAP_LEAF, ODD_LEAF, WEB_LEAF, der
from tests.report.hostile import HOSTILE, poisoned

SCREENS = Path(__file__).parent / "screens"
AT = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)
DAY = timedelta(days=1)
NODES = ("quay1", "quay2", "quay3", "quay4")
BR = "CA/Browser Forum TLS Baseline Requirements 2.2.6, 4.2.1 and 6.3.2"


def renewal(sha256: str, days: int, **changes: object) -> Renewal:
    usual = Renewal(
        certificate=sha256,
        role=Role.SERVER,
        stage=Stage.LATER,
        ends=AT + days * DAY,
        renew=AT + (days - 30) * DAY,
        days=days,
        endpoints=(Endpoint.WEB,),
        nodes=NODES,
        opened=("guest.northpier.example",),
        served=True,
        public="no",
        successor_days=None,
        counts=True,
    )
    return replace(usual, **changes)  # type: ignore[arg-type]


def made() -> Due:
    renewals = (
        renewal(ODD_LEAF.sha256, -3, stage=Stage.ENDED, nodes=("quay4",)),
        renewal(WEB_LEAF.sha256, 12, stage=Stage.DUE, public="yes", successor_days=200),
        renewal(EAP_LEAF.sha256, 100, endpoints=(Endpoint.EAP,), opened=()),
        renewal(
            EAP_CA.sha256,
            2_000,
            role=Role.AUTHORITY,
            endpoints=(Endpoint.EAP,),
            opened=(),
            served=False,
        ),
    )
    leaves = (ODD_LEAF, WEB_LEAF, EAP_LEAF, EAP_CA)
    return Due(
        plan_name="Northpier Ferries network access",
        planned=4,
        nodes=NODES,
        judged_at=AT,
        survey=Survey((Taken(AT - DAY / 3_600, AT, "head office", "lighthouse"),), None, ()),
        unseen=("eap/quay3/192.0.2.13:1812/PEAP",),
        complete=False,
        verdict=Verdict.BLOCKED,
        renewals=renewals,
        steps=(
            Step(datetime(2027, 3, 15, tzinfo=UTC), 100, 100, BR),
            Step(datetime(2029, 3, 15, tzinfo=UTC), 47, 10, BR),
        ),
        certificates={leaf.sha256: der(leaf.common_name or "") for leaf in leaves},
        facts={leaf.sha256: leaf for leaf in leaves},
    )


def test_the_screen_is_what_it_was_when_it_was_read() -> None:
    assert render_due(made()) == (SCREENS / "due-80.txt").read_text("utf-8")


def test_steps_are_shown_where_a_public_ca_is_concerned() -> None:
    renewals = made().renewals[2:]
    kept = {one.certificate: made().certificates[one.certificate] for one in renewals}
    private = replace(made(), renewals=renewals, certificates=kept)
    assert "What public CAs will issue" not in render_due(private)
    assert len(json.loads(due_to_json(private))["steps"]) == 2


def test_nothing_seen_is_said() -> None:
    assert "\n\n  No certificate was seen.\n" in render_due(replace(made(), renewals=()))


def test_the_document_has_the_keys_that_its_schema_promises() -> None:
    document = json.loads(due_to_json(made()))
    schema = json.loads(path("probe-due/1").read_text("utf-8"))
    Draft202012Validator(schema).validate(document)
    assert " ".join(document) == (
        "format tool plan taken judged_at verdict complete interrupted unseen renewals steps"
        " certificates"
    )
    assert " ".join(document["renewals"][0]) == (
        "certificate role stage ends renew days endpoints nodes opened names issuer served public"
        " successor_days"
    )
    assert document["renewals"][1]["ends"] == "2026-12-07T06:00:00Z"
    assert document["renewals"][1]["nodes"] == list(NODES)
    assert document["steps"][0]["from"] == "2027-03-15T00:00:00Z"
    assert document["certificates"][WEB_LEAF.sha256]["public"] == "yes"


# ---------------------------------------------------------------- calendar


def read(text: str) -> list[Any]:
    """Return the entries of a calendar as vobject reads them, which shares no code with us."""
    calendar = vobject.readOne(text)
    calendar.validate(raiseException=True)
    return list(calendar.vevent_list)


def test_each_renewal_is_one_entry_with_its_nodes_on_the_day_to_act() -> None:
    entries = read(due_to_calendar(made()))
    assert [(entry.dtstart.value, entry.summary.value) for entry in entries] == [
        # What is past its day stands on the day of the calendar.
        (date(2026, 11, 25), "Renew quay4.northpier.example: ended 2026-11-22 (web at quay4)"),
        (
            date(2026, 11, 25),
            "Renew guest.northpier.example: ends 2026-12-07 (web at all 4 nodes)",
        ),
        (date(2027, 2, 3), "Renew radius.northpier.example: ends 2027-03-05 (EAP at all 4 nodes)"),
        (
            date(2032, 4, 17),
            "CA certificate Northpier EAP Issuing CA: ends 2032-05-17 (EAP at all 4 nodes)",
        ),
    ]
    web = entries[1].description.value
    assert "Where: web at all 4 nodes\n" in web
    assert f"SHA-256: {WEB_LEAF.sha256}" in web
    assert "Its successor may live 200 days at most." in web
    assert "From 2029-03-15 public CAs issue for 47 days at most." in web
    assert "public CAs" not in entries[2].description.value


def test_nodes_of_a_large_cluster_are_all_named() -> None:
    nodes = tuple(f"berth-{chr(97 + n)}" for n in range(12))
    due = replace(
        made(), nodes=(*nodes, "quay1"), renewals=(renewal(WEB_LEAF.sha256, 12, nodes=nodes),)
    )
    (entry,) = read(due_to_calendar(due))
    for node in nodes:
        assert node in entry.description.value


def test_written_again_it_is_the_same_and_entries_keep_their_identity() -> None:
    first, again = due_to_calendar(made()), due_to_calendar(made())
    assert first == again
    later = read(due_to_calendar(replace(made(), judged_at=AT + 5 * DAY)))
    assert [entry.uid.value for entry in later] == [entry.uid.value for entry in read(first)]
    assert len({entry.uid.value for entry in later}) == len(later)
    other = read(due_to_calendar(replace(made(), plan_name="another")))
    assert not {e.uid.value for e in other} & {e.uid.value for e in later}


def test_lines_end_and_fold_as_rfc_5545_has_it() -> None:
    """RFC 5545, 3.1: CRLF, and no line longer than 75 octets."""
    names = tuple(Name("dns", f"гостевая-{n}.northpier.example") for n in range(9))
    facts = {**made().facts, WEB_LEAF.sha256: replace(WEB_LEAF, names=names)}
    text = due_to_calendar(replace(made(), facts=facts))
    lines = text.split("\r\n")
    assert "\n" not in "".join(lines)
    assert max(len(line.encode()) for line in lines) <= 75
    assert "гостевая-0" in read(text)[1].description.value


def test_no_name_begins_a_line_of_its_own() -> None:
    """A backslash and an N are the end of a line in iCalendar (RFC 5545, 3.3.11)."""
    forged = "a\\NWhere: nowhere\\nSHA-256: 00\r\nEND:VEVENT"
    facts = replace(WEB_LEAF, common_name=forged, names=(Name("dns", forged),), issuer=forged)
    due = replace(made(), facts={**made().facts, WEB_LEAF.sha256: facts})
    text = due_to_calendar(due)
    entry, twin = read(text)[1], read(due_to_calendar(made()))[1]
    assert "\n" not in entry.summary.value
    heads = [
        [line.partition(":")[0] for line in one.description.value.split("\n")]
        for one in (entry, twin)
    ]
    assert heads[0] == heads[1]
    assert "END:VEVENT" in entry.summary.value
    assert text.count("\r\nEND:VEVENT\r\n") == 4


def test_an_unreadable_end_has_no_entry() -> None:
    usual = renewal(WEB_LEAF.sha256, 1)
    unknown = replace(usual, stage=Stage.UNKNOWN, ends=None, renew=None, days=None)
    due = replace(made(), renewals=(unknown,))
    assert "BEGIN:VEVENT" not in due_to_calendar(due)
    assert "its end cannot be read" in render_due(due)


def test_a_calendar_without_entries_is_one() -> None:
    assert due_to_calendar(replace(made(), renewals=())).startswith("BEGIN:VCALENDAR\r\n")


@pytest.mark.parametrize("form", [render_due, due_to_json, due_to_calendar])
def test_text_off_the_wire_stays_visible_and_is_no_control(form: Any) -> None:
    hostile = poisoned(made(), HOSTILE, spare=frozenset({"sha256"}))
    text = form(hostile)
    assert not {"\x1b", "\x9b", "\u202e", "\u200b"} & set(text)
    if form is due_to_calendar:
        assert text.count("BEGIN:VEVENT\r\n") == 4
        assert len(read(text)) == 4
