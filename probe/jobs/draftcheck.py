"""What is on the network that a plan does not name: the plan's names are looked up, its web
endpoints looked at once, and what their certificates and reverse records name is looked up. Nothing
outside of the plan is visited, and no RADIUS server."""

from collections.abc import Iterable

from probe.drafting.beyond import Beyond, also_named, beyond, names_of, places_of
from probe.jobs.draft import Asked, Scout, domains, siblings
from probe.plan.model import Plan


def checked(plan: Plan, ask: Asked, names: Iterable[str] = ()) -> Beyond:
    """Look, and say what the plan lacks. `names` are looked up besides."""
    asked = tuple(names)
    connect = {planned: at for node in plan.nodes for planned, at in node.connect}
    scout = Scout(plan.resolvers, ask, connect, plan.limits)
    scout.look_up((*names_of(plan), *asked))
    network = scout.network()
    visits = [
        (address, node.web.port, node.host)
        for node in plan.nodes
        for address in (
            node.web_addresses()
            if node.web_addresses() is not None
            else network.addresses(node.host)
        )
        or ()
    ]
    first = {node.name: node for node in plan.nodes}
    visits += [
        (address, service.port or first[service.nodes[0]].web.port, service.name)
        for service in plan.services
        if service.endpoint == "web"
        for address in service.addresses
    ]
    scout.visit_web(visits)
    scout.look_back(places_of(plan, network))
    inside = domains((*names_of(plan), *asked))
    elsewhere = also_named(plan)
    scout.look_up(n for n in siblings(scout.network(), inside) if n not in elsewhere)
    return beyond(plan, scout.network(), asked)
