"""Servers that misbehave within EAP and TLS: one outcome each, in bounded rounds and memory."""

import tracemalloc
from collections.abc import Callable, Iterator

import pytest

from probe.limits import DEFAULT
from probe.observation.model import Method, Outcome, TlsVersion
from probe.records import replace
from probe.wire import eap
from probe.wire.conversation import Conversation
from probe.wire.eap import EapPacket
from probe.wire.fragments import Fragment
from probe.wire.hello import Hello
from tests.wire.handmade import hello_retry_request, message, record, tls12_flight, vector
from tests.wire.pki import der, make_chain
from tests.wire.test_conversation import challenge, request

PEAP = eap.Type.PEAP
RSA = make_chain("rsa")
MEMORY = 4 * 1024 * 1024
"""Octets that a conversation may hold at most: some times what a peer may send (`flight_bytes`)."""

Server = Callable[[bytes], Iterator[bytes | Fragment | EapPacket]]
"""Is given our ClientHello; yields what it says, one packet after another."""


def misbehaving(server: Server, methods: tuple[Method, ...] = (Method.PEAP,)) -> Conversation:
    """Let a conversation begin, and then hear this server until it has had enough."""
    conversation = Conversation(
        identity="cert-probe@northpier.example",
        methods=methods,
        hello=Hello(versions=(TlsVersion.TLS1_2, TlsVersion.TLS1_3)),
        fragment_size=1400,
        limits=DEFAULT,
        until_request=True,
    )
    conversation.start()
    hello = conversation.receive(request(1, PEAP, Fragment(start=True)))
    assert hello is not None
    identifier = 1
    tracemalloc.start()
    for said in server(hello[6:]):
        identifier = identifier % 255 + 1
        reply = challenge(said) if isinstance(said, EapPacket) else request(identifier, PEAP, said)
        answer = conversation.receive(reply)
        assert (answer is None) == conversation.finished
        if conversation.finished:
            break
    conversation.silence()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert conversation.finished
    assert conversation.round_trips <= DEFAULT.eap_rounds
    assert peak < MEMORY
    assert len(conversation.certificates) <= DEFAULT.chain_certificates
    conversation.farewell()
    assert conversation.farewell() is None
    return conversation


def always(*said: bytes | Fragment | EapPacket) -> Server:
    """The same for ever, one after the other."""

    def server(_hello: bytes) -> Iterator[bytes | Fragment | EapPacket]:
        while True:
            yield from said

    return server


def once(*said: bytes | Fragment | EapPacket) -> Server:
    def server(_hello: bytes) -> Iterator[bytes | Fragment | EapPacket]:
        yield from said

    return server


def notifications(_hello: bytes) -> Iterator[EapPacket]:
    for identifier in range(2, 256):
        yield EapPacket(eap.Code.REQUEST, identifier, eap.Type.NOTIFICATION, b"closed" * 100)


ENDLESS = record(22, b"\x0b\xff\xff\xff" + bytes(16_380))
"""A record of a Certificate message that announces 16 MB."""


