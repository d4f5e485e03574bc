"""Clusters of any number of nodes as they are met: surveys by hand, judged by the real judge."""

import re
from collections.abc import Sequence
from datetime import timedelta
from functools import cache

from probe.assessment import Assessment
from probe.jobs.sweep import narrow
from probe.observation.model import Endpoint, LookupOutcome, Outcome
from probe.observe.agenda import Depth
from probe.plan.model import Plan
from probe.records import replace
from tests.judge import world
from tests.judge.pki import AT, make

KINDS = ("healthy", "one", "many", "half", "names")
"""Nothing is wrong; one node is to blame; many things are; every second node is down; the name of
each node leads elsewhere, which is a finding for each name."""

Answers = dict[str, world.Answer]


def planned(count: int) -> Plan:
    """Return the plan of quay1 to quayN, whose guest name leads to all of them."""
    names = tuple(f"quay{number}" for number in range(1, count + 1))
    nodes = tuple(
        replace(node, addresses=(_address(place),))
        for place, node in enumerate(world.nodes(names), 11)
    )
    return world.plan(nodes=nodes, services=(world.guest_service(nodes=names),))


def _address(place: int) -> str:
    return f"192.0.{2 + place // 250}.{1 + place % 250}"


@cache
def judged(kind: str, count: int) -> Assessment:
    """Return what the judge says of such a cluster."""
    of = planned(count)
    names = [node.name for node in of.nodes]
    web: Answers = {"web/": _web(count)}
    eap: Answers = {}
    dns: dict[str, Sequence[str] | LookupOutcome] = {}
    if kind == "one":
        eap[f"/{names[-1]}/"] = _self_signed(names[-1])
    elif kind == "many":
        for place, name in enumerate(names):
            web |= _web_fault(place, name, count)
            eap |= _eap_fault(place, name)
        dns[f"/{world.host(names[1])}/"] = ("198.51.100.250",)
    elif kind == "half":
        for name in names[::2]:
            web[f"web/{name}/"] = web[f"{_of(of, name)}:443"] = Outcome.UNREACHABLE
            eap[f"/{name}/"] = Outcome.SILENT
    elif kind == "names":
        dns |= {f"/{world.host(name)}/": ("198.51.100.250",) for name in names}
    return world.judged(of, world.seen(of, web=web, eap=eap, dns=dns))


@cache
def one_node() -> Assessment:
    """Return what is said of quay2 of four, looked at in depth: its EAP certificate has ended."""
    of = planned(4)
    whole = world.seen(of, web={"web/": _web(4)}, eap={"/quay2/": _expired()}, depth=Depth.NODE)
    return world.judged(of, narrow(whole, frozenset(Endpoint), frozenset({"quay2"})))


def without_digests(screen: str) -> str:
    """Return a screen with zeros for the fingerprints: certificates are made anew in each run."""
    return re.sub(r"\b[0-9a-f]{8}(?:[0-9a-f]{8})?\b", lambda found: "0" * len(found[0]), screen)


def _of(plan: Plan, name: str) -> str:
    return (plan.node(name).addresses or ("",))[0]


@cache
def _web(count: int) -> world.Chain:
    hosts = [world.host(f"quay{number}") for number in range(1, count + 1)]
    return world.with_public(world.public(world.GUEST, *hosts))


@cache
def _self_signed(name: str) -> world.Chain:
    return (make(world.host(name), None, names=(world.host(name),)).der,)


@cache
def _expired() -> world.Chain:
    return world.with_private(world.private(world.RADIUS, begins=AT - timedelta(367), days=365))


def _web_fault(place: int, name: str, count: int) -> Answers:
    where = f"web/{name}/"
    if place % 7 == 3:
        return {where: Outcome.CLOSED}
    if place % 7 == 5:
        return {where: _web(count)[:1]}
    return {}


def _eap_fault(place: int, name: str) -> Answers:
    where = f"/{name}/"
    if place % 9 == 2:
        return {where: _expired()}
    if place % 9 == 4:
        return {where: Outcome.SILENT}
    if place % 9 == 7:
        return {where: _self_signed(name)}
    return {}
