"""Which of the names are nodes, and which are services: by where DNS leads them, and by what the
certificates say.

A name that leads to several nodes is a service; of names that lead to the same address one is the
node's own. What stays doubtful is proposed all the same, and the doubt is said.
"""

import re
from collections.abc import Iterable

from probe.certificate.facts import CertFacts
from probe.drafting.certificates import dns_names, leaves
from probe.drafting.expected import names_given, names_shown
from probe.drafting.model import Given, Network, NodeDraft, Row, ServiceDraft
from probe.drafting.words import listing
from probe.judge.names import covers

_NUMBERED = re.compile(r"(.*?)[-_]?\d+\Z")
"""The first label of a name of many alike, such as quay12."""


def arrange(given: Given, network: Network) -> tuple[list[NodeDraft], list[ServiceDraft]]:
    """Return the nodes and the services that are proposed, in the order of their names."""
    return _Arrangement(given, network).run()


class _Arrangement:
    def __init__(self, given: Given, network: Network) -> None:
        self.given = given
        self.network = network
        found = (name for name in network.answers if name not in given.every_name)
        known = {place for name in given.every_name for place in network.addresses(name)}
        known |= {place for row in given.rows for place in row.addresses}
        self.names = [
            *given.every_name,
            *(
                name
                for name in found
                if name in network.followed or not known.isdisjoint(network.addresses(name))
            ),
        ]
        self.places = {name: frozenset(network.addresses(name)) for name in self.names}
        self.doubts: dict[str, list[str]] = {}
        self.own: dict[str, list[CertFacts]] = {}
        """By name: the certificates that are served at its own addresses by that name."""
        for shown, facts in leaves(network.web):
            if shown.name is not None and shown.address in self.places.get(shown.name, ()):
                self.own.setdefault(shown.name, []).append(facts)
        self.having: dict[str, list[str]] = {}
        """By name: the names at whose own addresses a certificate has it."""
        for host, served in self.own.items():
            for name in dict.fromkeys(name for facts in served for name in dns_names(facts)):
                self.having.setdefault(name, []).append(host)

    def run(self) -> tuple[list[NodeDraft], list[ServiceDraft]]:
        hosts = self._hosts()
        nodes = self._nodes(hosts)
        services = [
            self._service(name, nodes)
            for name in self.names
            if name not in hosts and (self.places[name] or name in self.given.services)
        ]
        self._take_unclaimed(nodes, services)
        for service in services:
            self._elsewhere(service, nodes)
        return nodes, services

    # ------------------------------------------------------------ nodes

    def _hosts(self) -> list[str]:
        """Return the names that are nodes' own."""
        if self.given.rows:
            owned = {place for row in self.given.rows for place in self._of_row(row)}
            followed = [
                name
                for name in self.names
                if name in self.network.followed and not self.places[name] & owned
            ]
            return [*(row.host for row in self.given.rows), *followed]
        left = [
            name
            for name in self.names
            if name not in self.given.services and not self._is_over_several(name)
        ]
        hosts = self._one_of_each_place(left)
        virtual = {name for name in hosts if self._is_virtual(name, hosts)}
        return [name for name in hosts if name not in virtual] or hosts

    def _is_over_several(self, name: str) -> bool:
        """Whether a name leads to where two others lead that have nothing in common."""
        whole = self.places[name]
        within = {places for places in self.places.values() if places and places < whole}
        return any(not one & other for one in within for other in within)

    def _one_of_each_place(self, names: list[str]) -> list[str]:
        """Of names that lead to the same place (wholly, or one inside the other), leave one: that
        at the end of the others' aliases, a numbered one, the one that was given first. A name that
        leads nowhere was meant for a node: where else its place would be is not known."""
        groups: list[list[str]] = []
        for name in names:
            group = next(
                (
                    one
                    for one in groups
                    if self.places[name] and self._nested(self.places[name], self.places[one[0]])
                ),
                None,
            )
            if group is None:
                groups.append([name])
            else:
                group.append(name)
        return [self._own_name(group) for group in groups]

    @staticmethod
    def _nested(one: frozenset[str], other: frozenset[str]) -> bool:
        return bool(one) and bool(other) and (one <= other or other <= one)

    def _own_name(self, group: list[str]) -> str:
        if len(group) == 1:
            return group[0]
        ends = [a.alias for name in group if (a := self.network.answers.get(name)) and a.alias]
        candidates = [name for name in group if name in ends] or [
            name for name in group if _NUMBERED.match(name.partition(".")[0])
        ]
        chosen = (candidates or group)[0]
        if not candidates:
            others = [name for name in group if name != chosen]
            self._doubt(
                chosen,
                f"{listing(others)} {'leads' if len(others) == 1 else 'lead'} to the same place:"
                f" {chosen} is taken for the node's own name because it came first",
            )
        return chosen

    def _is_virtual(self, name: str, hosts: list[str]) -> bool:
        """Whether a name with an address of its own is the virtual one of a service.

        It is, if another node's certificate is served there, and a third one has the name too: so
        it belongs to all of them. Or if the other names are numbered, this one is not, and they
        have it in their certificates; that is a guess, and said to be one.
        """
        others = [other for other in hosts if other != name and self.places[other]]
        if len(others) < 2 or not self.places[name]:
            return False
        own = {facts.sha256 for facts in self._leaves(name)}
        having = set(self.having.get(name, ())).intersection(others)
        of_other = [o for o in others if any(facts.sha256 in own for facts in self._leaves(o))]
        if len(of_other) == 1 and having - set(of_other):
            return True
        stem = _NUMBERED.match(name.partition(".")[0])
        alike = [other for other in others if _NUMBERED.match(other.partition(".")[0])]
        if stem is None and len(alike) == len(others) and self._covering(name, others):
            self._doubt(
                name,
                f"{name} has an address of its own and is taken for a virtual one of all nodes; if"
                " it is a node itself, make it one",
            )
            return True
        expected = (*names_given(self.given), *names_shown(self.network))
        return name in expected and not own

    def _covering(self, name: str, hosts: Iterable[str]) -> bool:
        return all(any(covers(f, name).covered for f in self._leaves(host)) for host in hosts)

    def _leaves(self, name: str) -> list[CertFacts]:
        """Return the certificates that are served at a name's own addresses by that name."""
        return self.own.get(name, [])

    def _of_row(self, row: Row) -> tuple[str, ...]:
        return row.addresses or self.network.addresses(row.host)

    def _nodes(self, hosts: list[str]) -> list[NodeDraft]:
        rows = {row.host: row for row in self.given.rows}
        labels = [host.partition(".")[0] for host in hosts]
        nodes = []
        for host, label in zip(hosts, labels, strict=True):
            row = rows.get(host, Row(host))
            node = NodeDraft(
                name=row.name or (label if labels.count(label) == 1 else host),
                host=host,
                addresses=self._of_row(row),
                group=row.group,
                site=row.site,
                web_port=row.web_port or self.given.ports.get(host),
                eap_port=row.eap_port,
                doubts=self.doubts.get(host, []),
            )
            self._check(node)
            nodes.append(node)
        self._distinct(nodes)
        return nodes

    @staticmethod
    def _distinct(nodes: list[NodeDraft]) -> None:
        """A row may have the name that another node gets from its host."""
        for node in nodes:
            if sum(other.name == node.name for other in nodes) > 1:
                node.name = node.host

    def _check(self, node: NodeDraft) -> None:
        answer = self.network.answers.get(node.host)
        if not node.addresses:
            why = answer.why if answer is not None and answer.why else "it was not looked up"
            node.doubts.append(f"no address of {node.host} is known: {why}")
        elif (
            answer is not None and answer.addresses and set(answer.addresses) != set(node.addresses)
        ):
            node.doubts.append(
                f"the sheet has {listing(node.addresses)}, and DNS leads to"
                f" {listing(answer.addresses)}"
            )
        by_family = [[a for a in node.addresses if (":" in a) is six] for six in (False, True)]
        if len(self.given.resolvers) == 1 and any(len(some) > 1 for some in by_family):
            node.doubts.append(
                f"{node.host} leads to {len(node.addresses)} addresses: if these are several nodes,"
                " name each by its own name"
            )

    # ------------------------------------------------------------ services

    def _service(self, name: str, nodes: list[NodeDraft]) -> ServiceDraft:
        owners = [node for node in nodes if self.places[name] & set(node.addresses)]
        every = len(owners) == len(nodes)
        own = () if owners else self.network.addresses(name)
        return ServiceDraft(
            name=name,
            nodes=() if every or not owners else tuple(node.name for node in owners),
            addresses=own,
            port=self.given.ports.get(name),
            doubts=self.doubts.get(name, []),
        )

    def _take_unclaimed(self, nodes: list[NodeDraft], services: list[ServiceDraft]) -> None:
        """A service may lead to the place of a node whose own name leads nowhere: the certificate
        that is served there says whose it is."""
        owned = {address for node in nodes for address in node.addresses}
        free = dict.fromkeys(
            address
            for service in services
            if not service.addresses
            for address in self.network.addresses(service.name)
            if address not in owned
        )
        lost = {node.host: node for node in nodes if not node.addresses}
        unclaimed: dict[str, list[str]] = {}
        for address in free:
            named = {
                host
                for shown, facts in leaves(self.network.web)
                if shown.address == address
                for host in dns_names(facts)
                if host in lost
            }
            if len(named) == 1:
                node = lost.pop(named.pop())
                node.addresses = (address,)
                node.doubts.append(
                    f"{address} is where a service leads and a certificate with the name"
                    f" {node.host} is served: compare it"
                )
                owned.add(address)
            else:
                leading = [s.name for s in services if address in self.places[s.name]]
                unclaimed[address] = leading
        for service in services:
            self._set_nodes(service, nodes, lost, unclaimed)
        self._say_unclaimed(services, lost, unclaimed)

    def _set_nodes(
        self,
        service: ServiceDraft,
        nodes: list[NodeDraft],
        lost: dict[str, NodeDraft],
        unclaimed: dict[str, list[str]],
    ) -> None:
        """Where a service leads to as many unknown places as there are nodes without one, these are
        taken for those nodes'."""
        if service.addresses:
            return
        owners = [n.name for n in nodes if set(n.addresses) & self.places[service.name]]
        if lost and sum(service.name in led for led in unclaimed.values()) == len(lost):
            owners += [node.name for node in lost.values()]
        service.nodes = (
            ()
            if len(owners) in (0, len(nodes))
            else tuple(n.name for n in nodes if n.name in owners)
        )

    @staticmethod
    def _say_unclaimed(
        services: list[ServiceDraft],
        lost: dict[str, NodeDraft],
        unclaimed: dict[str, list[str]],
    ) -> None:
        by_name = {service.name: service for service in services}
        together: dict[tuple[str, ...], list[str]] = {}
        for address, leading in unclaimed.items():
            together.setdefault(tuple(leading), []).append(address)
        for leading_to, places in together.items():
            one = len(places) == 1
            says = (
                f"{listing(leading_to)} {'leads' if len(leading_to) == 1 else 'lead'} to"
                f" {listing(places)} too, which {'is' if one else 'are'} no node's that was named:"
            )
            for node in lost.values():
                node.perhaps = (*node.perhaps, *places)
                what = "it is this one's," if one else "some are this one's, leave those and"
                node.doubts.append(f"{says} if {what} take the # away")
            if not lost:
                there = "node that is" if one else "nodes that are"
                by_name[leading_to[0]].doubts.append(f"{says} name the {there} there")

    def _elsewhere(self, service: ServiceDraft, nodes: list[NodeDraft]) -> None:
        """Nodes whose certificate has a service's name, and to which DNS does not lead."""
        if not service.nodes:
            return
        having = [
            node.name
            for node in nodes
            if node.name not in service.nodes and node.host in self.having.get(service.name, ())
        ]
        if having:
            service.doubts.append(
                f"DNS does not lead {service.name} to {listing(having)}, whose certificate has that"
                " name too: if it should, add the node"
            )

    def _doubt(self, name: str, says: str) -> None:
        self.doubts.setdefault(name, []).append(says)
