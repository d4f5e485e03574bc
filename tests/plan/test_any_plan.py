"""Whatever TOML a plan holds, it is a plan or a list of problems: never another error."""

import copy
import tomllib
from collections.abc import Callable
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from probe.plan.model import Plan
from probe.plan.problems import PlanError, Problem
from probe.plan.read import load_plan

SEED_TEXT = """
name = "Northpier"
clients = ["apple-web", { family = "android-eap", setup = "by-hand" }]
vantage = "pier"
[trust]
web = ["public"]
eap = ["pki/root.pem"]
[dns]
resolvers = ["system", { at = "192.0.2.53", view = "guest" }]
[web]
port = 443
[eap]
secret = { environment = "NORTHPIER_RADIUS" }
expected_names = ["radius.northpier.example"]
methods = ["PEAP"]
calling_station = "02-00-00-CE-47-01"
attributes = { NAS-Port = 1 }
[[eap.visit]]
name = "dock"
medium = "wired"
[radsec]
roots = ["pki/root.pem"]
[login]
method = "PEAP"
account = "tester"
password = { ask = true }
[guest]
canary = "elsewhere.example"
[fetch]
allow = ["127.0.0.0/8"]
[limits]
dns_wait = 1.5
[judge]
expiring_days = 30
[[service]]
name = "guest.northpier.example"
nodes = ["quay1"]
addresses = ["192.0.2.80"]
[[node]]
name = "quay1"
host = "quay1.northpier.example"
addresses = ["192.0.2.11"]
connect = { "192.0.2.11" = "198.51.100.7" }
eap.port = 1645
group = "harbour"
[[group]]
name = "harbour"
[[site]]
name = "terminal"
eap_order = ["quay1"]
[[profile]]
file = "staff.nmconnection"
family = "linux-eap"
[[accept]]
rule = "web-old-tls"
reason = "known"
until = 2027-04-01
"""
SEED: dict[str, Any] = tomllib.loads(SEED_TEXT)

WORDS = st.sampled_from(
    ["quay1", "public", "certifi", "dns", "system", "PEAP", "pki/root.pem", "pki", "", "\x00", "é"]
)
SIMPLE = st.one_of(
    st.booleans(),
    st.integers(),
    st.floats(),
    WORDS,
    st.text(max_size=20),
    st.just(date(2027, 4, 1)),
    st.just(datetime(2027, 4, 1, tzinfo=UTC)),
    st.just(time(8, 0)),
)
VALUE = st.recursive(
    SIMPLE,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(WORDS, inner, max_size=3),
    max_leaves=6,
)


def places(value: object, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every key and entry of a document, at any depth."""
    inner = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    found = []
    for key, entry in inner:
        found += [(*path, key), *places(entry, (*path, key))]
    return found


PLACES = places(SEED)


@settings(
    deadline=None,
    derandomize=True,
    database=None,
    max_examples=400,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(changes=st.lists(st.tuples(st.sampled_from(PLACES), VALUE | st.none()), max_size=3))
def test_any_value_at_any_key(
    monkeypatch: pytest.MonkeyPatch,
    written: Callable[[str], Path],
    changes: list[tuple[tuple[Any, ...], Any]],
) -> None:
    document = copy.deepcopy(SEED)
    for path, value in changes:
        holder: Any = document
        try:
            for key in path[:-1]:
                holder = holder[key]
            if value is None:
                del holder[path[-1]]
            else:
                holder[path[-1]] = value
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change took that place away
    monkeypatch.setattr(tomllib, "loads", lambda _text: document)
    found = outcome(written(""))
    if isinstance(found, Plan):
        assert found.nodes
        return
    assert found
    for problem in found:
        assert str(problem).isprintable()
        assert len(str(problem)) < 8_000


def outcome(path: Path) -> Plan | tuple[Problem, ...]:
    try:
        return load_plan(path)
    except PlanError as error:
        return error.problems
