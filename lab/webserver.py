"""The lab's web server: HTTPS, the certificate chosen by server name, with faults."""

import socket
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from email.utils import formatdate
from enum import StrEnum

from OpenSSL import SSL

from lab import misbehave
from lab.serving import Stream, StreamServer
from lab.tls import ServedChain, Version, malformed_flight, serve_timestamps, server_context
from lab.tlsstream import READ, Amiss, TlsStream

_LONGEST_REQUEST = 65_536


class WebFault(StrEnum):
    """What is wrong with a web endpoint. The first is no server at all: `cluster.py` sees to it."""

    CLOSED = "closed"
    """The port is closed."""
    SILENT = "silent"
    """Connections are taken and nothing is ever said."""
    CUT_OFF = "cut-off"
    """The connection is closed as soon as the ClientHello has come."""
    ALERT = "alert"
    """A fatal handshake_failure alert answers the ClientHello."""
    PLAIN_HTTP = "plain-http"
    """The server speaks HTTP without TLS."""
    GARBAGE = "garbage"
    """Octets of no protocol answer the ClientHello."""
    BROKEN_HELLO = "broken-hello"
    """A TLS record with a ServerHello that makes no sense answers the ClientHello."""
    OTHER_KEY = "other-key"
    """The handshake is signed with another key than the certificate's (up to TLS 1.2)."""
    MALFORMED = "malformed"
    """The end of the certificate's validity is no time, so that libraries refuse to parse it."""


_RAW_ANSWERS = {
    WebFault.CUT_OFF: b"",
    WebFault.ALERT: misbehave.fatal_alert(misbehave.HANDSHAKE_FAILURE),
    WebFault.PLAIN_HTTP: misbehave.plain_http(),
    WebFault.GARBAGE: misbehave.garbage(),
    WebFault.BROKEN_HELLO: misbehave.broken_handshake(),
}


@dataclass(frozen=True, slots=True)
class WebSite:
    """What a web endpoint serves."""

    chains: tuple[ServedChain, ...]
    """Served without a server name, and for every name that has no others."""
    by_name: Mapping[str, tuple[ServedChain, ...]] = field(default_factory=dict)
    versions: tuple[Version, ...] = (Version.TLS1_2, Version.TLS1_3)
    fault: WebFault | None = None
    names: frozenset[str] = frozenset()
    """Names that the site knows."""
    unnamed: tuple[ServedChain, ...] = ()
    """Served without a server name, and for names that it does not know; empty: `chains`."""
    in_turn: tuple[ServedChain, ...] = ()
    """Served to every other visit that says the same hello: as by a process that was forgotten."""
    minutes_ahead: float = 0
    """How far its clock is ahead."""
    strict_transport: str | None = None
    """The header of that name, in every answer."""
    timestamps: bytes = b""
    """The list that comes in the TLS extension (RFC 6962, 3.3.1); up to TLS 1.2."""


class WebServer:
    """Serves one site on a listening socket that the caller has bound."""

    def __init__(self, listener: socket.socket, site: WebSite) -> None:
        self.install(site)
        self._server = StreamServer(
            listener, lambda streams: _Visit(self._context, self.site, streams)
        )

    def install(self, site: WebSite) -> None:
        """Serve this site from the next connection on."""
        self.site = site
        self._context = _context(site, site.chains)
        self._by_name = {
            name.encode("ascii"): _context(site, chains) for name, chains in site.by_name.items()
        }
        self._names = {name.encode("idna") for name in (*site.names, *site.by_name)}
        self._unnamed = _context(site, site.unnamed) if site.unnamed else None
        self._in_turn = _context(site, site.in_turn) if site.in_turn else None
        self._hellos: Counter[tuple[bytes, int]] = Counter()
        self._context.set_tlsext_servername_callback(self._choose)

    async def start(self) -> None:
        """Begin to answer."""
        await self._server.start()

    async def stop(self) -> None:
        """Close the socket and every connection."""
        await self._server.stop()

    def _choose(self, connection: SSL.Connection) -> None:
        """Choose the certificate by the server name of the ClientHello (RFC 6066, 3)."""
        name = (connection.get_servername() or b"").lower()
        context = self._by_name.get(name)
        if context is None and name not in self._names:
            context = self._unnamed
        if self._in_turn is not None:
            # Hellos that ask the same are of one length; one for another key family is not.
            hello = name, _length(connection)
            self._hellos[hello] += 1
            context = self._in_turn if self._hellos[hello] % 2 == 0 else context
        if context is not None:
            connection.set_context(context)


def _context(site: WebSite, chains: tuple[ServedChain, ...]) -> SSL.Context:
    context = server_context(chains, site.versions)
    if site.timestamps:
        serve_timestamps(context, site.timestamps)
    return context


def _length(connection: SSL.Connection) -> int:
    length: int = connection.get_app_data()
    return length


class _Visit(TlsStream):
    """One connection: the handshake, one request, one answer."""

    def __init__(self, context: SSL.Context, site: WebSite, open_streams: set[Stream]) -> None:
        super().__init__(open_streams, context, _amiss(site))
        self._site = site
        self._request = b""

    def data_received(self, data: bytes) -> None:
        if self.tls.get_app_data() is None:
            self.tls.set_app_data(len(data))
        super().data_received(data)

    def converse(self) -> None:
        while not self._request.endswith(b"\r\n\r\n"):
            self._request += self.tls.recv(READ)
            if len(self._request) > _LONGEST_REQUEST:
                break
        self.tls.sendall(_answer(self._site, self._request))


def _amiss(site: WebSite) -> Amiss:
    raw = _RAW_ANSWERS.get(site.fault) if site.fault is not None else None
    if site.fault is WebFault.MALFORMED:
        raw = malformed_flight(site.chains[0])
    return Amiss(site.fault is WebFault.SILENT, raw, site.fault is WebFault.OTHER_KEY)


def _answer(site: WebSite, request: bytes) -> bytes:
    page = b"<!doctype html><title>Northpier Ferries</title><p>Welcome on board.\n"
    head = (
        "HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nConnection: close\r\n"
        f"Date: {formatdate(time.time() + 60 * site.minutes_ahead, usegmt=True)}\r\n"
    )
    if site.strict_transport is not None:
        head += f"Strict-Transport-Security: {site.strict_transport}\r\n"
    head += f"Content-Length: {len(page)}\r\n\r\n"
    return head.encode("ascii") + (b"" if request.startswith(b"HEAD ") else page)
