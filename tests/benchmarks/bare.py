"""The bare loop: the least Python that asks a cluster what a sweep asks and has the chains in hand.

Of each node: its A, AAAA, CAA and TLSA records (and CAA of the two domains above, once); three TLS
connections, the first with one HEAD behind the handshake, the others by RSA and by ECDSA alone; one
PEAP conversation up to the chain, and its polite end. These are the exchanges of `probe cluster`
over the same plan, octet for octet alike where it matters (hellos, number and size of fragments).

It is as quick as it honestly can be: contexts and sockets are reused, RADIUS and DNS are a few
`struct` calls, nothing is checked, recorded, bounded or explained, and there is no task but the one
that asyncio needs for each connection. A datagram that is not answered is sent again after as long
as the tool waits first, as without that no run with loss would end. Whoever makes it slower makes
the tool look better than it is: that is a defect.
"""

import asyncio
import hmac
import os
import socket
from collections.abc import Callable
from contextlib import suppress
from struct import Struct
from typing import Any, cast

from cryptography.hazmat.primitives.serialization import Encoding
from OpenSSL import SSL

from tests.benchmarks.cluster import (
    DOMAIN,
    IDENTITY,
    RESOLVER,
    SECRET,
    Ports,
    address,
    host,
)

IN_FLIGHT = 150
"""Nodes at a time, as many as the tool visits."""
DNS_SOCKETS = 4
NAMES_LOST_AFTER, EAP_LOST_AFTER = 2.0, 0.8
"""Seconds after which a datagram is sent again: `dns_wait` and `radius_first_wait` of the tool, so
that a run with loss compares what they do, and not how long they have patience."""

_READ = 65_536
_lib: Any = SSL._lib  # as the tool, for what no public call says
_ffi: Any = SSL._ffi

_CIPHERS = "!aNULL:!eNULL:!PSK:!SRP:!kRSA:@SECLEVEL=0"
_PKCS1 = "RSA+SHA256:RSA+SHA384:RSA+SHA512"
_SIGNATURES = {
    "aRSA": f"RSA-PSS+SHA256:RSA-PSS+SHA384:RSA-PSS+SHA512:{_PKCS1}",
    "aECDSA": f"ECDSA+SHA256:ECDSA+SHA384:ECDSA+SHA512:{_PKCS1}",
}


def context(family: str | None, *, web: bool) -> SSL.Context:
    """Return a context that says the same hello as the tool."""
    made = SSL.Context(SSL.TLS_CLIENT_METHOD)
    made.set_verify(SSL.VERIFY_NONE)
    made.set_options(SSL.OP_LEGACY_SERVER_CONNECT | SSL.OP_NO_TLSv1 | SSL.OP_NO_TLSv1_1)
    made.set_cipher_list(f"{family or 'ALL'}:{_CIPHERS}".encode())
    _lib.SSL_CTX_set1_curves_list(made._context, b"X25519:P-256:P-384")
    if family is not None:
        _lib.SSL_CTX_set1_sigalgs_list(made._context, _SIGNATURES[family].encode())
    if web:
        made.set_alpn_protos([b"http/1.1"])
        null = _ffi.NULL
        _lib.SSL_CTX_add_client_custom_ext(made._context, 18, null, null, null, null, null)
    return made


PLAIN, RSA, ECDSA = (context(family, web=True) for family in (None, "aRSA", "aECDSA"))
EAP = context(None, web=False)

Done = Callable[[], None]


def chain_of(tls: SSL.Connection) -> tuple[bytes, ...]:
    """Return the served certificates, DER."""
    chain = tls.get_peer_cert_chain(as_cryptography=True) or ()
    return tuple(one.public_bytes(Encoding.DER) for one in chain)


# ---------------------------------------------------------------- names

_HEAD = Struct("!HHHHHH")
_OPT = b"\0\0\x29\x04\xd0\0\0\0\0\0\0"
_A, _AAAA, _TLSA, _CAA = 1, 28, 52, 257


def _name(text: str) -> bytes:
    return b"".join(bytes((len(part),)) + part.encode() for part in text.split(".")) + b"\0"


