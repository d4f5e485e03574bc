"""Plans made by hand: Northpier Ferries and its four servers."""

from pathlib import Path

from probe.observation.model import Endpoint, Method
from probe.plan.model import (
    Audience,
    Eap,
    Node,
    Plan,
    Resolver,
    Roots,
    SecretRef,
    Service,
    Trust,
    Visit,
    Web,
)
from probe.records import replace

SECRET = SecretRef(environment="NORTHPIER_RADIUS")
EAP = Eap(secret=SECRET, identity="cert-probe@northpier.example")

_NONE: tuple[Roots, ...] = ()
TRUST = Trust(public=_NONE, web=_NONE, staff=_NONE, eap=_NONE, node=_NONE)


def node(
    name: str,
    *addresses: str,
    web: Web | None = None,
    eap: Eap | None = EAP,
    connect: tuple[tuple[str, str], ...] = (),
) -> Node:
    """A node of that name; without addresses it is found by DNS."""
    return Node(
        name=name,
        host=f"{name}.northpier.example",
        host_audience=Audience.STAFF,
        addresses=addresses or None,
        web=web or Web(),
        eap=eap,
        connect=connect,
    )


def service(
    name: str, *nodes: str, port: int | None = None, addresses: tuple[str, ...] = ()
) -> Service:
    """A name that guests open."""
    return Service(
        name=name,
        endpoint=Endpoint.WEB,
        audience=Audience.GUESTS,
        nodes=nodes,
        port=port,
        addresses=addresses,
    )


def plan(
    *nodes: Node,
    services: tuple[Service, ...] = (),
    resolvers: tuple[Resolver, ...] = (Resolver("system"),),
    vantage: str | None = None,
) -> Plan:
    """A plan of these nodes."""
    return Plan(
        name="Northpier Ferries network access",
        clients=(),
        trust=TRUST,
        nodes=nodes,
        services=services,
        resolvers=resolvers,
        vantage=vantage,
        eap=EAP,
        digest="0" * 64,
        path=Path("plan.toml"),
    )


def with_methods(*methods: Method, visits: tuple[Visit, ...] = ()) -> Eap:
    """EAP settings that ask for these methods."""
    return replace(EAP, methods=methods, visits=visits)
