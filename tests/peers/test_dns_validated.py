"""A validating resolver (unbound) before signed zones (nsd, signed by ldns): what it says of each
name must be what `probe node` reports, what dig gets, and what the zone files hold.

The zones hang together as they would on the Internet: the signed parent proves which of its
children are signed, and which are not.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from probe.observation.document import read_survey
from probe.observation.model import LookupOutcome
from tests.peers.nameservers import Dug, Signer, Zone, dig, nsd, unbound, zone
from tests.peers.plans import write_plan
from tests.peers.servers import LOOPBACK, Running
from tests.running import Result, probe

ZONE = "northpier.example"
TLSA = "3 1 1 92003ba34942dc74152e2f2c408d29eca5a520e7f2e06bb944f4dca346baf63c"
MANY = [f"192.0.2.{number}" for number in range(200)]

PARENT = f"""\
@ CAA 0 issue "ca.example; policy=ev"
@ CAA 128 issuewild ";"
quay1 A 127.0.0.1
quay1 AAAA ::1
_443._tcp.quay1 TLSA {TLSA}
guest CNAME portal
portal CNAME quay1
*.berths A 127.0.0.9
xn--hfen-loa A 127.0.0.1
one CNAME two
two CNAME one
dangling CNAME nowhere
outside CNAME quay1.plain
nothing TXT "no address here"
broken NS ns.broken
ns.broken A {LOOPBACK}
expired NS ns.expired
ns.expired A {LOOPBACK}
plain NS ns.plain
ns.plain A {LOOPBACK}
{"".join(f"many A {address}" + chr(10) for address in MANY)}
"""
REVERSE = "1 PTR Quay1.northpier.example.\n9 PTR elsewhere.northpier.example."
SERVICES = (
    *("guest", "lost.berths", "xn--hfen-loa", "one", "dangling", "outside", "nothing", "many"),
    *("nope", "quay1.broken", "quay2.broken", "quay1.expired", "quay1.plain"),
)


@dataclass(frozen=True)
class World:
    """The authoritative server, and how to trust the zones that it holds."""

    authority: Running
    names: tuple[str, ...]
    anchor: str


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    directory = tmp_path_factory.mktemp("zones")
    signers = {name: Signer(directory / name, name) for name in (ZONE, *CHILDREN)}
    delegations = "\n".join(signers[name].delegation for name in CHILDREN)
    broken, expired = (
        signers[name].sign(zone(name, records), until=until)
        for name, (records, until) in CHILDREN.items()
    )
    zones = (
        zone("", f"{ZONE} NS ns.{ZONE}\nns.{ZONE} A {LOOPBACK}"),
        zone("0.0.127.in-addr.arpa", REVERSE),
        signers[ZONE].sign(zone(ZONE, f"{PARENT}\n{delegations}")),
        # Signed first and altered then: its signature is another record's.
        Zone(broken.name, altered(broken.text)),
        expired,
        zone(f"plain.{ZONE}", "quay1 A 127.0.0.1"),
    )
    with nsd(directory / "nsd", *zones) as authority:
        yield World(authority, tuple(one.name for one in zones), signers[ZONE].delegation)


CHILDREN = {
    f"broken.{ZONE}": ("quay1 A 127.0.0.1\nquay2 A 127.0.0.2", "20400101"),
    f"expired.{ZONE}": ("quay1 A 127.0.0.1", "20240101"),
}
"""Signed, each with the day on which its signatures end."""


def altered(text: str) -> str:
    record = f"quay1.broken.{ZONE}.\t300\tIN\tA\t127.0.0."
    assert text.count(f"{record}1\n") == 1
    return text.replace(f"{record}1\n", f"{record}66\n")


@contextmanager
def resolver(directory: Path, world: World, more: str = "") -> Iterator[Running]:
    """Run unbound before these zones. It would make up addresses of this machine by itself, and
    answer below an alias that ends nowhere by that alias, once it has met it (RFC 8020): which of
    two questions comes first is not for a test to say.
    """
    settings = '  local-zone: "127.in-addr.arpa." nodefault\n  harden-below-nxdomain: no\n'
    settings += more
    with unbound(
        directory, world.authority, world.names, anchor=world.anchor, more=settings
    ) as server:
        yield server


def look(
    directory: Path, place: str, services: tuple[str, ...] = SERVICES, *options: str
) -> Result:
    """Look at one node by one resolver, names only."""
    tables = "".join(
        f'[[service]]\nname = "{name}.{ZONE}"\nendpoint = "web"\naudience = "guests"\n'
        'nodes = ["quay1"]\n'
        for name in services
    )
    node = f'[[node]]\nname = "quay1"\nhost = "quay1.{ZONE}"\naddresses = ["127.0.0.1", "::1"]\n'
    plan = write_plan(directory, f'[dns]\nresolvers = ["{place}"]\n', tables, node)
    return probe(plan, "--only", "dns", *options, command=("node", "quay1"))


@dataclass(frozen=True)
class Seen:
    """What was reported, and what dig got at the same time of the same resolver."""

    result: Result
    dug: dict[tuple[str, str], Dug]
    unchecked: dict[tuple[str, str], Dug]
    """With validation switched off (CD)."""


@pytest.fixture(scope="module")
def seen(world: World, tmp_path_factory: pytest.TempPathFactory) -> Seen:
    directory = tmp_path_factory.mktemp("seen")
    with resolver(directory / "unbound", world) as server:
        result = look(directory, f"{LOOPBACK}:{server.port}")
        questions = list(result.lookups())
        answers = [
            dig(directory, (LOOPBACK, server.port), questions, *options)
            for options in ((), ("+cdflag",))
        ]
    dug, unchecked = (dict(zip(questions, one, strict=True)) for one in answers)
    return Seen(result, dug, unchecked)


# ---------------------------------------------------------------- beside dig


def by_dig(kind: str, dug: Dug, unchecked: Dug) -> dict[str, Any]:
    """Say what a report must say of what dig got: the meaning of its words, by hand."""
    data = dug.data(kind)
    if kind in {"TLSA", "PTR"}:
        data = [text.lower() for text in data]  # digits and names have no case
    outcome = {
        "NOERROR": "answered" if data else "no-data",
        "NXDOMAIN": "alias-broken" if dug.aliases else "no-name",
        "SERVFAIL": "failed" if unchecked.status == "SERVFAIL" else "invalid",
    }[dug.status]
    secure = "secure" if "ad" in dug.flags else None
    return {
        "outcome": outcome,
        "data": sorted(data),
        "aliases": dug.aliases,
        "dnssec": "bogus" if outcome == "invalid" else secure,
    }


def test_every_answer_is_the_one_that_dig_gets(seen: Seen) -> None:
    lookups = seen.result.lookups()
    assert {kind for _, kind in lookups} == {"A", "AAAA", "CAA", "TLSA", "PTR"}
    assert len(lookups) > 60
    for question, entry in lookups.items():
        expected = by_dig(question[1], seen.dug[question], seen.unchecked[question])
        assert {key: entry[key] for key in expected} == expected, question


def test_all_outcomes_are_among_them(seen: Seen) -> None:
    """So that the comparison is one."""
    met = {(entry["outcome"], entry["dnssec"]) for entry in seen.result.lookups().values()}
    assert met == {
        ("answered", "secure"),
        ("answered", None),
        ("no-name", "secure"),
        ("no-name", None),
        ("no-data", "secure"),
        ("no-data", None),
        ("alias-broken", "secure"),
        ("invalid", "bogus"),
        ("failed", None),
    }


# ---------------------------------------------------------------- beside the zones


@pytest.mark.parametrize(
    ("name", "kind", "outcome", "dnssec", "data"),
    [
        ("quay1", "A", "answered", "secure", ["127.0.0.1"]),
        ("quay1", "AAAA", "answered", "secure", ["::1"]),
        ("guest", "A", "answered", "secure", ["127.0.0.1"]),
        ("lost.berths", "A", "answered", "secure", ["127.0.0.9"]),
        ("lost.berths", "AAAA", "no-data", "secure", []),
        ("xn--hfen-loa", "A", "answered", "secure", ["127.0.0.1"]),
        ("many", "A", "answered", "secure", sorted(MANY)),
        ("nothing", "A", "no-data", "secure", []),
        ("nope", "A", "no-name", "secure", []),
        ("dangling", "A", "alias-broken", "secure", []),
        # unbound does not pass a loop on, nor what is behind a broken signature.
        ("one", "A", "failed", None, []),
        ("quay1.broken", "A", "invalid", "bogus", []),
        ("quay2.broken", "A", "answered", "secure", ["127.0.0.2"]),
        ("quay1.expired", "A", "invalid", "bogus", []),
        # That it is not signed is proven, so there is nothing to validate.
        ("quay1.plain", "A", "answered", None, ["127.0.0.1"]),
        ("outside", "A", "answered", None, ["127.0.0.1"]),
        ("_443._tcp.quay1", "TLSA", "answered", "secure", [TLSA]),
        ("_443._tcp.guest", "TLSA", "no-name", "secure", []),
        ("quay1", "CAA", "no-data", "secure", []),
    ],
)
def test_each_answer_is_what_the_zone_holds(
    seen: Seen, name: str, kind: str, outcome: str, dnssec: str | None, data: list[str]
) -> None:
    entry = seen.result.lookups()[(f"{name}.{ZONE}", kind)]
    assert (entry["outcome"], entry["dnssec"], entry["data"]) == (outcome, dnssec, data)
    if outcome == "answered":
        assert 0 < entry["ttl"] <= 300


def test_who_may_issue_is_asked_of_every_ancestor(seen: Seen) -> None:
    """RFC 8659, section 3."""
    lookups = seen.result.lookups()
    assert lookups[(ZONE, "CAA")]["data"] == [
        '0 issue "ca.example; policy=ev"',
        '128 issuewild ";"',
    ]
    assert lookups[("example", "CAA")]["outcome"] == "no-data"


def test_reverse_names_lead_where_the_zone_says(seen: Seen) -> None:
    entry = seen.result.lookups()[("1.0.0.127.in-addr.arpa", "PTR")]
    assert (entry["outcome"], entry["data"]) == ("answered", [f"quay1.{ZONE}"])


def test_a_sibling_that_nobody_named_shows_a_wildcard(seen: Seen) -> None:
    """Only the name with a wildcard has one: what is random has an address there alone."""
    named = {f"quay1.{ZONE}", *(f"{name}.{ZONE}" for name in SERVICES)}
    random = {
        name: entry
        for (name, kind), entry in seen.result.lookups().items()
        if kind == "A" and name not in named
    }
    below = {name.split(".", 1)[1]: entry["outcome"] for name, entry in random.items()}
    assert below[f"berths.{ZONE}"] == "answered"
    assert below[ZONE] == "no-name"


def test_findings_follow_from_the_zones(seen: Seen) -> None:
    """The plan has 127.0.0.1 and ::1 for every name; a zone with fewer lacks the other one."""
    assert seen.result.findings() == {
        ("dns-no-address", "dns", ("quay1",), f"nope.{ZONE}"),
        ("dns-no-address", "dns", ("quay1",), f"nothing.{ZONE}"),
        ("dns-wrong-address", "dns", ("quay1",), f"lost.berths.{ZONE}"),
        ("dns-wrong-address", "dns", ("quay1",), f"many.{ZONE}"),
        ("dns-wrong-address", "dns", ("quay1",), f"quay2.broken.{ZONE}"),
        ("dns-broken-alias", "dns", ("quay1",), f"dangling.{ZONE}"),
        ("dns-partly-wrong", "dns", ("quay1",), f"outside.{ZONE}"),
        ("dns-partly-wrong", "dns", ("quay1",), f"quay1.plain.{ZONE}"),
        ("dns-partly-wrong", "dns", ("quay1",), f"xn--hfen-loa.{ZONE}"),
        # Failed validation is told from the failure to follow a loop.
        ("dns-no-answer", "dns", ("quay1",), None),
        ("dns-no-answer", "dns", ("quay1",), f"one.{ZONE}"),
    }
    verdicts = {
        one["name"]: one["verdict"]
        for one in seen.result.document["findings"]
        if one["rule"] == "dns-no-answer"
    }
    assert verdicts == {None: "blocked", f"one.{ZONE}": "unseen"}
    notes = {(note["rule"], note["name"]) for note in seen.result.document["notes"]}
    assert ("dns-wildcard-answer", f"lost.berths.{ZONE}") in notes


# ---------------------------------------------------------------- a resolver in other ways


SOME = ("quay1.broken", "quay1.expired", "one")


def test_a_resolver_says_why_it_fails(world: World, tmp_path: Path) -> None:
    """RFC 8914, 4.7, 4.8 and 4.10: "DNSSEC Bogus", "Signature Expired" or "DNSKEY Missing"; unbound
    says one of them as it finds out, and another out of its cache."""
    questions = [(f"{name}.{ZONE}", "A") for name in SOME]
    with resolver(tmp_path / "unbound", world, "  ede: yes\n") as server:
        look(tmp_path, f"{LOOPBACK}:{server.port}", SOME, "--save", str(tmp_path / "survey"))
        dug = dig(tmp_path, (LOOPBACK, server.port), questions)
    lookups = {
        (one.asked.name, one.asked.type): one for one in read_survey(tmp_path / "survey").lookups
    }
    for question, shown in zip(questions[:2], dug, strict=False):
        assert set(shown.errors) & {6, 7, 9}
        seen = lookups[question]
        assert (seen.outcome, seen.dnssec) == (LookupOutcome.INVALID, "bogus")
        assert re.match(r"SERVFAIL, extended error [679]\b", str(seen.detail))
    assert lookups[questions[2]].outcome is LookupOutcome.FAILED


def test_a_resolver_that_does_not_validate_has_no_objection(world: World, tmp_path: Path) -> None:
    with unbound(tmp_path / "unbound", world.authority, world.names) as server:
        lookups = look(tmp_path, f"{LOOPBACK}:{server.port}", SOME).lookups()
    broken = lookups[(f"quay1.broken.{ZONE}", "A")]
    assert (broken["outcome"], broken["dnssec"]) == ("answered", None)
    assert broken["data"] == ["127.0.0.66"]
    assert lookups[(f"quay1.{ZONE}", "A")]["dnssec"] is None


def test_each_view_is_reported_as_its_own(world: World, tmp_path: Path) -> None:
    """By unbound's `view`: whoever comes from ::1 is a guest, and led elsewhere."""
    views = (
        '  access-control-view: ::1/128 "guest"\n'
        'view:\n  name: "guest"\n  view-first: yes\n'
        f'  local-zone: "quay1.{ZONE}." typetransparent\n'
        f'  local-data: "quay1.{ZONE}. 60 A 127.0.0.77"\n'
        f'  local-zone: "portal.{ZONE}." always_nxdomain\n'
    )
    with resolver(tmp_path / "unbound", world, views) as server:
        plan = write_plan(
            tmp_path,
            f'[dns]\nresolvers = ["{LOOPBACK}:{server.port}", '
            f'{{ at = "[::1]:{server.port}", view = "guest" }}]\n',
            f'[[service]]\nname = "portal.{ZONE}"\nendpoint = "web"\naudience = "guests"\n'
            'nodes = ["quay1"]\n',
            f'[[node]]\nname = "quay1"\nhost = "quay1.{ZONE}"\naddresses = ["127.0.0.1", "::1"]\n',
        )
        result = probe(plan, "--only", "dns")
        dug = {
            place: dig(
                tmp_path, (place, server.port), [(f"quay1.{ZONE}", "A"), (f"portal.{ZONE}", "A")]
            )
            for place in (LOOPBACK, "::1")
        }
    entries = {
        (entry["view"], entry["name"]): entry
        for node in result.document["nodes"]
        for entry in node["lookups"]
        if entry["type"] == "A"
    }
    assert [one.data("A") for one in dug[LOOPBACK]] == [["127.0.0.1"]] * 2
    assert entries[(None, f"quay1.{ZONE}")]["data"] == ["127.0.0.1"]
    assert entries[(None, f"portal.{ZONE}")]["data"] == ["127.0.0.1"]
    assert (dug["::1"][0].data("A"), dug["::1"][1].status) == (["127.0.0.77"], "NXDOMAIN")
    assert entries[("guest", f"quay1.{ZONE}")]["data"] == ["127.0.0.77"]
    assert entries[("guest", f"portal.{ZONE}")]["outcome"] == "no-name"
