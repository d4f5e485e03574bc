"""Where the servers of one cluster answer: addresses and ports, bound race-free.

A cluster has a network 127.77.N.0/24 of its own, in which every kind of server has the same port on
every node, as in a real cluster. Systems that have no loopback address but 127.0.0.1 get a port of
its own for each server instead. A server that answers at ::1 too has one port at both addresses,
which the system chooses: all clusters of a machine share that address.
"""

import random
import socket
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import Enum

from lab.serving import (
    PlaceTaken,
    closed_tcp_socket,
    closed_udp_socket,
    tcp_socket,
    udp_and_closed_tcp_sockets,
    udp_and_tcp_sockets,
    udp_socket,
)

NETWORK = "127.77"
SINGLE_ADDRESS = "127.0.0.1"
IPV6_ADDRESS = "::1"
_ATTEMPTS = 20
"""How often ports that the system chose are drawn anew, if one is taken at the other address."""


class Kind(Enum):
    """What kind of sockets a server needs."""

    NAMESERVER = "nameserver"
    NAMESERVER_WITHOUT_TCP = "nameserver without TCP"
    WEB = "web"
    EAP = "eap"
    EAP_BEHIND = "eap, behind a relay"
    AUTHORITY = "authority"
    RADSEC = "radsec"
    WEB_CLOSED = "web, closed"
    EAP_CLOSED = "eap, closed"
    RADSEC_CLOSED = "radsec, closed"


@dataclass(frozen=True, slots=True)
class Ports:
    """The port of each kind of server; unprivileged, and below the ports of outgoing traffic."""

    dns: int = 10053
    web: int = 10443
    eap: int = 11812
    authority: int = 10080
    radsec: int = 12083

    def of(self, kind: Kind) -> int:
        """Return the port for one kind of server; 0: the system chooses, as nobody asks there."""
        if kind in (Kind.NAMESERVER, Kind.NAMESERVER_WITHOUT_TCP):
            return self.dns
        if kind is Kind.AUTHORITY:
            return self.authority
        if kind is Kind.EAP_BEHIND:
            return 0
        if kind in (Kind.RADSEC, Kind.RADSEC_CLOSED):
            return self.radsec
        return self.web if kind in (Kind.WEB, Kind.WEB_CLOSED) else self.eap


@dataclass(frozen=True, slots=True)
class Seat:
    """One server that needs a place."""

    name: str
    kind: Kind
    number: int | None
    """The last octet of its address; None: it is at ::1, at a port that the system chooses."""
    port_of: "Seat | None" = None
    """The seat whose port it has too; that one is taken before it."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a server answers, with its sockets: UDP and TCP for a name server, else one."""

    address: str
    port: int
    sockets: tuple[socket.socket, ...] = field(repr=False)

    def close(self) -> None:
        """Close the sockets. Those that a server has closed already are left alone."""
        for bound in self.sockets:
            bound.close()


class NoPlace(OSError):
    """No place could be found; the text is for the user."""


def take_places(seats: Iterable[Seat], *, ports: Ports, single_address: bool) -> dict[Seat, Place]:
    """Bind a place for every seat, in one network that nobody else has, or none at all.

    Raises NoPlace.
    """
    seats = tuple(seats)
    if single_address:
        for _ in range(_ATTEMPTS):
            try:
                return _bind(seats, SINGLE_ADDRESS, None)
            except PlaceTaken as error:
                taken = error
        raise NoPlace(f"The lab found no place: {taken.strerror}.") from taken
    # Chance only spreads labs over the networks; what decides is who binds first.
    octets = random.sample(range(1, 255), 254)
    for octet in octets:
        try:
            return _bind(seats, f"{NETWORK}.{octet}", ports)
        except PlaceTaken as error:
            taken = error
            if error.address_missing:
                raise NoPlace(
                    "This system lacks a loopback address "
                    f"({error.strerror}): try again with --single-address."
                ) from error
    raise NoPlace(
        f"The lab found no place in {NETWORK}.0.0/16 ({taken.strerror}). Another program may have "
        "the port on all addresses: end it, name other ports with --ports, "
        "or try again with --single-address."
    )


def _bind(seats: tuple[Seat, ...], base: str, ports: Ports | None) -> dict[Seat, Place]:
    places: dict[Seat, Place] = {}
    try:
        for seat in seats:
            if seat.number is None:
                address, port = IPV6_ADDRESS, 0
            elif ports is None:
                address, port = base, 0
            else:
                address, port = f"{base}.{seat.number}", ports.of(seat.kind)
            if seat.port_of is not None:
                port = places[seat.port_of].port
            sockets = _sockets(seat.kind, address, port)
            places[seat] = Place(address, sockets[0].getsockname()[1], sockets)
    except OSError:
        for place in places.values():
            place.close()
        raise
    return places


def _sockets(kind: Kind, address: str, port: int) -> tuple[socket.socket, ...]:
    match kind:
        case Kind.NAMESERVER:
            return udp_and_tcp_sockets(address, port)
        case Kind.NAMESERVER_WITHOUT_TCP:
            return udp_and_closed_tcp_sockets(address, port)
        case Kind.WEB | Kind.AUTHORITY | Kind.RADSEC:
            return (tcp_socket(address, port),)
        case Kind.EAP | Kind.EAP_BEHIND:
            return (udp_socket(address, port),)
        case Kind.WEB_CLOSED | Kind.RADSEC_CLOSED:
            return (closed_tcp_socket(address, port),)
        case Kind.EAP_CLOSED:
            return (closed_udp_socket(address, port),)
