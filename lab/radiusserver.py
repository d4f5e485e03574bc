"""The lab's RADIUS server: EAP over RADIUS/UDP (RFC 3579) at one address, with faults."""

import os
import socket
from typing import Any, Literal

import msgspec

from lab import misbehave, unruly
from lab.eapserver import EapConversation
from lab.eapsite import Contexts, EapFault, EapSite
from lab.inside import Heard
from lab.serving import DatagramServer
from lab.signing import SignaturePlace, signed
from probe.wire.eap import EapError
from probe.wire.radius import (
    Code,
    RadiusError,
    Request,
    Verification,
    build_reply,
    read_request,
)

_MOST_CONVERSATIONS = 1_000
_MOST_REPLIES = 1_000
"""Replies that are kept for requests that are sent twice (RFC 5080, 2.2.2)."""
_OTHER_SECRET = b"another secret than the one that was agreed on"

_Sender = tuple[str, int]


class Manners(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How a server treats whole datagrams, as a scenario file says it too."""

    signature: SignaturePlace = SignaturePlace.FIRST
    """Where its replies have the Message-Authenticator."""
    accepts_unsigned: bool = False
    """Whether it answers requests without one, against RFC 3579, 3.2."""
    status_server: Literal["answers", "ignores"] = "answers"
    error_cause: str | None = None
    """The Error-Cause (RFC 5176, 3.6) that its rejects carry, by name."""


class RadiusServer:
    """Answers Access-Requests at a UDP socket that the caller has bound to one address.

    A reply leaves from the socket that the request came to, so it comes from the address asked.
    """

    def __init__(
        self,
        bound: socket.socket,
        site: EapSite,
        secret: bytes,
        manners: Manners = Manners(),  # noqa: B008  # frozen
    ) -> None:
        self.opened = 0
        """Conversations that were begun here: each is a failed authentication in its log."""
        self.heard = Heard()
        """What peers have told it, in the clear and inside TLS."""
        self._site = site
        self._contexts = Contexts(site)
        self._secret = _OTHER_SECRET if site.fault is EapFault.OTHER_SECRET else secret
        self._manners = manners
        self._conversations: dict[bytes, EapConversation] = {}
        self._replies: dict[tuple[_Sender, int, bytes], bytes | None] = {}
        self._first_reply: bytes | None = None
        self._server = DatagramServer(bound, self.answer)

    @property
    def site(self) -> EapSite:
        """What it serves."""
        return self._site

    def serve(self, site: EapSite) -> None:
        """Serve something else from the next conversation on, as after an import."""
        self._site, self._contexts = site, Contexts(site)

    @property
    def waiting(self) -> int:
        """Conversations that nobody has ended: they are kept, as a real server keeps them."""
        return len(self._conversations)

    async def start(self) -> None:
        """Begin to answer."""
        await self._server.start()

    async def stop(self) -> None:
        """Close the socket."""
        await self._server.stop()

    def answer(self, octets: bytes, sender: _Sender) -> bytes | tuple[bytes, ...] | None:
        """Return the reply to one datagram, or None for silence."""
        match self._site.fault:
            case EapFault.SILENT:
                return None
            case EapFault.GARBAGE:
                return misbehave.garbage()
            case EapFault.FLOOD:
                return unruly.flood()
        return self.reply_to(octets, sender, self._secret)

    def reply_to(self, octets: bytes, sender: _Sender, secret: bytes) -> bytes | None:
        """Return the reply to one packet of a client that has this secret, or None for silence."""
        try:
            request = read_request(octets, secret)
        except RadiusError:
            return None  # RFC 2865, 3: silently discarded
        key = (sender, request.identifier, request.authenticator)
        if key not in self._replies:
            self._replies[key] = self._treated(request, secret)
            _forget_oldest(self._replies, _MOST_REPLIES)
        return self._replies[key]

    def _treated(self, request: Request, secret: bytes) -> bytes | None:
        """Return the reply as this server sends it."""
        reply = self._reply(request, secret)
        if reply is None:
            return None
        if self._manners.signature is not SignaturePlace.FIRST:
            reply = signed(reply, request.authenticator, secret, self._manners.signature)
        self._first_reply = self._first_reply or reply
        if self._site.fault is EapFault.REPLAY:
            return self._first_reply
        return unruly.spoiled(self._site.fault, reply, request.authenticator, secret)

    def _reply(self, request: Request, secret: bytes) -> bytes | None:
        if not self._believes(request):
            return None  # RFC 3579, 3.2: silently discarded
        if request.code == Code.STATUS_SERVER and self._manners.status_server == "answers":
            return build_reply(request, secret, Code.ACCESS_ACCEPT)
        if request.code != Code.ACCESS_REQUEST or request.eap is None:
            return None
        if self._site.fault is EapFault.DROPS:
            return None
        state = request.state
        if state is None:
            state = os.urandom(16)
            self.opened += 1
            self._conversations[state] = EapConversation(
                self._site, self._contexts, request.shown, self.heard
            )
            _forget_oldest(self._conversations, _MOST_CONVERSATIONS)
        conversation = self._conversations.get(state)
        if conversation is None:
            return self._reject(request, secret, None)
        try:
            answer = conversation.receive(request.eap)
        except EapError:
            return None  # RFC 3748, 4: silently discarded
        if answer is None:
            return None
        if answer.over:
            del self._conversations[state]
            return self._reject(request, secret, answer.octets)
        return build_reply(request, secret, Code.ACCESS_CHALLENGE, eap=answer.octets, state=state)

    def _believes(self, request: Request) -> bool:
        if request.verification is Verification.UNSIGNED:
            return self._manners.accepts_unsigned
        return request.verification is Verification.VALID or (
            self._site.fault is EapFault.OTHER_SECRET
        )

    def _reject(self, request: Request, secret: bytes, failure: bytes | None) -> bytes:
        attributes = [("Reply-Message", "No such account on board")]
        if self._manners.error_cause is not None:
            attributes.append(("Error-Cause", self._manners.error_cause))
        return build_reply(request, secret, Code.ACCESS_REJECT, eap=failure, attributes=attributes)


def _forget_oldest(kept: dict[Any, Any], most: int) -> None:
    if len(kept) > most:
        del kept[next(iter(kept))]
