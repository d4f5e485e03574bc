"""Which web questions follow from a plan: the visits that clients make, and a closer look. Pure.

Clients are led by DNS: where that leads elsewhere than the plan says, one visit follows them.

A full look at one address and name opens at most twelve connections: the visit itself and two
repeats, two key families under two TLS versions each, two old versions, one without a name (which
is by address, too: RFC 6066, 3 permits no address as a server name), one by another name.
"""

from collections.abc import Iterable, Iterator, Mapping, Set

from probe.observation.model import (
    Aspect,
    Endpoint,
    HandshakeAsk,
    KeyFamily,
    Question,
    TlsVersion,
)
from probe.plan.addresses import is_address, with_port
from probe.plan.model import Node, Plan, Resolver, Service, is_guests
from probe.plan.places import opened_at, planned_addresses
from probe.records import dataclass, replace

OTHER_NAME = "elsewhere.invalid"
"""Nobody's name (RFC 6761, 6.4): what is served for it is served to whoever asks."""

FAMILIES = (KeyFamily.RSA, KeyFamily.ECDSA)
CURRENT = (TlsVersion.TLS1_2, TlsVersion.TLS1_3)
OLD = (TlsVersion.TLS1_0, TlsVersion.TLS1_1)


@dataclass(frozen=True, slots=True)
class Closeness:
    """How closely to look at web endpoints."""

    deep: bool
    """Every family under every version, old versions, without a name and by another one."""
    repeat: int
    """How often the same is asked of one address by one name, the first time counted."""


@dataclass(frozen=True, slots=True)
class _Opened:
    """A name that clients open at a place of the plan."""

    where: str
    """How the ids of its questions begin."""
    nodes: tuple[str, ...]
    service: str | None
    ask: HandshakeAsk
    """The visit as clients make it."""

    def question(self, tail: str | None, ask: HandshakeAsk) -> Question:
        return Question(f"{self.where}/{tail}", Endpoint.WEB, self.nodes, self.service, None, ask)


def where_text(address: str | None, port: int) -> str:
    """Return an address and a port as in the ids of questions; None: wherever the name leads."""
    return f"dns:{port}" if address is None else with_port(address, port)


def _opened(
    place: str,
    nodes: tuple[str, ...],
    address: str | None,
    port: int,
    name: str,
    service: str | None,
) -> _Opened:
    """Return a name at a node, or at the service whose virtual address it is."""
    # RFC 6066, 3: an address is not permitted in the server name extension.
    server_name = None if is_address(name) else name
    ask = HandshakeAsk(address, port, name=name, server_name=server_name)
    return _Opened(f"web/{place}/{where_text(address, port)}", nodes, service, ask)


def web_visits(node: Node, opened: Iterable[Service], closeness: Closeness) -> Iterator[Question]:
    """Each of the node's web addresses, with its own name and every name that clients open.

    A service with virtual addresses is visited here too: a balancer hides which node answers, so
    only this shows whether each node's certificate covers the name.
    """
    names: dict[tuple[str, int], str | None] = {(node.host, node.web.port): None}
    for service in opened:
        # A name may be a node's own and a service's too: it is asked once.
        names.setdefault((service.name, service.port or node.web.port), service.name)
    for address in node.web_addresses() or (None,):
        yield from _visits(
            [
                _opened(node.name, (node.name,), address, port, name, of)
                for (name, port), of in names.items()
            ],
            closeness,
        )


def virtual_visits(
    service: Service, address: str, port: int, closeness: Closeness
) -> Iterator[Question]:
    """One virtual address of a service, as the clients of all nodes behind it see it."""
    one = _opened(service.name, service.nodes, address, port, service.name, service.name)
    return _visits([one], closeness)


def _visits(opened: list[_Opened], closeness: Closeness) -> Iterator[Question]:
    """Visit one address by each name; what clients ask comes first."""
    firsts: dict[int, _Opened] = {}
    for one in opened:
        firsts.setdefault(one.ask.port, one)
    for one in opened:
        head = closeness.deep or firsts[one.ask.port] is one
        yield one.question(one.ask.name, replace(one.ask, head=head))
    for one in opened:
        yield from _families(one, closeness)
        for number in range(2, closeness.repeat + 1):
            ask = replace(one.ask, aspect=Aspect.AGAIN)
            yield one.question(f"{one.ask.name}/again/{number}", ask)
    for one in firsts.values() if closeness.deep else ():
        yield from _whatever_the_name(one)


