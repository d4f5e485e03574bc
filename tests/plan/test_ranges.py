"""One table that stands for many nodes: what it becomes, and what it may not say."""

from collections.abc import Callable
from pathlib import Path

import pytest

from probe import load_plan
from probe.plan.model import Plan
from probe.plan.problems import PlanError
from tests.plan.conftest import WITH_EAP

RANGE = """
name = "Northpier Ferries"
[[node]]
numbers = [9, 11]
name = "quay{nn}"
host = "quay{nn}.northpier.example"
addresses = ["192.0.2.254", "2001:db8::ff"]
group = "harbour"
[[node]]
name = "office"
host = "office.northpier.example"
addresses = ["192.0.2.1"]
[[group]]
name = "harbour"
site = "pier"
[[service]]
name = "guest.northpier.example"
nodes = ["quay10"]
"""

Read = Callable[[str], Plan]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    def of(text: str) -> Plan:
        path = tmp_path / "plan.toml"
        path.write_text(text)
        return load_plan(path)

    return of


def test_each_number_is_a_node_with_the_next_addresses(read: Read) -> None:
    plan = read(RANGE)
    assert [(node.name, node.host, node.addresses, node.site) for node in plan.nodes] == [
        ("quay09", "quay09.northpier.example", ("192.0.2.254", "2001:db8::ff"), "pier"),
        ("quay10", "quay10.northpier.example", ("192.0.2.255", "2001:db8::100"), "pier"),
        ("quay11", "quay11.northpier.example", ("192.0.3.0", "2001:db8::101"), "pier"),
        ("office", "office.northpier.example", ("192.0.2.1",), None),
    ]
    assert plan.services[0].nodes == ("quay10",)


def test_addresses_of_endpoints_are_counted_on_too(read: Read) -> None:
    plan = read(
        'name = "Northpier Ferries"\n'
        + WITH_EAP.replace('host = "quay1.', 'numbers = [1, 2]\nhost = "berth{n}.')
        .replace('"quay1"', '"berth{n}"')
        .replace('["192.0.2.11"]', '["192.0.2.21"]\neap.addresses = ["198.51.100.1"]')
    )
    assert [node.eap_addresses() for node in plan.nodes[:2]] == [
        ("198.51.100.1",),
        ("198.51.100.2",),
    ]


@pytest.mark.parametrize(
    ("old", "new", "place", "says"),
    [
        ("[9, 11]", "[9]", "node[1]", "does not hold two numbers"),
        ("[9, 11]", "[11, 9]", "node[1]", "does not hold two numbers"),
        ("[9, 11]", "[1, 2000]", "node[1]", "stands for more than 1000 nodes"),
        ("[9, 11]", '"9-11"', "node[1]", "is a text"),
        ('name = "quay{nn}"', 'name = "quay"', "node[1].name", "is the same for every one"),
        ('host = "quay{nn}.northpier.example"\n', "", "node[1].host", "is missing"),
        ('group = "harbour"', 'grup = "harbour"', "node[1].grup", "is no key"),
        ('"192.0.2.254"', '"192.0.2.300"', "node[1].addresses[1]", "is no IP address"),
        ('"192.0.2.254"', '"192.0.2.0"', "node[2].addresses", "is 'quay10''s already"),
        ('group = "harbour"', "connect = {}", "node[1]", "has numbers and connect"),
    ],
)
def test_what_is_wrong_is_told_once(read: Read, old: str, new: str, place: str, says: str) -> None:
    with pytest.raises(PlanError) as caught:
        read(RANGE.replace(old, new, 1).replace('nodes = ["quay10"]', ""))
    here = [problem for problem in caught.value.problems if problem.place.startswith(place)]
    if "already" in says:
        # The node after the range has the address of one in it.
        assert [problem.says for problem in here] == [
            "192.0.2.1, port 443 (web) is quay10's already"
        ]
    else:
        assert len(here) >= 1
        assert says in str(here[0]), here
        assert len([problem for problem in here if problem.place == here[0].place]) == 1


def test_a_number_stands_for_nothing_without_a_range(read: Read) -> None:
    with pytest.raises(PlanError, match="a character that no host name has"):
        read(RANGE.replace("numbers = [9, 11]\n", ""))
