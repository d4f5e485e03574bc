"""The CA names in CertificateRequest: read, read on for, and never in the way of the chain."""

import pytest
from OpenSSL import SSL

from probe.limits import DEFAULT, Limits
from probe.observation.model import Method, Outcome, Phase, TlsVersion
from probe.records import replace
from probe.wire import eap, handshake
from probe.wire.conversation import Conversation
from probe.wire.eap import EapPacket
from probe.wire.fragments import Fragment
from probe.wire.handshake import HandshakeError, certificate_request
from probe.wire.hello import Hello
from probe.wire.tls import TlsClient
from tests.wire.eapserver import EapServer, converse
from tests.wire.handmade import message, record, tls12_flight, tls13_flight, vector
from tests.wire.pki import der, make_chain, server_context
from tests.wire.test_conversation import request

HARBOUR = bytes.fromhex("3012311030") + bytes.fromhex("0e06035504030c07486172626f7572")
"""RDNSequence of CN=Harbour, octet by octet (X.501; RFC 5280, 4.1.2.4): 30 12, 31 10, 30 0e,
OID 2.5.4.3, UTF8String."""
SHIPS = bytes.fromhex("3010310e300c06035504030c055368697073")
"""CN=Ships."""
TWO = vector(2, HARBOUR) + vector(2, SHIPS)
SCHEMES = b"\x04\x01\x04\x03"


def peer(
    method: Method = Method.EAP_TLS,
    version: TlsVersion = TlsVersion.TLS1_2,
    *,
    until_request: bool = True,
    limits: Limits = DEFAULT,
) -> Conversation:
    return Conversation(
        identity="cert-probe@northpier.example",
        methods=(method,),
        hello=Hello(versions=(version,)),
        fragment_size=1400,
        limits=limits,
        until_request=until_request,
    )


def asking(version: TlsVersion, names: int) -> SSL.Context:
    """A context that asks for a certificate of `names` CAs."""
    chain = make_chain("ecdsa")
    context = server_context(chain.key, chain.leaf, chain.intermediate, version=version)
    context.set_verify(SSL.VERIFY_PEER, lambda *_: True)
    for _ in range(names):
        context.add_client_ca(chain.root)
    return context


def tls12_body(names: bytes, *, schemes: bytes | None = SCHEMES) -> bytes:
    """The body of a CertificateRequest up to TLS 1.2 (RFC 5246, 7.4.4)."""
    return b"\x02\x01\x40" + (b"" if schemes is None else vector(2, schemes)) + vector(2, names)


def tls13_body(names: bytes | None) -> bytes:
    """The same under TLS 1.3 (RFC 9846, 4.3.2): signature_algorithms, certificate_authorities."""
    extensions = b"\0\x0d" + vector(2, vector(2, SCHEMES))
    if names is not None:
        extensions += b"\0\x2f" + vector(2, vector(2, names))
    return b"\0" + vector(2, extensions)


# ---------------------------------------------------------------- the message by itself


@pytest.mark.parametrize(
    ("body", "version", "names"),
    [
        (tls12_body(TWO), 0x0303, (HARBOUR, SHIPS)),
        (tls12_body(b""), 0x0303, ()),
        (tls12_body(TWO, schemes=None), 0x0302, (HARBOUR, SHIPS)),
        (tls12_body(TWO, schemes=None), 0x0301, (HARBOUR, SHIPS)),
        (tls13_body(TWO), 0x0304, (HARBOUR, SHIPS)),
        (tls13_body(None), 0x0304, ()),
        (tls12_body(vector(2, b"")), 0x0303, (b"",)),
    ],
)
def test_names_stand_where_the_version_has_them(
    body: bytes, version: int, names: tuple[bytes, ...]
) -> None:
    """RFC 5246, 7.4.4; RFC 4346, 7.4.4; RFC 9846, 4.2.4 and 4.3.2."""
    assert certificate_request(body, version) == names


