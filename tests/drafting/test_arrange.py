"""Nodes and services by where names lead, from literal answers; certificates come from the lab."""

from collections.abc import Iterator

import pytest

from probe.certificate.facts import CertFacts
from probe.drafting import arrange as arranging
from probe.drafting.arrange import arrange
from probe.drafting.certificates import dns_names
from probe.drafting.model import Answer, Given, Network, Row, Shown
from probe.observation.model import Outcome
from probe.plan.model import Resolver
from tests.drafting.test_text import certificate

D = "northpier.example"


def arranged(
    given: Given, **places: tuple[str, ...] | Answer
) -> tuple[
    dict[str, tuple[str, ...]], dict[str, tuple[tuple[str, ...], tuple[str, ...]]], list[str]
]:
    """Return the nodes' addresses, the services' nodes and own addresses, and every doubt."""
    answers = {
        f"{name}.{D}": place if isinstance(place, Answer) else Answer(place)
        for name, place in places.items()
    }
    nodes, services = arrange(given, Network(answers))
    return (
        {node.name: node.addresses for node in nodes},
        {s.name.removesuffix(f".{D}"): (s.nodes, s.addresses) for s in services},
        [doubt for one in (*nodes, *services) for doubt in one.doubts],
    )


def named(*names: str, services: tuple[str, ...] = (), rows: tuple[Row, ...] = ()) -> Given:
    return Given(
        names=tuple(f"{name}.{D}" for name in names),
        services=tuple(f"{name}.{D}" for name in services),
        rows=rows,
    )


def test_a_name_that_leads_to_several_nodes_is_a_service() -> None:
    nodes, services, doubts = arranged(
        named("guest", "quay1", "quay2", "onboard"),
        guest=("192.0.2.1", "192.0.2.2"),
        quay1=("192.0.2.1",),
        quay2=("192.0.2.2",),
        onboard=("192.0.2.2", "192.0.2.1"),
    )
    assert nodes == {"quay1": ("192.0.2.1",), "quay2": ("192.0.2.2",)}
    assert services == {"guest": ((), ()), "onboard": ((), ())}
    assert doubts == []


def test_a_service_of_some_nodes_names_them() -> None:
    _, services, _ = arranged(
        named("quay1", "quay2", "quay3", "guest"),
        quay1=("192.0.2.1",),
        quay2=("192.0.2.2",),
        quay3=("192.0.2.3",),
        guest=("192.0.2.1", "192.0.2.3"),
    )
    assert services == {"guest": (("quay1", "quay3"), ())}


def test_both_families_are_one_node() -> None:
    nodes, services, doubts = arranged(
        named("quay1", "quay2", "guest"),
        quay1=("192.0.2.1", "2001:db8::1"),
        quay2=("192.0.2.2",),
        guest=("192.0.2.1", "192.0.2.2", "2001:db8::1"),
    )
    assert nodes == {"quay1": ("192.0.2.1", "2001:db8::1"), "quay2": ("192.0.2.2",)}
    assert services == {"guest": ((), ())}
    assert doubts == []


def test_two_views_of_one_name_are_one_node() -> None:
    given = Given(
        names=(f"quay1.{D}",),
        resolvers=(Resolver("192.0.2.53"), Resolver("192.0.2.54", "guest")),
    )
    nodes, _, doubts = arranged(given, quay1=("10.0.0.1", "192.0.2.1"))
    assert (nodes, doubts) == ({"quay1": ("10.0.0.1", "192.0.2.1")}, [])


def test_several_addresses_of_one_name_alone_are_doubtful() -> None:
    _, _, doubts = arranged(named("guest"), guest=("192.0.2.1", "192.0.2.2"))
    assert doubts == [
        f"guest.{D} leads to 2 addresses: if these are several nodes, name each by its own name"
    ]


@pytest.mark.parametrize(
    ("names", "host"),
    [
        # The end of an alias, a numbered name, the first one.
        (("portal", "office"), "office"),
        (("guest", "quay1"), "quay1"),
        (("guest", "onboard"), "guest"),
    ],
)
def test_of_names_for_one_place_one_is_the_nodes_own(names: tuple[str, ...], host: str) -> None:
    places: dict[str, tuple[str, ...] | Answer] = dict.fromkeys(names, ("192.0.2.1",))
    if "portal" in names:
        places["portal"] = Answer(("192.0.2.1",), alias=f"office.{D}")
    nodes, services, doubts = arranged(named(*names), **places)
    (other,) = set(names) - {host}
    assert (list(nodes), list(services)) == ([host], [other])
    assert len(doubts) == (1 if host == "guest" else 0)