class Names(asyncio.DatagramProtocol):
    """One connected socket, and who waits for what comes on it."""

    def __init__(self) -> None:
        self._waiting: dict[int, tuple[Done, asyncio.TimerHandle]] = {}
        self._next = 0
        self._loop = asyncio.get_running_loop()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.DatagramTransport, transport)

    def ask(self, name: bytes, kind: int, done: Done) -> None:
        number = self._next = (self._next + 1) % 65_536
        query = _HEAD.pack(number, 0x0120, 1, 0, 0, 1) + name + kind.to_bytes(2) + b"\0\1" + _OPT
        self._send(number, query, done)

    def _send(self, number: int, query: bytes, done: Done) -> None:
        timer = self._loop.call_later(NAMES_LOST_AFTER, self._send, number, query, done)
        self._waiting[number] = done, timer
        self.transport.sendto(query)

    def datagram_received(self, data: bytes, addr: object) -> None:  # noqa: ARG002  # asyncio's
        waiting = self._waiting.pop(int.from_bytes(data[:2]), None)
        if waiting is not None:
            waiting[1].cancel()
            waiting[0]()


# ---------------------------------------------------------------- the web

_HEAD_REQUEST = "HEAD / HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n"


class Web(asyncio.Protocol):
    """One handshake, and one HEAD if there is a `request`."""

    def __init__(self, using: SSL.Context, name: str, request: bytes, done: Done) -> None:
        self.tls = SSL.Connection(using, None)
        self.tls.set_connect_state()
        self.tls.set_tlsext_host_name(name.encode())
        self.tls.request_ocsp()
        self.chain: tuple[bytes, ...] = ()
        self._request = request
        self._done = done

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        with suppress(SSL.WantReadError):
            self.tls.do_handshake()
        self._transport.write(self.tls.bio_read(_READ))

    def data_received(self, data: bytes) -> None:
        self.tls.bio_write(data)
        try:
            if not self.chain:
                self.tls.do_handshake()
                self.chain = chain_of(self.tls)
                if self._request:
                    self.tls.sendall(self._request)
                    self._transport.write(self.tls.bio_read(_READ))
                    return
            else:
                self.tls.recv(_READ)
            self.tls.shutdown()
            self._transport.write(self.tls.bio_read(_READ))
        except SSL.WantReadError:
            return
        except SSL.Error:
            pass
        self._transport.close()

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002  # asyncio's
        self._done()


# ---------------------------------------------------------------- EAP over RADIUS

_PACKET = Struct("!BBH16s")
_EAP = Struct("!BBHB")
_PEAP = 25
_GOODBYE = bytes.fromhex("1503030002015a") + bytes.fromhex("15030300020100")


def _attribute(kind: int, value: bytes) -> bytes:
    return bytes((kind, len(value) + 2)) + value


_ALWAYS = (
    _attribute(1, IDENTITY.encode())
    + _attribute(32, b"cert-probe")
    + _attribute(31, b"02-00-00-00-00-01")
    + _attribute(30, b"02-00-00-00-00-00:northpier")
    + _attribute(61, (19).to_bytes(4))
    + _attribute(6, (2).to_bytes(4))
    + _attribute(12, (1400).to_bytes(4))
    + _attribute(77, b"CONNECT 54Mbps 802.11")
)


class Eap:
    """One conversation."""

    def __init__(self, place: tuple[str, int], radius: "Radius", done: Done) -> None:
        self.tls = SSL.Connection(EAP, None)
        self.tls.set_connect_state()
        self.tls.request_ocsp()
        self.chain: tuple[bytes, ...] = ()
        self._place = place
        self._radius = radius
        self._done = done
        self._state = b""
        self._began = False
        self.identifier = 0
        body = IDENTITY.encode()
        self.say(_EAP.pack(2, 0, 5 + len(body), 1) + body)

    def say(self, eap: bytes) -> None:
        attributes = _ALWAYS
        for begin in range(0, len(eap), 253):
            attributes += _attribute(79, eap[begin : begin + 253])
        if self._state:
            attributes += _attribute(24, self._state)
        self.identifier = (self.identifier + 1) % 256
        head = _PACKET.pack(1, self.identifier, 38 + len(attributes), os.urandom(16))
        signature = hmac.digest(SECRET, head + b"\x50\x12" + bytes(16) + attributes, "md5")
        self.packet = head + b"\x50\x12" + signature + attributes
        self._send()

    def _send(self) -> None:
        self._timer = self._radius.loop.call_later(EAP_LOST_AFTER, self._send)
        self._radius.transport.sendto(self.packet, self._place)

    def receive(self, reply: bytes) -> None:
        if reply[1] != self.identifier:
            return
        self._timer.cancel()
        if reply[0] == 3:
            self._done()
            return
        message, place = b"", 20
        while place < len(reply):
            kind, length = reply[place], reply[place + 1]
            if kind == 79:
                message += reply[place + 2 : place + length]
            elif kind == 24:
                self._state = reply[place + 2 : place + length]
            place += length
        flags = message[5]
        data = message[10 if flags & 0x80 else 6 :]
        answer = b""
        if not self._began:
            self._began = True
            answer = self._step()
        else:
            self.tls.bio_write(data)
            if not flags & 0x40:
                self._step()
                self.chain = chain_of(self.tls)
                answer = _GOODBYE
        body = bytes((0,)) + answer
        self.say(_EAP.pack(2, message[1], 5 + len(body), _PEAP) + body)

    def _step(self) -> bytes:
        with suppress(SSL.WantReadError):
            self.tls.do_handshake()
        return self.tls.bio_read(_READ)


