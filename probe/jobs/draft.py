"""From names to a draft of a plan: look them up, look at what is served, look up what that names.

Only what was named is spoken to, and where its names lead. A name that a certificate has is looked
up if it is in the domain of one that was named; it is visited where it leads to an address that is
visited anyway, and elsewhere only if that is wanted (`follow`).
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from ipaddress import ip_address
from typing import TypeVar

from probe.drafting.arrange import arrange
from probe.drafting.certificates import dns_names, leaves
from probe.drafting.model import Answer, Draft, Given, Network, Shown
from probe.drafting.propose import propose
from probe.jobs.sweep import JobError, look
from probe.judge.trust import anchors
from probe.limits import DRAFT_CONVERSATIONS, DRAFT_NAMES, DRAFT_ROUNDS, DRAFT_VISITS
from probe.observation.model import (
    Endpoint,
    HandshakeAsk,
    Lookup,
    LookupAsk,
    LookupOutcome,
    Question,
    Survey,
)
from probe.observe.dnsquestions import ADDRESS_TYPES, resolver_text, reverse_name
from probe.observe.events import OnEvent
from probe.observe.visit import meant, own_address
from probe.observe.webquestions import where_text
from probe.plan.addresses import with_port
from probe.plan.model import Audience, Eap, Fetch, Node, Plan, Resolver, SecretRef, Trust, Web
from probe.plan.pem import public_roots
from probe.records import dataclass, field, replace

_NOWHERE = {
    LookupOutcome.NO_NAME: "there is no such name",
    LookupOutcome.NO_DATA: "the name has no address",
    LookupOutcome.ALIAS_BROKEN: "its alias leads nowhere",
}
"""What resolvers say of a name that leads nowhere; everything else is no answer."""

T = TypeVar("T")

Asked = Callable[[Plan, tuple[Question, ...]], Survey]
"""What asks the network."""


@dataclass(slots=True)
class Scout:
    """Asks, round by round, and remembers. What is at an address is asked by a name once."""

    resolvers: tuple[Resolver, ...]
    ask: Asked
    connect: Mapping[str, str] = field(default_factory=dict)
    """By which address this machine reaches another one."""
    limits: tuple[tuple[str, float], ...] = ()
    """A plan's overrides of limits.py."""
    left_out: dict[str, int] = field(default_factory=dict)
    """How much was not asked, by what it would have been."""
    answers: dict[str, Answer] = field(default_factory=dict)
    web: dict[tuple[str, int, str], Shown] = field(default_factory=dict)
    eap: dict[tuple[str, int], Shown] = field(default_factory=dict)

    def look_up(self, names: Iterable[str]) -> None:
        """Ask every resolver where names lead."""
        new = [name for name in dict.fromkeys(names) if name not in self.answers]
        new = self._bounded(new, DRAFT_NAMES - len(self.answers), f"names, beyond {DRAFT_NAMES}")
        questions = [
            _lookup(name, kind, resolver)
            for name in new
            for resolver in self.resolvers
            for kind in ADDRESS_TYPES
        ]
        if not questions:
            return
        seen = self._asked((), questions)
        said: dict[str, list[Lookup]] = {}
        for lookup in seen.lookups:
            said.setdefault(lookup.asked.name, []).append(lookup)
        for name in new:
            self.answers[name] = answer_of(said.get(name, []))

    def look_back(self, addresses: Iterable[str]) -> tuple[str, ...]:
        """Return the names behind addresses that lead back to just these (PTR), looked up."""
        wanted = self._bounded(
            list(dict.fromkeys(addresses)),
            DRAFT_NAMES,
            f"addresses by reverse, beyond {DRAFT_NAMES}",
        )
        questions = [
            _lookup(reverse_name(address), "PTR", resolver)
            for address in wanted
            for resolver in self.resolvers
        ]
        if not questions:
            return ()
        seen = self._asked((), questions)
        names = tuple(
            dict.fromkeys(
                name
                for lookup in seen.lookups
                if lookup.asked.type == "PTR" and lookup.outcome is LookupOutcome.ANSWERED
                for name in lookup.data
            )
        )
        self.look_up(names)
        return tuple(
            name
            for name in names
            if name in self.answers
            and self.answers[name].addresses
            and set(self.answers[name].addresses) <= set(wanted)
        )

    def visit_web(self, visits: Iterable[tuple[str, int, str]]) -> None:
        """Look at addresses and ports by names: one handshake each."""
        new = [visit for visit in dict.fromkeys(visits) if visit not in self.web]
        new = self._bounded(new, DRAFT_VISITS - len(self.web), f"visits, beyond {DRAFT_VISITS}")
        if not new:
            return
        by_id = {_web(*visit).id: visit for visit in new}
        seen = self._asked([visit[0] for visit in new], [_web(*visit) for visit in new])
        for record in seen.handshakes:
            address, port, name = by_id[record.question]
            chain = record.served.chain if record.served is not None else ()
            ders = tuple(seen.certificates[sha256] for sha256 in chain)
            self.web[address, port, name] = Shown(address, port, name, record.outcome, ders)

    def visit_eap(self, places: Iterable[tuple[str, int, str]], secret: SecretRef) -> None:
        """Hold one EAP conversation with each address and port; the third is whose it is."""
        whose = {place[:2]: place[2] for place in places if place[:2] not in self.eap}
        kept = self._bounded(
            list(whose),
            DRAFT_CONVERSATIONS - len(self.eap),
            f"EAP conversations, beyond {DRAFT_CONVERSATIONS}",
        )
        questions = [
            Question(
                f"eap/{with_port(address, port)}",
                Endpoint.EAP,
                (address,),
                None,
                None,
                HandshakeAsk(address, port, methods=Eap().methods),
            )
            for address, port in kept
        ]
        if not questions:
            return
        seen = self._asked([address for address, _ in kept], questions, secret)
        for record in seen.handshakes:
            address, port = str(record.asked.address), record.asked.port
            chain = record.served.chain if record.served is not None else ()
            ders = tuple(seen.certificates[sha256] for sha256 in chain)
            self.eap[address, port] = Shown(
                address, port, whose[address, port], record.outcome, ders
            )

    def network(self, followed: Iterable[str] = ()) -> Network:
        """Return what was seen so far."""
        return Network(
            dict(self.answers),
            tuple(self.web.values()),
            tuple(self.eap.values()),
            frozenset(followed),
            tuple(f"{number} {what}" for what, number in self.left_out.items()),
        )

    def _bounded(self, new: list[T], room: int, what: str) -> list[T]:
        """Return as many as there is room for, and remember that there were more."""
        if len(new) > room:
            self.left_out[what] = self.left_out.get(what, 0) + len(new) - max(room, 0)
        return new[: max(room, 0)]

    def _asked(
        self,
        addresses: Iterable[str],
        questions: Sequence[Question],
        secret: SecretRef | None = None,
    ) -> Survey:
        plan = _to_ask(tuple(dict.fromkeys(addresses)), self.resolvers, secret, self.connect)
        seen = self.ask(replace(plan, limits=self.limits), tuple(questions))
        if seen.interrupted:
            raise KeyboardInterrupt
        return seen


