"""An EAP server in memory, and a loop that joins it with a conversation through RADIUS octets."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from OpenSSL import SSL

from probe.wire import eap, radius
from probe.wire.conversation import Conversation
from probe.wire.eap import EapPacket
from probe.wire.fragments import Assembler, Fragment, Fragmenter
from tests.wire.pki import MemoryServer

SECRET = b"testing-only"
Answer = tuple[radius.Code, EapPacket]


class EapServer:
    """Proposes `proposes[0]`, agrees to a Nak for any of `proposes`, then does TLS."""

    def __init__(
        self,
        context: SSL.Context | None,
        *,
        proposes: Sequence[int] = (eap.Type.PEAP,),
        fragment_size: int = 1000,
        version: int | None = None,
        length: str = "first",
        outer: bytes | None = None,
    ) -> None:
        self.tls = None if context is None else MemoryServer(context)
        self.proposes = list(proposes)
        self.fragment_size = fragment_size
        self.version = int(eap.Type.TEAP in proposes) if version is None else version
        self.length = length
        self.outer = outer
        self.heard: list[EapPacket] = []
        self.identifier = 40
        self._ours = Fragmenter(b"", fragment_size)
        self._theirs = Assembler(65_536)
        self._method = self.proposes[0]

    def answer(self, octets: bytes) -> Answer:
        packet = EapPacket.parse(octets)
        self.heard.append(packet)
        if packet.type == eap.Type.IDENTITY:
            return self.begin()
        if packet.type == eap.Type.NAK:
            agreed = [kind for kind in packet.data if kind in self.proposes]
            if not agreed:
                return self.failure()
            self._method = agreed[0]
            return self.begin()
        return self.inside(Fragment.parse(packet.data))

    def begin(self) -> Answer:
        start = Fragment(start=True, version=self.version, outer=self.outer)
        return self.request(self._method, start.octets)

    def inside(self, fragment: Fragment) -> Answer:
        if self._ours.pending:
            if not fragment.acknowledges:
                return self.failure()
            return self.say()
        if fragment.acknowledges:
            return self.failure()
        whole = self._theirs.add(fragment)
        if whole is None:
            return self.request(self._method, Fragment(version=self.version).octets)
        assert self.tls is not None
        flight = self.tls.receive(whole)
        if not flight:
            return self.failure()
        self._ours = Fragmenter(flight, self.fragment_size, version=self.version)
        return self.say(len(flight))

    def say(self, total: int | None = None) -> Answer:
        fragment = self._ours.take()
        if self.length == "never":
            fragment = Fragment(fragment.data, more=fragment.more, version=self.version)
        elif self.length == "whole" and total is not None:
            fragment = Fragment(fragment.data, total, more=fragment.more, version=self.version)
        return self.request(self._method, fragment.octets)

    def request(self, kind: int, data: bytes = b"") -> Answer:
        self.identifier = (self.identifier + 1) % 256
        packet = EapPacket(eap.Code.REQUEST, self.identifier, kind, data)
        return radius.Code.ACCESS_CHALLENGE, packet

    def failure(self) -> Answer:
        return radius.Code.ACCESS_REJECT, EapPacket(eap.Code.FAILURE, self.identifier)


@dataclass
class Talk:
    """What passed between the two."""

    sent: list[bytes]
    """EAP packets of the conversation's, the farewell last."""
    end: radius.Reply | None
    """The reply to the farewell."""


def converse(
    conversation: Conversation, answer: Callable[[bytes], Answer | None], *, signed: bool = True
) -> Talk:
    """Let both talk until the conversation is finished, and once more for its farewell.

    `answer` returns None where the server keeps silent.
    """
    sent: list[bytes] = []
    state: bytes | None = None

    def exchange(octets: bytes) -> radius.Reply | None:
        sent.append(octets)
        attributes = radius.request_attributes(user_name="probe", nas_identifier="cert-probe")
        request = radius.build_request(SECRET, len(sent) % 256, attributes, eap=octets, state=state)
        received = radius.read_request(request.octets, SECRET)
        assert received.verification is radius.Verification.VALID
        assert received.state == state
        assert received.eap is not None
        answered = answer(received.eap)
        if answered is None:
            return None
        code, packet = answered
        reply = radius.build_reply(
            received,
            SECRET,
            code,
            eap=packet.octets,
            state=b"state %d" % len(sent) if code == radius.Code.ACCESS_CHALLENGE else None,
            signed=signed,
        )
        return radius.read_reply(reply, request, SECRET)

    outgoing: bytes | None = conversation.start()
    while outgoing is not None:
        reply = exchange(outgoing)
        if reply is None:
            conversation.silence()
            break
        state = reply.state
        outgoing = conversation.receive(reply)
    farewell = conversation.farewell()
    end = exchange(farewell) if farewell is not None else None
    return Talk(sent, end)
