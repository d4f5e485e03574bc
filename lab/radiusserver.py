"""The lab's RADIUS server: EAP over RADIUS/UDP (RFC 3579) at one address, with faults."""

import os
import socket
from typing import Any

from lab import misbehave
from lab.eapserver import EapConversation, EapFault, EapSite
from lab.serving import DatagramServer
from probe.wire.eap import Code as EapCode
from probe.wire.eap import EapError, EapPacket
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


class RadiusServer:
    """Answers Access-Requests at a UDP socket that the caller has bound to one address.

    A reply leaves from the socket that the request came to, so it comes from the address asked.
    """

    def __init__(self, bound: socket.socket, site: EapSite, secret: bytes) -> None:
        self.install(site)
        self._secret = _OTHER_SECRET if site.fault is EapFault.OTHER_SECRET else secret
        self._conversations: dict[bytes, EapConversation] = {}
        self._replies: dict[tuple[_Sender, int, bytes], bytes | None] = {}
        self._server = DatagramServer(bound, self.answer)

    def install(self, site: EapSite) -> None:
        """Serve this site from the next conversation on."""
        self.site = site
        self._context = site.context()

    async def start(self) -> None:
        """Begin to answer."""
        await self._server.start()

    async def stop(self) -> None:
        """Close the socket."""
        await self._server.stop()

    def answer(self, octets: bytes, sender: _Sender) -> bytes | None:
        """Return the reply to one datagram, or None for silence."""
        if self.site.fault is EapFault.SILENT:
            return None
        if self.site.fault is EapFault.GARBAGE:
            return misbehave.garbage()
        try:
            request = read_request(octets, self._secret)
        except RadiusError:
            return None  # RFC 2865, 3: silently discarded
        key = (sender, request.identifier, request.authenticator)
        if key not in self._replies:
            self._replies[key] = self._reply(request)
            _forget_oldest(self._replies, _MOST_REPLIES)
        return self._replies[key]

    def _reply(self, request: Request) -> bytes | None:
        if request.verification is not Verification.VALID and (
            self.site.fault is not EapFault.OTHER_SECRET
        ):
            return None  # RFC 3579, 3.2: silently discarded
        if request.code == Code.STATUS_SERVER:
            return build_reply(request, self._secret, Code.ACCESS_ACCEPT)
        if request.code != Code.ACCESS_REQUEST or request.eap is None:
            return None
        state = request.state
        if state is None:
            state = os.urandom(16)
            self._conversations[state] = EapConversation(self.site, self._context)
            _forget_oldest(self._conversations, _MOST_CONVERSATIONS)
        conversation = self._conversations.get(state)
        if conversation is None:
            return self._reject(request, None)
        try:
            answer = conversation.receive(request.eap)
        except EapError:
            return None  # RFC 3748, 4: silently discarded
        if answer is None:
            return None
        if answer.code is EapCode.FAILURE:
            del self._conversations[state]
            return self._reject(request, answer)
        return build_reply(
            request, self._secret, Code.ACCESS_CHALLENGE, eap=answer.octets, state=state
        )

    def _reject(self, request: Request, failure: EapPacket | None) -> bytes:
        return build_reply(
            request,
            self._secret,
            Code.ACCESS_REJECT,
            eap=failure.octets if failure is not None else None,
            attributes=(("Reply-Message", "No such account on board"),),
        )


def _forget_oldest(kept: dict[Any, Any], most: int) -> None:
    if len(kept) > most:
        del kept[next(iter(kept))]