@pytest.mark.parametrize(
    ("body", "version"),
    [
        (b"", 0x0303),
        (tls12_body(TWO)[:-1], 0x0303),
        (tls12_body(TWO) + b"x", 0x0303),
        (tls12_body(TWO + b"\0"), 0x0303),
        (tls12_body(b"\xff\xffab"), 0x0303),
        (tls13_body(TWO)[:-1], 0x0304),
        (tls13_body(TWO) + b"x", 0x0304),
        (tls13_body(b"\0\x09ab"), 0x0304),
    ],
)
def test_lengths_that_lie_are_refused(body: bytes, version: int) -> None:
    with pytest.raises(HandshakeError):
        certificate_request(body, version)


# ---------------------------------------------------------------- in a conversation


@pytest.mark.parametrize("version", [TlsVersion.TLS1_1, TlsVersion.TLS1_2, TlsVersion.TLS1_3])
def test_names_are_seen_under_each_version(version: TlsVersion) -> None:
    conversation = peer(version=version)
    server = EapServer(
        asking(version, 3), proposes=[eap.Type.EAP_TLS], fragment_size=300, version=0
    )
    talk = converse(conversation, server.answer)
    assert conversation.outcome is Outcome.SERVED
    assert conversation.served is not None
    assert conversation.served.key_proven is True
    assert conversation.seen.client_authorities == ("CN=Harbour Root",) * 3
    assert talk.end is not None
    assert talk.end.kind == "Access-Reject"


def test_no_name_at_all_is_not_no_request() -> None:
    for version in (TlsVersion.TLS1_2, TlsVersion.TLS1_3):
        conversation = peer(version=version)
        converse(conversation, EapServer(asking(version, 0), proposes=[13]).answer)
        assert conversation.seen.client_authorities == ()
        silent = peer(Method.PEAP, version)
        chain = make_chain("ecdsa")
        plain = server_context(chain.key, chain.leaf, version=version)
        converse(silent, EapServer(plain).answer)
        assert silent.seen.client_authorities is None


def test_reading_on_costs_round_trips_that_are_not_counted() -> None:
    """TLS 1.2, some 19,000 octets of names in fragments of 1,000: the chain is in hand after two
    round trips (identity, hello), as without reading on."""
    counts = []
    for until_request in (False, True):
        conversation = peer(until_request=until_request)
        server = EapServer(asking(TlsVersion.TLS1_2, 600), proposes=[13], fragment_size=1000)
        talk = converse(conversation, server.answer)
        assert conversation.outcome is Outcome.SERVED
        counts.append((conversation.round_trips, len(talk.sent)))
        names = conversation.seen.client_authorities
        assert names == (("CN=Harbour Root",) * 600 if until_request else None)
    (plain, plain_sent), (reading, reading_sent) = counts
    assert plain == reading == 2
    assert plain_sent == 3
    assert reading_sent > 15


def test_other_methods_are_not_read_on_in() -> None:
    conversation = peer(Method.PEAP)
    server = EapServer(asking(TlsVersion.TLS1_2, 600), fragment_size=1000)
    converse(conversation, server.answer)
    assert conversation.outcome is Outcome.SERVED
    assert len(conversation.seen.fragments) == 1


def test_chain_stays_served_where_the_rounds_end() -> None:
    conversation = peer(limits=Limits(eap_rounds=6))
    server = EapServer(asking(TlsVersion.TLS1_2, 600), proposes=[13], fragment_size=1000)
    talk = converse(conversation, server.answer)
    assert (conversation.outcome, conversation.phase) == (Outcome.SERVED, Phase.FINISH)
    assert conversation.detail is None
    assert conversation.seen.client_authorities is None
    assert len(talk.sent) == 7
    assert talk.end is not None
    assert talk.end.kind == "Access-Reject"


