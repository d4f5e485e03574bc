"""Parts of a plan, and where it says that its names lead."""

from collections.abc import Iterator, Mapping

from probe.observation.model import Endpoint
from probe.plan.model import Node, Plan, Service
from probe.records import replace


def plan_of(plan: Plan, names: frozenset[str]) -> Plan:
    """Return the plan of these nodes alone, and of the services behind which they stand."""
    services = (
        replace(service, nodes=tuple(name for name in service.nodes if name in names))
        for service in plan.services
    )
    return replace(
        plan,
        nodes=tuple(node for node in plan.nodes if node.name in names),
        services=tuple(service for service in services if service.nodes),
    )


def planned_addresses(plan: Plan) -> Mapping[str, frozenset[str] | None]:
    """Return the addresses that each host name and service of the plan may lead to.

    None: the plan takes them from DNS, wholly or in part.
    """
    nodes = {node.name: node for node in plan.nodes}
    found: dict[str, frozenset[str] | None] = {}

    def add(name: str, addresses: frozenset[str] | None) -> None:
        earlier = found.get(name, frozenset())
        found[name] = None if earlier is None or addresses is None else earlier | addresses

    for node in plan.nodes:
        add(node.host, None if node.addresses is None else frozenset(node.addresses))
    for service in plan.services:
        add(service.name, _of_service(service, nodes))
    return found


def _of_service(service: Service, nodes: Mapping[str, Node]) -> frozenset[str] | None:
    if service.addresses:
        return frozenset(service.addresses)
    places = [_answering(nodes[name], service.endpoint) for name in service.nodes]
    if any(addresses is None for addresses in places):
        return None
    # Behind a name may be the node itself, or the interface that answers for it.
    return frozenset(
        address
        for name, addresses in zip(service.nodes, places, strict=True)
        for address in (*(addresses or ()), *(nodes[name].addresses or ()))
    )


def _answering(node: Node, endpoint: Endpoint) -> tuple[str, ...] | None:
    return node.web_addresses() if endpoint is Endpoint.WEB else node.eap_addresses()


def opened_at(plan: Plan) -> Iterator[tuple[Node, str, int, str | None]]:
    """Yield each node with each name and port that web clients open there, and the service whose
    name it is; None: its own name."""
    services: dict[str, list[Service]] = {node.name: [] for node in plan.nodes}
    for service in plan.services:
        if service.endpoint is Endpoint.WEB:
            for name in service.nodes:
                services[name].append(service)
    for node in plan.nodes:
        yield node, node.host, node.web.port, None
        for service in services[node.name]:
            yield node, service.name, service.port or node.web.port, service.name
