"""The agenda: which questions follow from a plan. Pure: nothing is sent here.

Every record of a survey carries the id of its question, so whatever was asked and not observed
falls out by comparison: nothing can be missed in silence.
"""

from collections.abc import Iterable, Iterator
from enum import Enum

from probe.observation.model import Aspect, Endpoint, HandshakeAsk, Question
from probe.observe.dnsquestions import lookups
from probe.observe.webquestions import (
    FAMILIES,
    Closeness,
    canary_visits,
    led_visits,
    virtual_visits,
    web_visits,
    where_text,
)
from probe.plan.model import Eap, Node, Plan, SecretRef, Service
from probe.plan.places import plan_of

ALL = frozenset(Endpoint)
"""Every endpoint."""


class Depth(Enum):
    """How closely to look."""

    SWEEP = "sweep"
    """Every node, with as few failed authentications as possible."""
    NODE = "node"
    """One conversation for each method and each visit of the plan; web endpoints by each key family
    under each TLS version, by old versions, without a name and by another one."""


REPEAT = {Depth.SWEEP: 1, Depth.NODE: 3}
"""How often one web address is asked the same by one name, unless said otherwise."""


def agenda(
    plan: Plan,
    depth: Depth,
    *,
    only: frozenset[Endpoint] = ALL,
    nodes: tuple[str, ...] = (),
    repeat: int | None = None,
    both_kinds: bool = False,
) -> tuple[Question, ...]:
    """Return what to ask, in the order of the plan: names, then each node, then virtual addresses.

    `only` names the endpoints to ask, `nodes` the nodes (empty: all). A question about several
    nodes speaks of the chosen ones among them. `repeat`: how often the same is asked of one web
    address by one name, the first time counted. `both_kinds`: EAP endpoints are asked by each key
    family too, which are two conversations more with each address. Raises KeyError for a node that
    is not in the plan.
    """
    chosen = frozenset(plan.node(name).name for name in nodes or (n.name for n in plan.nodes))
    part = plan_of(plan, chosen)
    opened: dict[str, list[Service]] = {name: [] for name in chosen}
    for service in part.services:
        if service.endpoint is Endpoint.WEB:
            for name in service.nodes:
                opened[name].append(service)
    deep = depth is Depth.NODE
    web = Closeness(deep, REPEAT[depth] if repeat is None else repeat)
    questions: list[Question] = []
    if Endpoint.DNS in only:
        questions += lookups(part, deep=deep)
    for node in part.nodes:
        if Endpoint.WEB in only:
            questions += web_visits(node, opened[node.name], web)
        if Endpoint.EAP in only and node.eap is not None:
            questions += _eap_visits(node, node.eap, depth, both_kinds=both_kinds)
    for service in part.services:
        if service.endpoint in only:
            questions += _virtual_visits(part, service, web)
    if Endpoint.WEB in only:
        if Endpoint.DNS in only:
            questions += led_visits(plan, part)
        questions += canary_visits(plan, tuple(node.name for node in part.nodes))
    asked: dict[str, Question] = {}
    for question in questions:
        # A name may be a node's own and a service's too: it is asked once.
        asked.setdefault(question.id, question)
    return tuple(asked.values())


def secrets_needed(plan: Plan, questions: Iterable[Question]) -> tuple[SecretRef, ...]:
    """Return the secrets without which these questions cannot be asked, each once."""
    # A virtual address is asked as its first node would be.
    visited = {question.nodes[0] for question in questions if question.endpoint is Endpoint.EAP}
    found = (node.eap.secret for node in plan.nodes if node.eap and node.name in visited)
    return tuple(dict.fromkeys(secret for secret in found if secret is not None))


def _eap_visits(node: Node, eap: Eap, depth: Depth, *, both_kinds: bool) -> Iterator[Question]:
    methods = eap.methods
    if depth is Depth.SWEEP:
        # The first method alone, then one that takes whatever else the server offers: each
        # conversation is a failed authentication in the server's log, so two must do.
        conversations = [methods[:1], methods[1:]] if len(methods) > 1 else [methods]
    else:
        conversations = [(method,) for method in methods]
    for address in node.eap_addresses() or (None,):
        where = f"eap/{node.name}/{where_text(address, eap.port)}"
        for agreed in conversations:
            ask = HandshakeAsk(address, eap.port, methods=agreed)
            yield Question(f"{where}/{agreed[0]}", Endpoint.EAP, (node.name,), handshake=ask)
        for visit in eap.visits if depth is Depth.NODE else ():
            ask = HandshakeAsk(address, eap.port, methods=methods, visit=visit.name)
            yield Question(
                f"{where}/{methods[0]}/{visit.name}", Endpoint.EAP, (node.name,), handshake=ask
            )
        for family in FAMILIES if both_kinds else ():
            ask = HandshakeAsk(
                address,
                eap.port,
                methods=methods[:1],
                key_family=family,
                aspect=Aspect.FAMILY,
            )
            yield Question(
                f"{where}/{methods[0]}/{family}", Endpoint.EAP, (node.name,), handshake=ask
            )


def _virtual_visits(plan: Plan, service: Service, web: Closeness) -> Iterator[Question]:
    first = plan.node(service.nodes[0])
    for address in service.addresses:
        if service.endpoint is Endpoint.WEB:
            port = service.port or first.web.port
            yield from virtual_visits(service, address, port, web)
        elif service.endpoint is Endpoint.EAP and first.eap is not None:
            port = service.port or first.eap.port
            method = first.eap.methods[0]
            yield Question(
                id=f"eap/{service.name}/{where_text(address, port)}/{method}",
                endpoint=Endpoint.EAP,
                nodes=service.nodes,
                service=service.name,
                handshake=HandshakeAsk(address, port, methods=(method,)),
            )
