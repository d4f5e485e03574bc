"""What must hold whatever comes off the wire, as properties that tests and a long run both use.

`PARSERS` maps a name to a check of any octets. `Hostile` is a server of any kind against one
conversation: it says what a good server would, the same a little altered, said before, or made up.
"""

from collections.abc import Callable
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule
from OpenSSL import SSL

from probe.certificate.der import DerError
from probe.certificate.naming import rfc4514
from probe.limits import DEFAULT, Limits
from probe.observation.model import Method, Outcome, TlsVersion, fingerprint
from probe.wire import eap, handshake, radius
from probe.wire.conversation import Conversation
from probe.wire.eap import EapError, EapPacket
from probe.wire.fragments import Assembler, Fragment, FragmentError
from probe.wire.handshake import HandshakeError
from probe.wire.hello import Hello
from probe.wire.tls import TlsClient
from tests.wire.eapserver import EapServer
from tests.wire.handmade import message, record, tls12_flight, tls13_flight, vector
from tests.wire.pki import der, make_chain, server_context
from tests.wire.test_conversation import NUMBERS

SECRET = b"testing-only"
LIMITS = Limits(eap_rounds=12, eap_message_bytes=20_000, flight_bytes=40_000)
"""Lower than what is in use, so that they are met."""

# ---------------------------------------------------------------- parsers by themselves

REQUEST = radius.build_request(SECRET, 7, (), eap=b"\x02\0\0\x05\x01", authenticator=bytes(16))


def eap_packet(octets: bytes) -> None:
    """What is read is what was there, padding aside."""
    try:
        packet = EapPacket.parse(octets)
    except EapError:
        return
    assert octets.startswith(packet.octets)


def fragment(octets: bytes) -> None:
    for outer_tlvs in (False, True):
        try:
            read = Fragment.parse(octets, outer_tlvs=outer_tlvs)
        except FragmentError:
            continue
        again = Fragment.parse(read.octets, outer_tlvs=outer_tlvs)
        assert again == read
        assert len(read.data) + len(read.outer or b"") < len(octets)


def fragments(octets: bytes) -> None:
    """Octets taken as one fragment after another never make more than the limit."""
    assembler = Assembler(100)
    place = 0
    while place < len(octets):
        size = octets[place] % 40
        try:
            whole = assembler.add(Fragment.parse(octets[place + 1 : place + 1 + size]))
        except FragmentError:
            return
        assert whole is None or len(whole) <= 100
        place += 1 + size


def handshake_message(octets: bytes) -> None:
    readers: list[Callable[[bytes], Any]] = [
        handshake.ServerHello.parse,
        lambda body: handshake.certificate_list(body, tls13=False),
        lambda body: handshake.certificate_list(body, tls13=True),
        *(
            lambda body, version=version: handshake.certificate_request(body, version)
            for version in (0x0301, 0x0302, 0x0303, 0x0304, 0xFFFF)
        ),
    ]
    for read in readers:
        try:
            found = read(octets)
        except HandshakeError:
            continue
        if isinstance(found, tuple):
            assert len(found) <= len(octets)
    handshake.key_exchange_scheme(octets)
    handshake.ocsp_response(octets)
    list(handshake.ClearReader().feed(octets))


def distinguished_name(octets: bytes) -> None:
    try:
        assert isinstance(rfc4514(octets), str)
    except DerError:
        return


def radius_reply(octets: bytes) -> None:
    """Any attributes behind a header that fits; an authenticator is right by chance only."""
    head = bytes((11, 7)) + (20 + len(octets)).to_bytes(2) + bytes(16)
    for datagram in (head + octets, octets):
        try:
            radius.read_reply(datagram, REQUEST, SECRET)
        except radius.RadiusError:
            continue
        raise AssertionError("nobody knew the secret")


def radius_request(octets: bytes) -> None:
    head = bytes((1, 7)) + (20 + len(octets)).to_bytes(2) + bytes(16)
    for datagram in (head + octets, octets):
        try:
            read = radius.read_request(datagram, SECRET)
        except radius.RadiusError:
            continue
        assert read.verification is not radius.Verification.VALID


def tls_answer(octets: bytes) -> None:
    """Octets in place of a server's flight, whole and behind a good head of a record."""
    for said in (octets, b"\x16\x03\x03" + len(octets).to_bytes(2) + octets):
        client = TlsClient(Hello(), LIMITS, until_request=True)
        client.start()
        client.receive(said)
        client.end_of_input()
        assert client.done
        assert client.failure is not None
        client.farewell()


PARSERS: dict[str, Callable[[bytes], None]] = {
    each.__name__: each
    for each in (
        eap_packet,
        fragment,
        fragments,
        handshake_message,
        distinguished_name,
        radius_reply,
        radius_request,
        tls_answer,
    )
}

