"""What an agenda will do to the servers it visits, told before anything is sent. Pure."""

from collections import Counter, defaultdict
from collections.abc import Iterable

from probe.observation.model import Aspect, Endpoint, LookupAsk, Question
from probe.observe.dnsquestions import ADDRESS_TYPES, WILDCARD, resolver_text
from probe.observe.trials import MOST_LOGGED
from probe.observe.webquestions import resolvers_for
from probe.plan.model import Plan, Resolver
from probe.records import dataclass

DOMAINS = "the domains of these names"
"""What is asked once for many names: what stands in the domains above them."""


@dataclass(frozen=True, slots=True)
class Share:
    """What one place of the plan is asked."""

    place: str
    """A node, or the name of a service that several nodes stand behind, or the canary's, or
    `DOMAINS`."""
    nodes: tuple[str, ...]
    lookups: int
    """DNS questions about its name, over all resolvers."""
    connections: int
    """TLS connections to its web endpoint."""
    requests: int
    """Those of them that carry one HEAD request."""
    conversations: int
    """EAP conversations."""
    per_address: bool
    """The plan has no address for it: it gets so many for each address that its name leads to."""
    radsec: int = 0
    """TLS connections to its RadSec endpoint."""
    further: int = 0
    """Failed authentications that come on top, at most, where a server falls silent or refuses in
    the midst: it is then tried why."""

    @property
    def failed_authentications(self) -> int:
        """Lines in the servers' logs, at most, where they answer: each conversation is broken off,
        politely, once.

        One that meets a closed port or an early rejection leaves no line, or that one.
        """
        return self.conversations


@dataclass(frozen=True, slots=True)
class Footprint:
    """What a whole agenda asks: of each place, and altogether."""

    shares: tuple[Share, ...]
    """Nodes in the order of the plan, then services."""
    total: Share
    resolvers: tuple[tuple[str, int], ...]
    """Each resolver of the plan and how many questions it gets."""
    login: str | None = None
    """The one complete login that is made at the end, in words; None: none is."""
    authorities: bool = False
    """Whether addresses that served certificates name are gone to afterwards: nobody knows yet
    which those are."""
    led: bool = False
    """Whether clients are followed to addresses that DNS gives and the plan does not: nobody knows
    yet whether there are any."""
    reverse: bool = False
    """Whether what reverse names give is looked up in turn."""


def footprint(plan: Plan, questions: Iterable[Question]) -> Footprint:
    """Return what these questions will do. Retransmissions after a loss come on top."""
    questions = tuple(questions)
    behind: dict[str, tuple[str, ...]] = {node.name: (node.name,) for node in plan.nodes}
    counted: Counter[tuple[str, Endpoint]] = Counter()
    heads: Counter[str] = Counter()
    inside: Counter[str] = Counter()
    by_dns: dict[str, tuple[Resolver, ...]] = {}
    asked: Counter[str] = Counter()
    servers: defaultdict[str, set[tuple[str | None, int]]] = defaultdict(set)
    hosts = frozenset(node.host for node in plan.nodes)
    led = reverse = False
    domains: dict[str, None] = {}
    for question in questions:
        if question.handshake is not None and question.handshake.aspect is Aspect.LED:
            led = True
            continue
        reverse = reverse or (question.lookup is not None and question.lookup.type == "PTR")
        place = _place(plan, question, hosts)
        if place == DOMAINS:
            domains.update(dict.fromkeys(question.nodes))
        else:
            behind.setdefault(place, question.nodes)
        counted[place, question.endpoint] += 1
        if question.lookup is not None:
            asked[resolver_text(question.lookup.resolver, question.lookup.view)] += 1
        elif question.handshake is not None:
            heads[place] += question.handshake.head
            if question.endpoint is Endpoint.EAP and question.handshake.aspect is None:
                servers[place].add((question.handshake.address, question.handshake.port))
            # What is said of EAP inside RadSec is a conversation like any other.
            inside[place] += question.endpoint is Endpoint.RADSEC and bool(
                question.handshake.methods
            )
            if question.handshake.address is None:
                by_dns[place] = resolvers_for(plan, question.handshake)

    resolvers = tuple(resolver_text(resolver.at, resolver.view) for resolver in plan.resolvers)
    for place, finding in by_dns.items():
        if not counted[place, Endpoint.DNS]:
            # `--only eap` asks nothing about names, but this node has to be found first.
            for one in finding:
                asked[resolver_text(one.at, one.view)] += len(ADDRESS_TYPES)
                counted[place, Endpoint.DNS] += len(ADDRESS_TYPES)

    if domains:
        behind[DOMAINS] = tuple(node.name for node in plan.nodes if node.name in domains)
    visited = {place for place, _ in counted}
    shares = tuple(
        Share(
            place=place,
            nodes=nodes,
            lookups=counted[place, Endpoint.DNS],
            connections=counted[place, Endpoint.WEB],
            requests=heads[place],
            conversations=counted[place, Endpoint.EAP] + inside[place],
            per_address=place in by_dns,
            radsec=counted[place, Endpoint.RADSEC],
            further=MOST_LOGGED * len(servers[place]),
        )
        for place, nodes in behind.items()
        if place in visited
    )
    total = Share(
        place="all",
        nodes=tuple(dict.fromkeys(name for share in shares for name in share.nodes)),
        lookups=sum(share.lookups for share in shares),
        connections=sum(share.connections for share in shares),
        requests=sum(share.requests for share in shares),
        conversations=sum(share.conversations for share in shares),
        per_address=bool(by_dns),
        radsec=sum(share.radsec for share in shares),
        further=sum(share.further for share in shares),
    )
    return Footprint(
        shares,
        total,
        tuple((resolver, asked[resolver]) for resolver in resolvers),
        authorities=any((total.connections, total.conversations, total.radsec))
        and not plan.fetch.off,
        led=led,
        reverse=reverse,
    )


def _place(plan: Plan, question: Question, hosts: frozenset[str]) -> str:
    """A node's own name and addresses are its own; a service's stand for several nodes."""
    if question.lookup is not None:
        if question.service is None and _is_above(question.lookup, hosts):
            return DOMAINS
        return question.service or question.nodes[0]
    if question.handshake is not None and question.handshake.aspect is Aspect.CANARY:
        return str(question.handshake.name)
    for service in plan.services:
        if (
            service.name == question.service
            and question.handshake is not None
            and question.handshake.address in service.addresses
        ):
            return service.name
    return question.nodes[0]


def _is_above(ask: LookupAsk, hosts: frozenset[str]) -> bool:
    return ask.name.startswith(WILDCARD) or (ask.type == "CAA" and ask.name not in hosts)
