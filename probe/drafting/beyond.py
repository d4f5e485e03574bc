"""What is on the network and not in a plan: names in certificates and in DNS, and addresses."""

from collections.abc import Iterable, Iterator

from probe.drafting.certificates import dns_names, leaves, stars
from probe.drafting.model import Network
from probe.drafting.words import array, listing, quoted
from probe.observation.model import Outcome
from probe.plan.model import Plan
from probe.records import dataclass


@dataclass(frozen=True, slots=True)
class Extra:
    """One thing that the plan does not name."""

    says: str
    table: str
    """What would put it into the plan (TOML); "": that depends on what it is."""


@dataclass(frozen=True, slots=True)
class Beyond:
    """How a plan and the network differ in what they name."""

    extras: tuple[Extra, ...]
    remarks: tuple[str, ...]
    """Worth knowing, and nothing that a plan lacks."""
    unseen: tuple[str, ...]
    """What could not be looked at, so that something may be missing."""


def names_of(plan: Plan) -> tuple[str, ...]:
    """Return every name that the plan looks up: nodes' own, and those that clients open."""
    hosts = (node.host for node in plan.nodes)
    services = (s.name for s in plan.services)
    return tuple(dict.fromkeys((*hosts, *services)))


def also_named(plan: Plan) -> frozenset[str]:
    """Return the names that the plan has elsewhere: what supplicants and peers expect, and what
    guests reach. They need not lead anywhere."""
    found = set(plan.guest.reaches)
    for node in plan.nodes:
        found.update(node.eap.expected_names if node.eap is not None else ())
        found.update(node.radsec.names if node.radsec is not None else ())
    for profile in plan.profiles:
        for expects in profile.expects:
            found.update(name for demand in expects.demands for name, _ in demand.names)
    return frozenset(found)


def places_of(plan: Plan, network: Network) -> dict[str, str]:
    """Return each address of the plan with the node or the service that has it; of nodes without
    planned addresses those that DNS gives."""
    found: dict[str, str] = {}
    for node in plan.nodes:
        own = node.addresses if node.addresses is not None else network.addresses(node.host)
        for places in (
            own,
            node.web_addresses(),
            node.eap_addresses(),
            node.radsec_addresses(),
            tuple(address for address, _ in node.connect),
        ):
            for address in places or ():
                found.setdefault(address, node.name)
    for service in plan.services:
        for address in service.addresses:
            found.setdefault(address, service.name)
    return found


def beyond(plan: Plan, network: Network, asked: Iterable[str] = ()) -> Beyond:
    """Compare a plan with what was seen. `asked` are names that somebody wants to know about."""
    return _Comparison(plan, network, tuple(asked)).run()


class _Comparison:
    def __init__(self, plan: Plan, network: Network, asked: tuple[str, ...]) -> None:
        self.plan = plan
        self.network = network
        self.asked = asked
        self.known = frozenset(names_of(plan))
        self.places = places_of(plan, network)
        self.holders: dict[str, dict[str, None]] = {}
        """By name: where certificates have it."""
        for shown, facts in leaves(network.web):
            for name in dns_names(facts):
                holder = self.places.get(shown.address, shown.address)
                self.holders.setdefault(name, {})[holder] = None

    def run(self) -> Beyond:
        extras = [*self._elsewhere(), *self._names()]
        return Beyond(tuple(extras), tuple(self._remarks()), tuple(self._unseen()))

    def _found(self) -> Iterator[str]:
        """Yield each name that leads somewhere and that the plan does not have."""
        elsewhere = also_named(self.plan)
        for name, answer in self.network.answers.items():
            if name in self.known or not answer.addresses:
                continue
            if name not in elsewhere or name in self.asked:
                yield name

    def _elsewhere(self) -> Iterator[Extra]:
        """Addresses that the plan does not have, with the names that lead there: one thing, however
        many names show it."""
        leading: dict[tuple[str, ...], list[str]] = {}
        found = tuple(self._found())
        for name in (*names_of(self.plan), *found):
            new = tuple(a for a in self.network.addresses(name) if a not in self.places)
            if new:
                leading.setdefault(new, []).append(name)
        for new, names in leading.items():
            own = [n for n in found if n in names and set(self.network.addresses(n)) == set(new)]
            says = f"{listing(names)} {'leads' if len(names) == 1 else 'lead'} to {listing(new)},"
            says += " which the plan does not have"
            if own:
                yield Extra(
                    f"{says}; {own[0]} {self._how(own[0])}. Another node, or another cluster that"
                    " shares a certificate.",
                    "\n".join(
                        (
                            "[[node]]",
                            f"name = {quoted(own[0].partition('.')[0])}",
                            f"host = {quoted(own[0])}",
                            f"addresses = {array(new)}",
                        )
                    ),
                )
            else:
                yield Extra(f"{says}: another node, another address of one, or a wrong record.", "")

    def _names(self) -> Iterator[Extra]:
        """Names that lead to what the plan has, and that it does not name."""
        for name in self._found():
            inside = [a for a in self.network.addresses(name) if a in self.places]
            owners = tuple(dict.fromkeys(self.places[address] for address in inside))
            if owners:
                yield Extra(
                    f"{name} {self._how(name)}, and leads to {listing(owners)}: a name that"
                    " clients may open.",
                    self._service(name, owners),
                )

    def _how(self, name: str) -> str:
        holders = list(self.holders.get(name, ()))
        if holders:
            return f"is in the certificate of {listing(holders)}"
        return "was asked about" if name in self.asked else "is what an address is called (PTR)"

    def _service(self, name: str, owners: tuple[str, ...]) -> str:
        nodes = tuple(node.name for node in self.plan.nodes)
        of = tuple(owner for owner in owners if owner in nodes)
        lines = ["[[service]]", f"name = {quoted(name)}", 'endpoint = "web"']
        lines.append('audience = "guests"                      # or "staff"')
        if of and len(of) < len(nodes):
            lines.append(f"nodes = {array(of)}")
        return "\n".join(lines)

    def _remarks(self) -> Iterator[str]:
        nowhere = [
            name
            for name, answer in self.network.answers.items()
            if name not in self.known and not answer.addresses and not answer.unseen
        ]
        if nowhere:
            yield f"Names that lead nowhere, and that the plan does not have: {listing(nowhere)}."
        wild = dict.fromkeys(star for _, facts in leaves(self.network.web) for star in stars(facts))
        if wild:
            yield (
                f"Certificates cover {listing(list(wild))}: which names are in use there, no"
                " certificate says."
            )

    def _unseen(self) -> Iterator[str]:
        yield from self.network.left_out
        for name, answer in self.network.answers.items():
            if answer.unseen:
                yield f"{name}: {answer.why}"
        by_place: dict[tuple[str, int], list[Outcome]] = {}
        for shown in self.network.web:
            by_place.setdefault((shown.address, shown.port), []).append(shown.outcome)
        for (address, port), outcomes in by_place.items():
            if Outcome.SERVED not in outcomes:
                holder = self.places.get(address, address)
                yield f"{holder}, {address} port {port}: no certificate was shown ({outcomes[0]})"
