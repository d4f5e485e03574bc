"""The peers that are measured at, in a process of their own: a resolver, web and RADIUS servers.

They are as quick as Python lets them be, as what they take is waited for by both that are compared.
They answer what is asked of them and look at nothing else: no test of what is right is made here.

Latency and loss are made here too, on what comes: each datagram and each piece of a TCP stream
waits for one round trip, a TCP connection's first piece for two, as the system has answered its SYN
at once. A lost datagram is gone. A lost piece of a stream comes later by the shortest time in which
the system sends again (RTO, 200 ms), and a lost SYN by a second (RFC 6298, 2).

    python -m tests.benchmarks.peers DIRECTORY NODES KIND

prints its ports and runs until its standard input is closed. Lines that come there are
"SECONDS LOSS DEAD": the round trip time, the share of packets that get lost, and how many nodes,
the first ones, take what comes and say nothing.
"""

import asyncio
import gc
import hashlib
import hmac
import os
import random
import resource
import socket
import struct
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import cast

from OpenSSL import SSL

from lab.places import NoPlace
from tests.benchmarks.cluster import (
    DOMAIN,
    RADIUS_NAME,
    RESOLVER,
    SECRET,
    Authorities,
    Chain,
    Kind,
    Ports,
    address,
    host,
    web_chains,
    write_plan,
)

_RTO, _SYN_RTO = 0.2, 1.0
_READ = 65_536
_FRAGMENT = 1_000
_BUFFER = 4_194_304


