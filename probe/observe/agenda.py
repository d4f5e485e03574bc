"""The agenda: which questions follow from a plan. Pure: nothing is sent here.

Every record of a survey carries the id of its question, so whatever was asked and not observed
falls out by comparison: nothing can be missed in silence.
"""

from collections.abc import Iterable, Iterator
from enum import Enum

from probe.observation.model import Aspect, Endpoint, Question
from probe.observe.dnsquestions import lookups
from probe.observe.eapquestions import EapCloseness, eap_visits, virtual_eap_visits
from probe.observe.radsecquestions import radsec_visits
from probe.observe.webquestions import (
    Closeness,
    canary_visits,
    led_visits,
    virtual_visits,
    web_visits,
)
from probe.plan.model import Plan, SecretRef, Service
from probe.plan.places import plan_of

ALL = frozenset(Endpoint)
"""Every endpoint."""


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
    both_kinds: bool = False,
) -> tuple[Question, ...]:
    """Return what to ask, in the order of the plan: names, then each node, then virtual addresses.

    `only` names the endpoints to ask, `nodes` the nodes (empty: all). A question about several
    nodes speaks of the chosen ones among them. `repeat`: how often the same is asked of one web
    address by one name, and in depth of one EAP address, the first time counted. `unsigned`: in
    depth, whether a RADIUS request without Message-Authenticator is tried. `both_kinds`: a sweep
    asks EAP endpoints by each key family too, which are two conversations more with each address.
    Raises KeyError for a node that is not in the plan.
    """
    chosen = frozenset(plan.node(name).name for name in nodes)
    chosen = chosen or frozenset(node.name for node in plan.nodes)
    part = plan_of(plan, chosen)
    opened: dict[str, list[Service]] = {name: [] for name in chosen}
    for service in part.services:
        if service.endpoint is Endpoint.WEB:
            for name in service.nodes:
                opened[name].append(service)
    deep, times = depth is Depth.NODE, REPEAT[depth] if repeat is None else repeat
    web = Closeness(deep, times)
    eap = EapCloseness(
        deep,
        times,
        authorities=bool(plan.trust.client_issuers),
        unsigned=unsigned,
        both_kinds=both_kinds,
    )
    questions: list[Question] = []
    if Endpoint.DNS in only:
        questions += lookups(part, deep=deep)
    for node in part.nodes:
        if Endpoint.WEB in only:
            questions += web_visits(node, opened[node.name], web)
        if Endpoint.EAP in only and node.eap is not None:
            questions += eap_visits(node, node.eap, eap)
        questions += radsec_visits(node, deep=deep) if Endpoint.RADSEC in only else ()
    for service in part.services:
        if service.endpoint in only:
            questions += _virtual_visits(part, service, web, eap)
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
    questions = tuple(questions)
    # A virtual address is asked as its first node would be.
    visited = {question.nodes[0] for question in questions if question.endpoint is Endpoint.EAP}
    found = [node.eap.secret for node in plan.nodes if node.eap and node.name in visited]
    inside = {q.nodes[0] for q in questions if q.handshake and q.handshake.aspect is Aspect.INSIDE}
    found += [node.radsec.key for node in plan.nodes if node.radsec and node.name in inside]
    return tuple(dict.fromkeys(secret for secret in found if secret is not None))


def _virtual_visits(
    plan: Plan, service: Service, web: Closeness, eap: EapCloseness
) -> Iterator[Question]:
    first = plan.node(service.nodes[0])
    for address in service.addresses:
        if service.endpoint is Endpoint.WEB:
            port = service.port or first.web.port
            yield from virtual_visits(service, address, port, web)
        elif service.endpoint is Endpoint.EAP and first.eap is not None:
            yield from virtual_eap_visits(service, address, service.nodes, first.eap, eap)
