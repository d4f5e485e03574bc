"""A small HTTP/1.1 client for the addresses of authorities: GET and POST, plain HTTP, bounded.

It is written here because of what it must not do. Addresses come out of certificates that anybody
may have made, so a connection goes only to an address that was looked at after the name was
resolved (no library at hand lets one check and then connect to the very same), no cookie, no proxy
of the environment, no compression and no credential is ever in play, and every read has a bound.
"""

import asyncio
from collections.abc import Awaitable, Callable
from ipaddress import ip_address, ip_network
from typing import cast
from urllib.parse import quote, urljoin, urlsplit

from probe.limits import Limits
from probe.observation.model import FetchOutcome, Outcome
from probe.observe.visit import meant, network_outcome
from probe.plan.addresses import is_address, with_port
from probe.records import dataclass

Resolve = Callable[[str], Awaitable[tuple[str, ...]]]
"""From a host name to its addresses; none: no address is known."""

_HTTP = 80
_HEAD = 16_384
"""Octets of a response's head, or of one line of a chunked body: servers send below two thousand.
"""
_INTERIM = 3
"""Interim responses (1xx) that are read over: a server sends one at most."""
_URL = 2_048
"""Characters of an address: RFC 9110, 4.1 wants 8,000 at least, and those of CAs have below 200."""
_TRIED = 2
"""Addresses of one name that are tried: the second only where the first refuses or is silent."""
_REDIRECTS = frozenset({301, 302, 303, 307, 308})
_KEEPS_METHOD = frozenset({307, 308})
"""RFC 9110, 15.4.8 and 15.4.9: the others turn a POST into a GET, as all clients do."""

_NEAR = tuple(ip_network(prefix) for prefix in ("fec0::/10", "64:ff9b:1::/48"))
"""IPv6 that no public network carries and the standard library does not know as such in all its
versions: site-local (RFC 4291, 2.5.7), and NAT64 of one's own (RFC 8215)."""


class FetchError(Exception):
    """The fetch did not end with a body, and how it ended instead."""

    def __init__(self, outcome: FetchOutcome, says: str, status: int | None = None) -> None:
        super().__init__(says)
        self.outcome = outcome
        self.says = says
        self.status = status


@dataclass(frozen=True, slots=True)
class Message:
    """What a POST carries."""

    kind: str
    """Its media type."""
    body: bytes


@dataclass(frozen=True, slots=True)
class Place:
    """Where an address leads, taken apart."""

    host: str
    """A-labels in lower case, or an address in RFC 5952 form."""
    port: int
    target: str
    """Path and query, as they go on the wire."""

    @property
    def authority(self) -> str:
        """The value of the Host field (RFC 9110, 7.2)."""
        return self.host if self.port == _HTTP and ":" not in self.host else self.where

    @property
    def where(self) -> str:
        """Host and port as one text."""
        return with_port(self.host, self.port)


def place_of(url: str) -> Place:
    """Take an address apart. Raises FetchError for one that is not gone to."""
    if len(url) > _URL:
        raise FetchError(FetchOutcome.NOT_ALLOWED, f"an address of {len(url)} characters")
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port
    except ValueError as error:
        raise FetchError(FetchOutcome.NOT_ALLOWED, f"no address: {error}") from None
    if parts.scheme != "http":
        says = f"only plain HTTP is gone to, and this is {parts.scheme or 'no URL'}"
        raise FetchError(FetchOutcome.NOT_ALLOWED, says)
    if parts.username is not None or parts.password is not None:
        raise FetchError(FetchOutcome.NOT_ALLOWED, "it has a user name in it")
    if port == 0 or not _is_host(host):
        raise FetchError(FetchOutcome.NOT_ALLOWED, "it names no host")
    if is_address(host):
        host = str(ip_address(host))
    target = quote(parts.path or "/", safe="/%:@!$&'()*+,;=-._~")
    if parts.query:
        target += "?" + quote(parts.query, safe="/%:@!$&'()*+,;=-._~?")
    return Place(host.removesuffix("."), port or _HTTP, target)


def _joined(url: str, to: str) -> str:
    try:
        return urljoin(url, to) if len(to) <= _URL else to
    except ValueError:
        return to  # it is no address by itself either


def _is_host(host: str) -> bool:
    if is_address(host):
        return True
    labels = host.removesuffix(".").split(".")
    return len(host) <= 254 and all(
        0 < len(label) <= 63
        and label.isascii()
        and label.replace("-", "").replace("_", "").isalnum()
        for label in labels
    )


