"""The lab's CA server: certificates of issuers, lists and OCSP over plain HTTP, with faults.

GET  /LABEL.cer   the certificate of a CA     GET  /LABEL.crl   its list
POST /ocsp/LABEL  its OCSP responder
"""

import asyncio
import gzip
import socket
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.serialization import pkcs7

from lab.authority import Issued
from lab.revocation import Authority, State, stranger_certificate
from lab.serving import Stream, StreamServer

HEAD_END = b"\r\n\r\n"
_LONGEST_REQUEST = 65_536
_PIECE = bytes(65_536)
_HUGE = 10 * 1024 * 1024

Offer = Literal["issuer", "crl", "ocsp"]
"""What a CA has at its addresses."""


class AuthorityFault(StrEnum):
    """What is wrong with what an address of a CA gives."""

    STALE = "stale"
    FOREIGN = "foreign"
    OTHER = "other"
    """It is another's: the wrong certificate, another CA's list, about another certificate."""
    NOT_FOUND = "not-found"
    HTML = "html"
    """A web page with status 200."""
    REDIRECT_LOOP = "redirect-loop"
    ENDLESS = "endless"
    """A body that never ends."""
    HUGE = "huge"
    """A body of 10 MB."""
    BOMB = "bomb"
    """A small body that unpacks to 100 MB, which nobody asked to be packed."""
    SILENT = "silent"
    """The connection stands, and nothing comes."""
    TRICKLE = "trickle"
    """It begins to answer, and never ends the first line."""


_STATES = {
    AuthorityFault.STALE: State.STALE,
    AuthorityFault.FOREIGN: State.FOREIGN,
    AuthorityFault.OTHER: State.OTHER,
}

_KINDS: Mapping[Offer, str] = {
    "issuer": "application/pkix-cert",
    "crl": "application/pkix-crl",
    "ocsp": "application/ocsp-response",
}


class Form(StrEnum):
    """How a CA's address gives its certificate."""

    DER = "der"
    PEM = "pem"
    PKCS7 = "pkcs7"


@dataclass(frozen=True, slots=True)
class Office:
    """A CA, and how its addresses behave."""

    authority: Authority
    faults: Mapping[Offer, AuthorityFault] = field(default_factory=dict)
    form: Form = Form.DER

    def body(self, offer: Offer, request: bytes) -> bytes:
        """Return what an address gives."""
        state = State.GOOD
        if offer in self.faults:
            state = _STATES.get(self.faults[offer], state)
        if offer == "crl":
            return self.authority.revoked_list(state)
        if offer == "ocsp":
            return self.authority.answer(request, state)
        if state is State.OTHER:
            return stranger_certificate()
        return _formed(self.authority.issued, self.form)


def _formed(issued: Issued, form: Form) -> bytes:
    if form is Form.PEM:
        return issued.pem
    if form is Form.PKCS7:
        return pkcs7.serialize_certificates([issued.certificate], serialization.Encoding.DER)
    return issued.der


class AuthorityServer:
    """Serves all CAs of a lab on a listening socket that the caller has bound."""

    def __init__(self, listener: socket.socket, offices: Mapping[str, Office]) -> None:
        self._server = StreamServer(listener, lambda streams: _Visit(offices, streams))

    async def start(self) -> None:
        """Begin to answer."""
        await self._server.start()

    async def stop(self) -> None:
        """Close the socket and every connection."""
        await self._server.stop()


class _Visit(Stream):
    """One connection: one request, one answer."""

    def __init__(self, offices: Mapping[str, Office], open_streams: set[Stream]) -> None:
        super().__init__(open_streams)
        self._offices = offices
        self._request = b""
        self._answered = False
        self._pour: Callable[[], None] | None = None

    def data_received(self, data: bytes) -> None:
        if self._answered:
            return
        self._request += data
        head, end, body = self._request.partition(HEAD_END)
        if len(self._request) > _LONGEST_REQUEST:
            self.transport.close()
        elif end and len(body) >= _length(head):
            self._answered = True
            self._answer(head.split(b"\r\n")[0].decode("latin-1"), body)

    def _answer(self, line: str, body: bytes) -> None:
        method, _, rest = line.partition(" ")
        target = rest.partition(" ")[0]
        found = self._find(target)
        if found is None:
            self._send(404, "text/html", b"<html>There is nothing here.</html>")
            return
        office, offer = found
        match office.faults.get(offer):
            case AuthorityFault.SILENT:
                return
            case AuthorityFault.TRICKLE:
                self.transport.write(b"HTTP/1.1 2")
                return
            case AuthorityFault.NOT_FOUND:
                self._send(404, "text/html", b"<html>There is nothing here.</html>")
            case AuthorityFault.HTML:
                self._send(200, "text/html", b"<html>Please log in to the ship's network.</html>")
            case AuthorityFault.REDIRECT_LOOP:
                other = target.removesuffix("?again") if "?" in target else f"{target}?again"
                self._send(302, "text/html", b"", f"Location: {other}\r\n")
            case AuthorityFault.ENDLESS:
                self.transport.write(b"HTTP/1.1 200 OK\r\nConnection: close\r\n\r\n")
                self._pour = lambda: self.transport.write(_PIECE)
                self.resume_writing()
            case AuthorityFault.HUGE:
                self._send(200, _KINDS[offer], bytes(_HUGE))
            case AuthorityFault.BOMB:
                packed = gzip.compress(bytes(100 * 1024 * 1024), 1)
                self._send(200, _KINDS[offer], packed, "Content-Encoding: gzip\r\n")
            case _ if (method == "POST") is not (offer == "ocsp"):
                self._send(405, "text/html", b"")
            case _:
                self._send(200, _KINDS[offer], office.body(offer, body))

    def _find(self, target: str) -> tuple[Office, Offer] | None:
        path = target.partition("?")[0].removeprefix("/")
        ending: Mapping[str, Offer] = {".cer": "issuer", ".crl": "crl"}
        for suffix, offer in ending.items():
            if path.endswith(suffix) and path.removesuffix(suffix) in self._offices:
                return self._offices[path.removesuffix(suffix)], offer
        if path.startswith("ocsp/") and path.removeprefix("ocsp/") in self._offices:
            return self._offices[path.removeprefix("ocsp/")], "ocsp"
        return None

    def _send(self, status: int, kind: str, body: bytes, more: str = "") -> None:
        head = (
            f"HTTP/1.1 {status} Lab\r\nContent-Type: {kind}\r\nConnection: close\r\n{more}"
            f"Content-Length: {len(body)}\r\n\r\n"
        )
        self.transport.write(head.encode("ascii") + body)
        self.transport.close()

    def resume_writing(self) -> None:
        """Go on with an endless body, in the loop's next turn: a transport that calls this looks
        at its own state afterwards, and would lose a connection twice that is lost in between."""
        asyncio.get_running_loop().call_soon(self._go_on)

    def _go_on(self) -> None:
        """Write until the connection can take no more of it."""
        if self._pour is not None:
            pour, self._pour = self._pour, None
            while self._pour is None and not self.transport.is_closing():
                pour()
                if self.transport.get_write_buffer_size() > _LONGEST_REQUEST:
                    self._pour = pour

    def pause_writing(self) -> None:
        """Wait until there is room again."""


def _length(head: bytes) -> int:
    for line in head.split(b"\r\n"):
        name, _, value = line.partition(b":")
        if name.strip().lower() == b"content-length" and value.strip().isdigit():
            return int(value)
    return 0