def _families(one: _Opened, closeness: Closeness) -> Iterator[Question]:
    for family in FAMILIES:
        ask = replace(one.ask, key_family=family, aspect=Aspect.FAMILY)
        if not closeness.deep:
            # One hello serves both versions: what it lists for TLS 1.2 says nothing to TLS 1.3.
            yield one.question(f"{one.ask.name}/{family}", ask)
            continue
        for version in CURRENT:
            yield one.question(f"{one.ask.name}/{family}/{version}", replace(ask, tls=(version,)))


def _whatever_the_name(one: _Opened) -> Iterator[Question]:
    """What an address shows by old versions, without a name, and by a name of nobody's."""
    for version in OLD:
        ask = replace(one.ask, tls=(version,), aspect=Aspect.OLD_VERSION)
        yield one.question(f"old/{version}", ask)
    if one.ask.server_name is not None:
        # Else the visit itself has sent no name.
        ask = replace(one.ask, name=None, server_name=None, aspect=Aspect.NO_NAME)
        yield one.question("no-name", ask)
    ask = replace(one.ask, name=OTHER_NAME, server_name=OTHER_NAME, aspect=Aspect.OTHER_NAME)
    yield one.question("other-name", ask)


# ---------------------------------------------------------------- where clients are led


def led_visits(plan: Plan, part: Plan) -> Iterator[Question]:
    """Each name that clients open with planned addresses: wherever else DNS leads them.

    `part` holds the nodes that are asked about; what all of the plan says of a name counts.
    """
    planned = planned_addresses(plan)
    behind: dict[tuple[str, int], dict[str, None]] = {}
    of_service: dict[tuple[str, int], str | None] = {}
    for node, name, port, service in opened_at(part):
        if planned[name] is not None and not is_address(name):
            behind.setdefault((name, port), {})[node.name] = None
            of_service.setdefault((name, port), service)
    for (name, port), nodes in behind.items():
        ask = HandshakeAsk(None, port, name=name, server_name=name, aspect=Aspect.LED)
        service = of_service[name, port]
        yield Question(f"web/led/{name}:{port}", Endpoint.WEB, tuple(nodes), service, handshake=ask)


def places_known(plan: Plan) -> Mapping[str, Set[str]]:
    """Return, by each name that clients open, the addresses that are visited by that name anyway,
    and all that this machine reaches in another way."""
    translated = frozenset(address for node in plan.nodes for address, _ in node.connect)
    planned = planned_addresses(plan)
    known: dict[str, set[str]] = {}
    for node, name, _, _ in opened_at(plan):
        if name not in known:
            known[name] = {*translated, *(planned[name] or ())}
        known[name].update(node.web_addresses() or ())
    return known


# ---------------------------------------------------------------- the canary


def canary_visits(plan: Plan, nodes: tuple[str, ...]) -> Iterator[Question]:
    """The name outside the plan, if the plan has one and looks from where guests are.

    It speaks of no node in particular, so of all.
    """
    canary = plan.guest.canary
    if canary is None or not nodes or not (canary_resolvers(plan) or is_address(canary)):
        return
    address = canary if is_address(canary) else None
    one = _opened(canary, nodes, address, plan.guest.canary_port, canary, None)
    yield one.question(canary, replace(one.ask, aspect=Aspect.CANARY))


def resolvers_for(plan: Plan, ask: HandshakeAsk) -> tuple[Resolver, ...]:
    """Return the resolvers that are to find the place of a visit without a planned address."""
    return canary_resolvers(plan) if ask.aspect is Aspect.CANARY else plan.resolvers


def canary_resolvers(plan: Plan) -> tuple[Resolver, ...]:
    """Return the resolvers that lead guests to the canary: those of a guest view; without such a
    one, all, if the plan says that this machine stands among guests; else none.
    """
    views = tuple(r for r in plan.resolvers if is_guests(r.view))
    return views or (plan.resolvers if is_guests(plan.vantage) else ())