def test_chain_stays_served_whatever_then_comes() -> None:
    """Silence, a reject, a broken fragment, a broken record, an alert."""
    chain = make_chain("rsa")
    body = tls12_body(vector(2, HARBOUR) * 200)
    for number, ending in enumerate(
        (
            None,
            EapServer(None).failure()[1].octets,
            EapPacket(eap.Code.REQUEST, 3, 13, b"\x20").octets,
            EapPacket(eap.Code.REQUEST, 3, 13, b"\x40" + bytes(300)).octets,
            EapPacket(eap.Code.REQUEST, 3, 13, b"\0\x15\x03\x03\0\x02\x02\x50").octets,
        )
    ):
        conversation = peer()
        conversation.start()
        hello = conversation.receive(request(1, 13, Fragment(start=True)))
        assert hello is not None
        flight = tls12_flight(hello[6:], der(chain.leaf), chain.key, request=body)
        end = flight.index(record(22, message(13, body)))
        answer = conversation.receive(request(2, 13, Fragment(flight[:end], len(flight), True)))
        assert answer == EapPacket(eap.Code.RESPONSE, 2, 13, b"\0").octets
        assert conversation.served is None, "not over"
        if ending is None:
            conversation.silence()
        else:
            reply = request(3, 13)
            conversation.receive(replace(reply, eap=ending))
        assert conversation.finished, number
        assert (conversation.outcome, conversation.phase) == (Outcome.SERVED, Phase.FINISH), number
        assert conversation.certificates == der(chain.leaf)
        assert conversation.served is not None
        assert conversation.served.key_proven is True
        assert conversation.seen.client_authorities is None


def test_servers_alert_behind_the_chain_is_answered_by_an_empty_response() -> None:
    """RFC 9190, 2.1.4: nothing is to be said to a server that has ended it."""
    chain = make_chain("rsa")
    conversation = peer()
    conversation.start()
    hello = conversation.receive(request(1, 13, Fragment(start=True)))
    assert hello is not None
    flight = tls12_flight(hello[6:], der(chain.leaf), chain.key, request=tls12_body(TWO))
    end = flight.index(record(22, message(13, tls12_body(TWO))))
    conversation.receive(request(2, 13, Fragment(flight[:end], more=True)))
    conversation.receive(request(3, 13, Fragment(b"\x15\x03\x03\0\x02\x02\x50")))
    assert conversation.outcome is Outcome.SERVED
    assert conversation.farewell() == EapPacket(eap.Code.RESPONSE, 3, 13, b"\0").octets


# ---------------------------------------------------------------- names of any kind


def seen_names(body: bytes, limits: Limits = DEFAULT) -> Conversation:
    """What comes of a TLS 1.2 flight with this CertificateRequest."""
    chain = make_chain("rsa")
    conversation = peer(limits=limits)
    conversation.start()
    hello = conversation.receive(request(1, 13, Fragment(start=True)))
    assert hello is not None
    flight = tls12_flight(hello[6:], der(chain.leaf), chain.key, request=body)
    conversation.receive(request(2, 13, Fragment(flight)))
    assert conversation.outcome is Outcome.SERVED
    assert conversation.certificates == der(chain.leaf)
    assert conversation.served is not None
    assert conversation.served.key_proven is True
    return conversation


@pytest.mark.parametrize(
    ("names", "shown"),
    [
        (TWO, ("CN=Harbour", "CN=Ships")),
        (vector(2, HARBOUR) + vector(2, b"\x30\x05ab"), ("CN=Harbour", "0x30056162")),
        (vector(2, b"\xff"), ("0xff",)),
        (vector(2, HARBOUR + b"\0"), (f"0x{HARBOUR.hex()}00",)),
        (vector(2, b""), ("0x",)),
        (vector(2, b"\x30\0"), ("",)),
    ],
)
def test_what_is_no_name_is_kept_in_hex(names: bytes, shown: tuple[str, ...]) -> None:
    assert seen_names(tls12_body(names)).seen.client_authorities == shown


@pytest.mark.parametrize("body", [b"", tls12_body(TWO)[:-1], tls12_body(TWO + b"\0")])
def test_request_that_does_not_add_up_takes_nothing_from_the_chain(body: bytes) -> None:
    assert seen_names(body).seen.client_authorities is None


def test_names_are_bounded_in_number() -> None:
    """The most that the message can hold: 65,535 octets, here names of one octet each."""
    client = TlsClient(Hello(versions=(TlsVersion.TLS1_2,)), DEFAULT, until_request=True)
    chain = make_chain("rsa")
    body = tls12_body(vector(2, b"\xff") * 21_845)
    client.receive(tls12_flight(client.start(), der(chain.leaf), chain.key, request=body))
    assert client.done
    assert client.served is not None
    assert client.client_authorities == (b"\xff",) * 2_048
    few = seen_names(tls12_body(TWO), Limits(client_authorities=1)).seen.client_authorities
    assert few == ("CN=Harbour",)


