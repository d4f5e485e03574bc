"""What one visit of an endpoint showed, and how the network's refusals are told apart."""

import errno
import os
from functools import lru_cache
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network

from probe.observation.model import (
    Aspect,
    EapSeen,
    HttpSeen,
    LoginSeen,
    Outcome,
    Phase,
    RadiusSeen,
    RadsecSeen,
    Served,
    Trial,
)
from probe.records import dataclass

_LAST_FOUR = tuple(ip_network(prefix) for prefix in ("64:ff9b::/96", "::/96", "::ffff:0:0:0/96"))
"""The last four octets are an IPv4 address: NAT64 (RFC 6052, 2.1), compatible (RFC 4291, 2.5.5.1)
and translated (RFC 2765, 2.1)."""


@dataclass(frozen=True, slots=True)
class VisitSeen:
    """`Handshake` without the question. Texts are as long as they came."""

    outcome: Outcome
    phase: Phase
    seconds: float
    detail: str | None = None
    alert: str | None = None
    round_trips: int | None = None
    served: Served | None = None
    certificates: tuple[bytes, ...] = ()
    """DER, in the order served."""
    eap: EapSeen | None = None
    radius: RadiusSeen | None = None
    http: HttpSeen | None = None
    source: str | None = None
    trials: tuple[Trial, ...] = ()
    """eap: what was tried to narrow down why it failed."""
    radsec: RadsecSeen | None = None
    login: LoginSeen | None = None
    spoiled_staple: bool = False
    """web: the OCSP response that came is none that this machine's TLS library can read."""


def network_outcome(error: OSError) -> tuple[Outcome, str]:
    """Return what an error of the socket means, and in words.

    Everything but a refusal and a time-out is on this side of the server: no route, no address
    of that family, a local filter.
    """
    if error.errno == errno.ECONNREFUSED:
        return Outcome.CLOSED, "the port is closed"
    if error.errno == errno.ETIMEDOUT:
        return Outcome.SILENT, "nothing came back"
    # The event loop replaces the system's words by its own.
    return Outcome.UNREACHABLE, os.strerror(error.errno) if error.errno else str(error)


@lru_cache(maxsize=4_096)
def no_servers_address(address: str) -> VisitSeen | None:
    """Return what a visit there shows without being made, if an address is nobody's in particular.

    A name server may answer anything: a group would get our request at every member (RFC 1112, 4;
    RFC 4291, 2.7), and what answers at "no address" is this machine itself (RFC 1122, 3.2.1.3).
    """
    for place in meant(ip_address(address)):
        if place.is_multicast or place.is_unspecified or str(place) == "255.255.255.255":
            return _not_gone_to(f"{address} is no server's address")
    return None


@lru_cache(maxsize=4_096)
def own_address(address: str) -> VisitSeen | None:
    """Return what a visit there shows without being made, if an address is each machine's own, or
    its own link's: what answers this machine there is not what clients meet.

    RFC 1122, 3.2.1.3 and RFC 4291, 2.5.3 (loopback); RFC 3927, 2.7 and RFC 4291, 2.5.6 (link-local,
    where virtual machines find what their host tells them alone).
    """
    if any(place.is_loopback or place.is_link_local for place in meant(ip_address(address))):
        return _not_gone_to(f"{address} is each machine's own, or its own link's")
    return None


def meant(place: IPv4Address | IPv6Address) -> tuple[IPv4Address | IPv6Address, ...]:
    """Return an address, or the IPv4 one that it stands for."""
    if isinstance(place, IPv6Address):
        if place.ipv4_mapped is not None:
            return (place.ipv4_mapped,)
        if place.sixtofour is not None:
            return place, place.sixtofour
        if int(place) > 1 and any(place in prefix for prefix in _LAST_FOUR):
            return (IPv4Address(int(place) & 0xFFFFFFFF),)
    return (place,)


def _not_gone_to(why: str) -> VisitSeen:
    says = f"{why}, so nothing was sent there"
    return VisitSeen(Outcome.UNREACHABLE, Phase.CONNECT, 0.0, says)


def nothing_more(seen: VisitSeen, aspect: Aspect) -> bool:
    """Whether a web visit ended so that another hello at that address would meet the same.

    Old servers let a hello that offers a version they have not heard of go unanswered, and answer
    an old one (RFC 5246, E.2 tells of such); so silence after the hello says nothing of those.
    """
    if seen.phase is Phase.CONNECT or seen.outcome is Outcome.NOT_TLS:
        return True
    return seen.outcome is Outcome.SILENT and aspect is not Aspect.OLD_VERSION


def like(seen: VisitSeen) -> VisitSeen:
    """Return what a visit shows that is not made because an earlier one has shown it."""
    says = f"as the visit before: {seen.detail}; so nothing was sent"
    return VisitSeen(seen.outcome, seen.phase, 0.0, says, source=seen.source)