@pytest.mark.parametrize(
    ("server", "outcome", "says"),
    [
        pytest.param(
            always(Fragment(b"\x16\x03\x03\x40\0" + bytes(995), more=True)),
            Outcome.MALFORMED,
            "what came breaks TLS",
            id="endless fragments",
        ),
        pytest.param(
            always(Fragment(b"\x16", more=True)),
            Outcome.MALFORMED,
            "the answer is no TLS record",
            id="endless fragments of one octet",
        ),
        pytest.param(
            always(Fragment(more=True)),
            Outcome.MALFORMED,
            "a fragment without data says that more will come",
            id="empty fragments that promise more",
        ),
        pytest.param(
            always(Fragment()),
            Outcome.MALFORMED,
            "an empty request where TLS data are due",
            id="empty fragments",
        ),
        pytest.param(
            once(*[Fragment(octet, more=n % 2 == 0) for n, octet in enumerate([b"\x16", b"\x03"])]),
            Outcome.CUT_OFF,
            "no further reply",
            id="alternating M bits, a record piece by piece",
        ),
        pytest.param(
            once(Fragment(b"\x16\x03", 4, more=True), Fragment(b"\x03", 5, more=True)),
            Outcome.MALFORMED,
            "the TLS message length changes from 4 to 5",
            id="a length that changes",
        ),
        pytest.param(
            once(Fragment(b"\x16\x03", 40)),
            Outcome.MALFORMED,
            "2 octets of TLS data; 40 were announced",
            id="a length that nothing comes up to",
        ),
        pytest.param(
            once(Fragment(b"\x16\x03\x03", 2)),
            Outcome.MALFORMED,
            "more TLS data than the 2 octets announced",
            id="a length that is too short",
        ),
        pytest.param(
            once(Fragment(b"\x16", 2**32 - 1, more=True)),
            Outcome.MALFORMED,
            "a TLS message of 4294967295 octets; 65536 are looked at",
            id="a length of four gigabytes",
        ),
        pytest.param(
            once(Fragment(start=True)), Outcome.MALFORMED, "a second Start", id="a restart"
        ),
        pytest.param(
            once(Fragment(b"\x16\x03\x03", start=True)),
            Outcome.MALFORMED,
            "a second Start",
            id="a restart with data",
        ),
        pytest.param(
            once(EapPacket(eap.Code.REQUEST, 1, PEAP, b"\x20")),
            Outcome.MALFORMED,
            "EAP Identifier 1 twice",
            id="a replay",
        ),
        pytest.param(
            once(EapPacket(eap.Code.RESPONSE, 2, PEAP, b"\x20")),
            Outcome.MALFORMED,
            "EAP Response where a Request is due",
            id="our own packet back",
        ),
        pytest.param(
            once(EapPacket(eap.Code.REQUEST, 2, eap.Type.NAK, b"\x15")),
            Outcome.MALFORMED,
            "a Request of type Nak",
            id="a Nak",
        ),
        pytest.param(
            once(EapPacket(eap.Code.REQUEST, 2, eap.Type.EAP_TTLS, b"\x20")),
            Outcome.MALFORMED,
            "EAP-TTLS within PEAP",
            id="another method",
        ),
        pytest.param(
            notifications,
            Outcome.CUT_OFF,
            "given up after 60 round trips",
            id="notifications for ever",
        ),
        pytest.param(once(b""), Outcome.MALFORMED, "no flags octet", id="nothing in a packet"),
        pytest.param(
            once(b"\x80\0\0\0"),
            Outcome.MALFORMED,
            "the TLS message length is cut off",
            id="a length cut off",
        ),
        pytest.param(
            once(Fragment(b"\x80\x2e\x01\x03\x01")),
            Outcome.MALFORMED,
            "the answer is no TLS record",
            id="SSL 2",
        ),
    ],
)
def test_framing_that_misbehaves(server: Server, outcome: Outcome, says: str) -> None:
    conversation = misbehaving(server)
    assert conversation.outcome is outcome
    assert conversation.detail is not None
    assert conversation.detail.startswith(says)


def cut(flight: bytes, size: int = 1400) -> Iterator[Fragment]:
    """A flight in fragments, as a server would."""
    for place in range(0, len(flight), size):
        yield Fragment(flight[place : place + size], more=place + size < len(flight))


def tls(make: Callable[[bytes], bytes]) -> Server:
    return lambda hello: cut(make(hello))


def chain_of(entries: bytes) -> Callable[[bytes], bytes]:
    """A TLS 1.2 flight whose Certificate message holds this in place of its list."""

    def make(hello: bytes) -> bytes:
        flight = tls12_flight(hello, (b"x",), RSA.key)
        own = record(22, message(11, vector(3, vector(3, b"x"))))
        assert own in flight
        body = message(11, entries)
        pieces = [body[place : place + 16_000] for place in range(0, len(body), 16_000)]
        return flight.replace(own, b"".join(record(22, piece) for piece in pieces))

    return make


ALERT = record(21, b"\x01\x5a")
"""user_canceled, a warning."""


