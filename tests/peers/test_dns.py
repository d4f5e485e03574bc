"""nsd answers what its zone says; `probe cluster` must report exactly that, as dig does."""

from dataclasses import dataclass
from itertools import pairwise

import pytest

from tests.peers.nameservers import Dug, dig, nsd, zone
from tests.peers.plans import write_plan
from tests.peers.servers import LOOPBACK
from tests.running import Result, probe

ZONE = "northpier.example"
MANY = [f"192.0.2.{number}" for number in range(200)]
LONG = [f"hop{number}" for number in range(20)]
RECORDS = f"""\
quay1 A 127.0.0.1
quay1 AAAA ::1
guest CNAME portal
portal CNAME quay1
quay3 TXT "no address here"
quay4 A 127.0.0.9
dangling CNAME nowhere
one CNAME two
two CNAME one
{"".join(f"{a} CNAME {b}" + chr(10) for a, b in pairwise(LONG))}
*.berths A 127.0.0.1
*.berths AAAA ::1
{"".join(f"many A {address}" + chr(10) for address in MANY)}
elsewhere NS ns.elsewhere
ns.elsewhere A 127.0.0.1
"""
NODES = "".join(
    f'[[node]]\nname = "{name}"\nhost = "{host}"\naddresses = {addresses}\n'
    for name, host, addresses in (
        ("quay1", f"quay1.{ZONE}", '["127.0.0.1", "::1"]'),
        ("quay2", f"quay2.{ZONE}", '["127.0.0.2"]'),
        ("quay3", f"quay3.{ZONE}", '["127.0.0.3"]'),
        ("quay4", f"quay4.{ZONE}", '["127.0.0.4"]'),
        ("lent", "lent.elsewhere.example", '["127.0.0.5"]'),
    )
)
SERVICES = ("guest", "dangling", "one", "hop0", "mole.berths", "many", "ferry.elsewhere")
TABLES = "".join(
    f'[[service]]\nname = "{name}.{ZONE}"\nendpoint = "web"\naudience = "guests"\n'
    f'nodes = ["quay1"]\n'
    for name in SERVICES
)


@dataclass(frozen=True)
class Seen:
    """What was reported, and what dig got at the same time."""

    result: Result
    dug: dict[tuple[str, str], Dug]


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Seen:
    directory = tmp_path_factory.mktemp("dns")
    with nsd(directory / "nsd", zone(ZONE, RECORDS)) as server:
        resolver = f'[dns]\nresolvers = ["{LOOPBACK}:{server.port}"]\n'
        result = probe(write_plan(directory, resolver, TABLES, NODES), "--only", "dns")
        questions = list(result.lookups())
        dug = dig(directory, (LOOPBACK, server.port), questions)
    return Seen(result, dict(zip(questions, dug, strict=True)))


@pytest.mark.parametrize(
    ("name", "kind", "outcome", "data", "aliases"),
    [
        ("quay1", "A", "answered", ["127.0.0.1"], []),
        ("quay1", "AAAA", "answered", ["::1"], []),
        ("quay2", "A", "no-name", [], []),
        ("quay3", "A", "no-data", [], []),
        ("quay4", "A", "answered", ["127.0.0.9"], []),
        ("quay4", "AAAA", "no-data", [], []),
        ("guest", "A", "answered", ["127.0.0.1"], [f"portal.{ZONE}", f"quay1.{ZONE}"]),
        ("guest", "AAAA", "answered", ["::1"], [f"portal.{ZONE}", f"quay1.{ZONE}"]),
        ("dangling", "A", "alias-broken", [], [f"nowhere.{ZONE}"]),
        ("one", "A", "alias-broken", [], [f"two.{ZONE}", f"one.{ZONE}"]),
        ("hop0", "A", "alias-broken", [], [f"hop{number}.{ZONE}" for number in range(1, 18)]),
        ("mole.berths", "A", "answered", ["127.0.0.1"], []),
        ("many", "A", "answered", sorted(MANY), []),
        # Its name servers are others, and nsd does not ask them.
        ("ferry.elsewhere", "A", "lame", [], []),
    ],
)
def test_each_answer_is_reported_as_the_zone_has_it(
    seen: Seen, name: str, kind: str, outcome: str, data: list[str], aliases: list[str]
) -> None:
    answer = seen.result.lookups()[(f"{name}.{ZONE}", kind)]
    assert (answer["outcome"], answer["data"], answer["aliases"]) == (outcome, data, aliases)
    if outcome == "answered":
        assert answer["ttl"] == 300


def test_every_record_is_one_that_dig_gets(seen: Seen) -> None:
    """As far as they may be compared: dig shows one response, and follows nothing."""
    found = 0
    for (name, kind), entry in seen.result.lookups().items():
        dug = seen.dug[name, kind]
        assert sorted(entry["data"]) == dug.data(kind), name
        assert entry["aliases"][: len(dug.aliases)] == dug.aliases[: len(entry["aliases"])], name
        assert (dug.status == "REFUSED") is (entry["outcome"] == "refused")
        found += len(dug.data(kind))
    assert found > 200


def test_a_name_of_another_zone_is_refused(seen: Seen) -> None:
    """An authoritative server does not answer for what it does not hold."""
    assert seen.result.lookups()[("lent.elsewhere.example", "A")]["outcome"] == "refused"


def test_findings_name_the_missing_and_the_wrong(seen: Seen) -> None:
    assert seen.result.findings() == {
        ("dns-no-address", "dns", ("quay2",), f"quay2.{ZONE}"),
        ("dns-no-address", "dns", ("quay3",), f"quay3.{ZONE}"),
        ("dns-broken-alias", "dns", ("quay1",), f"dangling.{ZONE}"),
        ("dns-broken-alias", "dns", ("quay1",), f"one.{ZONE}"),
        ("dns-broken-alias", "dns", ("quay1",), f"hop0.{ZONE}"),
        ("dns-wrong-address", "dns", ("quay4",), f"quay4.{ZONE}"),
        ("dns-wrong-address", "dns", ("quay1",), f"many.{ZONE}"),
        ("dns-no-answer", "dns", ("quay1",), f"ferry.elsewhere.{ZONE}"),
        ("dns-no-answer", "dns", ("lent",), "lent.elsewhere.example"),
    }
    assert seen.result.status == 1
