"""What a cluster says of itself: the zone of its name servers, and the plan.

The plan is an ordinary one: nothing is in it that only a lab would need.
"""

from collections.abc import Iterable
from typing import Any

from lab.nameserver import Zone
from lab.scenario import Scenario, Service, laid_over
from lab.seating import Seating

FAILED_AUTHENTICATIONS = 6_000
"""A minute, at each node: nobody reads the log of a lab's server."""

SECRET_FILE = "radius.secret"
PROFILE_FOLDER = "given"
RADSEC_CERTIFICATE, RADSEC_KEY = "radsec.pem", "radsec.key"


def authority_host(scenario: Scenario) -> str:
    """Return the name of the server of all CAs."""
    return f"pki.{scenario.domain}"


def zone_of(scenario: Scenario, seating: Seating) -> Zone:
    """Return what the name servers say: what follows from nodes and services, and instead of that
    what the scenario says of single names."""
    addresses = {node: _address(node, scenario, seating) for node in scenario.nodes}
    records: dict[str, dict[str, tuple[str, ...]]] = {scenario.domain: {}}
    for node in scenario.nodes:
        records[scenario.node[node].host] = {"A": (addresses[node],)}
    for name, service in scenario.service.items():
        if service.virtual:
            found = [seating.place(seating.virtual(name)).address]
        else:
            found = [addresses[node] for node in scenario.nodes_of(service)]
        records[name] = {"A": tuple(dict.fromkeys(found))}
    if scenario.authorities():
        records[authority_host(scenario)] = {"A": (seating.place(seating.authority()).address,)}
    faults = {}
    for name, said in scenario.record.items():
        if said.fault is not None:
            faults[name] = said.fault
        kinds = {"A": said.A, "AAAA": said.AAAA, "CNAME": said.CNAME}
        instead = {
            kind: tuple(addresses.get(value, value) for value in values)
            for kind, values in kinds.items()
            if values is not None
        }
        if instead:
            records[name] = instead
    return Zone(scenario.domain, records, faults)


def zones_of(scenario: Scenario, seating: Seating) -> tuple[Zone, ...]:
    """Return all zones: the cluster's own, and that of the name outside the plan."""
    own, canary = zone_of(scenario, seating), scenario.canary
    if canary is None:
        return (own,)
    address = seating.place(seating.web(canary.at)).address
    return own, Zone(canary.name, {canary.name: {"A": (address,)}})


def plan_of(scenario: Scenario, seating: Seating) -> dict[str, Any]:
    """Return the plan as a document, with what the scenario lays over it."""
    trust = scenario.trust
    plan: dict[str, Any] = {
        "name": scenario.title,
        "vantage": "lab",
        "trust": {
            "public": _roots(trust.public),
            "web": _roots(trust.web),
            "staff": _roots(trust.staff),
            "eap": _roots(trust.eap),
            "node": _roots(trust.node),
            **({"client_issuers": _roots(trust.client_issuers)} if trust.client_issuers else {}),
        },
        "dns": {
            "resolvers": [
                f"{place.address}:{place.port}"
                for place in (
                    seating.place(seating.nameserver(name)) for name in scenario.nameserver
                )
            ]
        },
    }
    if any(node.eap is not None for node in scenario.node.values()):
        plan["eap"] = {
            "secret": {"file": SECRET_FILE},
            "identity": f"cert-probe@{scenario.domain}",
        }
        plan["limits"] = {"failed_authentications_per_minute": FAILED_AUTHENTICATIONS}
    if any(node.radsec is not None for node in scenario.node.values()):
        plan["radsec"] = {"roots": _roots(trust.radsec)} if trust.radsec else {}
        if scenario.radsec_peer:
            plan["radsec"] |= {"certificate": RADSEC_CERTIFICATE, "key": {"file": RADSEC_KEY}}
    if scenario.authorities():
        plan["fetch"] = {"allow": ["127.0.0.0/8"]}
    if scenario.canary is not None:
        port = seating.place(seating.web(scenario.canary.at)).port
        plan["guest"] = {"canary": f"{scenario.canary.name}:{port}"}
    plan["service"] = [
        _service(name, service, seating) for name, service in scenario.service.items()
    ]
    plan["node"] = [_node(name, scenario, seating) for name in scenario.nodes]
    if scenario.profile:
        plan["profile"] = [
            {"file": f"{PROFILE_FOLDER}/{name}", "family": profile.family}
            for name, profile in scenario.profile.items()
        ]
    return laid_over(plan, scenario.plan)


def _service(name: str, service: Service, seating: Seating) -> dict[str, Any]:
    planned: dict[str, Any] = {"name": name, "endpoint": service.endpoint}
    if service.endpoint == "web":
        planned["audience"] = service.audience
    if service.nodes:
        planned["nodes"] = list(service.nodes)
    if service.virtual:
        place = seating.place(seating.virtual(name))
        planned |= {"addresses": [place.address], "port": place.port}
    return planned


def _node(name: str, scenario: Scenario, seating: Seating) -> dict[str, Any]:
    settings = scenario.node[name]
    web = seating.place(seating.web(name))
    planned: dict[str, Any] = {
        "name": name,
        "host": settings.host,
        "addresses": [_address(name, scenario, seating)],
        "web": {"port": web.port},
    }
    if settings.known_as is not None:
        planned["connect"] = {settings.known_as: web.address}
    if settings.eap is not None:
        eap = seating.place(seating.eap(name))
        planned["eap"] = {"port": eap.port}
        if settings.own_eap_address:
            planned["eap"]["addresses"] = [eap.address]
    if settings.radsec is not None:
        radsec = seating.place(seating.radsec(name))
        planned["radsec"] = {"port": radsec.port}
        if settings.own_radsec_address:
            planned["radsec"]["addresses"] = [radsec.address]
    return planned


def _address(node: str, scenario: Scenario, seating: Seating) -> str:
    """Return the address by which the world knows a node."""
    known_as = scenario.node[node].known_as
    return known_as if known_as is not None else seating.place(seating.web(node)).address


def _roots(labels: Iterable[str]) -> list[str]:
    return [label if label == "public" else f"pki/{label}.pem" for label in labels]
