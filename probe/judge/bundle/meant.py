"""What a certificate is meant for: which endpoints, which nodes, which names. A guess that is told
with its reason, unless somebody has said it."""

from collections import defaultdict
from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING

from probe.bundle import NOTHING_SAID, Said, World
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.given import Given, given, unmet
from probe.judge.names import covers, supplicant_covers
from probe.observation.model import Endpoint, Survey
from probe.plan.model import FAMILIES, Matching, Plan
from probe.plan.places import opened_at, plan_of
from probe.records import dataclass, replace

if TYPE_CHECKING:
    from probe.certificate.container import Request

_EAP_FAMILIES = tuple(family for family in FAMILIES if family.endswith("-eap"))

_WHOLE = frozenset({Matching.NAME, Matching.EXACT, Matching.ALTERNATIVE})
"""Ways to compare that mean one name."""


@dataclass(frozen=True, slots=True)
class Meant:
    """For what it is."""

    worlds: tuple[World, ...]
    """Those of the plan."""
    nodes: tuple[str, ...]
    nodes_why: str | None
    names: frozenset[str]
    """Of the web, those that it is to cover."""

    @property
    def endpoints(self) -> frozenset[Endpoint]:
        """The endpoints that it is meant for."""
        return frozenset(world.endpoint for world in self.worlds if world.meant)


def as_facts(request: "Request") -> CertFacts:
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
    seen: Survey | None = None,
) -> Meant:
    """Return what a certificate is meant for.

    `leads` are the endpoints to whose roots its path leads; `seen` is what the nodes serve, if that
    is known. What nobody has said is left to what the certificate says itself.
    """
    worlds = tuple(_worlds(plan, leaf, leads, said.endpoint))
    everywhere = tuple(node.name for node in plan.nodes)
    nodes, why = said.nodes or everywhere, "named" if said.nodes else None
    if not any(world.meant and world.endpoint is Endpoint.WEB for world in worlds):
        return Meant(worlds, nodes, why, frozenset())
    own = tuple(node.name for node in plan.nodes if covers(leaf, node.host).covered)
    if len(own) == 1 and len(everywhere) > 1 and not said.nodes:
        nodes, why = own, "it carries the own name of this node and of no other"
    return Meant(worlds, nodes, why, _names(plan_of(plan, frozenset(nodes)), leaf, seen))


def _names(plan: Plan, leaf: CertFacts, seen: Survey | None) -> frozenset[str]:
    """Return the names that a certificate for the web of these nodes is to cover.

    A server may have another one for its own name than for services, and for each service one of
    its own: so where it covers names of one kind only it is taken to be for that kind, and where it
    covers one service alone, for that one. Where the nodes are known to serve one certificate for
    both kinds, or none of the names is covered, it is for all of them.
    """
    own = {name for _, name, _, service in opened_at(plan) if service is None}
    services = {name for _, name, _, service in opened_at(plan) if service is not None}
    covered = {name for name in own | services if covers(leaf, name).covered}
    if not covered or _together(plan, own, services, seen):
        return frozenset(own | services)
    if not covered & services:
        return frozenset(own)
    if not covered & own:
        return frozenset(covered if len(covered) == 1 else services)
    return frozenset(own | services)


def _together(plan: Plan, own: set[str], services: set[str], seen: Survey | None) -> bool:
    """Return whether a node was seen to serve one certificate for names of both kinds."""
    shown: dict[tuple[str, str], set[str]] = defaultdict(set)
    names = {node.name for node in plan.nodes}
    for record in seen.handshakes if seen is not None else ():
        asked = record.asked
        if record.endpoint is Endpoint.WEB and asked.aspect is None and record.served is not None:
            for node in names.intersection(record.nodes) if record.served.chain else ():
                shown[node, record.served.chain[0]].add(asked.name or "")
    return any(opened & own and opened & services for opened in shown.values())


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
    if any(not any(unmet(leaf, one)) for one in _naming(plan)):
        return True
    expected = {node.eap.expected_names for node in plan.nodes if node.eap is not None}
    return any(
        # Where none is expected, any will do.
        supplicant_covers(leaf, names, family).covered
        for names in expected
        for family in _EAP_FAMILIES
    )


def _naming(plan: Plan) -> Iterator[Given]:
    """Yield what supplicants on site were really given, as the plan's own names may be out of date;
    where it names a server: a suffix or a pattern may mean any other of the organisation's."""
    for given_to in given(plan, plan.clients).values():
        for one in given_to:
            names = (name for demand in one.expects.demands for name in demand.names)
            if any(how in _WHOLE and "*" not in name for name, how in names):
                yield one
