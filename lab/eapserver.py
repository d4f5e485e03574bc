"""The server's half of one EAP conversation. No socket, no clock.

It proposes a method, takes a Nak, shows its chain inside TLS, hears whoever goes on from there and
then turns everybody away: nobody has an account here. Framing and packets are `probe.wire`'s, the
handshake is pyOpenSSL's.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from OpenSSL import SSL

from lab import misbehave
from lab.eapsite import Contexts, EapFault, EapMethod, EapSite, Proposal
from lab.inside import Heard, Inside
from lab.tls import malformed_flight
from lab.unruly import FROM_HELLO, FROM_IDENTITY, Round
from probe.wire.eap import Code, EapPacket, Type
from probe.wire.fragments import Assembler, Fragment, Fragmenter, FragmentError

_READ = 16_384
_LONGEST_MESSAGE = 65_536
"""RFC 5216, 2.1.5 calls 64 KB a reasonable bound."""
_FRAMING = 10
"""Octets of an EAP packet around its TLS data: header, Type, flags, length."""
_LEAST_FRAGMENT = 64

_TYPES = {
    EapMethod.EAP_TLS: Type.EAP_TLS,
    EapMethod.EAP_TTLS: Type.EAP_TTLS,
    EapMethod.PEAP: Type.PEAP,
    EapMethod.TEAP: Type.TEAP,
}
_METHODS = {number: method for method, number in _TYPES.items()}

_AUTHORITY = b"Northpier Ferries"
_STARTS = {
    # Flags S and O, version 1; no TLS data, so the length of the outer TLVs and an Authority-ID TLV
    # follow at once (RFC 9930, 4.1 and 4.2.2).
    Type.TEAP: b"\x31"
    + (4 + len(_AUTHORITY)).to_bytes(4)
    + b"\0\x01"
    + len(_AUTHORITY).to_bytes(2)
    + _AUTHORITY,
    # Flag S, version 1, and an A-ID (RFC 4851, 4.1.1 and 4.1.2).
    Type.EAP_FAST: b"\x21\0\x04" + len(_AUTHORITY).to_bytes(2) + _AUTHORITY,
    # A challenge of 16 octets (RFC 1994, 4.1).
    Type.MD5_CHALLENGE: b"\x10" + bytes(16),
}
"""What follows the Type in the first packet of a method, where that is more than a flag."""
_PROPOSALS = {Proposal.EAP_FAST: Type.EAP_FAST, Proposal.MD5_CHALLENGE: Type.MD5_CHALLENGE}


@dataclass(frozen=True, slots=True)
class Answer:
    """What is said to one EAP response."""

    octets: bytes
    """One EAP packet."""
    over: bool = False
    """Whether it is the Failure that goes with an Access-Reject."""


class EapConversation:
    """Takes EAP responses one after another and returns what to answer.

    `attributes` are those of the first request, by name; what it is told goes into `heard`.
    """

    def __init__(
        self,
        site: EapSite,
        contexts: Contexts,
        attributes: Sequence[tuple[str, str]] = (),
        heard: Heard | None = None,
    ) -> None:
        self._site = site
        self._contexts = contexts
        self._attributes = attributes
        self._heard = Heard() if heard is None else heard
        self._inside: Inside | None = None
        self._proposals = [
            *(_PROPOSALS[proposal] for proposal in site.proposes),
            *(_TYPES[method] for method in site.methods),
        ]
        self._identifier = 0
        self._method: Type | None = None
        self._agreed = False
        self._tls: SSL.Connection | None = None
        self._assembler = Assembler(_LONGEST_MESSAGE)
        self._outgoing: Fragmenter | None = None
        self._ending = False
        self._mute = False
        self._unruly: Round | None = None
        self._unruly_rounds = 0

    def receive(self, octets: bytes) -> Answer | None:
        """Take one EAP response. Return what answers it; None: nothing is to be said."""
        packet = EapPacket.parse(octets)
        if self._mute or packet.code is not Code.RESPONSE:
            return None
        if self._unruly is not None:
            return self._next_unruly(self._unruly)
        if self._method is None:
            return self._identified(packet)
        if packet.identifier != self._identifier:
            return None  # RFC 3748, 4.1: it answers another request
        if packet.type == Type.NAK and not self._agreed:
            return self._declined(packet.data)
        if packet.type != self._method:
            return self._failure()
        self._agreed = True
        try:
            return self._continued(Fragment.parse(packet.data))
        except FragmentError:
            return self._failure()

    def _identified(self, packet: EapPacket) -> Answer:
        self._identifier = packet.identifier
        self._heard.identities.append(packet.data)
        if packet.type != Type.IDENTITY or self._site.fault is EapFault.REJECTS:
            return self._failure()
        self._unruly = FROM_IDENTITY.get(self._site.fault) if self._site.fault else None
        if self._unruly is not None:
            return self._next_unruly(self._unruly)
        return self._proposal(self._proposals[0])

    def _declined(self, wanted: bytes) -> Answer:
        """Answer a Nak with the first method that both want (RFC 3748, 5.3.1)."""
        for number in wanted:
            method = _METHODS.get(Type(number)) if number in _METHODS else None
            if method in self._site.methods and number != self._method:
                return self._proposal(Type(number))
        return self._failure()

    def _proposal(self, method: Type) -> Answer:
        self._method = method
        start = _STARTS.get(method)
        if start is None:
            version = self._site.peap_version if method is Type.PEAP else 0
            start = Fragment(start=True, version=version).octets
        return self._request(start)

    def _continued(self, fragment: Fragment) -> Answer | None:
        if self._outgoing is not None and self._outgoing.pending:
            if not fragment.acknowledges:
                return self._failure()
            return self._request(self._outgoing.take().octets)
        if self._ending:
            return self._failure()
        message = self._assembler.add(fragment)
        if message is None:
            return self._request(Fragment(version=fragment.version).octets)
        if self._site.fault in (EapFault.CUT_OFF, EapFault.REJECTS_HELLO):
            self._mute = True
            return None if self._site.fault is EapFault.CUT_OFF else self._failure()
        self._unruly = FROM_HELLO.get(self._site.fault) if self._site.fault else None
        if self._unruly is not None:
            return self._next_unruly(self._unruly)
        flight = self._flight(message)
        if not flight:
            return self._failure()
        self._outgoing = Fragmenter(flight, self._room(), version=fragment.version)
        return self._request(self._outgoing.take().octets)

    def _room(self) -> int:
        """Return how many octets of TLS data go into one packet (RFC 3579, 2.4)."""
        mtu = next((text for name, text in self._attributes if name == "Framed-MTU"), None)
        if mtu is None or not (mtu.isdecimal() and self._site.heeds_mtu):
            return self._site.fragment_size
        return min(self._site.fragment_size, max(_LEAST_FRAGMENT, int(mtu) - _FRAMING))

    def _flight(self, message: bytes) -> bytes:
        """Return what answers one TLS message; nothing if all is said."""
        if self._site.fault is EapFault.ALERT:
            self._ending = True
            return misbehave.fatal_alert(misbehave.HANDSHAKE_FAILURE)
        if self._site.fault is EapFault.NOT_TLS:
            self._ending = True
            return misbehave.garbage()
        if self._site.fault is EapFault.MALFORMED:
            self._ending = True
            return malformed_flight(self._site.chains[0])
        tls = self._connection(message)
        if message:
            tls.bio_write(message)
        try:
            if self._inside is None:
                tls.do_handshake()
                method = _METHODS[self._method or Type.PEAP]
                self._inside = Inside(method, tls, self._heard)
            self._ending = not self._inside.converse()
        except SSL.WantReadError:
            pass
        except SSL.Error:
            # The peer said goodbye, or it gets an alert and then the Failure (RFC 9190, 2.1.4).
            self._ending = True
        flight = b""
        while True:
            try:
                flight += tls.bio_read(_READ)
            except SSL.WantReadError:
                break
        if self._site.fault is EapFault.OTHER_KEY:
            return misbehave.spoiled_signature(flight)
        return flight

    def _connection(self, hello: bytes) -> SSL.Connection:
        if self._tls is None:
            method = _METHODS[self._method or Type.PEAP]
            context = self._contexts.choose(method, self._attributes, hello)
            self._tls = SSL.Connection(context, None)
            self._tls.set_accept_state()
            if method is EapMethod.EAP_TLS:
                # Ask for the peer's certificate, which is what this method is about.
                self._tls.set_verify(SSL.VERIFY_PEER, lambda *_: True)
        return self._tls

    def _next_unruly(self, unruly: Round) -> Answer:
        self._identifier = (self._identifier + 1) % 256
        self._unruly_rounds += 1
        return Answer(unruly(self._identifier, self._method or 0, self._unruly_rounds))

    def _request(self, data: bytes) -> Answer:
        self._identifier = (self._identifier + 1) % 256
        return Answer(EapPacket(Code.REQUEST, self._identifier, self._method, data).octets)

    def _failure(self) -> Answer:
        self._mute = True
        return Answer(EapPacket(Code.FAILURE, self._identifier).octets, over=True)
