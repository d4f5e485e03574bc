"""The lab's RadSec server: RADIUS over TLS (RFC 6614) at one address, with faults.

What it is asked of EAP, the node's own RADIUS server answers.
"""

import socket
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum

from cryptography import x509
from OpenSSL import SSL
from OpenSSL.crypto import X509

from lab import misbehave
from lab.serving import Stream, StreamServer
from lab.tls import ServedChain, Version, malformed_flight, server_context
from lab.tlsstream import READ, Amiss, TlsStream
from probe.wire.radius import Code, RadiusError, Verification, build_reply, read_request

_SECRET = b"radsec"
"""RFC 6614, 2.3 (4)."""
_OTHER_SECRET = b"another secret than all the world's"
_LEAST, _MOST = 20, 4_096
"""Octets of a RADIUS packet (RFC 2865, 3)."""
_NO_AUTOMATIC_CHAIN = 0x8
"""SSL_MODE_NO_AUTO_CHAIN: what its peers' CAs have issued is no part of what a server shows."""

Behind = Callable[[bytes, tuple[str, int], bytes], bytes | None]
"""Takes a packet, its sender and the secret; returns the reply."""


class RadsecFault(StrEnum):
    """What is wrong with a RadSec endpoint. `closed` is no server: `cluster.py` sees to it."""

    CLOSED = "closed"
    """The port is closed."""
    SILENT = "silent"
    """Connections are taken and nothing is ever said."""
    CUT_OFF = "cut-off"
    """The connection is closed as soon as the ClientHello has come."""
    ALERT = "alert"
    """A fatal handshake_failure alert answers the ClientHello."""
    GARBAGE = "garbage"
    """Octets of no protocol answer the ClientHello."""
    BROKEN_HELLO = "broken-hello"
    """A TLS record with a ServerHello that makes no sense answers the ClientHello."""
    OTHER_KEY = "other-key"
    """The handshake is signed with another key than the certificate's (up to TLS 1.2)."""
    MALFORMED = "malformed"
    """The end of the certificate's validity is no time, so that libraries refuse to parse it."""

    # Behind a handshake in which nothing is wrong.
    MUTE = "mute"
    """Nothing is said inside TLS."""
    HANGS_UP = "hangs-up"
    """The connection is closed as soon as the handshake is over."""
    OTHER_SECRET = "other-secret"
    """Replies are made with another secret."""
    GARBAGE_INSIDE = "garbage-inside"
    """Octets of no protocol answer inside TLS."""


_RAW_ANSWERS = {
    RadsecFault.CUT_OFF: b"",
    RadsecFault.ALERT: misbehave.fatal_alert(misbehave.HANDSHAKE_FAILURE),
    RadsecFault.GARBAGE: misbehave.garbage(),
    RadsecFault.BROKEN_HELLO: misbehave.broken_handshake(),
}


@dataclass(frozen=True, slots=True)
class RadsecSite:
    """What a RadSec endpoint serves."""

    chains: tuple[ServedChain, ...]
    versions: tuple[Version, ...] = (Version.TLS1_2, Version.TLS1_3)
    fault: RadsecFault | None = None
    takes: tuple[x509.Certificate, ...] = ()
    """CAs of which a peer must show a certificate; none: no certificate is asked for."""
    names_authorities: bool = True
    """Whether it tells peers these CAs."""
    protocol: str | None = None
    """The one protocol of RFC 9765 that it speaks; None: it knows nothing of them."""
    sign_of_life: bool = True
    """Whether it answers Status-Server (RFC 5997)."""


class RadsecServer:
    """Serves one site on a listening socket that the caller has bound."""

    def __init__(self, listener: socket.socket, site: RadsecSite, behind: Behind | None) -> None:
        """`behind` answers Access-Requests; None: nobody does."""
        context = _context(site)
        self._server = StreamServer(listener, lambda streams: _Peer(context, site, behind, streams))

    async def start(self) -> None:
        """Begin to answer."""
        await self._server.start()

    async def stop(self) -> None:
        """Close the socket and every connection."""
        await self._server.stop()


def _context(site: RadsecSite) -> SSL.Context:
    context = server_context(site.chains, site.versions)
    context.set_mode(_NO_AUTOMATIC_CHAIN)
    if site.takes:
        context.set_verify(SSL.VERIFY_PEER | SSL.VERIFY_FAIL_IF_NO_PEER_CERT)
        store = context.get_cert_store()
        for authority in site.takes:
            if store is not None:
                store.add_cert(X509.from_cryptography(authority))
            if site.names_authorities:
                context.add_client_ca(authority)
    if site.protocol is not None:
        chosen = site.protocol.encode("ascii")
        context.set_alpn_select_callback(lambda _, offered: _choice(chosen, offered))
    return context


def _choice(chosen: bytes, offered: list[bytes]) -> bytes:
    if chosen not in offered:
        # OpenSSL then sends the alert no_application_protocol (RFC 9765, 3.3; RFC 7301, 3.2).
        raise SSL.Error("no common protocol")
    return chosen


class _Peer(TlsStream):
    """One connection: the handshake, and requests until the peer has no more."""

    def __init__(
        self, context: SSL.Context, site: RadsecSite, behind: Behind | None, streams: set[Stream]
    ) -> None:
        super().__init__(streams, context, _amiss(site))
        self._site = site
        self._behind = behind
        self._waiting = b""

    def converse(self) -> None:
        if self._site.fault is RadsecFault.HANGS_UP:
            return
        while True:
            self._waiting += self.tls.recv(READ)
            for packet in self._packets():
                reply = self._reply(packet)
                if reply is not None:
                    self.tls.sendall(reply)

    def _packets(self) -> Iterable[bytes]:
        """Cut what came into packets by their lengths (RFC 6613, 2.1)."""
        while len(self._waiting) >= _LEAST:
            length = int.from_bytes(self._waiting[2:4])
            if not _LEAST <= length <= _MOST:
                self.tls.shutdown()  # RFC 6613, 2.6.4: where the next one begins is not known
                self._waiting = b""
                return
            if len(self._waiting) < length:
                return
            packet, self._waiting = self._waiting[:length], self._waiting[length:]
            yield packet

    def _reply(self, packet: bytes) -> bytes | None:
        fault = self._site.fault
        if fault is RadsecFault.MUTE:
            return None
        if fault is RadsecFault.GARBAGE_INSIDE:
            return misbehave.garbage()
        try:
            request = read_request(packet, _SECRET)
        except RadiusError:
            return None
        if request.code == Code.STATUS_SERVER:
            if request.verification is not Verification.VALID:
                return None  # RFC 5997, 5
            secret = _OTHER_SECRET if fault is RadsecFault.OTHER_SECRET else _SECRET
            alive = self._site.sign_of_life
            return build_reply(request, secret, Code.ACCESS_ACCEPT) if alive else None
        if self._behind is None:
            return None
        peer: tuple[str, int] = self.transport.get_extra_info("peername")
        return self._behind(packet, peer, _SECRET)


def _amiss(site: RadsecSite) -> Amiss:
    raw = _RAW_ANSWERS.get(site.fault) if site.fault is not None else None
    if site.fault is RadsecFault.MALFORMED:
        raw = malformed_flight(site.chains[0])
    return Amiss(site.fault is RadsecFault.SILENT, raw, site.fault is RadsecFault.OTHER_KEY)
