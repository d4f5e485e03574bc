"""Which EAP questions follow from a plan: visits that supplicants make, and a closer look. Pure.

Each is one conversation, and so one failed authentication in the server's log. A sweep holds at
most two with an address. In depth there is one for each method and visit, four for the key families
under each TLS version, two for old versions and two repeats: eleven with three methods, below the
twelve that one node is troubled with in a minute.
"""

from collections.abc import Iterator

from probe.observation.model import Aspect, Endpoint, HandshakeAsk, Method, Question
from probe.observe.webquestions import CURRENT, FAMILIES, OLD, where_text
from probe.plan.model import Eap, Node, Service
from probe.records import dataclass, replace

TURNS = 4
"""Users and calling stations that repeats go through, the plan's own aside: a balancer that looks
at them shows its other servers, and a server's log stays readable."""


@dataclass(frozen=True, slots=True)
class EapCloseness:
    """How closely to look at EAP endpoints."""

    deep: bool
    """Every method, visit, key family and version by itself, and the same again."""
    repeat: int
    """How often the same is asked of one address, the first time counted; in depth only."""
    authorities: bool
    """Whether the plan says which CAs clients' certificates come from: then a sweep too reads on
    for the CA names that servers ask for."""
    unsigned: bool = False
    """Whether a request without Message-Authenticator is tried."""
    both_kinds: bool = False
    """Whether a sweep asks by each key family too."""

    def reads_on(self, methods: tuple[Method, ...]) -> bool:
        """Whether such a conversation reads on for CertificateRequest (RFC 5216, 2.1.1)."""
        return Method.EAP_TLS in methods and (self.deep or self.authorities)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a RADIUS server of the plan is asked."""

    place: str
    nodes: tuple[str, ...]
    address: str | None
    port: int
    service: str | None = None

    def question(self, tail: str, ask: HandshakeAsk) -> Question:
        where = f"eap/{self.place}/{where_text(self.address, self.port)}"
        return Question(f"{where}/{tail}", Endpoint.EAP, self.nodes, self.service, None, ask)


def eap_visits(node: Node, eap: Eap, closeness: EapCloseness) -> Iterator[Question]:
    """Each of the node's EAP addresses."""
    for address in node.eap_addresses() or (None,):
        place = _Place(node.name, (node.name,), address, eap.port)
        if closeness.deep:
            yield from _in_depth(place, eap, closeness)
        else:
            yield from _at_a_glance(place, eap, closeness)


def login_visit(node: Node, eap: Eap, method: Method) -> tuple[Question, HandshakeAsk]:
    """The one complete login, at the first of the node's EAP addresses. No agenda has it: it is
    made after everything else was seen, and judged."""
    address = next(iter(node.eap_addresses() or ()), None)
    place = _Place(node.name, (node.name,), address, eap.port)
    ask = HandshakeAsk(address, eap.port, methods=(method,), aspect=Aspect.LOGIN)
    return place.question("login", ask), ask


def virtual_eap_visits(
    service: Service, address: str, behind: tuple[str, ...], eap: Eap, closeness: EapCloseness
) -> Iterator[Question]:
    """One virtual address of a service, in the first method.

    `eap` are the settings of the first node behind it. In depth it is asked again: from another
    port, and as another station, a balancer may lead elsewhere.
    """
    place = _Place(service.name, behind, address, service.port or eap.port, service.name)
    base = _ask(place, eap.methods[:1], closeness)
    yield place.question(eap.methods[0], base)
    if closeness.deep:
        yield from _again(place, base, closeness)


def _ask(place: _Place, methods: tuple[Method, ...], closeness: EapCloseness) -> HandshakeAsk:
    reads_on = closeness.reads_on(methods)
    return HandshakeAsk(place.address, place.port, methods=methods, until_request=reads_on)


def _at_a_glance(place: _Place, eap: Eap, closeness: EapCloseness) -> Iterator[Question]:
    """The first method alone, then whatever else the server offers, by whatever TLS version."""
    first, rest = eap.methods[:1], eap.methods[1:]
    yield place.question(first[0], _ask(place, first, closeness))
    for family in FAMILIES if closeness.both_kinds else ():
        ask = HandshakeAsk(place.address, place.port, methods=first, key_family=family)
        yield place.question(f"{first[0]}/{family}", replace(ask, aspect=Aspect.FAMILY))
    if not rest:
        return
    if closeness.authorities and Method.EAP_TLS in rest:
        # Only EAP-TLS asks for a client's certificate. Offered another one beside it, a server
        # would choose by its own order, and neither its CA names nor a refusal would be seen.
        rest = (Method.EAP_TLS,)
    ask = replace(_ask(place, rest, closeness), tls=(*OLD, *CURRENT))
    yield place.question(rest[0], ask)


def _in_depth(place: _Place, eap: Eap, closeness: EapCloseness) -> Iterator[Question]:
    for method in eap.methods:
        yield place.question(method, _ask(place, (method,), closeness))
    first = eap.methods[0]
    for visit in eap.visits:
        ask = replace(_ask(place, eap.methods, closeness), visit=visit.name)
        yield place.question(f"{first}/{visit.name}", ask)
    # What follows is after certificates alone: no request need be read for.
    base = HandshakeAsk(place.address, place.port, methods=(first,))
    for family in FAMILIES:
        for version in CURRENT:
            ask = replace(base, tls=(version,), key_family=family, aspect=Aspect.FAMILY)
            yield place.question(f"{first}/{family}/{version}", ask)
    for version in OLD:
        ask = replace(base, tls=(version,), aspect=Aspect.OLD_VERSION)
        yield place.question(f"{first}/old/{version}", ask)
    yield from _again(place, base, closeness)
    if closeness.unsigned:
        yield place.question("unsigned", replace(base, aspect=Aspect.UNSIGNED))


def _again(place: _Place, base: HandshakeAsk, closeness: EapCloseness) -> Iterator[Question]:
    for number in range(2, closeness.repeat + 1):
        turn = 1 + (number - 2) % TURNS
        ask = replace(base, aspect=Aspect.AGAIN, turn=turn, until_request=False)
        yield place.question(f"{base.methods[0]}/again/{number}", ask)