def test_a_name_without_an_address_is_a_node_and_doubtful() -> None:
    nodes, _, doubts = arranged(
        named("quay1", "quay2", "guest"),
        quay1=("192.0.2.1",),
        quay2=Answer(why="there is no such name"),
        guest=("192.0.2.1", "192.0.2.2"),
    )
    assert nodes["quay2"] == ()
    assert f"no address of quay2.{D} is known: there is no such name" in doubts


def test_what_is_said_to_be_a_service_is_one() -> None:
    nodes, services, _ = arranged(
        named("quay1", "office", services=("portal",)),
        quay1=("192.0.2.1",),
        office=("192.0.2.2",),
        portal=("192.0.2.80",),
    )
    assert list(nodes) == ["quay1", "office"]
    assert services == {"portal": ((), ("192.0.2.80",))}


def test_rows_are_the_nodes_and_all_else_is_a_service() -> None:
    rows = (
        Row(host=f"a.{D}", name="first", addresses=("192.0.2.1",)),
        Row(host=f"b.{D}", group="harbour"),
    )
    nodes, services, doubts = arranged(
        named("c", rows=rows),
        a=("192.0.2.9",),
        b=("192.0.2.2",),
        c=("192.0.2.3",),
    )
    assert nodes == {"first": ("192.0.2.1",), "b": ("192.0.2.2",)}
    assert services == {"c": ((), ("192.0.2.3",))}
    assert doubts == ["the sheet has 192.0.2.1, and DNS leads to 192.0.2.9"]


def test_hosts_of_one_first_label_are_told_apart() -> None:
    given = Given(names=("radius.north.example", "radius.south.example"))
    nodes, _ = arrange(
        given,
        Network(
            {
                "radius.north.example": Answer(("192.0.2.1",)),
                "radius.south.example": Answer(("192.0.2.2",)),
            }
        ),
    )
    assert [node.name for node in nodes] == ["radius.north.example", "radius.south.example"]


def test_places_of_nobody_are_told_together_however_many_there_are() -> None:
    """A name server may give hundreds."""
    strange = tuple(f"192.0.2.{n}" for n in range(20, 220))
    lead = "guest.northpier.example leads to 192.0.2.20, 192.0.2.21, 192.0.2.22, 192.0.2.23,"
    lead += " 192.0.2.24, 192.0.2.25 and 194 more too, which are no node's that was named:"
    two = {"quay1": ("192.0.2.1",), "quay2": ("192.0.2.2",)}
    guest = ("192.0.2.1", "192.0.2.2", *strange)
    _, _, doubts = arranged(named("quay1", "quay2", services=("guest",)), **two, guest=guest)
    assert doubts == [f"{lead} name the nodes that are there"]
    _, _, doubts = arranged(
        named("quay1", "quay2", "quay3", services=("guest",)),
        **two,
        quay3=Answer(why="there is no such name"),
        guest=guest,
    )
    assert doubts == [
        "no address of quay3.northpier.example is known: there is no such name",
        f"{lead} if some are this one's, leave those and take the # away",
    ]


def test_each_certificate_is_read_a_few_times_however_many_nodes_there_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Once for each pair of nodes would take minutes where there are hundreds."""
    hosts = {f"quay{n}.{D}": f"192.0.2.{n}" for n in range(1, 81)}
    visits = tuple(
        Shown(place, 443, host, Outcome.SERVED, (certificate("CA", [host, f"guest.{D}"]),))
        for host, place in hosts.items()
    )
    read = 0

    def counted(facts: CertFacts) -> Iterator[str]:
        nonlocal read
        read += 1
        return dns_names(facts)

    monkeypatch.setattr(arranging, "dns_names", counted)
    answers = {host: Answer((place,)) for host, place in hosts.items()}
    answers[f"guest.{D}"] = Answer(tuple(hosts.values()))
    nodes, services = arrange(Given(names=tuple(hosts)), Network(answers, visits))
    assert (len(nodes), [one.name for one in services]) == (80, [f"guest.{D}"])
    assert read <= 3 * len(visits)
