"""nsd answers what its zone says; `probe cluster` must report exactly that."""

from collections.abc import Iterator

import pytest

from tests.peers.nameservers import nsd, zone
from tests.peers.plans import write_plan
from tests.peers.servers import LOOPBACK
from tests.running import Result, probe

ZONE = "northpier.example"
RECORDS = """\
quay1 A 127.0.0.1
quay1 AAAA ::1
guest CNAME portal
portal CNAME quay1
quay3 TXT "no address here"
quay4 A 127.0.0.9
dangling CNAME nowhere
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
SERVICES = "".join(
    f'[[service]]\nname = "{name}.{ZONE}"\nendpoint = "web"\naudience = "guests"\n'
    f'nodes = ["quay1"]\n'
    for name in ("guest", "dangling")
)


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Result]:
    directory = tmp_path_factory.mktemp("dns")
    with nsd(directory / "nsd", zone(ZONE, RECORDS)) as server:
        resolver = f'[dns]\nresolvers = ["{LOOPBACK}:{server.port}"]\n'
        plan = write_plan(directory, resolver, SERVICES, NODES)
        yield probe(plan, "--only", "dns")


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
    ],
)
def test_each_answer_is_reported_as_the_zone_has_it(
    result: Result, name: str, kind: str, outcome: str, data: list[str], aliases: list[str]
) -> None:
    answer = result.lookups()[(f"{name}.{ZONE}", kind)]
    assert (answer["outcome"], answer["data"], answer["aliases"]) == (outcome, data, aliases)
    if outcome == "answered":
        assert answer["ttl"] == 300


def test_a_name_of_another_zone_is_refused(result: Result) -> None:
    """An authoritative server does not answer for what it does not hold."""
    assert result.lookups()[("lent.elsewhere.example", "A")]["outcome"] == "refused"


def test_findings_name_the_missing_and_the_wrong(result: Result) -> None:
    assert result.findings() == {
        ("dns-no-address", "dns", ("quay2",), f"quay2.{ZONE}"),
        ("dns-no-address", "dns", ("quay3",), f"quay3.{ZONE}"),
        ("dns-no-address", "dns", ("quay1",), f"dangling.{ZONE}"),
        ("dns-wrong-address", "dns", ("quay4",), f"quay4.{ZONE}"),
        ("dns-no-answer", "dns", ("lent",), "lent.elsewhere.example"),
    }
    assert result.status == 1
