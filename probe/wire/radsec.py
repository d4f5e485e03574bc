"""RADIUS over TLS (RFC 6614): what is said inside, once the handshake is over. No socket, no clock.

    STATUS --(answered or not)--> EAP --> LEAVING --> OVER

A sign of life is asked for first (Status-Server, RFC 5997), as it concerns this server alone: what
is said of EAP may be somebody else's behind it. Nothing is ever sent twice: TCP is reliable, and
RFC 6613, 2.6.1 forbids it.
"""

from collections.abc import Iterator, Sequence
from enum import Enum, auto

from probe.observation.model import RadiusSeen
from probe.wire.conversation import Conversation
from probe.wire.radius import (
    LARGEST_PACKET,
    RadiusError,
    Reply,
    ReplyNotOurs,
    Request,
    Value,
    build_request,
    read_reply,
    status_attributes,
    status_server,
)
from probe.wire.replies import RepliesSeen

SECRET = b"radsec"
"""RFC 6614, 2.3 (4): the same for all, as TLS does what it was for."""

_HEAD = 4
_LEAST = 20

_FROM_SERVERS = frozenset({1, 4, 12, 40, 43})
"""Codes of requests (IANA "RADIUS Packet Type Codes"). A server may send some over a connection
that it did not open; they are no reply, whatever their identifier."""


class Packets:
    """Cuts a stream into RADIUS packets by their own lengths (RFC 2865, 3; RFC 6613, 2.1)."""

    def __init__(self) -> None:
        self._waiting = bytearray()

    def feed(self, octets: bytes) -> Iterator[bytes]:
        """Yield each whole packet. Raises RadiusError for a length that no packet has: where the
        next one begins is not known then (RFC 6613, 2.6.4)."""
        self._waiting += octets
        while len(self._waiting) >= _HEAD:
            length = int.from_bytes(self._waiting[2:4])
            if not _LEAST <= length <= LARGEST_PACKET:
                raise RadiusError(f"a length of {length}; 20 to 4096 are allowed")
            if len(self._waiting) < length:
                return
            packet = bytes(self._waiting[:length])
            del self._waiting[:length]
            yield packet


class _State(Enum):
    STATUS = auto()
    EAP = auto()
    LEAVING = auto()
    OVER = auto()


class RadsecSession:
    """Asks one server for a sign of life, and then holds one EAP conversation, if there is one."""

    def __init__(
        self, attributes: Sequence[tuple[str, Value]], conversation: Conversation | None = None
    ) -> None:
        """`attributes` are those of every request of the conversation."""
        self.status_reply: str | None = None
        """What answered Status-Server, by kind; None: nothing."""
        self.doubt: RadiusError | None = None
        """What was wrong with what came. It ends everything."""
        self.conversation = conversation
        self._attributes = tuple(attributes)
        self._packets = Packets()
        self._replies = RepliesSeen()
        self._state = _State.STATUS
        self._pending: Request | None = None
        self._first: Request | None = None
        self._sent = 0
        self._largest: int | None = None

    @property
    def done(self) -> bool:
        """Whether nothing more is to be said or waited for."""
        return self._state is _State.OVER

    @property
    def conversing(self) -> bool:
        """Whether EAP has begun and is not over."""
        return self._state is _State.EAP

    @property
    def leaving(self) -> bool:
        """Whether only the answer to the polite end is still to come."""
        return self._state is _State.LEAVING

    @property
    def spoke_eap(self) -> bool:
        """Whether EAP was begun."""
        return self._first is not None

    @property
    def answered(self) -> bool:
        """Whether anything came that verified."""
        return self._replies.last is not None

    @property
    def seen(self) -> RadiusSeen:
        """What was sent and what came, so far."""
        asked = self._attributes if self._first is not None else None
        return self._replies.seen(asked, self._sent, self._largest)

    def start(self) -> bytes:
        """Return the Status-Server request. Call once."""
        client = status_attributes(self._attributes)
        return self._say(status_server(SECRET, self._sent, client))

    def receive(self, octets: bytes) -> bytes:
        """Take what came inside TLS; return what to say (b"" for nothing). Ignored once `done`."""
        said = b""
        try:
            for packet in self._packets.feed(octets):
                said += self._take(packet)
        except RadiusError as error:
            self._doubt(error)
        return said

    def silence(self) -> bytes:
        """Note that no reply came in time; return what to say now."""
        if self._state is _State.STATUS:
            return self._begin()
        if self._state is _State.EAP and self.conversation is not None:
            self.conversation.silence()
            return self._leave(self.conversation)
        self._over()
        return b""

    def break_off(self, says: str) -> bytes:
        """Leave before it is over, for a reason of ours; return the polite end that is owed."""
        if self._state is _State.EAP and self.conversation is not None:
            self.conversation.break_off(says)
            return self._leave(self.conversation)
        self._over()
        return b""

    def end_of_input(self) -> None:
        """Note that the server has ended it."""
        if self._state is _State.EAP and self.conversation is not None:
            self.conversation.break_off("the connection ended")
        self._over()

    # ------------------------------------------------------------ what came

    def _take(self, packet: bytes) -> bytes:
        if self._pending is None or self.done or packet[0] in _FROM_SERVERS:
            return b""
        self._largest = max(self._largest or 0, len(packet))
        try:
            reply = read_reply(packet, self._pending, SECRET)
        except ReplyNotOurs:
            return b""  # to one that was given up
        self._replies.take(reply)
        if self._state is _State.STATUS:
            self.status_reply = reply.kind
            return self._begin()
        return self._go_on(reply)

    def _begin(self) -> bytes:
        """Begin the EAP conversation, if there is to be one."""
        if self.conversation is None:
            self._over()
            return b""
        self._state = _State.EAP
        return self._ask(self.conversation.start())

    def _go_on(self, reply: Reply) -> bytes:
        if self._state is not _State.EAP or self.conversation is None:
            self._over()
            return b""
        eap = self.conversation.receive(reply)
        return self._leave(self.conversation) if eap is None else self._ask(eap)

    def _leave(self, conversation: Conversation) -> bytes:
        """End the EAP server's session, which would else be kept for a minute."""
        farewell = conversation.farewell()
        if farewell is None:
            self._over()
            return b""
        self._state = _State.LEAVING
        return self._ask(farewell)

    def _doubt(self, error: RadiusError) -> None:
        self.doubt = error
        if self.conversation is not None and self._state is _State.EAP:
            self.conversation.break_off(str(error))
        self._over()

    def _over(self) -> None:
        self._state = _State.OVER
        self._pending = None

    # ------------------------------------------------------------ what is said

    def _ask(self, eap: bytes) -> bytes:
        state = self._replies.state if self._first is not None else None
        request = build_request(SECRET, self._sent % 256, self._attributes, eap=eap, state=state)
        self._first = self._first or request
        return self._say(request)

    def _say(self, request: Request) -> bytes:
        self._pending = request
        self._sent += 1
        return request.octets
