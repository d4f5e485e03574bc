"""A RadSec server on loopback (RFC 6614) whose demands and replies a test decides."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

from cryptography import x509
from OpenSSL import SSL
from OpenSSL.crypto import X509

from probe.observation.model import TlsVersion
from probe.wire.radius import Code, Request, build_reply, read_request
from probe.wire.radsec import Packets
from tests.wire.eapserver import EapServer
from tests.wire.pki import Chain, der, make_chain, server_context

SECRET = b"radsec"
"""RFC 6614, 2.3 (4)."""

Answer = Callable[[Request], bytes | None]


def alive(request: Request) -> bytes | None:
    """Answer Status-Server and nothing else."""
    return build_reply(request, SECRET, Code.ACCESS_ACCEPT) if request.code == 12 else None


def with_eap(server: EapServer, *, sign_of_life: bool = True) -> Answer:
    """Answer EAP as this server does, and Status-Server or not."""

    def answer(request: Request) -> bytes | None:
        if request.eap is None:
            return alive(request) if sign_of_life else None
        code, packet = server.answer(request.eap)
        state = b"state" if code == Code.ACCESS_CHALLENGE else None
        return build_reply(request, SECRET, code, eap=packet.octets, state=state)

    return answer


@dataclass
class RadsecServer:
    """Serves the handler of `listening`, one connection at a time."""

    version: TlsVersion = TlsVersion.TLS1_3
    demands: bool = True
    """Whether a certificate of the peer is demanded."""
    trusts: tuple[x509.Certificate, ...] = ()
    """CAs that it names and whose certificates it takes; none: any is taken."""
    alpn: str | None = None
    """What it chooses if it is offered."""
    answer: Answer = alive
    hangs_up: bool = False
    """Whether it closes as soon as the handshake is over."""
    piece: int = 1 << 20
    """Octets sent at a time."""
    shown: list[x509.Certificate | None] = field(default_factory=list)
    """By finished handshake: the certificate of the peer."""
    offered: list[list[bytes]] = field(default_factory=list)
    heard: list[Request] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.keys: Chain = make_chain("ecdsa")
        self.chain = der(self.keys.leaf, self.keys.intermediate)
        self._context = server_context(
            self.keys.key, self.keys.leaf, self.keys.intermediate, version=self.version
        )
        if self.demands:
            mode = SSL.VERIFY_PEER | SSL.VERIFY_FAIL_IF_NO_PEER_CERT
            self._context.set_verify(mode, self._takes)
            for authority in self.trusts:
                self._context.add_client_ca(authority)
        self._context.set_alpn_select_callback(self._choose)

    def _takes(
        self, _connection: SSL.Connection, certificate: X509, _error: int, depth: int, _ok: int
    ) -> bool:
        """By the name of its issuer: nothing is to be proven here."""
        issuer = certificate.to_cryptography().issuer
        known = any(issuer == one.subject for one in self.trusts)
        return depth > 0 or known or not self.trusts

    def _choose(self, _connection: SSL.Connection, offered: list[bytes]) -> bytes | object:
        self.offered.append(offered)
        if self.alpn is not None and self.alpn.encode() in offered:
            return self.alpn.encode()
        return SSL.NO_OVERLAPPING_PROTOCOLS

    async def handle(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection."""
        tls = SSL.Connection(self._context, None)
        tls.set_accept_state()
        packets, established = Packets(), False
        while octets := await reader.read(1 << 16):
            tls.bio_write(octets)
            try:
                if not established:
                    tls.do_handshake()
                    established = True
                    self.shown.append(tls.get_peer_certificate(as_cryptography=True))
                    if self.hangs_up:
                        tls.shutdown()
                        await self._send(tls, writer)
                        return
                while True:
                    for packet in packets.feed(tls.recv(1 << 16)):
                        request = read_request(packet, SECRET)
                        self.heard.append(request)
                        reply = self.answer(request)
                        if reply is not None:
                            tls.sendall(reply)
            except SSL.WantReadError:
                pass
            except SSL.Error:
                await self._send(tls, writer)
                return
            await self._send(tls, writer)

    async def _send(self, tls: SSL.Connection, writer: asyncio.StreamWriter) -> None:
        try:
            octets = tls.bio_read(1 << 20)
        except SSL.WantReadError:
            return
        for start in range(0, len(octets), self.piece):
            writer.write(octets[start : start + self.piece])
            await writer.drain()
