"""The Schemas in the repository are those of the types, and say what is promised."""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from probe.observation.document import to_json as survey_to_json
from probe.report.document import to_json
from probe.report.schema.generate import DOCUMENTS, path, schema, text
from tests.report.build import healthy, troubled


@pytest.mark.parametrize("name", DOCUMENTS)
def test_the_kept_schema_is_the_generated_one(name: str) -> None:
    """If this fails: `python -m probe.report.schema`, and look at what has changed."""
    assert path(name).read_text("utf-8") == text(name)


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_key_is_required_and_no_token_closed(name: str) -> None:
    Draft202012Validator.check_schema(schema(name))
    for part in parts(schema(name)):
        if "properties" in part:
            assert part["required"] == list(part["properties"])
        assert "enum" not in part
        assert "additionalProperties" not in part or part["additionalProperties"] is not False


def test_times_are_marked_as_times() -> None:
    survey = schema("probe-survey/1")["$defs"]
    assert survey["Taken"]["properties"]["began"]["format"] == "date-time"
    assert survey["Handshake"]["properties"]["at"]["format"] == "date-time"
    report = schema("probe-report/1")
    assert report["properties"]["judged_at"]["format"] == "date-time"


@pytest.mark.parametrize("assessment", [healthy(), troubled()], ids=["healthy", "troubled"])
def test_documents_fit_their_schema(assessment: Any) -> None:
    report = Draft202012Validator(json.loads(path("probe-report/1").read_text("utf-8")))
    report.validate(json.loads(to_json(assessment)))
    survey = Draft202012Validator(json.loads(path("probe-survey/1").read_text("utf-8")))
    survey.validate(json.loads(survey_to_json(assessment.survey)))


def test_an_unknown_token_fits_and_a_missing_key_does_not() -> None:
    """Consumers treat an unknown token as "other"; but every key is always there."""
    report = Draft202012Validator(json.loads(path("probe-report/1").read_text("utf-8")))
    document = json.loads(to_json(troubled()))
    document["findings"][0]["endpoint"] = "lighthouse"
    assert report.is_valid(document)
    del document["findings"][0]["accepted"]
    assert not report.is_valid(document)


def parts(item: Any) -> Iterator[dict[str, Any]]:
    if isinstance(item, dict):
        yield item
        for value in item.values():
            yield from parts(value)
    elif isinstance(item, list):
        for value in item:
            yield from parts(value)
