"""Which servers a scenario needs, and where each of them answers."""

from lab.eapsite import EapFault
from lab.places import Kind, Place, Ports, Seat, take_places
from lab.radsecserver import RadsecFault
from lab.scenario import Scenario
from lab.webserver import WebFault

_FIRST_NODE, _FIRST_NAMESERVER, _OTHER_INTERFACE, _FIRST_VIRTUAL = 11, 53, 100, 201
_ELSEWHERE, _AUTHORITY = 240, 250
"""Last octets of addresses: nodes from .11, name servers from .53, second interfaces a hundred
further than the first, virtual addresses from .201, what replies in another's place at .240, the
CAs at .250."""


class Seating:
    """The places of one cluster, found by what is there."""

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._places: dict[Seat, Place] = {}
        self._single_address = False

    def take(self, *, ports: Ports, single_address: bool) -> None:
        """Bind all places. Raises NoPlace, and then none is bound."""
        self._single_address = single_address
        self._places = take_places(self.seats(), ports=ports, single_address=single_address)

    def close(self) -> None:
        """Close all sockets; twice does no harm."""
        for place in self._places.values():
            place.close()

    def place(self, seat: Seat) -> Place:
        """Return where a server answers."""
        return self._places[seat]

    def seats(self) -> list[Seat]:
        """Return all seats, name servers first: their UDP port is what makes a network ours."""
        seats = [self.nameserver(name) for name in self._scenario.nameserver]
        for node in self._scenario.nodes:
            seats += self.webs(node)
            eap = self._scenario.node[node].eap
            if eap is not None:
                seats.append(self.eap(node))
                if eap.path is not None:
                    seats.append(self.behind(node))
                    if eap.path.replies_from_elsewhere:
                        seats.append(self.elsewhere(node))
            if self._scenario.node[node].radsec is not None:
                seats.append(self.radsec(node))
        seats += [self.virtual(name) for name in self.virtual_services()]
        return [*seats, self.authority()] if self._scenario.authorities() else seats

    def authority(self) -> Seat:
        """Return the seat of the server of all CAs."""
        return Seat("authority", Kind.AUTHORITY, _AUTHORITY)

    def nameserver(self, name: str) -> Seat:
        """Return the seat of a name server."""
        number = list(self._scenario.nameserver).index(name)
        tcp = self._scenario.nameserver[name].tcp
        kind = Kind.NAMESERVER if tcp else Kind.NAMESERVER_WITHOUT_TCP
        return Seat(name, kind, _FIRST_NAMESERVER + number)

    def web(self, node: str) -> Seat:
        """Return the seat of a node's web endpoint."""
        closed = self._scenario.node[node].web.fault is WebFault.CLOSED
        kind = Kind.WEB_CLOSED if closed else Kind.WEB
        return Seat(node, kind, self._number(node), self.ipv6(node))

    def ipv6(self, node: str) -> Seat | None:
        """Return the seat of a node's web endpoint at its IPv6 address; None: it has none."""
        match self._scenario.node[node].ipv6:
            case None:
                return None
            case "served":
                return Seat(node, Kind.WEB, None)
            case "closed":
                return Seat(node, Kind.WEB_CLOSED, None)

    def outside(self, node: str) -> Seat | None:
        """Return the seat of a node's web endpoint at its outside interface; None: it has none.

        Where everything is at one address, it is the other one.
        """
        if not self._scenario.node[node].outside:
            return None
        web = self.web(node)
        if self._single_address:
            return web
        return Seat(node, web.kind, self._number(node) + _OTHER_INTERFACE, web.port_of)

    def webs(self, node: str) -> list[Seat]:
        """Return all seats of a node's web endpoint, in the order in which they are taken."""
        seats = (self.ipv6(node), self.web(node), self.outside(node))
        return list(dict.fromkeys(seat for seat in seats if seat is not None))

    def eap(self, node: str) -> Seat:
        """Return the seat of a node's EAP endpoint."""
        eap = self._scenario.node[node].eap
        closed = eap is not None and eap.fault is EapFault.CLOSED
        number = self._number(node)
        if self._scenario.node[node].own_eap_address:
            number += _OTHER_INTERFACE
        return Seat(node, Kind.EAP_CLOSED if closed else Kind.EAP, number)

    def radsec(self, node: str) -> Seat:
        """Return the seat of a node's RadSec endpoint."""
        settings = self._scenario.node[node]
        closed = settings.radsec is not None and settings.radsec.fault is RadsecFault.CLOSED
        number = self._number(node) + _OTHER_INTERFACE * settings.own_radsec_address
        return Seat(node, Kind.RADSEC_CLOSED if closed else Kind.RADSEC, number)

    def behind(self, node: str) -> Seat:
        """Return the seat of a node's EAP server where a relay has the node's own."""
        return Seat(node, Kind.EAP_BEHIND, self._number(node))

    def elsewhere(self, node: str) -> Seat:
        """Return the seat that a node's EAP replies leave from, where that is not its own."""
        return Seat(node, Kind.EAP_BEHIND, _ELSEWHERE)

    def virtual(self, service: str) -> Seat:
        """Return the seat of a service that has an address of its own."""
        kind = Kind.WEB if self._scenario.service[service].endpoint == "web" else Kind.EAP
        number = self.virtual_services().index(service)
        return Seat(service, kind, _FIRST_VIRTUAL + number)

    def virtual_services(self) -> list[str]:
        """Return the names of the services that have an address of their own."""
        return [name for name, service in self._scenario.service.items() if service.virtual]

    def _number(self, node: str) -> int:
        # The addresses from .53 on belong to name servers.
        number = _FIRST_NODE + self._scenario.nodes.index(node)
        return number if number < _FIRST_NAMESERVER else number + 10