@pytest.mark.parametrize(
    ("names", "shown", "outcome"),
    [
        (TWO, ("CN=Harbour", "CN=Ships"), Outcome.SERVED),
        # OpenSSL breaks off before the chain, as supplicants that rest on it do.
        (vector(2, b"\x30\x05ab"), ("0x30056162",), Outcome.MALFORMED),
    ],
)
def test_names_under_tls13(names: bytes, shown: tuple[str, ...], outcome: Outcome) -> None:
    chain = make_chain("ecdsa")
    conversation = peer(version=TlsVersion.TLS1_3)
    conversation.start()
    hello = conversation.receive(request(1, 13, Fragment(start=True)))
    assert hello is not None
    flight = tls13_flight(hello[6:], der(chain.leaf), chain.key, request=tls13_body(names))
    assert conversation.receive(request(2, 13, Fragment(flight))) is None
    assert conversation.outcome is outcome
    assert conversation.seen.client_authorities == shown


# ---------------------------------------------------------------- resumption


@pytest.mark.parametrize(
    ("session", "ticket", "says"),
    [
        (b"", False, ()),
        (b"s" * 32, False, ("session-id",)),
        (b"", True, ("ticket",)),
        (b"s", True, ("session-id", "ticket")),
    ],
)
def test_resumption_is_read_from_the_hello(
    session: bytes, ticket: bool, says: tuple[str, ...]
) -> None:
    """RFC 5246, 7.4.1.3 (an empty session_id: not to be resumed); RFC 5077, 3.2."""
    chain = make_chain("rsa")
    conversation = peer(Method.PEAP)
    conversation.start()
    hello = conversation.receive(request(1, eap.Type.PEAP, Fragment(start=True)))
    assert hello is not None
    flight = tls12_flight(hello[6:], der(chain.leaf), chain.key, session=session, ticket=ticket)
    conversation.receive(request(2, eap.Type.PEAP, Fragment(flight)))
    assert conversation.outcome is Outcome.SERVED
    assert conversation.seen.resumption == says


@pytest.mark.parametrize(
    ("version", "options", "says"),
    [
        (TlsVersion.TLS1_2, 0, ("ticket",)),
        (TlsVersion.TLS1_2, SSL.OP_NO_TICKET, ("session-id",)),
        (TlsVersion.TLS1_3, 0, ()),
    ],
)
def test_resumption_of_a_library(version: TlsVersion, options: int, says: tuple[str, ...]) -> None:
    """What OpenSSL's server says by itself; TLS 1.3 says nothing before the login."""
    chain = make_chain("ecdsa")
    context = server_context(chain.key, chain.leaf, version=version)
    context.set_options(options)
    context.set_session_cache_mode(SSL.SESS_CACHE_SERVER)
    context.set_session_id(b"harbour")
    conversation = peer(Method.PEAP, version)
    converse(conversation, EapServer(context).answer)
    assert conversation.outcome is Outcome.SERVED
    assert conversation.seen.resumption == says


def test_prober_never_resumes() -> None:
    """The hello of a second conversation names no session and brings no ticket."""
    for _ in range(2):
        conversation = peer(Method.PEAP, TlsVersion.TLS1_2)
        conversation.start()
        hello = conversation.receive(request(1, eap.Type.PEAP, Fragment(start=True)))
        assert hello is not None
        assert hello[6 + 43] == 0, "no session id (RFC 5246, 7.4.1.2)"
        chain = make_chain("rsa")
        flight = tls12_flight(hello[6:], der(chain.leaf), chain.key, session=b"s" * 32, ticket=True)
        conversation.receive(request(2, eap.Type.PEAP, Fragment(flight)))
        assert handshake.ServerHello.parse(flight[9 : 5 + int.from_bytes(flight[3:5])]).ticket