def asking(
    secrets: Mapping[SecretRef, bytes],
    *,
    on_asked: Callable[[tuple[Question, ...]], object] = lambda _: None,
    on_event: OnEvent | None = None,
) -> Asked:
    """Return what asks the network with these secrets, and says before what it will ask."""

    def ask(plan: Plan, questions: tuple[Question, ...]) -> Survey:
        on_asked(questions)
        return look(plan, questions, secrets, on_event=on_event)

    return ask


def drafted(given: Given, ask: Asked, *, follow: bool = False) -> Draft:
    """Look at what was named and return a draft. Raises JobError where nothing leads anywhere."""
    scout = Scout(given.resolvers, ask)
    scout.look_up(given.every_name)
    named = {address for row in given.rows for address in row.addresses}
    named |= {place for name in given.every_name for place in scout.answers[name].addresses}
    if not named:
        said = "\n  ".join(
            f"{name}: {scout.answers[name].why or 'it was not looked up'}"
            for name in given.every_name
        )
        raise JobError(f"no name leads to any address, so there is nothing to draft:\n  {said}")
    of_names, followed = frozenset(named), dict[str, None]()
    names = list(given.every_name)
    names += scout.look_back(_shared(scout, names))
    scout.visit_web(_visits(given, scout, names))
    for _ in range(DRAFT_ROUNDS):
        found = siblings(scout.network(), domains(given.every_name))
        new = [name for name in found if name not in scout.answers]
        if not new:
            break
        scout.look_up(new)
        for name in new:
            places = scout.answers[name].addresses if name in scout.answers else ()
            if follow and not of_names.issuperset(places) and _may_go(places, of_names):
                followed[name] = None
                named.update(places)
            if not named.isdisjoint(places):
                names.append(name)
        scout.visit_web(visit for visit in _visits(given, scout, names) if visit[0] in named)
    if given.secret is not None:
        nodes, services = arrange(given, scout.network(followed))
        where = [
            (address, node.eap_port or given.eap_port, node.host)
            for node in nodes
            for address in node.addresses
        ]
        where += [(a, s.port or given.eap_port, s.name) for s in services for a in s.addresses]
        scout.visit_eap(where, given.secret)
    return propose(given, scout.network(followed), anchors(public_roots(), name="public"))