class Radius(asyncio.DatagramProtocol):
    """One socket for all conversations."""

    def __init__(self) -> None:
        self.loop = asyncio.get_running_loop()
        self.conversations: dict[str, Eap] = {}

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        conversation = self.conversations.get(addr[0])
        if conversation is not None:  # else it answers what was sent twice
            conversation.receive(data)


# ---------------------------------------------------------------- all of it


class Loop:
    """Asks all nodes, `IN_FLIGHT` at a time."""

    def __init__(self, nodes: int, ports: Ports) -> None:
        self.chains: list[tuple[bytes, ...]] = []
        self._ports = ports
        self._todo = iter(range(nodes))
        self._left = nodes
        self._tasks: set[asyncio.Task[Any]] = set()

    async def run(self) -> None:
        """Ask everything."""
        loop = self._loop = asyncio.get_running_loop()
        self._over = loop.create_future()
        where = RESOLVER, self._ports.dns
        self._names = [
            (await loop.create_datagram_endpoint(Names, remote_addr=where))[1]
            for _ in range(DNS_SOCKETS)
        ]
        _, self._radius = await loop.create_datagram_endpoint(Radius, local_addr=("127.0.0.1", 0))
        self._radius.transport.get_extra_info("socket").setsockopt(
            socket.SOL_SOCKET, socket.SO_RCVBUF, 4_194_304
        )
        for above in (DOMAIN, "example"):
            self._names[0].ask(_name(above), _CAA, lambda: None)
        for _ in range(IN_FLIGHT):
            self._next()
        await self._over
        for names in self._names:
            names.transport.close()
        self._radius.transport.close()

    def _next(self) -> None:
        number = next(self._todo, None)
        if number is None:
            return
        place, name = address(number), host(number)
        left = 8

        def done() -> None:
            nonlocal left
            left -= 1
            if not left:
                self._ended(place, webs)

        names = self._names[number % DNS_SOCKETS]
        octets = _name(name)
        for kind in (_A, _AAAA, _CAA):
            names.ask(octets, kind, done)
        names.ask(_name(f"_{self._ports.web}._tcp.{name}"), _TLSA, done)
        request = _HEAD_REQUEST.format(f"{name}:{self._ports.web}").encode()
        webs = [
            Web(using, name, what, done)
            for using, what in ((PLAIN, request), (RSA, b""), (ECDSA, b""))
        ]
        for web in webs:
            task = self._loop.create_task(
                self._loop.create_connection(lambda web=web: web, place, self._ports.web)
            )
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
        conversations = self._radius.conversations
        conversations[place] = Eap((place, self._ports.eap), self._radius, done)

    def _ended(self, place: str, webs: list[Web]) -> None:
        self.chains += [web.chain for web in webs[:2]]
        self.chains.append(self._radius.conversations.pop(place).chain)
        self._left -= 1
        if self._left:
            self._next()
        else:
            self._over.set_result(None)


def run(nodes: int, ports: Ports) -> list[tuple[bytes, ...]]:
    """Ask all nodes and return the chains: three of each node."""
    loop = Loop(nodes, ports)
    asyncio.run(loop.run())
    return loop.chains
