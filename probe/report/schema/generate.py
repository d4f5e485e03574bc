"""Makes the JSON Schemas out of the types, as they are kept beside this file.

What msgspec's own Schema leaves open or gets wrong for a published document is put right here:
a field with a default is still always there, a plain datetime is an RFC 3339 time, and a set of
tokens is not closed, as a later version may bring new ones.
"""

import json
import typing
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import msgspec

from probe.observation.document import Document as SurveyDocument
from probe.report.bundle_types import Bundle
from probe.report.complaint_types import Complaint
from probe.report.due_types import Due
from probe.report.past_types import Past
from probe.report.rehearsal_types import Rehearsal
from probe.report.types import Report

FOLDER = Path(__file__).parent

DIALECT = "https://json-schema.org/draft/2020-12/schema"

DOCUMENTS: Final[Mapping[str, type]] = {
    "probe-report/1": Report,
    "probe-survey/1": SurveyDocument,
    "probe-bundle/1": Bundle,
    "probe-past/1": Past,
    "probe-due/1": Due,
    "probe-complaint/1": Complaint,
    "probe-rehearsal/1": Rehearsal,
}
"""Each document that has a Schema, by the value of its `format`."""


def schema(name: str) -> dict[str, Any]:
    """Return the Schema of the document of that name. Raises KeyError for any other name."""
    kind = DOCUMENTS[name]
    (_,), definitions = msgspec.json.schema_components([kind], ref_template="#/$defs/{name}")
    for of in _records_in(kind):
        _mark_times(of, definitions[of.__name__])
    root = _opened(definitions.pop(kind.__name__))
    root["properties"] = {"format": {"const": name}} | {
        key: item for key, item in root["properties"].items() if key != "format"
    }
    root["required"] = list(root["properties"])
    return {
        "$schema": DIALECT,
        "title": name,
        **{key: item for key, item in root.items() if key != "title"},
        "$defs": {key: _opened(definitions[key]) for key in sorted(definitions)},
    }


def text(name: str) -> str:
    """Return the Schema as it is kept in its file."""
    return json.dumps(schema(name), indent=2, ensure_ascii=False) + "\n"


def path(name: str) -> Path:
    """Return the file in which a Schema is kept: "probe-report/1" in probe-report-1.json."""
    return FOLDER / (name.replace("/", "-") + ".json")


def _records_in(kind: Any) -> set[type]:
    """Return the records that a type is made of, itself included."""
    found: set[type] = set()
    waiting = [kind]
    while waiting:
        item = waiting.pop()
        waiting += typing.get_args(item)
        if isinstance(item, type) and issubclass(item, msgspec.Struct) and item not in found:
            found.add(item)
            waiting += typing.get_type_hints(item).values()
    return found


def _mark_times(kind: type, definition: dict[str, Any]) -> None:
    for name, hint in typing.get_type_hints(kind).items():
        if hint is datetime or datetime in typing.get_args(hint):
            options = definition["properties"][name].get("anyOf", [definition["properties"][name]])
            for option in options:
                if option.get("type") == "string":
                    option["format"] = "date-time"


def _opened(item: Any) -> Any:
    """Return a part of a Schema with its tokens open and its keys all required."""
    if isinstance(item, list):
        return [_opened(part) for part in item]
    if not isinstance(item, dict):
        return item
    opened = {key: _opened(part) for key, part in item.items() if key not in {"enum", "default"}}
    if "enum" in item:
        opened |= {"type": "string", "examples": item["enum"]}
    if item.get("type") == "object" and "properties" in item:
        opened["required"] = list(item["properties"])
    return opened