_LENGTHS = st.sampled_from([b"\0", b"\0\0", b"\0\x02", b"\0\0\x05", b"\xff\xff", b"\x80", b"\x30"])
OCTETS = st.one_of(
    st.binary(max_size=80),
    st.lists(_LENGTHS | st.binary(max_size=6), max_size=14).map(b"".join),
    st.binary(max_size=20).map(lambda octets: vector(2, octets)),
    st.binary(max_size=20).map(lambda octets: message(2, vector(2, vector(2, octets)))),
)
"""Octets, some of which look like lengths and what they announce."""


# ---------------------------------------------------------------- one conversation

_VERSIONS = (TlsVersion.TLS1_1, TlsVersion.TLS1_2, TlsVersion.TLS1_3)
_CONTEXTS: dict[TlsVersion, SSL.Context] = {}


def _context(version: TlsVersion) -> SSL.Context:
    if version not in _CONTEXTS:
        chain = make_chain("ecdsa")
        made = server_context(chain.key, chain.leaf, chain.intermediate, version=version)
        made.set_verify(SSL.VERIFY_PEER, lambda *_: True)
        made.add_client_ca(chain.root)
        _CONTEXTS[version] = made
    return _CONTEXTS[version]


RECORDS = st.one_of(
    st.binary(max_size=60),
    st.builds(record, st.sampled_from([20, 21, 22, 23, 24]), OCTETS),
    st.builds(
        lambda kind, body: record(22, message(kind, body)),
        st.sampled_from([0, 2, 4, 8, 11, 12, 13, 14, 15, 16, 20, 22]),
        OCTETS,
    ),
    st.sampled_from([b"\x15\x03\x03\0\x02\x02\x28", b"\x15\x03\x03\0\x02\x01\x5a"]),
)


_CONVERSATIONS = st.tuples(
    st.sampled_from(list(NUMBERS)),
    st.sampled_from(_VERSIONS),
    st.sampled_from([60, 300, 1400]),
    st.sampled_from([100, 1400]),
    st.booleans(),
    st.booleans(),
    st.integers(0, 6),
)
"""Method, version, the server's and our fragments, whether a CertificateRequest is read on for,
whether every method is agreed to, and how many replies are good ones before anything else is."""
_Drawn = tuple[Method, TlsVersion, int, int, bool, bool, int]


