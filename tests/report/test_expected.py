"""What was to be imported: on the first screen and in the document."""

import json
from datetime import timedelta

import pytest
from jsonschema import Draft202012Validator

from probe.assessment import Assessment, Expectation, ExpectedAt, Stage, Verdict
from probe.observation.model import Endpoint
from probe.records import replace
from probe.report.document import to_json
from probe.report.schema.generate import schema
from probe.report.terminal import render
from tests.report.build import AT, EAP_LEAF, WEB_LEAF, healthy, sha, troubled
from tests.report.hostile import HOSTILE

RADIUS = Expectation(
    title="radius.northpier.example",
    certificate=EAP_LEAF.sha256,
    until=AT + timedelta(days=300),
    chain_known=True,
    at=tuple(
        ExpectedAt(f"quay{number}", Endpoint.EAP, stage, (sha("another"),))
        for number, stage in enumerate(Stage, 1)
        if number < 5
    ),
)


def expecting(*expected: Expectation, of: Assessment | None = None) -> Assessment:
    return replace(of or healthy(), expected=expected)


def imported(assessment: Assessment) -> str:
    """Return the lines of the first screen under "Imported", as one."""
    screen = render(assessment).split("  Blocked now")[0]
    return " ".join(screen.partition("  Imported")[2].split())


def test_where_nothing_was_expected_nothing_is_said() -> None:
    assert "Imported" not in render(healthy())
    assert json.loads(to_json(healthy()))["expected"] == []


def test_every_stage_has_its_words() -> None:
    assert imported(expecting(RADIUS)) == (
        "radius.northpier.example, until 2027-09-21: EAP served as expected at quay1; served, and"
        " not all is as expected, at quay2; on the other endpoint at quay3; not served at quay4"
    )


def test_a_fingerprint_says_nothing_of_the_chain() -> None:
    there = ExpectedAt("quay1", Endpoint.WEB, Stage.SERVED, (WEB_LEAF.sha256,))
    one = replace(RADIUS, title="ab" * 20, until=None, chain_known=False, at=(there,))
    assert imported(expecting(one)) == (
        f"{'ab' * 20}: web served as expected at quay1; its chain is not known, so not compared"
    )


def test_what_was_not_asked_is_told() -> None:
    one = replace(RADIUS, at=())
    assert "the endpoint that it is meant for was not asked" in imported(expecting(one))
    assert not one.fulfilled


def test_the_findings_are_pointed_at() -> None:
    first, *rest = troubled().findings
    wrong = replace(first, rule="import-not-served", nodes=("quay4",), verdict=Verdict.WARNED)
    wrong = replace(wrong, clients=(), reactions=(), endpoint=Endpoint.EAP)
    assessment = expecting(RADIUS, of=replace(troubled(), findings=(wrong, *rest)))
    assert imported(assessment).endswith("not served at quay4 [1]")
    assert "nobody by itself" in render(assessment)


def test_a_finding_is_pointed_at_by_what_it_speaks_of_alone() -> None:
    """Not by another endpoint, nor where the node is as it should be."""
    first, *rest = troubled().findings
    wrong = replace(first, rule="import-not-served", nodes=("quay4",), verdict=Verdict.WARNED)
    web = replace(wrong, clients=(), reactions=(), endpoint=Endpoint.WEB)
    assert "[" not in imported(expecting(RADIUS, of=replace(troubled(), findings=(web, *rest))))
    served = replace(web, nodes=("quay1",), endpoint=Endpoint.EAP)
    assert "[" not in imported(expecting(RADIUS, of=replace(troubled(), findings=(served, *rest))))


def test_the_document_has_it_and_fits_its_schema() -> None:
    document = json.loads(to_json(expecting(RADIUS)))
    Draft202012Validator(schema("probe-report/1")).validate(document)
    (one,) = document["expected"]
    assert one["fulfilled"] is False
    assert [at["stage"] for at in one["at"]] == ["served", "partly", "elsewhere", "not-served"]


@pytest.mark.parametrize("colour", [False, True])
def test_a_name_off_the_wire_is_text(colour: bool) -> None:
    hostile = replace(RADIUS, title=HOSTILE)
    plain = render(expecting(RADIUS), colour=colour)
    shown = render(expecting(hostile), colour=colour)
    assert shown.count("\x1b") == plain.count("\x1b")
    assert "\x07" not in shown