class Way:
    """The way between the peers and whoever asks: how long it takes, and what it loses."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self.loss = 0.0
        self.dead = 0
        self._chance = random.Random(7)  # noqa: S311  # the same in each run, and no secret

    def set(self, line: str) -> None:
        seconds, loss, dead = line.split()
        self.seconds, self.loss, self.dead = float(seconds), float(loss), int(dead)
        self._chance.seed(7)

    def loses(self) -> bool:
        return self.loss > 0 and self._chance.random() < self.loss

    def datagram(self, answer: Callable[[], None]) -> None:
        """Have a datagram answered after a round trip, if neither it nor the answer is lost."""
        if self.loses() or self.loses():
            return
        if self.seconds:
            asyncio.get_running_loop().call_later(self.seconds, answer)
        else:
            answer()


WAY = Way()


# ---------------------------------------------------------------- names


def _labels(name: str) -> bytes:
    return b"".join(bytes((len(label),)) + label.encode() for label in name.split(".")) + b"\0"


_SOA = (
    _labels(DOMAIN)
    + struct.pack("!HHI", 6, 1, 60)
    + struct.pack("!H", len(_labels(f"ns.{DOMAIN}")) * 2 + 20)
    + _labels(f"ns.{DOMAIN}") * 2
    + struct.pack("!IIIII", 1, 3600, 600, 86400, 60)
)
_OPT = b"\0" + struct.pack("!HHIH", 41, 1232, 0, 0)
_A, _FLAGS, _NXDOMAIN = 1, 0x8580, 3
_HEAD = struct.Struct("!HHHHHH")


class Resolver(asyncio.DatagramProtocol):
    """Knows the address of each node, and that there is nothing else below the domain."""

    def __init__(self, nodes: int) -> None:
        self._known = {
            _labels(host(number)): b"\xc0\x0c"
            + struct.pack("!HHIH", _A, 1, 300, 4)
            + socket.inet_aton(address(number))
            for number in range(nodes)
        }
        self._above = {_labels(DOMAIN), _labels("example")}

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        WAY.datagram(lambda: self._transport.sendto(self._answer(data), addr))

    def _answer(self, query: bytes) -> bytes:
        end = query.index(0, 12) + 1
        name = query[12:end].lower()
        kind = int.from_bytes(query[end : end + 2])
        record = self._known.get(name)
        code = 0 if record is not None or name in self._above else _NXDOMAIN
        found = record if kind == _A else None
        head = _HEAD.pack(
            int.from_bytes(query[:2]), _FLAGS | code, 1, found is not None, found is None, 1
        )
        return head + query[12 : end + 4] + (_SOA if found is None else found) + _OPT


# ---------------------------------------------------------------- the web

_PAGE = (
    b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nConnection: close\r\nContent-Length: 0\r\n\r\n"
)


class Web(asyncio.Protocol):
    """One connection: the handshake, and an answer to whatever is asked."""

    def __init__(self, context: SSL.Context, number: int) -> None:
        self._number = number
        self._tls = SSL.Connection(context, None)
        self._tls.set_accept_state()
        self._established = False
        self._turn = 0.0
        self._gone = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        if WAY.seconds:
            self._turn = asyncio.get_running_loop().time() + WAY.seconds
            self._turn += _SYN_RTO * WAY.loses()

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002  # asyncio's
        self._gone = True

    def data_received(self, data: bytes) -> None:
        if self._number < WAY.dead:
            return
        if not WAY.seconds:
            self._take(data)
            return
        loop = asyncio.get_running_loop()
        # What was sent later comes no earlier.
        late = _RTO * WAY.loses() + _RTO * WAY.loses()
        self._turn = max(self._turn, loop.time()) + late
        self._turn = max(self._turn, loop.time() + WAY.seconds + late)
        loop.call_at(self._turn, self._take, data)

    def _take(self, data: bytes) -> None:
        if self._gone:
            return
        self._tls.bio_write(data)
        ended = False
        try:
            if not self._established:
                self._tls.do_handshake()
                self._established = True
            if self._tls.recv(_READ):
                self._tls.sendall(_PAGE)
        except SSL.WantReadError:
            pass
        except SSL.Error:
            ended = True
        with suppress(SSL.WantReadError):
            self._transport.write(self._tls.bio_read(_READ))
        if ended:
            self._transport.close()


# ---------------------------------------------------------------- EAP over RADIUS

_PACKET = struct.Struct("!BBH16s")
_USER_MESSAGE, _STATE, _SIGNATURE = 79, 24, 80
_PEAP, _MORE, _LENGTH, _START = 25, 0x40, 0x80, 0x20


class _Session:
    def __init__(self, context: SSL.Context) -> None:
        self.tls = SSL.Connection(context, None)
        self.tls.set_accept_state()
        self.flight = b""
        self.said = 0


class Radius(asyncio.DatagramProtocol):
    """Proposes PEAP, shows its chain in fragments, and turns away whoever says goodbye."""

    def __init__(self, context: SSL.Context, number: int) -> None:
        self._context = context
        self._number = number
        self._sessions: dict[bytes, _Session] = {}
        self._kept: dict[bytes, bytes] = {}
        """The last reply of each sender and authenticator: a request may come twice."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        if self._number >= WAY.dead:
            WAY.datagram(lambda: self._transport.sendto(self._answer(data), addr))

    def _answer(self, request: bytes) -> bytes:
        authenticator = request[4:20]
        known = self._kept.get(authenticator)
        if known is not None:
            return known
        message, state = b"", b""
        place = 20
        while place < len(request):
            kind, length = request[place], request[place + 1]
            if kind == _USER_MESSAGE:
                message += request[place + 2 : place + length]
            elif kind == _STATE:
                state = request[place + 2 : place + length]
            place += length
        if not state:
            state = os.urandom(16)
            self._sessions[state] = _Session(self._context)
            code, eap = 11, struct.pack("!BBHBB", 1, 1, 6, _PEAP, _START)
        else:
            code, eap = self._next(state, message)
        if len(self._kept) > 256:
            self._kept.clear()
        reply = self._kept[authenticator] = _signed(code, request[1], authenticator, eap, state)
        return reply

    def _next(self, state: bytes, message: bytes) -> tuple[int, bytes]:
        session = self._sessions.get(state)
        identifier = (message[1] + 1) % 256
        if session is None or len(message) < 6:
            return 3, struct.pack("!BBH", 4, message[1], 4)
        flags, data = message[5], message[6:]
        if flags & _LENGTH:
            data = data[4:]
        if data:
            session.tls.bio_write(data)
            try:
                session.tls.do_handshake()
            except SSL.WantReadError:
                pass
            except SSL.Error:
                del self._sessions[state]
                return 3, struct.pack("!BBH", 4, message[1], 4)
            session.flight = session.tls.bio_read(_READ)
            session.said = 0
        piece = session.flight[session.said : session.said + _FRAGMENT]
        head = b""
        more = session.said + len(piece) < len(session.flight)
        flags = _MORE * more
        if more and not session.said:
            flags |= _LENGTH
            head = len(session.flight).to_bytes(4)
        session.said += len(piece)
        body = bytes((_PEAP, flags)) + head + piece
        return 11, struct.pack("!BBH", 1, identifier, 4 + len(body)) + body


