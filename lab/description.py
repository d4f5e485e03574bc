"""The plan of a cluster: an ordinary one, nothing is in it that only a lab would need."""

from collections.abc import Iterable
from typing import Any

from lab.names import addresses_of
from lab.scenario import Scenario, laid_over
from lab.seating import Seating
from lab.tables import Service

FAILED_AUTHENTICATIONS = 6_000
"""A minute, at each node: nobody reads the log of a lab's server."""

SECRET_FILE = "radius.secret"
PROFILE_FOLDER = "given"
RADSEC_CERTIFICATE, RADSEC_KEY = "radsec.pem", "radsec.key"


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
        "dns": {"resolvers": [_resolver(name, scenario, seating) for name in scenario.nameserver]},
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


def _resolver(name: str, scenario: Scenario, seating: Seating) -> str | dict[str, str]:
    place = seating.place(seating.nameserver(name))
    at, view = f"{place.address}:{place.port}", scenario.nameserver[name].view
    return at if view is None else {"at": at, "view": view}


def _service(name: str, service: Service, seating: Seating) -> dict[str, Any]:
    planned: dict[str, Any] = {"name": name, "endpoint": service.endpoint}
    if service.endpoint == "web":
        planned["audience"] = service.audience
    if service.answers is not None:
        planned["answers"] = service.answers
    if service.nodes:
        planned["nodes"] = list(service.nodes)
    if service.virtual:
        place = seating.place(seating.virtual(name))
        planned |= {"addresses": [place.address], "port": place.port}
    return planned


def _node(name: str, scenario: Scenario, seating: Seating) -> dict[str, Any]:
    settings = scenario.node[name]
    web = seating.place(seating.web(name))
    addresses = addresses_of(name, scenario, seating)
    planned: dict[str, Any] = {
        "name": name,
        "host": settings.host,
        "addresses": list(dict.fromkeys(addresses)),
        "web": {"port": web.port},
    }
    if settings.known_as is not None:
        planned["connect"] = {settings.known_as: web.address}
    if settings.eap is not None:
        eap = seating.place(seating.eap(name))
        planned["eap"] = {"port": eap.port}
        if settings.own_eap_address or len(addresses) > 1:
            planned["eap"]["addresses"] = [eap.address]
    if settings.radsec is not None:
        radsec = seating.place(seating.radsec(name))
        planned["radsec"] = {"port": radsec.port}
        if settings.own_radsec_address:
            planned["radsec"]["addresses"] = [radsec.address]
    return planned


def _roots(labels: Iterable[str]) -> list[str]:
    return [label if label == "public" else f"pki/{label}.pem" for label in labels]
