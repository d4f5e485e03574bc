"""Which nodes a person can have met, by what was told: node, site, page. Of the plan alone."""

import re
from collections.abc import Iterable, Mapping

from probe.complaint import Complaint
from probe.judge.names import reference_name
from probe.judge.words import listing, verb
from probe.observation.model import Endpoint
from probe.plan.addresses import is_address
from probe.plan.model import Node, Plan
from probe.plan.problems import nearest
from probe.records import dataclass

_OF_URL = re.compile(r"^[a-z][a-z0-9+.-]*://", re.IGNORECASE)

_MISTYPED = 0.9
"""How like a name of the plan a mistyped one is, of 1: one or two letters in twenty differ."""


@dataclass(frozen=True, slots=True)
class Reach:
    """Where a person can have been led."""

    nodes: Mapping[Endpoint, tuple[str, ...]]
    """For web, EAP and RadSec: in the order in which they are met where that is known."""
    page: str | None
    """The name or address that was opened, as it is looked up; None: not told."""
    page_known: bool
    """Whether the plan has it."""
    ordered: bool
    """EAP: whether the order is that of a site."""
    why: str
    contradictions: tuple[str, ...]

    def of(self, endpoint: Endpoint) -> tuple[str, ...]:
        """Return the nodes that can have been met on an endpoint."""
        return self.nodes.get(endpoint, ())


def page_name(text: str) -> str:
    """Return the name or address in what somebody calls a page: an address bar's whole text too."""
    text = _OF_URL.sub("", text.strip()).partition("/")[0].partition("?")[0].rpartition("@")[2]
    if text.startswith("["):
        return text[1:].partition("]")[0]
    if text.count(":") == 1:
        text = text.partition(":")[0]
    return text if is_address(text) else reference_name(text) or text.casefold()


def nodes_of(plan: Plan, text: str) -> tuple[str, ...]:
    """Return the nodes that go by a name, a host name or an address; none: there is no such."""
    wanted = text.strip()
    if any(node.name == wanted for node in plan.nodes):
        return (wanted,)
    name = page_name(wanted)
    exact = [node.name for node in plan.nodes if name in _called(node)]
    if exact:
        return tuple(exact)
    return tuple(
        dict.fromkeys(
            node for service in plan.services if name in service.addresses for node in service.nodes
        )
    )


def site_of(plan: Plan, text: str) -> tuple[str, ...] | None:
    """Return the nodes of a site, in its order where it has one; None: there is no such site."""
    wanted = text.strip().casefold()
    for site in plan.sites:
        if site.name.casefold() == wanted:
            return site.eap_order
    there = tuple(n.name for n in plan.nodes if n.site is not None and n.site.casefold() == wanted)
    return there or None


def sites(plan: Plan) -> tuple[str, ...]:
    """Return the names of the plan's sites."""
    named = [site.name for site in plan.sites]
    named += [node.site for node in plan.nodes if node.site is not None]
    return tuple(dict.fromkeys(named))


def behind(plan: Plan, page: str) -> tuple[str, ...]:
    """Return the nodes that answer under a name or an address that a browser opens."""
    found = [
        node
        for service in plan.services
        if service.endpoint is Endpoint.WEB and page in (service.name, *service.addresses)
        for node in service.nodes
    ]
    for node in plan.nodes:
        if page in (node.host, *(node.web_addresses() or ())):
            found.append(node.name)
    return _sorted(plan, found)


def _meant(plan: Plan, page: str) -> str:
    """Return the question whether a name of the plan was meant, or nothing if none is that near:
    names of one domain have most of their letters in common anyhow."""
    services = (one.name for one in plan.services if one.endpoint is Endpoint.WEB)
    names = (*services, *(node.host for node in plan.nodes))
    return nearest(page, names, cutoff=_MISTYPED)


def reach(plan: Plan, complaint: Complaint) -> Reach:
    """Return which nodes can have been met; what cannot be true together is told."""
    everywhere = tuple(node.name for node in plan.nodes)
    against: list[str] = []
    named = _sorted(plan, (n for text in complaint.nodes for n in nodes_of(plan, text)))
    site = site_of(plan, complaint.site) if complaint.site is not None else None
    page = page_name(complaint.page) if complaint.page is not None else None
    on_page = behind(plan, page) if page is not None else ()
    why = "any node of the plan can have been met"
    web, eap, ordered = everywhere, everywhere, False
    if on_page:
        web = on_page
        why = f"the page {page} is served by {listing(on_page)}"
    elif page is not None:
        web = ()
        against.append(
            f"{page} is no name of the plan: it is another server's page, or a name that the plan"
            f" lacks, so no node was looked at for it{_meant(plan, page)}"
        )
        why = f"the page {page} is no name of the plan"
    if site:
        order = tuple(node for node in site if node in everywhere)
        ordered = any(one.eap_order == site for one in plan.sites)
        eap = order
        if page is None:
            then = " in this order" if ordered and len(order) > 1 else ""
            why = f"at {complaint.site} access points ask {listing(order)}{then}"
    if named:
        listed = listing(named)
        if site and not set(named) & set(site):
            against.append(f"{listed} is not among the nodes that {complaint.site} asks")
        if on_page and not set(named) & set(on_page):
            against.append(f"{page} is not served by {listed}")
        web = named if page is None or on_page else ()
        eap, ordered = named, False
        why = f"{verb(named, 'the node', 'the nodes')} {listed} {verb(named, 'was', 'were')} named"
    nodes = {
        Endpoint.WEB: web,
        Endpoint.EAP: _with(plan, eap, "eap"),
        Endpoint.RADSEC: _with(plan, eap, "radsec"),
    }
    return Reach(nodes, page, bool(on_page), ordered, f"{why[0].upper()}{why[1:]}.", tuple(against))


def _called(node: Node) -> frozenset[str]:
    addresses = (
        *(node.addresses or ()),
        *(node.web_addresses() or ()),
        *(node.eap_addresses() or ()),
        *(node.radsec_addresses() or ()),
        *(other for _, other in node.connect),
    )
    return frozenset((node.host, *addresses))


def _with(plan: Plan, names: Iterable[str], kind: str) -> tuple[str, ...]:
    return tuple(name for name in names if getattr(plan.node(name), kind) is not None)


def _sorted(plan: Plan, names: Iterable[str]) -> tuple[str, ...]:
    wanted = set(names)
    return tuple(node.name for node in plan.nodes if node.name in wanted)
