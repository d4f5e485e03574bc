"""RFC 8659: the zones and decisions of its sections 3 and 4 (vectors/caa.json, recomputed).

The case "malformed" was marked as known from memory; its rule stands in section 4.2: a value that
does not match the grammar "MUST be treated the same as one specifying an empty issuer-domain-name".
"""

import json
from pathlib import Path
from typing import Any

import pytest

from probe.judge.caa import Property, admission, climb, is_wildcard, issuer_of, parse

DATA = json.loads((Path(__file__).parent / "vectors" / "caa.json").read_text("utf-8"))

ZONES = {
    zone["name"]: tuple(
        f'{record["flags"]} {record["tag"]} "{record["value"]}"' for record in zone["records"]
    )
    for zone in DATA["zones"]
}


def relevant(name: str) -> tuple[list[str], tuple[Property, ...]]:
    """Return the places looked at, and the first set found there (RFC 8659, 3)."""
    looked = []
    for place in climb(name):
        looked.append(f"{place}.")
        texts = ZONES.get(f"{place}.")
        if texts:
            return looked, tuple(one for text in texts if (one := parse(text)) is not None)
    return looked, ()


def test_all_of_the_published_cases_are_here() -> None:
    assert len(DATA["cases"]) == 25
    assert all(parse(text) is not None for texts in ZONES.values() for text in texts)


@pytest.mark.parametrize("case", DATA["cases"], ids=lambda case: str(case["id"]))
def test_a_published_decision(case: dict[str, Any]) -> None:
    looked, records = relevant(case["name"])
    assert looked == case["lookups_in_order"]
    said = admission(records, wildcard=is_wildcard(case["name"]))
    assert said.admits((case["ca"],)) is case["may_issue"], case["why"]


@pytest.mark.parametrize(
    ("value", "issuer"),
    [
        ("ca1.example.net", "ca1.example.net"),
        ("CA1.Example.NET", "ca1.example.net"),
        ("  ca1.example.net\t", "ca1.example.net"),
        ("ca1.example.net;", "ca1.example.net"),
        ("ca1.example.net; account=230123", "ca1.example.net"),
        ("ca1.example.net ;a=1 ; b = %21 ", "ca1.example.net"),
        ("ca1.example.net; policy=", "ca1.example.net"),
        ("xn--bcher-kva.example", "xn--bcher-kva.example"),
        ("", None),
        (";", None),
        (" ; a=b", None),
        ("%%%%%", None),
        ("ca1.example.net.", None),
        ("ca1..example.net", None),
        ("-ca.example.net", None),
        ("ca-.example.net", None),
        ("ca_1.example.net", None),
        ("ca1.example.net account=1", None),
        ("ca1.example.net; account", None),
        ("ca1.example.net; a=1;", None),
        ("ca1.example.net; a=1 2", None),
        ("ca1.example.net, ca2.example.org", None),
    ],
)
def test_the_grammar_of_a_value(value: str, issuer: str | None) -> None:
    """RFC 8659, 4.2: issue-value; written out from its ABNF."""
    assert issuer_of(value) == issuer
