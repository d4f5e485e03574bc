"""Metrics: OpenMetrics text that its library's parser reads, with the numbers of the document."""

import json
import subprocess
import sys

import pytest

from probe.assessment import Assessment, NodeVerdict, Verdict
from probe.observation.model import Aspect, Endpoint, Outcome
from probe.records import replace
from probe.report.document import to_json
from probe.report.metrics import LABEL, to_metrics
from tests.metrics import expected, numbers, series
from tests.report.build import ODD_LEAF, handshake, healthy, troubled, web_question
from tests.report.hostile import HOSTILE, LONG, poisoned


def of(assessment: Assessment) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return numbers(to_metrics(assessment))


@pytest.mark.parametrize("assessment", [healthy(), troubled()], ids=["healthy", "troubled"])
def test_every_number_is_that_of_the_document_and_none_is_missing(assessment: Assessment) -> None:
    assert of(assessment) == expected(json.loads(to_json(assessment)))


def test_what_one_healthy_node_says() -> None:
    """Written out by hand: 2027-03-01 12:00 UTC is 1803902400 seconds after the epoch."""
    web = {
        "node": "quay1",
        "endpoint": "web",
        "name": "quay1.northpier.example",
        "address": "192.0.2.11",
        "port": "443",
    }
    eap = {
        "node": "quay1",
        "endpoint": "eap",
        "address": "192.0.2.11",
        "port": "1812",
        "method": "PEAP",
    }
    found = of(healthy(1))
    assert found[series("endpoint_outcome", **web, outcome="served")] == 1
    assert found[series("endpoint_outcome", **eap, outcome="served")] == 1
    assert found[series("handshake_rounds", **eap)] == 5
    assert series("handshake_rounds", **web) not in found
    assert found[series("handshake_seconds", **web)] == 0.0203
    until = "served_certificate_not_after_timestamp_seconds"
    assert found[series(until, **web)] == found[series(until, **eap)] == 1_803_902_400
    assert found[series("served_chain_certificates", **web)] == 2
    assert found[series("judgement_verdict", judgement_verdict="sound")] == 1
    assert found[series("judgement_verdict", judgement_verdict="blocked")] == 0
    assert found[series("node_verdict", node="quay1", node_verdict="sound")] == 1
    assert not [name for name, _ in found if name == "findings"]


def test_the_verdict_of_a_kind_of_endpoint_is_told_by_node() -> None:
    there = ((Endpoint.WEB, Verdict.DUE), (Endpoint.CLUSTER, Verdict.SOUND))
    whole = replace(healthy(1), nodes=(NodeVerdict("quay1", Verdict.DUE, there),))
    told = {
        dict(labels)["endpoint"]: dict(labels)["endpoint_verdict"]
        for (name, labels), value in of(whole).items()
        if name == "endpoint_verdict" and value == 1
    }
    assert told == {"web": "due", "cluster": "sound"}


def test_a_visit_that_was_not_made_is_unseen_and_has_no_number_of_its_own() -> None:
    whole = healthy(1)
    survey = replace(whole.survey, handshakes=())
    told = [(name, dict(labels)) for name, labels in of(replace(whole, survey=survey))]
    outcomes = {labels["outcome"] for name, labels in told if name == "endpoint_outcome"}
    assert outcomes == {"unseen"}
    assert not {"handshake_seconds", "handshake_rounds"} & {name for name, _ in told}


def test_closer_looks_are_left_out_but_for_those_by_key_family() -> None:
    whole = healthy(1)
    question = web_question("quay1", "192.0.2.11", "quay1.northpier.example")
    assert question.handshake is not None
    looks = []
    for aspect in Aspect:
        asked = replace(question.handshake, aspect=aspect, name=f"{aspect}.northpier.example")
        one = replace(question, id=f"{question.id}/{aspect}", handshake=asked)
        looks.append((one, handshake(one, outcome=Outcome.REFUSED)))
    survey = replace(
        whole.survey,
        questions=(*whole.survey.questions, *(one for one, _ in looks)),
        handshakes=(*whole.survey.handshakes, *(record for _, record in looks)),
    )
    told = {
        dict(labels)["name"]
        for name, labels in of(replace(whole, survey=survey))
        if name == "endpoint_outcome" and "name" in dict(labels)
    }
    assert told == {"quay1.northpier.example", "family.northpier.example"}


def test_of_several_surveys_the_last_tells_how_a_visit_went() -> None:
    """A series may not stand there twice (OpenMetrics, "Metric")."""
    whole = healthy(1)
    first = whole.survey.handshakes[0]
    later = replace(first, outcome=Outcome.CLOSED, served=None, vantage="quay")
    survey = replace(whole.survey, handshakes=(*whole.survey.handshakes, later))
    told = [
        dict(labels)["outcome"]
        for name, labels in of(replace(whole, survey=survey))
        if name == "endpoint_outcome" and ("endpoint", first.endpoint.value) in labels
    ]
    assert told == ["closed"]


@pytest.mark.parametrize("text", [HOSTILE, LONG, 'a"b\\c\nd{}', "# EOF\n"])
def test_hostile_text_makes_neither_another_line_nor_another_series(text: str) -> None:
    plain, bad = to_metrics(troubled()), to_metrics(poisoned(troubled(), text))
    assert bad.count("\n") == plain.count("\n")
    assert bad.endswith("\n# EOF\n")
    assert all(line.isprintable() for line in bad.split("\n"))
    longest = max(len(value) for _, labels in numbers(bad) for _, value in labels)
    assert longest <= LABEL + len("... (10000000 characters in all)")


def test_a_certificate_that_cannot_be_read_has_no_dates() -> None:
    whole = troubled()
    unread = replace(ODD_LEAF, not_before=None, not_after=None, readable=False)
    found = of(replace(whole, facts={**whole.facts, unread.sha256: unread}))
    assert found == expected(
        json.loads(to_json(replace(whole, facts={**whole.facts, unread.sha256: unread})))
    )
    assert len(found) < len(of(whole))


def test_nothing_is_said_of_the_process_that_says_it() -> None:
    """The library's own collectors are in a registry of its own."""
    names = {name for name, _ in of(healthy(1))}
    assert not [name for name in names if name.startswith(("python_", "process_"))]


def test_other_forms_do_without_the_library() -> None:
    script = """
import sys
from probe.report.render import render
from tests.report.build import healthy
render(healthy(), "json")
render(healthy(), "terminal")
assert "prometheus_client" not in sys.modules
"""
    subprocess.run([sys.executable, "-c", script], check=True)