def _signed(code: int, identifier: int, authenticator: bytes, eap: bytes, state: bytes) -> bytes:
    attributes = b""
    for begin in range(0, len(eap), 253):
        piece = eap[begin : begin + 253]
        attributes += bytes((_USER_MESSAGE, len(piece) + 2)) + piece
    if code == 11:
        attributes += bytes((_STATE, 18)) + state
    length = 20 + 18 + len(attributes)
    unsigned = bytes((_SIGNATURE, 18)) + bytes(16) + attributes
    head = _PACKET.pack(code, identifier, length, authenticator)
    signature = hmac.digest(SECRET, head + unsigned, "md5")
    body = bytes((_SIGNATURE, 18)) + signature + attributes
    response = hashlib.md5(head + body + SECRET, usedforsecurity=False).digest()
    return _PACKET.pack(code, identifier, length, response) + body


# ---------------------------------------------------------------- all of them


def _context(directory: Path, name: str, chain: Chain) -> SSL.Context:
    certificates, key = directory / f"{name}.pem", directory / f"{name}.key"
    certificates.write_bytes(chain.certificates)
    key.write_bytes(chain.key)
    context = SSL.Context(SSL.TLS_SERVER_METHOD)
    context.use_certificate_chain_file(str(certificates))
    context.use_privatekey_file(str(key))
    context.set_session_cache_mode(SSL.SESS_CACHE_OFF)
    context.set_options(SSL.OP_NO_TICKET)
    return context


def _bound(kind: socket.SocketKind, place: str, port: int) -> socket.socket:
    bound = socket.socket(socket.AF_INET, kind)
    try:
        if kind is socket.SOCK_STREAM:
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        else:
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER)
        bound.bind((place, port))
    except OSError:
        bound.close()
        raise
    return bound


def _all_bound(kind: socket.SocketKind, nodes: int) -> list[socket.socket]:
    """Return a socket at the address of each node, all at one port that the system chooses."""
    for _ in range(20):
        bound = [_bound(kind, address(0), 0)]
        port = bound[0].getsockname()[1]
        try:
            bound += [_bound(kind, address(number), port) for number in range(1, nodes)]
        except OSError:
            for one in bound:
                one.close()
        else:
            return bound
    raise NoPlace("no port is free at every address")


async def _serve(directory: Path, nodes: int, kind: Kind) -> None:
    loop = asyncio.get_running_loop()
    authorities = Authorities()
    contexts: dict[int, SSL.Context] = {}
    webs = _all_bound(socket.SOCK_STREAM, nodes)
    chains = list(web_chains(authorities, kind, nodes))
    for number, (bound, chain) in enumerate(zip(webs, chains, strict=True)):
        if id(chain) not in contexts:
            contexts[id(chain)] = _context(directory, f"web-{number}", chain)
        context = contexts[id(chain)]
        bound.listen(128)
        await loop.create_server(
            lambda context=context, number=number: Web(context, number), sock=bound
        )
    eap = _context(directory, "eap", authorities.chain(RADIUS_NAME, (RADIUS_NAME,)))
    radii = _all_bound(socket.SOCK_DGRAM, nodes)
    for number, bound in enumerate(radii):
        await loop.create_datagram_endpoint(lambda number=number: Radius(eap, number), sock=bound)
    resolver = _bound(socket.SOCK_DGRAM, RESOLVER, 0)
    await loop.create_datagram_endpoint(lambda: Resolver(nodes), sock=resolver)
    ports = Ports(*(one.getsockname()[1] for one in (resolver, webs[0], radii[0])))
    for some in (1, *(n for n in (4, 10, 100, 300, 1_000) if n <= nodes), nodes):
        write_plan(directory, authorities.root, some, ports)
    reader = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    gc.freeze()
    print(ports.dns, ports.web, ports.eap, flush=True)
    while line := (await reader.readline()).decode():
        WAY.set(line)
        print("set", flush=True)


def main() -> None:
    """Run until standard input is closed."""
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
    directory, nodes, kind = sys.argv[1:]
    asyncio.run(_serve(Path(directory), int(nodes), Kind(kind)))


if __name__ == "__main__":
    main()
