"""What the name servers of a scenario say: what follows from its nodes and services, and instead of
that what the scenario says of single names.

They play resolvers, unless told otherwise: what is in no zone does not exist, also outside of the
cluster's domain.
"""

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import dns.reversename
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from lab.authority import Workshop
from lab.scenario import Scenario
from lab.seating import Seating
from lab.tables import NameServerSettings, Records
from lab.zone import NameFault, Zone

ROOT = "."


def authority_host(scenario: Scenario) -> str:
    """Return the name of the server of all CAs."""
    return f"pki.{scenario.domain}"


def addresses_of(node: str, scenario: Scenario, seating: Seating) -> tuple[str, ...]:
    """Return the addresses by which the world knows a node, its first one first."""
    settings = scenario.node[node]
    first = settings.known_as or seating.place(seating.web(node)).address
    more = (seating.outside(node), seating.ipv6(node))
    return (first, *(seating.place(seat).address for seat in more if seat is not None))


def zones_of(
    scenario: Scenario, seating: Seating, server: NameServerSettings, workshop: Workshop
) -> tuple[Zone, ...]:
    """Return all zones of one name server: the cluster's own, that of the name outside the plan,
    and the rest of the world."""
    own = _Own(scenario, seating, workshop)
    for name, said in (*scenario.record.items(), *server.record.items()):
        own.say(name, said)
    zones = [Zone(scenario.domain, own.inside, own.faults, own.type_faults, scenario.signed)]
    if not server.recursive:
        return tuple(zones)
    elsewhere = {**own.outside, **_reverse(scenario, seating)}
    zones.append(Zone(ROOT, elsewhere, own.faults, own.type_faults))
    if scenario.canary is not None:
        name, at = scenario.canary.name, scenario.canary.at
        zones.append(Zone(name, {name: {"A": (seating.place(seating.web(at)).address,)}}))
    return tuple(zones)


@dataclass(slots=True)
class _Own:
    """The records of the cluster's names, as one name server has them."""

    scenario: Scenario
    seating: Seating
    workshop: Workshop
    records: dict[str, dict[str, tuple[str, ...]]] = field(default_factory=dict)
    faults: dict[str, NameFault] = field(default_factory=dict)
    type_faults: dict[tuple[str, str], NameFault] = field(default_factory=dict)
    _values: dict[str, str] = field(default_factory=dict)
    """What stands for an address in a record, by how the scenario writes it."""

    def __post_init__(self) -> None:
        scenario, seating = self.scenario, self.seating
        self.records[scenario.domain] = {}
        for node in scenario.nodes:
            found = addresses_of(node, scenario, seating)
            self._values[node] = found[0]
            outside = seating.outside(node)
            if outside is not None:
                self._values[f"{node}/outside"] = seating.place(outside).address
            self.records[scenario.node[node].host] = _by_type(found)
        for name, service in scenario.service.items():
            if service.virtual:
                found = (seating.place(seating.virtual(name)).address,)
            else:
                behind = scenario.nodes_of(service)
                found = tuple(
                    address for node in behind for address in addresses_of(node, scenario, seating)
                )
            self.records[name] = _by_type(found)
        if scenario.authorities():
            place = seating.place(seating.authority())
            self.records[authority_host(scenario)] = {"A": (place.address,)}

    @property
    def inside(self) -> dict[str, dict[str, tuple[str, ...]]]:
        """Names of the cluster's domain."""
        return {name: said for name, said in self.records.items() if self._is_inside(name)}

    @property
    def outside(self) -> dict[str, dict[str, tuple[str, ...]]]:
        """Names that the scenario has elsewhere."""
        return {name: said for name, said in self.records.items() if not self._is_inside(name)}

    def _is_inside(self, name: str) -> bool:
        return f".{name}".endswith(f".{self.scenario.domain}")

    def say(self, name: str, said: Records) -> None:
        """Lay what a scenario says of a name over what is known of it."""
        if said.fault is not None:
            self.faults[name] = said.fault
        for kind, fault in said.faults.items():
            for owner in self._at_ports(name) if kind == "TLSA" else [name]:
                self.type_faults[owner, kind] = fault
        if said.absent:
            self.records.pop(name, None)
        kinds = {"A": said.A, "AAAA": said.AAAA, "CNAME": said.CNAME, "CAA": said.CAA}
        instead = {
            kind: tuple(self._values.get(value, value) for value in values)
            for kind, values in kinds.items()
            if values is not None
        }
        if "CNAME" in instead:
            self.records[name] = instead
        elif instead:
            self.records[name] = {**self.records.get(name, {}), **instead}
        if said.TLSA is not None:
            pins = tuple(pin for text in said.TLSA for pin in self._pins(text))
            for owner in self._at_ports(name):
                self.records[owner] = {"TLSA": pins}
        if said.aliases:
            self._put_behind_aliases(name, said.aliases)

    def _put_behind_aliases(self, name: str, number: int) -> None:
        links = [name, *(f"alias{count}.{name}" for count in range(1, number)), f"end.{name}"]
        self.records[links[-1]] = self.records.pop(name)
        for link, target in pairwise(links):
            self.records[link] = {"CNAME": (target,)}

    def _at_ports(self, name: str) -> list[str]:
        """Return the name below which a port's records are, for every port (RFC 6698, 3)."""
        ports = dict.fromkeys(self._ports(name))
        return [f"_{port}._tcp.{name}" for port in ports]

    def _ports(self, name: str) -> Iterator[int]:
        scenario, seating = self.scenario, self.seating
        for node in scenario.nodes:
            if scenario.node[node].host == name:
                yield seating.place(seating.web(node)).port
        service = scenario.service.get(name)
        if service is not None and service.virtual:
            yield seating.place(seating.virtual(name)).port
        elif service is not None:
            for node in scenario.nodes_of(service):
                yield seating.place(seating.web(node)).port

    def _pins(self, text: str) -> Iterator[str]:
        """Yield TLSA records, with the data of certificates in place of their labels."""
        usage, selector, matching, given = text.split()
        known = self.scenario.certificate.get(given)
        if known is None:
            yield text
            return
        labels = [f"{given}@{node}" for node in self.scenario.nodes] if known.per_node else [given]
        for label in labels:
            certificate = self.workshop[label].certificate
            if selector == "1":
                key = certificate.public_key()
                data = key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
            else:
                data = certificate.public_bytes(Encoding.DER)
            yield f"{usage} {selector} {matching} {_association(data, matching)}"


def _association(data: bytes, matching: str) -> str:
    """Return the certificate association data for a matching type (RFC 6698, 2.1.3), in hex."""
    match matching:
        case "1":
            return hashlib.sha256(data).hexdigest()
        case "2":
            return hashlib.sha512(data).hexdigest()
        case _:
            return data.hex()


def _by_type(addresses: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    found = {
        "A": tuple(dict.fromkeys(address for address in addresses if ":" not in address)),
        "AAAA": tuple(dict.fromkeys(address for address in addresses if ":" in address)),
    }
    return {kind: values for kind, values in found.items() if values}


def _reverse(scenario: Scenario, seating: Seating) -> Mapping[str, Mapping[str, tuple[str, ...]]]:
    """Return the PTR records of the nodes' addresses."""
    back: dict[str, dict[str, None]] = {}
    for node in scenario.nodes:
        for address in addresses_of(node, scenario, seating):
            owner = dns.reversename.from_address(address).to_text(omit_final_dot=True)
            for name in scenario.node[node].reverse or ():
                back.setdefault(owner, {})[f"{name}."] = None
    return {owner: {"PTR": tuple(names)} for owner, names in back.items()}