class Gate:
    """Which addresses may be gone to: public ones, and networks that the plan allows."""

    def __init__(self, allow: tuple[str, ...]) -> None:
        self._allow = tuple(ip_network(network) for network in allow)

    def refuses(self, address: str) -> str | None:
        """Return why an address is not gone to; None if it may be.

        Loopback, link-local and private addresses lead into this machine or the networks that it
        stands in, where a certificate from anywhere has no business to send us.
        """
        for place in meant(ip_address(address)):
            if any(place.version == one.version and place in one for one in self._allow):
                continue
            if place.is_multicast or place.is_unspecified:
                return f"{address} is no server's address"
            if not place.is_global or any(place in near for near in _NEAR):
                return f"{address} is no public address, and in no network that the plan allows"
        return None


@dataclass(frozen=True, slots=True)
class _Response:
    status: int
    fields: dict[str, str]
    """By name in lower case; of those that stand there twice the last."""
    body: bytes


class HttpClient:
    """Fetches, one connection for each request."""

    def __init__(self, resolve: Resolve, gate: Gate, limits: Limits) -> None:
        self._resolve = resolve
        self._gate = gate
        self._limits = limits

    async def fetch(self, url: str, *, most: int, message: Message | None = None) -> bytes:
        """Return the body of a response with status 200, of at most so many octets.

        Without a message it is a GET, else a POST of it. Raises FetchError for all that the network
        or the server does.
        """
        try:
            async with asyncio.timeout(self._limits.fetch_wait):
                return await self._follow(url, most, message)
        except TimeoutError:
            says = f"it was not finished within {self._limits.fetch_wait:g} s"
            raise FetchError(FetchOutcome.SILENT, says) from None

    async def _follow(self, url: str, most: int, message: Message | None) -> bytes:
        seen = [url]
        while True:
            place = place_of(url)
            response = await self._ask(place, most, message)
            if response.status == 200:
                return response.body
            to = response.fields.get("location")
            if response.status not in _REDIRECTS or not to:
                says = f"the server answers with status {response.status}"
                raise FetchError(FetchOutcome.FAILED, says, response.status)
            url = _joined(url, to)
            if len(seen) > self._limits.fetch_redirects or url in seen:
                says = "it redirects in a circle" if url in seen else "it redirects on and on"
                raise FetchError(FetchOutcome.FAILED, says, response.status)
            seen.append(url)
            if response.status not in _KEEPS_METHOD:
                message = None

    async def _ask(self, place: Place, most: int, message: Message | None) -> _Response:
        reader, writer = await self._connect(place)
        try:
            writer.write(_request(place, message))
            return await _read_response(reader, most)
        except asyncio.IncompleteReadError:
            says = "the connection ended in the midst of the answer"
            raise FetchError(FetchOutcome.MALFORMED, says) from None
        except OSError as error:
            raise FetchError(FetchOutcome.UNREACHABLE, network_outcome(error)[1]) from error
        finally:
            # A transport, as documented; StreamWriter types it wider.
            cast(asyncio.Transport, writer.transport).abort()

    async def _connect(self, place: Place) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        """Connect to the first address that takes us, of those that are allowed."""
        if is_address(place.host):
            addresses: tuple[str, ...] = (place.host,)
        else:
            addresses = await self._resolve(place.host)
        if not addresses:
            raise FetchError(FetchOutcome.NO_ADDRESS, f"no address of {place.host} is known")
        refused = [why for address in addresses if (why := self._gate.refuses(address))]
        if refused:
            # Of several, one that is not allowed makes the name suspicious altogether.
            raise FetchError(FetchOutcome.NOT_ALLOWED, refused[0])
        failed: FetchError | None = None
        for address in addresses[:_TRIED]:
            try:
                async with asyncio.timeout(self._limits.fetch_connect_wait):
                    return await asyncio.open_connection(address, place.port, limit=_HEAD)
            except TimeoutError:
                failed = FetchError(FetchOutcome.SILENT, f"nothing came back from {place.where}")
            except OSError as error:
                outcome, says = network_outcome(error)
                silent = outcome is Outcome.SILENT
                ended = FetchOutcome.SILENT if silent else FetchOutcome.UNREACHABLE
                failed = FetchError(ended, f"{place.where}: {says}")
        assert failed is not None  # noqa: S101  # there was an address to try
        raise failed