def _shared(scout: Scout, names: Sequence[str]) -> list[str]:
    """Return the addresses of names that lead to several, and that no other name has for itself:
    each may be a node whose name was not said."""
    own = {
        scout.answers[name].addresses[0]
        for name in names
        if len(scout.answers[name].addresses) == 1
    }
    return [
        address
        for name in names
        if len(scout.answers[name].addresses) > 1
        for address in scout.answers[name].addresses
        if address not in own
    ]


def _visits(given: Given, scout: Scout, names: Iterable[str]) -> list[tuple[str, int, str]]:
    """Return where each name is opened: where DNS leads, and where the sheet has it."""
    rows = {row.host: row for row in given.rows}
    ports = {
        address: row.web_port or given.web_port
        for row in given.rows
        for address in row.addresses or scout.answers[row.host].addresses
    }
    for name, port in given.ports.items():
        for address in scout.answers[name].addresses:
            ports.setdefault(address, port)
    found = []
    for name in names:
        row = rows.get(name)
        places = dict.fromkeys(
            (*(row.addresses if row is not None else ()), *scout.answers[name].addresses)
        )
        for address in places:
            own = given.ports.get(name) or (row.web_port if row is not None else None)
            port = own or ports.get(address, given.web_port)
            found.append((address, port, name))
    return found


def siblings(network: Network, domains: Iterable[str]) -> tuple[str, ...]:
    """Return the names in these domains that served certificates have, each once."""
    inside = tuple(f".{domain}" for domain in domains)
    return tuple(
        dict.fromkeys(
            name
            for _, facts in leaves((*network.web, *network.eap))
            for name in dns_names(facts)
            if f".{name}".endswith(inside)
        )
    )


def domains(names: Iterable[str]) -> tuple[str, ...]:
    """Return the domain that each name is in; a name of two labels is one itself."""
    parents = ((name, name.partition(".")[2]) for name in names)
    return tuple(dict.fromkeys(parent if "." in parent else name for name, parent in parents))


def _may_go(places: Iterable[str], named: Iterable[str]) -> bool:
    """Whether a name that was only found may be followed: not to this machine or its link, unless
    what was named is there itself."""
    return _own_kinds(places) <= _own_kinds(named)


def _own_kinds(addresses: Iterable[str]) -> frozenset[tuple[bool, bool]]:
    """Return whether some are each machine's own, and whether some are its link's."""
    return frozenset(
        (place.is_loopback, place.is_link_local)
        for address in addresses
        if own_address(address) is not None
        for place in meant(ip_address(address))
    )


def answer_of(lookups: Sequence[Lookup]) -> Answer:
    """Return where a name leads by what every resolver said."""
    addresses = tuple(dict.fromkeys(data for lookup in lookups for data in lookup.data))
    aliases = [lookup.aliases[-1] for lookup in lookups if lookup.aliases]
    if addresses:
        return Answer(addresses, aliases[0] if aliases else None)
    said = {lookup.outcome for lookup in lookups}
    for outcome, why in _NOWHERE.items():
        if outcome in said:
            return Answer((), None, why, unseen=not said <= set(_NOWHERE))
    outcomes = ", ".join(dict.fromkeys(str(lookup.outcome) for lookup in lookups))
    return Answer((), None, f"no resolver answered ({outcomes or 'not asked'})", unseen=True)


# ---------------------------------------------------------------- questions


def _lookup(name: str, kind: str, resolver: Resolver) -> Question:
    return Question(
        f"dns/{resolver_text(resolver.at, resolver.view)}/{name}/{kind}",
        Endpoint.DNS,
        (name,),
        None,
        LookupAsk(name, kind, resolver.at, resolver.view),
    )


def _web(address: str, port: int, name: str) -> Question:
    return Question(
        f"web/{where_text(address, port)}/{name}",
        Endpoint.WEB,
        (address,),
        None,
        None,
        HandshakeAsk(address, port, name=name, server_name=name),
    )


def _to_ask(
    addresses: tuple[str, ...],
    resolvers: tuple[Resolver, ...],
    secret: SecretRef | None,
    connect: Mapping[str, str],
) -> Plan:
    """Return the plan to ask by: each address is a node, and nothing is fetched."""
    eap = Eap(secret=secret) if secret is not None else None
    nodes = tuple(
        Node(
            name=address,
            host=address,
            host_audience=Audience.STAFF,
            addresses=(address,),
            web=Web(),
            eap=eap,
            connect=((address, connect[address]),) if address in connect else (),
        )
        for address in addresses
    )
    nothing = Trust((), (), (), (), ())
    return Plan(
        name="draft",
        clients=(),
        trust=nothing,
        nodes=nodes,
        resolvers=resolvers,
        fetch=Fetch(off=True),
        eap=eap,
    )