@pytest.mark.parametrize(
    ("make", "outcome"),
    [
        pytest.param(lambda _: bytes(1000), Outcome.MALFORMED, id="zeros"),
        pytest.param(lambda _: record(22, b""), Outcome.CUT_OFF, id="an empty record"),
        pytest.param(lambda _: record(22, b"") * 300, Outcome.MALFORMED, id="empty records"),
        pytest.param(lambda _: ALERT * 300, Outcome.MALFORMED, id="a flood of warnings"),
        pytest.param(
            lambda _: record(20, b"\x01") * 300, Outcome.MALFORMED, id="a flood of cipher changes"
        ),
        pytest.param(
            lambda _: record(22, message(0, b"")) * 7_000, Outcome.CUT_OFF, id="hello requests"
        ),
        pytest.param(lambda _: record(23, bytes(100)), Outcome.MALFORMED, id="data at once"),
        pytest.param(lambda _: ENDLESS * 3, Outcome.MALFORMED, id="a message of 16 MB"),
        pytest.param(
            lambda hello: hello_retry_request(hello, b"c" * 40) * 2,
            Outcome.MALFORMED,
            id="two retry requests",
        ),
        pytest.param(
            lambda _: record(22, message(2, b"\x03\x03" + bytes(32) + b"\xff")),
            Outcome.MALFORMED,
            id="a hello that is cut off",
        ),
        pytest.param(
            lambda hello: tls12_flight(hello, (), RSA.key),
            Outcome.MALFORMED,
            id="no certificate at all",
        ),
        pytest.param(chain_of(b""), Outcome.MALFORMED, id="no list of certificates"),
        pytest.param(chain_of(b"\0\0\x09\0\0\x02ab"), Outcome.MALFORMED, id="a list cut off"),
        pytest.param(
            chain_of(vector(3, vector(3, b"") * 20_000)), Outcome.MALFORMED, id="empty certificates"
        ),
        pytest.param(
            chain_of(vector(3, vector(3, bytes(60_000)))),
            Outcome.MALFORMED,
            id="a certificate of zeros",
        ),
        pytest.param(
            lambda hello: tls12_flight(hello, der(RSA.leaf) * 40, RSA.key),
            Outcome.MALFORMED,
            id="forty certificates",
        ),
        pytest.param(
            lambda hello: tls12_flight(hello, der(RSA.leaf), RSA.key, cipher=0x002F),
            Outcome.MALFORMED,
            id="a cipher that was not offered",
        ),
    ],
)
def test_tls_that_misbehaves(make: Callable[[bytes], bytes], outcome: Outcome) -> None:
    conversation = misbehaving(tls(make))
    assert conversation.outcome is outcome
    assert conversation.detail


def test_proposals_for_ever_are_left() -> None:
    """A server that answers each Nak with another method: two are looked at."""
    conversation = Conversation(
        identity="cert-probe@northpier.example",
        methods=(Method.PEAP,),
        hello=Hello(),
        fragment_size=1400,
        limits=DEFAULT,
    )
    conversation.start()
    heard = 0
    for identifier in range(1, 200):
        heard += 1
        if conversation.receive(request(identifier, 100 + identifier % 100, b"x")) is None:
            break
    assert heard == 2
    assert conversation.outcome is Outcome.METHOD_REFUSED
    assert conversation.seen.proposed == ("type 101", "type 102")


def test_identity_for_ever_is_left() -> None:
    conversation = Conversation(
        identity="cert-probe@northpier.example",
        methods=(Method.PEAP,),
        hello=Hello(),
        fragment_size=1400,
        limits=DEFAULT,
    )
    conversation.start()
    heard = 0
    while conversation.receive(request(heard % 256, eap.Type.IDENTITY)) is not None:
        heard += 1
    assert heard + 1 == conversation.round_trips == DEFAULT.eap_rounds
    assert conversation.outcome is Outcome.CUT_OFF


@pytest.mark.parametrize(
    "octets",
    [
        b"\x01\x02\xff\xff\x19\0",
        b"\x01\x02\0\x04",
        b"\x01\x02\0\x03\x19",
        b"\x01\x02\0\0",
        b"\x05\x02\0\x06\x19\0",
        b"\x03\x02\0\x05\0",
        b"",
        b"\x01" * 3,
    ],
)
def test_eap_lengths_that_lie(octets: bytes) -> None:
    """RFC 3748, section 4: each is to be discarded, and is told."""
    conversation = Conversation(
        identity="cert-probe@northpier.example",
        methods=(Method.PEAP,),
        hello=Hello(),
        fragment_size=1400,
        limits=DEFAULT,
    )
    conversation.start()
    assert conversation.receive(replace(challenge(None), eap=octets)) is None
    assert conversation.outcome is Outcome.MALFORMED
    assert conversation.detail
