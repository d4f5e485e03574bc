"""Which questions to resolvers follow from a plan. Pure.

Addresses, CAA and TLSA are asked for at any depth, reverse names and wildcards in depth only. Each
record of each name is asked for once of each resolver, whoever needs it.
"""

from collections.abc import Iterator, Mapping
from ipaddress import ip_address

from probe.observation.model import Endpoint, LookupAsk, Question
from probe.plan.addresses import is_address
from probe.plan.model import Node, Plan, Resolver, Service
from probe.plan.places import opened_at
from probe.records import dataclass

ADDRESS_TYPES = ("A", "AAAA")
"""The record types that lead to an address (RFC 1035, 3.4.1; RFC 3596, 2.1)."""

WILDCARD = "*"
"""Stands in a question for a label that is nobody's, drawn when it is asked."""

NAME_CHARACTERS = 253
"""Of a name without its final dot: 255 octets on the wire (RFC 1035, 2.3.4)."""

_LABEL_CHARACTERS = 63

_REVERSE = {".in-addr.arpa": "A", ".ip6.arpa": "AAAA"}
"""Where reverse names are, and the type of the records that lead to such an address (RFC 1035, 3.5;
RFC 3596, 2.5)."""


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A record to ask for, and of whom it speaks."""

    name: str
    type: str
    nodes: tuple[str, ...]
    service: str | None = None
    public: bool = False
    """Only what the public sees is of interest."""

    def question(self, resolver: Resolver, where: str) -> Question:
        return Question(
            id=f"{where}/{self.name}/{self.type}",
            endpoint=Endpoint.DNS,
            nodes=self.nodes,
            service=self.service,
            lookup=LookupAsk(self.name, self.type, resolver.at, resolver.view),
        )


Behind = Mapping[str, tuple[tuple[str, ...], str | None]]
"""By name: the nodes behind it, and the service of that name."""


def resolver_text(resolver: str, view: str | None) -> str:
    """Return a resolver and its view in one word, as in the ids of questions."""
    return resolver if view is None else f"{resolver}@{view}"


def is_reverse(name: str) -> bool:
    """Say whether a name is one that addresses are turned into."""
    return name.endswith(tuple(_REVERSE))


def address_type(reverse: str) -> str:
    """Return the type of the records that lead to the address that a reverse name stands for."""
    return next(kind for domain, kind in _REVERSE.items() if reverse.endswith(domain))


def reverse_name(address: str) -> str:
    """Return the name whose PTR records name what is at an address."""
    return ip_address(address).reverse_pointer


def lookups(plan: Plan, *, deep: bool) -> Iterator[Question]:
    """Yield what to ask of each resolver about the names of a plan."""
    order = {node.name: number for number, node in enumerate(plan.nodes)}
    names = _names(plan)
    wanted = [
        *_addresses(names),
        *_issuers(plan, names, order),
        *_certificates(plan, names),
        *(_wildcards(names, order) if deep else ()),
        *(_reverse(plan) if deep else ()),
    ]
    for resolver in plan.resolvers:
        where = f"dns/{resolver_text(resolver.at, resolver.view)}"
        for one in wanted:
            if not one.public or resolver.may_be_public:
                yield one.question(resolver, where)


def _names(plan: Plan) -> Behind:
    """Return every name that is looked up."""
    names: dict[str, tuple[tuple[str, ...], str | None]] = {}
    for node in plan.nodes:
        behind, _ = names.get(node.host, ((), None))
        names[node.host] = (*behind, node.name), None
    for service in plan.services:
        if _is_looked_up(service):
            earlier, of_node = names.get(service.name, ((), service.name))
            names[service.name] = tuple(dict.fromkeys((*earlier, *service.nodes))), of_node
    return {name: of for name, of in names.items() if not is_address(name)}


def _is_looked_up(service: Service) -> bool:
    # Access points are given a virtual RADIUS address as such: its name need not be in DNS.
    return service.endpoint is Endpoint.WEB or not service.addresses


def _addresses(names: Behind) -> Iterator[_Wanted]:
    for name, (nodes, service) in names.items():
        for kind in ADDRESS_TYPES:
            yield _Wanted(name, kind, nodes, service)


def _issuers(plan: Plan, names: Behind, order: Mapping[str, int]) -> Iterator[_Wanted]:
    """CAA of each name that a public CA's certificate is for, and of each domain above it.

    RFC 8659, 3: a CA looks at the name, then at its parents, up to the top-level domain.
    """
    behind: dict[str, dict[str, None]] = {}
    for name, node in _certified(plan):
        if is_address(name) or "." not in name:
            # No public CA issues for a short name (CA/Browser Forum BR, 4.2.2).
            continue
        domain = name
        while domain:
            behind.setdefault(domain, {})[node] = None
            _, _, domain = domain.partition(".")
    for name, of in behind.items():
        _, service = names.get(name, ((), None))
        nodes = tuple(sorted(of, key=order.__getitem__))
        yield _Wanted(name, "CAA", nodes, service, public=True)


def _certified(plan: Plan) -> Iterator[tuple[str, str]]:
    """Yield each name that a public CA may have to certify, with each node."""
    for node, name, _, _ in opened_at(plan):
        yield name, node.name
    public = set(plan.trust.public)
    if public and public <= set(plan.trust.eap):
        for node in plan.nodes:
            for name in node.eap.expected_names if node.eap is not None else ():
                if WILDCARD not in name:
                    yield name, node.name


def _certificates(plan: Plan, names: Behind) -> Iterator[_Wanted]:
    """TLSA of each name and port that web clients open (RFC 6698, 3)."""
    behind: dict[tuple[str, int], dict[str, None]] = {}
    for node, name, port, _ in opened_at(plan):
        if not is_address(name):
            behind.setdefault((name, port), {})[node.name] = None
    for (name, port), nodes in behind.items():
        owner = f"_{port}._tcp.{name}"
        if len(owner) <= NAME_CHARACTERS:
            _, service = names.get(name, ((), None))
            yield _Wanted(owner, "TLSA", tuple(nodes), service)


def _wildcards(names: Behind, order: Mapping[str, int]) -> Iterator[_Wanted]:
    """A sibling of each name that nobody planned: what it gets, any name there gets."""
    behind: dict[str, dict[str, None]] = {}
    for name, (nodes, _) in names.items():
        _, _, parent = name.partition(".")
        if "." in parent and len(parent) < NAME_CHARACTERS - _LABEL_CHARACTERS:
            behind.setdefault(parent, {}).update(dict.fromkeys(nodes))
    for parent, of in behind.items():
        nodes = tuple(sorted(of, key=order.__getitem__))
        for kind in ADDRESS_TYPES:
            yield _Wanted(f"{WILDCARD}.{parent}", kind, nodes)


def _reverse(plan: Plan) -> Iterator[_Wanted]:
    """PTR of each planned address; of a node without any, of those that its name leads to."""
    behind: dict[str, tuple[str, ...]] = {}
    for node in plan.nodes:
        if is_address(node.host):
            continue  # there is no name that it could name
        for name in _reverse_names(node):
            behind[name] = tuple(dict.fromkeys((*behind.get(name, ()), node.name)))
    for name, nodes in behind.items():
        yield _Wanted(name, "PTR", nodes)


def _reverse_names(node: Node) -> tuple[str, ...]:
    if node.addresses is None:
        return (node.host,)
    return tuple(reverse_name(address) for address in node.addresses)