def _request(place: Place, message: Message | None) -> bytes:
    lines = [
        f"{'GET' if message is None else 'POST'} {place.target} HTTP/1.1",
        f"Host: {place.authority}",
        "User-Agent: cluster-probe",
        "Accept: */*",
        "Accept-Encoding: identity",
        "Connection: close",
    ]
    if message is not None:
        lines += [f"Content-Type: {message.kind}", f"Content-Length: {len(message.body)}"]
    head = "\r\n".join([*lines, "", ""]).encode("ascii")
    return head + (message.body if message is not None else b"")


# ---------------------------------------------------------------- responses (RFC 9112)


def _malformed(says: str) -> FetchError:
    return FetchError(FetchOutcome.MALFORMED, says)


async def _read_response(reader: asyncio.StreamReader, most: int) -> _Response:
    for _ in range(_INTERIM + 1):
        status, fields = await _read_head(reader)
        if status >= 200:
            break
    else:
        raise _malformed("it sends one interim answer after the other")
    if status != 200:
        # What an error page says is of no interest.
        return _Response(status, fields, b"")
    if fields.get("content-encoding", "identity").lower() not in ("identity", ""):
        raise _malformed("the answer is compressed, which was not asked for")
    return _Response(status, fields, await _read_body(reader, fields, most))


async def _read_head(reader: asyncio.StreamReader) -> tuple[int, dict[str, str]]:
    try:
        head = await reader.readuntil(b"\r\n\r\n")
    except asyncio.LimitOverrunError:
        raise _malformed("no end of the answer's head was found") from None
    except asyncio.IncompleteReadError as error:
        if not error.partial:
            says = "the connection was closed without an answer"
            raise FetchError(FetchOutcome.SILENT, says) from None
        raise _malformed("what came back is no HTTP") from None
    first, *rest = head[:-4].decode("latin-1").split("\r\n")
    protocol, _, after = first.partition(" ")
    status = after[:3]
    if not protocol.startswith("HTTP/1.") or not (status.isascii() and status.isdecimal()):
        raise _malformed("what came back is no HTTP")
    if len(status) != 3 or status < "100":
        raise _malformed("the answer has no status")
    fields = {}
    for line in rest:
        name, colon, value = line.partition(":")
        if colon:
            fields[name.strip().lower()] = value.strip()
    return int(status), fields


async def _read_body(reader: asyncio.StreamReader, fields: dict[str, str], most: int) -> bytes:
    coding = fields.get("transfer-encoding")
    if coding is not None:
        if coding.lower() != "chunked":
            raise _malformed("the answer is coded in a way that was not asked for")
        return await _read_chunks(reader, most)
    said = fields.get("content-length")
    if said is None:
        return await _read_until_end(reader, most)
    if not (said.isascii() and said.isdecimal()):
        raise _malformed("the length of the answer is no number")
    if len(said) > 12 or int(said) > most:
        raise FetchError(FetchOutcome.TOO_LARGE, f"{said[:20]} octets are more than {most}", 200)
    return await reader.readexactly(int(said))


def _too_large(most: int) -> FetchError:
    return FetchError(FetchOutcome.TOO_LARGE, f"more than {most} octets came", 200)


async def _read_until_end(reader: asyncio.StreamReader, most: int) -> bytes:
    body = bytearray()
    while piece := await reader.read(65_536):
        body += piece
        if len(body) > most:
            raise _too_large(most)
    return bytes(body)


async def _read_chunks(reader: asyncio.StreamReader, most: int) -> bytes:
    """Read a chunked body (RFC 9112, 7.1); trailers are left unread, as the connection ends."""
    body = bytearray()
    while True:
        try:
            line = await reader.readuntil(b"\r\n")
        except asyncio.LimitOverrunError:
            raise _malformed("a chunk has no length") from None
        digits = line.partition(b";")[0].strip()
        if not digits or len(digits) > 8 or digits.strip(b"0123456789abcdefABCDEF"):
            raise _malformed("a chunk has no length")
        length = int(digits, 16)
        if length == 0:
            return bytes(body)
        if len(body) + length > most:
            raise _too_large(most)
        body += await reader.readexactly(length)
        if await reader.readexactly(2) != b"\r\n":
            raise _malformed("a chunk does not end where it should")