class Hostile(RuleBasedStateMachine):
    """One conversation after another, and a server that may say anything at any time."""

    @initialize(drawn=_CONVERSATIONS)
    def begins(self, drawn: _Drawn) -> None:
        method, version, theirs, ours, until_request, asked, good = drawn
        self.server = EapServer(_context(version), proposes=[NUMBERS[method]], fragment_size=theirs)
        self.conversation = Conversation(
            identity="cert-probe@northpier.example",
            methods=tuple(NUMBERS) if asked else (method,),
            hello=Hello(versions=_VERSIONS),
            fragment_size=ours,
            limits=LIMITS,
            until_request=until_request,
        )
        self.ours = ours
        self.outgoing: bytes | None = self.conversation.start()
        self.said: list[bytes] = []
        self.identifier = 0
        self.replies = 0
        self.answered: int | None = None
        self.goes_on(good)

    def over(self) -> bool:
        return self.conversation.finished

    @precondition(over)
    @rule(drawn=_CONVERSATIONS)
    def begins_anew(self, drawn: _Drawn) -> None:
        self.ended()
        self.begins(drawn)

    # -------------------------------------------------------- what the server says

    def running(self) -> bool:
        return not self.conversation.finished

    def honest(self) -> tuple[int, bytes]:
        """What a good server would answer; a reject if it can't make anything of it."""
        assert self.outgoing is not None
        try:
            code, packet = self.server.answer(self.outgoing)
        except (EapError, FragmentError, SSL.Error):
            code, packet = self.server.failure()
        return code, packet.octets

    @precondition(running)
    @rule(times=st.integers(1, 12))
    def goes_on(self, times: int) -> None:
        for _ in range(times):
            if self.running():
                self.hear(*self.honest())

    @precondition(running)
    @rule(place=st.integers(0, 2_000), octet=st.integers(0, 255))
    def alters_an_octet(self, place: int, octet: int) -> None:
        code, octets = self.honest()
        altered = bytearray(octets)
        altered[place % len(altered)] = octet
        self.hear(code, bytes(altered))

    @precondition(running)
    @rule(size=st.integers(0, 2_000), more=st.binary(max_size=3))
    def cuts_or_lengthens(self, size: int, more: bytes) -> None:
        code, octets = self.honest()
        self.hear(code, octets[:size] + more)

    @precondition(running)
    @rule(flags=st.integers(0, 255), lies=st.none() | st.integers(0, 2**32 - 1))
    def sets_other_flags(self, flags: int, lies: int | None) -> None:
        code, octets = self.honest()
        length = b"" if lies is None else lies.to_bytes(4)
        body = octets[4:5] + bytes((flags,)) + length + octets[6:]
        self.hear(code, octets[:2] + (4 + len(body)).to_bytes(2) + body)

    @precondition(running)
    @rule(which=st.integers(0, 20))
    def says_it_again(self, which: int) -> None:
        if self.said:
            self.hear(radius.Code.ACCESS_CHALLENGE, self.said[which % len(self.said)])

    @precondition(running)
    @rule(
        kind=st.sampled_from([1, 2, 3, 4, 13, 21, 25, 43, 55, 254]),
        data=OCTETS,
        same=st.booleans(),
    )
    def asks_for_something(self, kind: int, data: bytes, same: bool) -> None:
        self.identifier = (self.identifier + (not same)) % 256
        packet = EapPacket(eap.Code.REQUEST, self.identifier, kind, data)
        self.hear(radius.Code.ACCESS_CHALLENGE, packet.octets)

    @precondition(running)
    @rule(
        records=st.lists(RECORDS, max_size=4).map(b"".join),
        more=st.booleans(),
        total=st.none() | st.integers(0, 30_000),
    )
    def says_within_tls(self, records: bytes, more: bool, total: int | None) -> None:
        tunnel = self.conversation.seen.method
        number = eap.Type.PEAP if tunnel is None else eap.method_number(tunnel)
        self.identifier = (self.identifier + 1) % 256
        data = Fragment(records, total, more).octets
        packet = EapPacket(eap.Code.REQUEST, self.identifier, number, data)
        self.hear(radius.Code.ACCESS_CHALLENGE, packet.octets)

    @precondition(running)
    @rule(body=OCTETS, tls13=st.booleans(), names=OCTETS)
    def makes_up_a_flight(self, body: bytes, tls13: bool, names: bytes) -> None:
        """A good handshake of a certificate and CA names of any kind."""
        tunnel = self.conversation.seen.method
        hello = b"" if self.outgoing is None else self.outgoing[6:]
        if tunnel is None or hello[:1] != b"\x16" or len(hello) < 200:
            return
        chain = make_chain("ecdsa")
        ours = der(chain.leaf) + (body,) * bool(body)
        if tls13:
            extension = b"\0\x2f" + vector(2, vector(2, vector(2, names)))
            flight = tls13_flight(hello, ours, chain.key, request=b"\0" + vector(2, extension))
        else:
            request = b"\x01\x40" + vector(2, b"\x04\x03") + vector(2, vector(2, names))
            flight = tls12_flight(hello, ours, chain.key, cipher=0xC02B, request=request)
        self.identifier = (self.identifier + 1) % 256
        number = eap.method_number(tunnel)
        packet = EapPacket(eap.Code.REQUEST, self.identifier, number, Fragment(flight).octets)
        self.hear(radius.Code.ACCESS_CHALLENGE, packet.octets)

    @precondition(running)
    @rule(code=st.sampled_from([2, 3, 5, 11, 12, 99]), octets=st.none() | OCTETS)
    def says_anything(self, code: int, octets: bytes | None) -> None:
        self.hear(code, octets)

    @precondition(running)
    @rule(politely=st.booleans())
    def falls_silent(self, politely: bool) -> None:
        if politely:
            self.conversation.break_off("enough")
        else:
            self.conversation.silence()
        assert self.conversation.finished

    # -------------------------------------------------------- what must hold

    def hear(self, code: int, octets: bytes | None) -> None:
        conversation = self.conversation
        if octets is not None:
            self.said.append(octets)
            if len(octets) > 1:
                self.identifier = octets[1]
        self.replies += 1
        reply = radius.Reply(code, "any", 0, octets, None, (), True, True)
        self.outgoing = conversation.receive(reply)
        assert (self.outgoing is None) == conversation.finished
        assert conversation.round_trips <= self.replies <= LIMITS.eap_rounds
        if self.outgoing is not None:
            answered = EapPacket.parse(self.outgoing)
            assert octets is not None
            assert (answered.code, answered.identifier) == (eap.Code.RESPONSE, octets[1])
            assert len(self.outgoing) <= self.ours + 10
            assert answered.identifier != self.answered, "a new request has a new Identifier"
            self.answered = answered.identifier

    def teardown(self) -> None:
        if hasattr(self, "conversation"):
            self.ended()

    def ended(self) -> None:
        conversation = self.conversation
        conversation.silence()
        assert conversation.finished
        assert (conversation.outcome is Outcome.SILENT) == (self.replies == 0)
        assert conversation.detail is None or len(conversation.detail) < 400
        if conversation.outcome is Outcome.SERVED:
            assert conversation.certificates
        assert len(conversation.certificates) <= LIMITS.chain_certificates
        if conversation.served is not None:
            chain = tuple(fingerprint(each) for each in conversation.certificates)
            assert conversation.served.chain == chain
        seen = conversation.seen
        assert len(seen.proposed) <= 2
        assert sum(seen.fragments) <= LIMITS.flight_bytes + 65_536
        parting = conversation.farewell()
        if parting is not None:
            assert EapPacket.parse(parting).code is eap.Code.RESPONSE
        assert conversation.farewell() is None
        assert conversation.receive(radius.Reply(11, "", 0, b"", None, (), True, True)) is None


assert DEFAULT.eap_rounds > LIMITS.eap_rounds
