"""The agenda: which questions follow from a plan. Pure: nothing is sent here.

Every record of a survey carries the id of its question, so whatever was asked and not observed
falls out by comparison: nothing can be missed in silence.
"""

from collections.abc import Iterable, Iterator
from enum import Enum

from probe.observation.model import Aspect, Endpoint, LookupAsk, Question
from probe.observe.eapquestions import EapCloseness, eap_visits, virtual_eap_visits
from probe.observe.radsecquestions import radsec_visits
from probe.observe.webquestions import Closeness, canary_visits, virtual_visits, web_visits
from probe.plan.addresses import is_address
from probe.plan.model import Plan, Resolver, SecretRef, Service

ALL = frozenset(Endpoint)
"""Every endpoint."""

ADDRESS_TYPES = ("A", "AAAA")
"""The record types that lead to an address (RFC 1035, 3.4.1; RFC 3596, 2.1)."""


class Depth(Enum):
    """How closely to look."""

    SWEEP = "sweep"
    """Every node, with as few failed authentications as possible."""
    NODE = "node"
    """EAP endpoints by each method and each visit of the plan, web endpoints by each name; both by
    each key family under each TLS version, by old versions, and again."""


REPEAT = {Depth.SWEEP: 1, Depth.NODE: 3}
"""How often one address is asked the same, unless said otherwise. A sweep asks no EAP address
again: there, each time is a failed authentication."""


def agenda(
    plan: Plan,
    depth: Depth,
    *,
    only: frozenset[Endpoint] = ALL,
    nodes: tuple[str, ...] = (),
    repeat: int | None = None,
    unsigned: bool = False,
) -> tuple[Question, ...]:
    """Return what to ask, in the order of the plan: names, then each node, then virtual addresses.

    `only` names the endpoints to ask, `nodes` the nodes (empty: all). A question about several
    nodes speaks of the chosen ones among them. `repeat`: how often the same is asked of one web
    address by one name, and in depth of one EAP address, the first time counted. `unsigned`: in
    depth, whether a RADIUS request without Message-Authenticator is tried. Raises KeyError for a
    node that is not in the plan.
    """
    chosen = frozenset(plan.node(name).name for name in nodes or (n.name for n in plan.nodes))
    services = tuple(
        (service, tuple(name for name in service.nodes if name in chosen))
        for service in plan.services
    )
    opened: dict[str, list[Service]] = {name: [] for name in chosen}
    for service, behind in services:
        if service.endpoint is Endpoint.WEB:
            for name in behind:
                opened[name].append(service)
    deep, times = depth is Depth.NODE, REPEAT[depth] if repeat is None else repeat
    web = Closeness(deep, times)
    eap = EapCloseness(deep, times, authorities=bool(plan.trust.client_issuers), unsigned=unsigned)
    questions: list[Question] = []
    if Endpoint.DNS in only:
        questions += _lookups(plan, chosen, services)
    for node in plan.nodes:
        if node.name not in chosen:
            continue
        if Endpoint.WEB in only:
            questions += web_visits(node, opened[node.name], web)
        if Endpoint.EAP in only and node.eap is not None:
            questions += eap_visits(node, node.eap, eap)
        questions += radsec_visits(node, deep=deep) if Endpoint.RADSEC in only else ()
    for service, behind in services:
        if service.endpoint in only and behind:
            questions += _virtual_visits(plan, service, behind, web, eap)
    if Endpoint.WEB in only:
        questions += canary_visits(plan, tuple(n.name for n in plan.nodes if n.name in chosen))
    asked: dict[str, Question] = {}
    for question in questions:
        # A name may be a node's own and a service's too: it is asked once.
        asked.setdefault(question.id, question)
    return tuple(asked.values())


def secrets_needed(plan: Plan, questions: Iterable[Question]) -> tuple[SecretRef, ...]:
    """Return the secrets without which these questions cannot be asked, each once."""
    questions = tuple(questions)
    # A virtual address is asked as its first node would be.
    visited = {question.nodes[0] for question in questions if question.endpoint is Endpoint.EAP}
    found = [node.eap.secret for node in plan.nodes if node.eap and node.name in visited]
    inside = {q.nodes[0] for q in questions if q.handshake and q.handshake.aspect is Aspect.INSIDE}
    found += [node.radsec.key for node in plan.nodes if node.radsec and node.name in inside]
    return tuple(dict.fromkeys(secret for secret in found if secret is not None))


def resolver_text(resolver: str, view: str | None) -> str:
    """Return a resolver and its view in one word, as in the ids of questions."""
    return resolver if view is None else f"{resolver}@{view}"


def _lookups(
    plan: Plan, chosen: frozenset[str], services: tuple[tuple[Service, tuple[str, ...]], ...]
) -> Iterator[Question]:
    names: dict[str, tuple[tuple[str, ...], str | None]] = {}
    for node in plan.nodes:
        if node.name in chosen:
            behind, _ = names.get(node.host, ((), None))
            names[node.host] = (*behind, node.name), None
    for service, behind in services:
        if behind and _is_looked_up(service):
            earlier, of_node = names.get(service.name, ((), service.name))
            names[service.name] = tuple(dict.fromkeys((*earlier, *behind))), of_node
    for resolver in plan.resolvers:
        for name, (behind, service_name) in names.items():
            if not is_address(name):
                yield from _name_questions(resolver, name, behind, service_name)


def _is_looked_up(service: Service) -> bool:
    # Access points are given a virtual RADIUS address as such: its name need not be in DNS.
    return service.endpoint is Endpoint.WEB or not service.addresses


def _name_questions(
    resolver: Resolver, name: str, nodes: tuple[str, ...], service: str | None
) -> Iterator[Question]:
    for record_type in ADDRESS_TYPES:
        yield Question(
            id=f"dns/{resolver_text(resolver.at, resolver.view)}/{name}/{record_type}",
            endpoint=Endpoint.DNS,
            nodes=nodes,
            service=service,
            lookup=LookupAsk(name, record_type, resolver.at, resolver.view),
        )


def _virtual_visits(
    plan: Plan, service: Service, behind: tuple[str, ...], web: Closeness, eap: EapCloseness
) -> Iterator[Question]:
    first = plan.node(behind[0])
    for address in service.addresses:
        if service.endpoint is Endpoint.WEB:
            port = service.port or first.web.port
            yield from virtual_visits(service, address, port, behind, web)
        elif service.endpoint is Endpoint.EAP and first.eap is not None:
            yield from virtual_eap_visits(service, address, behind, first.eap, eap)
