"""What a certificate is meant for: which endpoints, which nodes, which names. A guess that is told
with its reason, unless somebody has said it."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace

from probe.bundle import NOTHING_SAID, Said, World
from probe.certificate.container import Request
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.names import covers, supplicant_covers
from probe.observation.model import Endpoint
from probe.plan.model import FAMILIES, Plan
from probe.plan.places import opened_at

_EAP_FAMILIES = tuple(family for family in FAMILIES if family.endswith("-eap"))


@dataclass(frozen=True, slots=True)
class Meant:
    """For what it is."""

    worlds: tuple[World, ...]
    """Those of the plan."""
    nodes: tuple[str, ...]
    nodes_why: str | None
    own_names: bool
    """Whether it is to cover the nodes' own names."""

    @property
    def endpoints(self) -> frozenset[Endpoint]:
        """The endpoints that it is meant for."""
        return frozenset(world.endpoint for world in self.worlds if world.meant)


def as_facts(request: Request) -> CertFacts:
    """Return a request as the facts of a certificate that has what was requested, and no more."""
    nothing = facts_of(b"")
    return replace(
        nothing,
        readable=True,
        oddities=(),
        subject=request.subject,
        names=request.names,
        common_name=request.common_name,
        common_names=(request.common_name,) if request.common_name else (),
        key=request.key,
        key_family=request.key_family,
        key_bits=request.key_bits,
        spki=request.spki,
        extended_key_usage=request.purposes,
        is_ca=request.is_ca,
    )


def meant(
    plan: Plan,
    leaf: CertFacts,
    *,
    leads: Collection[Endpoint],
    said: Said = NOTHING_SAID,
) -> Meant:
    """Return what a certificate is meant for.

    `leads` are the endpoints to whose roots its path leads. What nobody has said is left to what
    the certificate says itself.
    """
    worlds = tuple(_worlds(plan, leaf, leads, said.endpoint))
    nodes = said.nodes
    web = any(world.meant and world.endpoint is Endpoint.WEB for world in worlds)
    everywhere = tuple(node.name for node in plan.nodes)
    if not web:
        return Meant(worlds, nodes or everywhere, "named" if nodes else None, own_names=False)
    own = tuple(node.name for node in plan.nodes if covers(leaf, node.host).covered)
    services = {name for _, name, _, service in opened_at(plan) if service is not None}
    of_services = any(covers(leaf, name).covered for name in services)
    own_names = bool(own) or not of_services
    if nodes:
        return Meant(worlds, nodes, "named", own_names)
    if len(own) == 1 and len(everywhere) > 1:
        why = "it carries the own name of this node and of no other"
        return Meant(worlds, own, why, own_names)
    return Meant(worlds, everywhere, None, own_names)


def _worlds(
    plan: Plan, leaf: CertFacts, leads: Collection[Endpoint], chosen: Endpoint | None
) -> Iterator[World]:
    there = [Endpoint.WEB]
    if any(node.eap is not None for node in plan.nodes):
        there.append(Endpoint.EAP)
    if chosen is not None:
        for endpoint in there:
            why = "as was said" if endpoint is chosen else "something else was said"
            yield World(endpoint, endpoint is chosen, why)
        return
    named = {endpoint: _named(plan, leaf, endpoint) for endpoint in there}
    points = {endpoint: named[endpoint] + (endpoint in leads) for endpoint in there}
    best = max(points.values())
    for endpoint in there:
        yield World(
            endpoint,
            points[endpoint] == best,
            f"it covers {'a' if named[endpoint] else 'no'} name of this endpoint, and"
            f" {'leads' if endpoint in leads else 'is not known to lead'} to a root of its clients",
        )


def _named(plan: Plan, leaf: CertFacts, endpoint: Endpoint) -> bool:
    if endpoint is Endpoint.WEB:
        return any(covers(leaf, name).covered for _, name, _, _ in opened_at(plan))
    expected = {node.eap.expected_names for node in plan.nodes if node.eap is not None}
    return any(
        bool(names) and supplicant_covers(leaf, names, family).covered
        for names in expected
        for family in _EAP_FAMILIES
    )


def wanted(plan: Plan, name: str, of: Meant) -> bool:
    """Return whether a name of the web that is opened at the plan's nodes is to be covered."""
    hosts = {node.host for node in plan.nodes}
    services = {service.name for service in plan.services}
    return of.own_names or name in services or name not in hosts
