"""A small EAP peer over RADIUS for tests, made of the standard library and pyOpenSSL alone.

It shares no code with the server that it asks: neither the project's codecs nor pyrad.
"""

import contextlib
import hashlib
import hmac
import os
import socket
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

from cryptography.hazmat.primitives.serialization import Encoding
from OpenSSL import SSL

METHODS = {"EAP-TLS": 13, "EAP-TTLS": 21, "PEAP": 25, "TEAP": 55}
CHALLENGE, ACCEPT, REJECT = 11, 2, 3
VERSIONS = {
    "TLSv1": SSL.TLS1_VERSION,
    "TLSv1.1": SSL.TLS1_1_VERSION,
    "TLSv1.2": SSL.TLS1_2_VERSION,
    "TLSv1.3": SSL.TLS1_3_VERSION,
}
NAME = b"nobody@northpier.example"


@dataclass
class Reply:
    """One verified reply."""

    code: int
    eap: bytes
    state: bytes | None
    verified: bool
    """Whether both authenticators are those of RFC 2865, 3 and RFC 3579, 3.2."""
    attributes: list[tuple[int, bytes]] = field(default_factory=list)
    """All of them, in the order that they came in."""


class Supplicant:
    """One conversation with one server."""

    def __init__(
        self,
        place: tuple[str, int] | socket.socket,
        secret: bytes,
        *,
        patience: float = 10.0,
        attributes: Sequence[tuple[int, bytes]] = (),
        signing: bool = True,
    ) -> None:
        """`place` is a UDP address and port, or a connection on which whole packets come."""
        self._secret = secret
        self._more = b"".join(_attribute(kind, value) for kind, value in attributes)
        self._signing = signing
        connected = isinstance(place, socket.socket)
        self._socket = place if connected else socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.settimeout(patience)
        if not connected:
            self._socket.connect(place)
        self.flight = b""
        self._identifier = 0
        self.rounds = 0
        self.fragments: list[int] = []
        self.proposed: list[int] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._socket.close()

    def exchange(self, eap: bytes, state: bytes | None) -> Reply:
        """Send one EAP response and return the reply."""
        packet, authenticator = self._request(eap, state)
        self._socket.send(packet)
        self.rounds += 1
        return self._read(self._socket.recv(8192), authenticator)

    def exchange_twice(self, eap: bytes) -> tuple[bytes, bytes]:
        """Send the same datagram twice and return what came for each."""
        packet, _ = self._request(eap, None)
        self._socket.send(packet)
        first = self._socket.recv(8192)
        self._socket.send(packet)
        return first, self._socket.recv(8192)

    def identify(self) -> Reply:
        """Send the identity and return the reply to it."""
        return self.exchange(struct.pack("!BBHB", 2, 7, 5 + len(NAME), 1) + NAME, None)

    def status(self) -> Reply:
        """Send Status-Server (RFC 5997, 3) and return the reply."""
        self._identifier += 1
        packet, authenticator = self._packet(12, _attribute(32, b"a test"))
        self._socket.send(packet)
        return self._read(self._socket.recv(8192), authenticator)

    def tell_raw(self, message: bytes, reply: Reply) -> bytes:
        """Send one TLS message in one fragment; return the datagram that answers it."""
        body = bytes((reply.eap[5] & 0x07,)) + message
        head = struct.pack("!BBHB", 2, reply.eap[1], 5 + len(body), reply.eap[4])
        packet, _ = self._request(head + body, reply.state)
        self._socket.send(packet)
        return self._socket.recv(65_536)

    def chain(self, methods: tuple[str, ...], version: str) -> tuple[bytes, ...]:
        """Go on until the server's chain is in hand; return it as DER, in the order served. What
        the server said in TLS is then in `flight`.

        Raises AssertionError if the server ends it before.
        """
        reply = self.identify()
        self.proposed.append(reply.eap[4])
        wanted = [METHODS[method] for method in methods]
        if reply.eap[4] not in wanted:
            nak = struct.pack("!BBHB", 2, reply.eap[1], 5 + len(wanted), 3) + bytes(wanted)
            reply = self.exchange(nak, reply.state)
            self.proposed.append(reply.eap[4])
        assert reply.code == CHALLENGE, reply
        assert reply.eap[5] & 0x20, "the first packet of a method has the Start flag"
        tls = _client(version)
        message = _handshake(tls)
        while not tls.get_peer_cert_chain():
            flight, reply = self.tell(message, reply)
            self.flight += flight
            tls.bio_write(flight)
            message = _handshake(tls)
        chain = tls.get_peer_cert_chain(as_cryptography=True)
        assert chain is not None
        return tuple(certificate.public_bytes(Encoding.DER) for certificate in chain)

    def tell(self, message: bytes, reply: Reply) -> tuple[bytes, Reply]:
        """Send one TLS message in one fragment; return the whole TLS message that answers it."""
        method, version = reply.eap[4], reply.eap[5] & 0x07
        body = bytes((version,)) + message
        flight = b""
        while True:
            length = 5 + len(body)
            head = struct.pack("!BBHB", 2, reply.eap[1], length, method)
            reply = self.exchange(head + body, reply.state)
            assert reply.code == CHALLENGE, reply
            flags, data = reply.eap[5], reply.eap[6:]
            if flags & 0x80:
                data = data[4:]
            self.fragments.append(len(data))
            flight += data
            if not flags & 0x40:
                return flight, reply
            body = bytes((version,))

    def _request(self, eap: bytes, state: bytes | None) -> tuple[bytes, bytes]:
        self._identifier += 1
        attributes = _attribute(1, NAME) + _attribute(32, b"a test") + self._more
        for start in range(0, len(eap), 253):
            attributes += _attribute(79, eap[start : start + 253])
        if state is not None:
            attributes += _attribute(24, state)
        return self._packet(1, attributes)

    def _packet(self, code: int, attributes: bytes) -> tuple[bytes, bytes]:
        authenticator = os.urandom(16)
        place = 20 + len(attributes) + 2
        if self._signing:
            attributes += _attribute(80, bytes(16))
        packet = struct.pack("!BBH", code, self._identifier, 20 + len(attributes))
        packet += authenticator + attributes
        if not self._signing:
            return packet, authenticator
        signature = hmac.digest(self._secret, packet, "md5")
        return packet[:place] + signature + packet[place + 16 :], authenticator

    def _read(self, packet: bytes, asked: bytes) -> Reply:
        head, authenticator, attributes = packet[:4], packet[4:20], packet[20:]
        right = hashlib.md5(head + asked + attributes + self._secret).digest()  # noqa: S324  # RFC 2865
        verified = authenticator == right
        eap, state, place = b"", None, 0
        found = []
        while place < len(attributes):
            kind, length = attributes[place], attributes[place + 1]
            value = attributes[place + 2 : place + length]
            found.append((kind, value))
            if kind == 79:
                eap += value
            elif kind == 24:
                state = value
            elif kind == 80:
                blank = attributes[: place + 2] + bytes(16) + attributes[place + 18 :]
                signed = hmac.digest(self._secret, head + asked + blank, "md5")
                verified = verified and signed == value
            place += length
        return Reply(packet[0], eap, state, verified, found)


def _attribute(kind: int, value: bytes) -> bytes:
    return bytes((kind, 2 + len(value))) + value


def _client(version: str) -> SSL.Connection:
    context = SSL.Context(SSL.TLS_CLIENT_METHOD)
    context.set_min_proto_version(VERSIONS[version])
    context.set_max_proto_version(VERSIONS[version])
    context.set_cipher_list(b"DEFAULT:@SECLEVEL=0")
    tls = SSL.Connection(context, None)
    tls.set_connect_state()
    return tls


def _handshake(tls: SSL.Connection) -> bytes:
    with contextlib.suppress(SSL.WantReadError):
        tls.do_handshake()
    message = b""
    while True:
        try:
            message += tls.bio_read(16_384)
        except SSL.WantReadError:
            return message
