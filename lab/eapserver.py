"""The server's half of one EAP conversation, as far as the certificate. No socket, no clock.

It proposes a method, takes a Nak, shows its chain inside TLS and then turns everybody away: nobody
has an account here. Framing and packets are `probe.wire`'s, the handshake is pyOpenSSL's.
"""

from dataclasses import dataclass
from enum import StrEnum

from OpenSSL import SSL

from lab import misbehave
from lab.tls import ServedChain, Version, malformed_flight, server_context
from probe.wire.eap import Code, EapPacket, Type
from probe.wire.fragments import Assembler, Fragment, Fragmenter, FragmentError

_READ = 16_384
_LONGEST_MESSAGE = 65_536
"""RFC 5216, 2.1.5 calls 64 KB a reasonable bound."""


class EapMethod(StrEnum):
    """Methods by their IANA names."""

    EAP_TLS = "EAP-TLS"
    EAP_TTLS = "EAP-TTLS"
    PEAP = "PEAP"
    TEAP = "TEAP"


_TYPES = {
    EapMethod.EAP_TLS: Type.EAP_TLS,
    EapMethod.EAP_TTLS: Type.EAP_TTLS,
    EapMethod.PEAP: Type.PEAP,
    EapMethod.TEAP: Type.TEAP,
}
_VERSIONS = {Type.TEAP: 1}
"""The version in the flags of a method's packets (RFC 9930, 4.1); 0 for the others."""


class EapFault(StrEnum):
    """What is wrong with an EAP endpoint. `closed` is no server at all: `cluster.py` sees to it,
    and `radiusserver.py` to what concerns whole datagrams."""

    CLOSED = "closed"
    """The port is closed."""
    SILENT = "silent"
    """Nothing is answered, as to a RADIUS client that the server does not know."""
    OTHER_SECRET = "other-secret"
    """Every reply is made with another secret."""
    GARBAGE = "garbage"
    """Octets of no protocol answer every request."""
    REJECTS = "rejects"
    """The identity is rejected before any method is proposed."""
    ALERT = "alert"
    """A fatal handshake_failure alert answers the ClientHello."""
    REJECTS_HELLO = "rejects-hello"
    """The ClientHello is answered by Access-Reject without a word."""
    CUT_OFF = "cut-off"
    """Nothing is said any more after the ClientHello."""
    NOT_TLS = "not-tls"
    """Octets that are not TLS answer the ClientHello, in a good EAP packet."""
    OTHER_KEY = "other-key"
    """The handshake is signed with another key than the certificate's (up to TLS 1.2)."""
    MALFORMED = "malformed"
    """The end of the certificate's validity is no time, so that libraries refuse to parse it."""


@dataclass(frozen=True, slots=True)
class EapSite:
    """What an EAP endpoint serves."""

    chains: tuple[ServedChain, ...]
    methods: tuple[EapMethod, ...]
    """Methods that it agrees to; it proposes the first."""
    fragment_size: int = 1024
    """Octets of TLS data in one EAP packet."""
    versions: tuple[Version, ...] = (Version.TLS1_2, Version.TLS1_3)
    fault: EapFault | None = None

    def context(self) -> SSL.Context:
        """Return the TLS context for all its conversations."""
        return server_context(self.chains, self.versions)


class EapConversation:
    """Takes EAP responses one after another and returns what to answer."""

    def __init__(self, site: EapSite, context: SSL.Context) -> None:
        self._site = site
        self._methods = tuple(_TYPES[method] for method in site.methods)
        self._context = context
        self._identifier = 0
        self._method: Type | None = None
        self._agreed = False
        self._tls: SSL.Connection | None = None
        self._assembler = Assembler(_LONGEST_MESSAGE)
        self._outgoing: Fragmenter | None = None
        self._ending = False
        self._mute = False

    def receive(self, octets: bytes) -> EapPacket | None:
        """Take one EAP response. Return a Request to send on, a Failure that ends it, or None:
        nothing is to be said."""
        packet = EapPacket.parse(octets)
        if self._mute or packet.code is not Code.RESPONSE:
            return None
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

    def _identified(self, packet: EapPacket) -> EapPacket:
        if packet.type != Type.IDENTITY or self._site.fault is EapFault.REJECTS:
            self._identifier = packet.identifier
            return self._failure()
        self._identifier = packet.identifier
        return self._proposal(self._methods[0])

    def _declined(self, wanted: bytes) -> EapPacket:
        """Answer a Nak with the first method that both want (RFC 3748, 5.3.1)."""
        for number in wanted:
            for method in self._methods:
                if number == method != self._method:
                    return self._proposal(method)
        return self._failure()

    def _proposal(self, method: Type) -> EapPacket:
        self._method = method
        return self._request(Fragment(start=True, version=_VERSIONS.get(method, 0)))

    def _continued(self, fragment: Fragment) -> EapPacket | None:
        if self._outgoing is not None and self._outgoing.pending:
            return (
                self._request(self._outgoing.take()) if fragment.acknowledges else self._failure()
            )
        if self._ending:
            return self._failure()
        message = self._assembler.add(fragment)
        if message is None:
            return self._request(Fragment(version=fragment.version))
        if self._site.fault in (EapFault.CUT_OFF, EapFault.REJECTS_HELLO):
            self._mute = True
            return None if self._site.fault is EapFault.CUT_OFF else self._failure()
        flight = self._flight(message)
        if not flight:
            return self._failure()
        self._outgoing = Fragmenter(flight, self._site.fragment_size, version=fragment.version)
        return self._request(self._outgoing.take())

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
        tls = self._connection()
        tls.bio_write(message)
        try:
            tls.do_handshake()
            self._ending = True  # what would follow is a login
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

    def _connection(self) -> SSL.Connection:
        if self._tls is None:
            self._tls = SSL.Connection(self._context, None)
            self._tls.set_accept_state()
            if self._method is Type.EAP_TLS:
                # Ask for the peer's certificate, which is what this method is about.
                self._tls.set_verify(SSL.VERIFY_PEER, lambda *_: True)
        return self._tls

    def _request(self, fragment: Fragment) -> EapPacket:
        self._identifier = (self._identifier + 1) % 256
        return EapPacket(Code.REQUEST, self._identifier, self._method, fragment.octets)

    def _failure(self) -> EapPacket:
        self._mute = True
        return EapPacket(Code.FAILURE, self._identifier)
