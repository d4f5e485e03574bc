"""A and AAAA records of one name, where the server answers at the addresses of one kind only."""

from typing import Any

import pytest

from probe.assessment import Verdict
from probe.observation.model import Handshake, LookupOutcome, Outcome, Phase
from probe.plan.model import Node, Plan, Resolver
from probe.records import replace
from tests.judge.names import led
from tests.judge.world import (
    GUEST,
    NODES,
    folded,
    guest_service,
    host,
    judged,
    nodes,
    plan,
    seen,
    told,
)

SIX = Resolver("[2001:db8::53]:53")


def dual(**changes: Any) -> Plan:
    """Return the plan of nodes with an address of each kind, EAP left to IPv4."""
    both: tuple[Node, ...] = tuple(
        replace(
            node,
            addresses=(*(node.addresses or ()), f"2001:db8::{place}"),
            eap=node.eap and replace(node.eap, addresses=node.addresses),
        )
        for place, node in enumerate(nodes(), 11)
    )
    return plan(**{"nodes": both, **changes})


def test_both_families_are_served() -> None:
    assert told(judged(dual(), seen(dual()))) == []


def test_a_closed_aaaa_is_advised_and_no_second_finding() -> None:
    """RFC 8305: who has both comes a little later, by the other one."""
    result = judged(dual(), seen(dual(), web={"[2001:db8::13]": Outcome.CLOSED}))
    assert told(result) == [("dns-unserved-family", "dns", ("quay3",), None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.ADVISED
    # Of whom it is said that those with IPv6 alone get nowhere, it is not said that they get on.
    assert finding.clients
    assert not {*finding.clients} & {*result.headline.no_change}
    assert finding.addresses == ("2001:db8::13",)
    assert "clients that have IPv6 alone get nowhere, others come a little later" in finding.says
    assert "quay3" in finding.remedy


def test_a_closed_a_blocks() -> None:
    result = judged(dual(), seen(dual(), web={"192.0.2.13:443": Outcome.CLOSED}))
    assert [(f.rule, f.verdict) for f in result.findings] == [
        ("dns-unserved-family", Verdict.BLOCKED)
    ]


def test_all_nodes_without_ipv6_are_one_finding() -> None:
    result = judged(dual(), seen(dual(), web={"[2001:db8::": Outcome.CLOSED}))
    assert told(result) == [("dns-unserved-family", "dns", NODES, None)]


def test_both_families_closed_is_a_closed_port() -> None:
    result = judged(dual(), seen(dual(), web={"web/quay3": Outcome.CLOSED}))
    assert told(result) == [("web-closed", "web", ("quay3",), None)]


@pytest.mark.parametrize("way", [Outcome.SILENT, Outcome.UNREACHABLE])
def test_without_any_ipv6_from_here_it_is_unseen(way: Outcome) -> None:
    result = judged(dual(), seen(dual(), web={"[2001:db8::": way}))
    assert told(result) == [("dns-unserved-family", "dns", NODES, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.UNSEEN
    assert "no such route from here" in finding.says


@pytest.mark.parametrize("way", [Outcome.SILENT, Outcome.UNREACHABLE])
def test_another_address_that_answers_is_a_control(way: Outcome) -> None:
    result = judged(dual(), seen(dual(), web={"[2001:db8::13]": way}))
    assert [(f.rule, f.nodes, f.verdict) for f in result.findings] == [
        ("dns-unserved-family", ("quay3",), Verdict.ADVISED)
    ]


def test_a_resolver_that_answers_by_ipv6_is_a_control() -> None:
    of = dual(resolvers=(SIX,))
    (finding,) = judged(of, seen(of, web={"[2001:db8::": Outcome.SILENT})).findings
    assert finding.verdict is Verdict.ADVISED


def test_a_resolver_that_fails_by_ipv6_is_none() -> None:
    """Its failure may be that there is no way to it."""
    of = dual(resolvers=(Resolver("192.0.2.53"), SIX))
    failing = {"2001:db8::53": LookupOutcome.FAILED}
    result = judged(of, seen(of, dns=failing, web={"443/": Outcome.SERVED}))
    survey = seen(of, dns=failing, web={"[2001:db8::1": Outcome.SILENT})
    verdicts = {f.rule: f.verdict for f in judged(of, survey).findings}
    assert verdicts["dns-unserved-family"] is Verdict.UNSEEN
    assert "dns-unserved-family" not in [f.rule for f in result.findings]


def test_a_connection_that_is_cut_at_once_is_no_service() -> None:
    of = dual()
    survey = seen(of)
    records: list[Handshake] = [
        replace(one, outcome=Outcome.CUT_OFF, phase=Phase.CONNECT, served=None)
        if one.asked.address == "2001:db8::13"
        else one
        for one in survey.handshakes
    ]
    result = judged(of, replace(survey, handshakes=tuple(records)))
    assert told(result) == [("dns-unserved-family", "dns", ("quay3",), None)]


def test_a_refusal_is_an_answer() -> None:
    """Something speaks TLS there: that it refuses is no matter of the address."""
    result = judged(dual(), seen(dual(), web={"[2001:db8::13]": Outcome.REFUSED}))
    assert told(result) == [("web-refused", "web", ("quay3",), None)]


def test_what_is_not_published_stays_a_closed_port() -> None:
    of = dual(resolvers=(Resolver("192.0.2.53"),), services=())
    given: dict[str, Any] = {f"{host(node)}/AAAA": () for node in NODES}
    result = judged(of, seen(of, dns=given, web={"[2001:db8::13]": Outcome.CLOSED}))
    assert ("web-closed", "web", ("quay3",), None) in told(result)
    assert "dns-unserved-family" not in [finding.rule for finding in result.findings]


def test_families_of_different_views_are_no_pair() -> None:
    """Nobody is given both: who is given the closed one goes nowhere."""
    of = dual(resolvers=(Resolver("192.0.2.53"), Resolver("10.0.9.53", "office")), services=())
    given: dict[str, Any] = {}
    for node in NODES:
        given |= {f"192.0.2.53/{host(node)}/AAAA": (), f"@office/{host(node)}/A": ()}
    for place, node in enumerate(NODES, 11):
        given |= {f"@office/{host(node)}/AAAA": (f"2001:db8::{place}",)}
    result = judged(of, seen(of, dns=given, web={"[2001:db8::13]": Outcome.CLOSED}))
    assert told(result) == [("web-closed", "web", ("quay3",), None)]


def test_one_name_alone_is_named() -> None:
    """The node's own name is not published with AAAA, the service is."""
    of = plan(services=(guest_service(addresses=("192.0.2.80", "2001:db8::80")),))
    result = judged(of, seen(of, web={"[2001:db8::80]": Outcome.CLOSED}))
    assert told(result) == [("dns-unserved-family", "dns", NODES, GUEST)]


def test_an_unplanned_aaaa_that_nobody_serves_goes_under_the_wrong_record() -> None:
    of = plan(nodes=nodes(("quay1",)), services=())
    name = host("quay1")
    survey = seen(of, dns={f"{name}/AAAA": ("2001:db8::99",)})
    survey = led(survey, name, "2001:db8::99", Outcome.CLOSED, nodes=("quay1",))
    result = judged(of, survey)
    assert told(result) == [("dns-partly-wrong", "dns", ("quay1",), name)]
    assert folded(result) == ["dns-unserved-family"]
    rows = {row.what: row.value for row in result.findings[0].evidence}
    assert rows["2001:db8::99, port 443"] == "closed"


def test_an_address_that_was_left_out_leaves_it_open() -> None:
    """More addresses than are visited: not all of the family are known to fail."""
    of = plan(nodes=nodes(("quay1",), addresses=None), services=())
    name = host("quay1")
    survey = seen(of, dns={name: ("192.0.2.11", "2001:db8::1", "2001:db8::2")})
    ways = {"192.0.2.11": None, "2001:db8::1": Outcome.CLOSED, "2001:db8::2": Outcome.NOT_ASKED}
    records = []
    for record in survey.handshakes:
        if record.endpoint != "web":
            records.append(record)
            continue
        for address, way in ways.items():
            one = replace(record, asked=replace(record.asked, address=address))
            records.append(one if way is None else replace(one, outcome=way, served=None))
    result = judged(of, replace(survey, handshakes=tuple(records)))
    assert "dns-unserved-family" not in [finding.rule for finding in result.findings]


def test_a_node_that_is_reached_by_another_address_is_controlled_by_that_one() -> None:
    """A port forward: the planned IPv6 address is reached by IPv4, where others answer."""
    of = dual()
    behind = replace(of.nodes[2], connect=(("2001:db8::13", "198.51.100.13"),))
    of = replace(of, nodes=(*of.nodes[:2], behind, of.nodes[3]))
    survey = seen(of, web={"[2001:db8::": Outcome.SILENT})
    verdicts = {f.nodes: f.verdict for f in judged(of, survey).findings}
    assert verdicts == {
        ("quay3",): Verdict.ADVISED,
        ("quay1", "quay2", "quay4"): Verdict.UNSEEN,
    }
