"""A conversation joined in memory with an EAP server, RADIUS octets between them."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from OpenSSL import SSL

from probe.limits import DEFAULT, Limits
from probe.observation.model import Method, Outcome, Phase, TlsVersion
from probe.records import replace
from probe.wire import eap, openssl, radius
from probe.wire.conversation import Conversation
from probe.wire.eap import EapPacket
from probe.wire.fragments import Fragment
from probe.wire.hello import Hello
from tests.wire.eapserver import Answer, EapServer, converse
from tests.wire.handmade import tls12_flight
from tests.wire.pki import der, make_chain, make_key, server_context

NUMBERS = {
    Method.PEAP: eap.Type.PEAP,
    Method.EAP_TTLS: eap.Type.EAP_TTLS,
    Method.EAP_TLS: eap.Type.EAP_TLS,
    Method.TEAP: eap.Type.TEAP,
}


def peer(
    *methods: Method,
    versions: tuple[TlsVersion, ...] = (TlsVersion.TLS1_2, TlsVersion.TLS1_3),
    fragment_size: int = 1400,
    limits: Limits = DEFAULT,
    peap_version: int = 1,
) -> Conversation:
    return Conversation(
        identity="cert-probe@northpier.example",
        methods=methods or (Method.PEAP,),
        hello=Hello(versions=versions),
        fragment_size=fragment_size,
        limits=limits,
        peap_version=peap_version,
    )


def context(kind: str = "rsa", version: TlsVersion = TlsVersion.TLS1_3) -> SSL.Context:
    chain = make_chain(kind)
    return server_context(chain.key, chain.leaf, chain.intermediate, version=version)


def challenge(packet: EapPacket | None) -> radius.Reply:
    """A reply by itself, as the transport would hand it over."""
    return radius.Reply(
        code=radius.Code.ACCESS_CHALLENGE,
        kind="Access-Challenge",
        identifier=0,
        eap=None if packet is None else packet.octets,
        state=b"state",
        attributes=(),
        message_authenticator=True,
        message_authenticator_first=True,
    )


def request(identifier: int, kind: int, fragment: Fragment | bytes = b"") -> radius.Reply:
    data = fragment.octets if isinstance(fragment, Fragment) else fragment
    return challenge(EapPacket(eap.Code.REQUEST, identifier, kind, data))


# ---------------------------------------------------------------- the chain


@pytest.mark.parametrize("size", [100, 253, 500, 1000, 1400])
@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
@pytest.mark.parametrize("method", list(NUMBERS))
def test_chain_is_seen(method: Method, version: TlsVersion, size: int) -> None:
    """In every method, whatever both sides' fragments; the server's end is a reject."""
    server = EapServer(context(version=version), proposes=[NUMBERS[method]], fragment_size=size)
    conversation = peer(method, fragment_size=size)
    talk = converse(conversation, server.answer)
    assert conversation.outcome is Outcome.SERVED
    assert conversation.phase is Phase.FINISH
    assert conversation.detail is None
    assert conversation.certificates == der(make_chain("rsa").leaf, make_chain("rsa").intermediate)
    assert conversation.served is not None
    assert conversation.served.tls is version
    assert conversation.served.key_proven is True
    assert conversation.seen.method is method
    assert conversation.seen.proposed == (method.value,)
    assert max(conversation.seen.fragments) <= size
    assert talk.end is not None
    assert talk.end.kind == "Access-Reject"


def test_identity_is_sent_first() -> None:
    """RFC 3579, 2.1, and RFC 3748, 5.1."""
    packet = EapPacket.parse(peer().start())
    assert (packet.code, packet.type) == (eap.Code.RESPONSE, eap.Type.IDENTITY)
    assert packet.data == b"cert-probe@northpier.example"


def test_responses_repeat_the_identifier() -> None:
    """RFC 3748, section 4.1: the Identifier of a Response is that of its Request."""
    server = EapServer(context())
    asked: list[int] = []

    def answer(octets: bytes) -> Answer:
        answered = server.answer(octets)
        asked.append(answered[1].identifier)
        return answered

    converse(peer(), answer)
    assert [packet.identifier for packet in server.heard[1:]] == asked[: len(server.heard) - 1]


# ---------------------------------------------------------------- round trips


def test_round_trips_of_a_refused_certificate() -> None:
    """RFC 9190, figure 5 (vectors/eap.json, rfc9190-fig5): three pairs, the alert's included."""
    server = EapServer(context("ecdsa"), proposes=[eap.Type.EAP_TLS], fragment_size=1400)
    conversation = peer(Method.EAP_TLS)
    talk = converse(conversation, server.answer)
    assert conversation.round_trips == 2
    assert len(talk.sent) == 3


def test_round_trips_of_a_refused_hello() -> None:
    """RFC 9190, figure 4 (rfc9190-fig4): three pairs; an empty response answers the alert."""
    server = EapServer(context(version=TlsVersion.TLS1_1), proposes=[eap.Type.EAP_TLS])
    conversation = peer(Method.EAP_TLS)
    talk = converse(conversation, server.answer)
    assert conversation.outcome is Outcome.REFUSED
    assert conversation.alert == "protocol_version"
    assert conversation.phase is Phase.HELLO
    assert conversation.certificates == ()
    assert len(talk.sent) == 3
    assert EapPacket.parse(talk.sent[-1]).data == b"\0"


def test_round_trips_of_a_retry_request() -> None:
    """RFC 9190, figure 8 (rfc9190-fig8): a HelloRetryRequest costs one pair more than figure 5."""
    retrying = context("ecdsa")
    openssl.set_groups(retrying, "P-384")
    server = EapServer(retrying, proposes=[eap.Type.EAP_TLS], fragment_size=1400)
    conversation = peer(Method.EAP_TLS)
    talk = converse(conversation, server.answer)
    assert conversation.outcome is Outcome.SERVED
    assert conversation.served is not None
    assert conversation.served.group == "secp384r1"
    assert conversation.round_trips == 3
    assert len(talk.sent) == 4


def test_round_trips_of_a_fragmented_flight() -> None:
    """RFC 5216, 2.1.5 (rfc5216-frag): Identity, Start, and three fragments of the server's; the
    figure's further three pairs are those of a login."""
    server = EapServer(
        context(version=TlsVersion.TLS1_2), proposes=[eap.Type.EAP_TLS], fragment_size=700
    )
    conversation = peer(Method.EAP_TLS)
    converse(conversation, server.answer)
    assert len(conversation.seen.fragments) == 3
    assert conversation.round_trips == 4


@pytest.mark.parametrize(
    ("ours", "theirs", "nak", "trips"),
    [
        # 1 Identity + N Nak + hello fragments + flight fragments - 1, for a hello of 301 to 400
        # octets and a flight of 1,810 to 1,899: counted by hand.
        (1400, 1000, False, 1 + 1 + 2 - 1),
        (1400, 1000, True, 1 + 1 + 1 + 2 - 1),
        (100, 1000, False, 1 + 4 + 2 - 1),
        (1400, 100, False, 1 + 1 + 19 - 1),
        (200, 600, True, 1 + 1 + 2 + 4 - 1),
    ],
)
def test_round_trips_are_counted(ours: int, theirs: int, nak: bool, trips: int) -> None:
    proposes = [eap.Type.EAP_TLS, eap.Type.PEAP] if nak else [eap.Type.PEAP]
    server = EapServer(context(version=TlsVersion.TLS1_2), proposes=proposes, fragment_size=theirs)
    conversation = peer(Method.PEAP, fragment_size=ours)
    converse(conversation, server.answer)
    assert conversation.outcome is Outcome.SERVED
    assert 1_810 <= sum(conversation.seen.fragments) < 1_900
    assert conversation.round_trips == trips


# ---------------------------------------------------------------- negotiation


def test_nak_asks_for_our_methods_preferred_first() -> None:
    """RFC 3748, 5.3.1: one or more desired types."""
    server = EapServer(context(), proposes=[eap.Type.MD5_CHALLENGE, eap.Type.EAP_TTLS])
    conversation = peer(Method.PEAP, Method.EAP_TTLS)
    converse(conversation, server.answer)
    assert server.heard[1].type == eap.Type.NAK
    assert server.heard[1].data == bytes((eap.Type.PEAP, eap.Type.EAP_TTLS))
    assert conversation.seen.method is Method.EAP_TTLS
    assert conversation.seen.proposed == ("MD5-Challenge", "EAP-TTLS")


def test_reject_after_our_nak_refuses_the_method() -> None:
    server = EapServer(context(), proposes=[eap.Type.PEAP])
    conversation = peer(Method.EAP_TTLS)
    talk = converse(conversation, server.answer)
    assert conversation.outcome is Outcome.METHOD_REFUSED
    assert conversation.phase is Phase.METHOD
    assert conversation.detail == "Access-Reject after we asked for EAP-TTLS"
    assert conversation.round_trips == 2
    assert conversation.seen.proposed == ("PEAP",)
    assert talk.end is None


def test_another_strange_proposal_refuses_the_method() -> None:
    """It is left with a Nak that knows no alternative (RFC 3748, 5.3.1)."""
    conversation = peer(Method.EAP_TTLS)
    conversation.start()
    assert conversation.receive(request(1, eap.Type.MD5_CHALLENGE)) is not None
    assert conversation.receive(request(2, eap.Type.EXPANDED, bytes(7))) is None
    assert conversation.outcome is Outcome.METHOD_REFUSED
    assert conversation.detail == "asked for EAP-TTLS; it proposes Expanded"
    assert conversation.farewell() == eap.nak(2, ()).octets
    assert conversation.farewell() is None


def test_reject_before_tls() -> None:
    conversation = peer()
    converse(conversation, lambda _: EapServer(None).failure())
    assert conversation.outcome is Outcome.REJECTED
    assert conversation.phase is Phase.IDENTITY
    assert conversation.detail == "Access-Reject before TLS began"
    assert conversation.round_trips == 1


def test_notification_is_answered() -> None:
    """RFC 3748, 5.2: with an empty Response, before and within a method."""
    conversation = peer()
    conversation.start()
    answer = conversation.receive(request(1, eap.Type.NOTIFICATION, b"closed for the winter"))
    assert answer == EapPacket(eap.Code.RESPONSE, 1, eap.Type.NOTIFICATION).octets
    assert conversation.receive(request(2, eap.Type.PEAP, Fragment(start=True))) is not None
    answer = conversation.receive(request(3, eap.Type.NOTIFICATION))
    assert answer == EapPacket(eap.Code.RESPONSE, 3, eap.Type.NOTIFICATION).octets
    assert not conversation.finished


def test_identity_is_repeated_when_asked_again() -> None:
    """RFC 3748, 5.1."""
    conversation = peer()
    conversation.start()
    answer = conversation.receive(request(7, eap.Type.IDENTITY))
    assert answer == eap.identity(7, "cert-probe@northpier.example").octets


@pytest.mark.parametrize(
    ("method", "offered", "answered"),
    [
        (Method.PEAP, 0, 0),
        (Method.PEAP, 1, 1),
        (Method.PEAP, 2, 1),
        (Method.EAP_TTLS, 0, 0),
        (Method.EAP_TTLS, 1, 0),
        (Method.TEAP, 1, 1),
        (Method.EAP_TLS, 5, 0),
    ],
)
def test_version_is_the_lower_one(method: Method, offered: int, answered: int) -> None:
    """RFC 5281, 9.2; RFC 9930, 4.1; reserved bits of EAP-TLS are sent as 0 (RFC 5216, 3.1)."""
    server = EapServer(context(), proposes=[NUMBERS[method]], version=offered)
    conversation = peer(method)
    talk = converse(conversation, server.answer)
    assert conversation.outcome is Outcome.SERVED
    assert conversation.seen.peap_version == (answered if method is Method.PEAP else None)
    ours = [Fragment.parse(EapPacket.parse(each).data).version for each in talk.sent[1:]]
    assert set(ours) == {answered}


@pytest.mark.parametrize(("offered", "answered"), [(0, 0), (1, 0), (2, 0)])
def test_peap_can_be_kept_to_version_0(offered: int, answered: int) -> None:
    """As supplicants do that speak no other (draft-kamath-pppext-peapv0-00, 1.2)."""
    conversation = peer(Method.PEAP, peap_version=0)
    talk = converse(conversation, EapServer(context(), version=offered).answer)
    assert conversation.outcome is Outcome.SERVED
    assert conversation.seen.peap_version == answered
    ours = [Fragment.parse(EapPacket.parse(each).data).version for each in talk.sent[1:]]
    assert set(ours) == {answered}


def test_teap_of_a_lower_version_is_declined() -> None:
    """RFC 9930, 3.1, step 4: a peer that speaks higher versions only sends a Nak."""
    server = EapServer(context(), proposes=[eap.Type.TEAP, eap.Type.PEAP], version=0)
    conversation = peer(Method.TEAP, Method.PEAP)
    converse(conversation, server.answer)
    assert server.heard[1].octets == eap.nak(server.heard[1].identifier, [25]).octets
    assert conversation.outcome is Outcome.SERVED
    assert conversation.seen.method is Method.PEAP
    assert conversation.seen.proposed == ("TEAP", "PEAP")

    alone = peer(Method.TEAP)
    alone.start()
    assert alone.receive(request(7, eap.Type.TEAP, Fragment(start=True))) is None
    assert (alone.outcome, alone.phase) == (Outcome.METHOD_REFUSED, Phase.METHOD)
    assert alone.detail == "it proposes TEAP version 0"
    assert alone.farewell() == eap.nak(7, ()).octets


def test_teap_starts_with_outer_tlvs() -> None:
    """RFC 9930, 3.2: the Start brings an Authority-ID; what it says is not needed here."""
    authority = bytes.fromhex("0001000471756179")
    server = EapServer(context(), proposes=[eap.Type.TEAP], outer=authority)
    conversation = peer(Method.TEAP)
    converse(conversation, server.answer)
    assert conversation.outcome is Outcome.SERVED
    assert conversation.seen.method is Method.TEAP


def test_eap_fast_is_reported_and_declined() -> None:
    server = EapServer(context(), proposes=[eap.Type.EAP_FAST, eap.Type.PEAP], version=1)
    conversation = peer(Method.PEAP)
    converse(conversation, server.answer)
    assert conversation.seen.proposed == ("EAP-FAST", "PEAP")
    assert conversation.outcome is Outcome.SERVED


@pytest.mark.parametrize("length", ["first", "never", "whole"])
def test_length_of_the_server_is_optional(length: str) -> None:
    """RFC 9190, 2.4: L on an unfragmented message must be accepted; and none at all is."""
    for size in (700, 4000):
        server = EapServer(context(), fragment_size=size, length=length)
        conversation = peer()
        converse(conversation, server.answer)
        assert conversation.outcome is Outcome.SERVED


def test_our_length_goes_with_the_first_of_several() -> None:
    """RFC 5216, 2.1.5, and RFC 9190, 2.4."""
    for size, lengths in ((100, [True, False, False, False]), (1400, [False])):
        server = EapServer(context(), fragment_size=4000)
        talk = converse(peer(fragment_size=size), server.answer)
        ours = [Fragment.parse(EapPacket.parse(each).data) for each in talk.sent[1:-1]]
        assert [each.total is not None for each in ours] == lengths
        assert [each.more for each in ours] == [True] * (len(ours) - 1) + [False]


# ---------------------------------------------------------------- the polite end


@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
def test_farewell_is_one_fragment_of_warnings(version: TlsVersion) -> None:
    """RFC 9846, 6.1: user_canceled and close_notify, both warnings, one after the other."""
    talk = converse(peer(), EapServer(context(version=version)).answer)
    fragment = Fragment.parse(EapPacket.parse(talk.sent[-1]).data)
    assert fragment.data == bytes.fromhex("1503030002015a15030300020100")
    assert not fragment.more
    assert fragment.total is None


def test_conversation_ends_in_mid_flight() -> None:
    """TLS 1.2: after ServerKeyExchange; a long CertificateRequest is not waited for."""
    asking = context(version=TlsVersion.TLS1_2)
    asking.set_verify(SSL.VERIFY_PEER, lambda *_: True)
    root = make_chain("rsa4096").root
    for _ in range(200):
        asking.add_client_ca(root)
    server = EapServer(asking, fragment_size=1000, proposes=[eap.Type.EAP_TLS])
    conversation = peer(Method.EAP_TLS)
    talk = converse(conversation, server.answer)
    assert conversation.outcome is Outcome.SERVED
    assert conversation.round_trips == 3
    assert talk.end is not None
    assert talk.end.kind == "Access-Reject"


def test_a_server_that_goes_on_after_the_alerts_is_given_an_acknowledgement() -> None:
    """Its next fragment asks for one (RFC 5216, 2.1.5). What ends it asks for nothing."""
    conversation = peer()
    talk = converse(conversation, EapServer(context()).answer)
    more = request(77, eap.Type.PEAP, Fragment(b"the rest of its flight"))
    acknowledgement = EapPacket(eap.Code.RESPONSE, 77, eap.Type.PEAP, Fragment(version=0).octets)
    assert conversation.last_word(more) == acknowledgement.octets
    assert talk.end is not None
    assert conversation.last_word(talk.end) is None
    strange = (b"", b"\x03\x4d\x00\x04", request(77, eap.Type.EAP_TLS).eap)
    for octets in strange:
        assert conversation.last_word(replace(more, eap=octets)) is None


# ---------------------------------------------------------------- what goes wrong


def test_silence_at_first_and_later() -> None:
    conversation = peer()
    converse(conversation, lambda _: None)
    assert (conversation.outcome, conversation.round_trips) == (Outcome.SILENT, 0)
    assert conversation.farewell() is None

    server = EapServer(context())
    later = peer()
    converse(later, lambda octets: None if server.heard else server.answer(octets))
    assert (later.outcome, later.phase) == (Outcome.CUT_OFF, Phase.HELLO)
    assert later.detail == "no further reply"
    assert later.round_trips == 1


def test_silence_in_mid_method_is_still_left_politely() -> None:
    """It may be our own packet that got lost: the server then waits for an answer to its last
    request, and takes the farewell for it. To a Start that is a Nak (RFC 3748, 5.3.1)."""
    conversation = peer()
    conversation.start()
    conversation.receive(request(9, eap.Type.PEAP, Fragment(start=True)))
    conversation.silence()
    assert conversation.farewell() == eap.nak(9, ()).octets
    assert conversation.farewell() is None

    later = peer(fragment_size=100)
    later.start()
    later.receive(request(9, eap.Type.PEAP, Fragment(start=True)))
    later.receive(request(10, eap.Type.PEAP, Fragment()))
    later.silence()
    parting = b"\0" + bytes.fromhex("1503010002015a15030100020100")
    assert later.farewell_ahead() == EapPacket(eap.Code.RESPONSE, 11, eap.Type.PEAP, parting).octets
    assert later.farewell() == EapPacket(eap.Code.RESPONSE, 10, eap.Type.PEAP, parting).octets
    assert peer().farewell_ahead() is None


@pytest.mark.parametrize("replies", [0, 1, 2])
def test_conversation_can_be_broken_off(replies: int) -> None:
    """For a caller's reason, with the polite end where the server has begun something."""
    conversation = peer(fragment_size=100)
    conversation.start()
    for number in range(replies):
        conversation.receive(request(number, eap.Type.PEAP, Fragment(start=number == 0)))
    conversation.break_off("no time is left")
    assert conversation.finished
    assert conversation.outcome is (Outcome.CUT_OFF if replies else Outcome.SILENT)
    assert conversation.detail == "no time is left"
    assert (conversation.farewell() is None) == (replies == 0)
    conversation.break_off("again")
    assert conversation.detail == "no time is left"


def test_reject_after_the_hello_refuses() -> None:
    server = EapServer(context())
    conversation = peer()
    converse(
        conversation,
        lambda octets: server.failure() if server.heard else server.answer(octets),
    )
    assert conversation.outcome is Outcome.REFUSED
    assert conversation.phase is Phase.HELLO
    assert conversation.detail == "Access-Reject after the ClientHello"
    assert conversation.alert is None


def test_end_between_chain_and_signature_keeps_the_chain() -> None:
    chain = make_chain("rsa")
    conversation = peer(versions=(TlsVersion.TLS1_2,))
    conversation.start()
    hello = conversation.receive(request(1, eap.Type.PEAP, Fragment(start=True)))
    assert hello is not None
    flight = tls12_flight(hello[6:], der(chain.leaf), chain.key)
    conversation.receive(request(2, eap.Type.PEAP, Fragment(flight[:-200], more=True)))
    conversation.silence()
    assert conversation.outcome is Outcome.SERVED
    assert conversation.phase is Phase.CERTIFICATE
    assert conversation.detail == "no further reply, before its signature was seen"
    assert conversation.served is not None
    assert conversation.served.key_proven is None
    assert conversation.certificates == der(chain.leaf)


def test_wrong_key_is_served_unproven() -> None:
    chain = make_chain("rsa")
    conversation = peer(versions=(TlsVersion.TLS1_2,))
    conversation.start()
    hello = conversation.receive(request(1, eap.Type.PEAP, Fragment(start=True)))
    assert hello is not None
    flight = tls12_flight(hello[6:], der(chain.leaf), make_key("rsa", 9))
    assert conversation.receive(request(2, eap.Type.PEAP, Fragment(flight))) is None
    assert (conversation.outcome, conversation.phase) == (Outcome.SERVED, Phase.PROOF)
    assert conversation.served is not None
    assert conversation.served.key_proven is False
    assert conversation.detail == conversation.served.key_detail


def started(method: Method = Method.PEAP) -> Conversation:
    conversation = peer(method)
    conversation.start()
    conversation.receive(request(1, NUMBERS[method], Fragment(start=True)))
    return conversation


@pytest.mark.parametrize(
    ("reply", "says"),
    [
        (request(1, eap.Type.PEAP, Fragment(b"\x16")), "EAP Identifier 1 twice"),
        (request(2, eap.Type.EAP_TTLS, Fragment(start=True)), "EAP-TTLS within PEAP"),
        (request(2, eap.Type.IDENTITY), "Identity within PEAP"),
        (request(2, eap.Type.NAK, b"\x19"), "a Request of type Nak"),
        (request(2, eap.Type.PEAP, Fragment(start=True)), "a second Start"),
        (request(2, eap.Type.PEAP, Fragment()), "an empty request where TLS data are due"),
        (request(2, eap.Type.PEAP), "no flags octet"),
        (request(2, eap.Type.PEAP, b"\x80\0\0"), "the TLS message length is cut off"),
        (
            request(2, eap.Type.PEAP, Fragment(b"\x16\x03", total=65_537, more=True)),
            "a TLS message of 65537 octets; 65536 are looked at",
        ),
        (
            request(2, eap.Type.PEAP, Fragment(b"\x16\x03\x03", total=2, more=True)),
            "more TLS data than the 2 octets announced",
        ),
        (
            request(2, eap.Type.PEAP, Fragment(more=True)),
            "a fragment without data says that more will come",
        ),
        (
            request(2, eap.Type.PEAP, Fragment(b"HTTP/1.1 200 OK\r\n")),
            "the answer is unencrypted HTTP: HTTP/1.1 200 OK",
        ),
        (challenge(EapPacket(eap.Code.SUCCESS, 1)), "EAP Success where a Request is due"),
        (
            challenge(EapPacket(eap.Code.RESPONSE, 2, eap.Type.PEAP)),
            "EAP Response where a Request is due",
        ),
        (challenge(None), "an Access-Challenge without EAP"),
    ],
)
def test_broken_protocol_is_malformed(reply: radius.Reply, says: str) -> None:
    conversation = started()
    assert conversation.receive(reply) is None
    assert conversation.outcome is Outcome.MALFORMED
    assert conversation.detail == says
    assert conversation.phase is Phase.HELLO
    assert conversation.receive(reply) is None


def test_octets_that_are_no_eap_are_malformed() -> None:
    conversation = peer()
    conversation.start()
    odd = radius.Reply(11, "Access-Challenge", 0, b"\x01", None, (), False, False)
    assert conversation.receive(odd) is None
    assert conversation.outcome is Outcome.MALFORMED
    assert conversation.detail == "an EAP packet of 1 octets; the least is 4"


@pytest.mark.parametrize(
    ("code", "kind", "says"),
    [
        (2, "Access-Accept", "Access-Accept before anything was proven"),
        (99, "code 99", "code 99 in answer to an Access-Request"),
    ],
)
def test_reply_of_another_kind_is_malformed(code: int, kind: str, says: str) -> None:
    conversation = started()
    assert conversation.receive(radius.Reply(code, kind, 0, None, None, (), True, True)) is None
    assert conversation.outcome is Outcome.MALFORMED
    assert conversation.detail == says


def test_data_instead_of_an_acknowledgement_is_malformed() -> None:
    conversation = peer(fragment_size=100)
    conversation.start()
    conversation.receive(request(1, eap.Type.PEAP, Fragment(start=True)))
    assert conversation.receive(request(2, eap.Type.PEAP, Fragment(b"\x16\x03"))) is None
    assert conversation.detail == "data where our fragment was to be acknowledged"
    assert conversation.farewell() is not None


def test_method_that_does_not_start_is_malformed() -> None:
    conversation = peer()
    conversation.start()
    assert conversation.receive(request(1, eap.Type.PEAP, Fragment(b"\x16"))) is None
    assert conversation.detail == "the first PEAP request is no Start"


def test_rounds_are_bounded() -> None:
    """`eap_rounds`: a server that asks for ever is left, politely."""
    conversation = peer(limits=Limits(eap_rounds=5))
    talk = converse(conversation, EapServer(context(), fragment_size=100).answer)
    assert conversation.outcome is Outcome.CUT_OFF
    assert conversation.detail == "given up after 5 round trips"
    assert conversation.round_trips == 5
    assert len(talk.sent) == 6

    endless = peer(limits=Limits(eap_rounds=5))
    endless.start()
    for identifier in range(5):
        endless.receive(request(identifier, eap.Type.IDENTITY))
    assert endless.finished
    assert endless.round_trips == 5


def test_unsigned_replies_are_followed() -> None:
    """The reply says that it is unsigned; the conversation goes on all the same."""
    conversation = peer()
    converse(conversation, EapServer(context()).answer, signed=False)
    assert conversation.outcome is Outcome.SERVED


@pytest.mark.parametrize("methods", [(), (Method("EAP-FAST"),)])
def test_method_that_is_not_spoken_is_our_fault(methods: tuple[Method, ...]) -> None:
    with pytest.raises(ValueError, match="EAP methods"):
        Conversation(
            identity="probe", methods=methods, hello=Hello(), fragment_size=1400, limits=DEFAULT
        )


@pytest.mark.parametrize("version", [-1, 2])
def test_peap_version_that_is_not_spoken_is_our_fault(version: int) -> None:
    with pytest.raises(ValueError, match=f"PEAP version {version}"):
        peer(peap_version=version)


# ---------------------------------------------------------------- anything at all

EAP_OCTETS = st.one_of(
    st.binary(max_size=60),
    st.builds(
        lambda code, identifier, kind, data: EapPacket(code, identifier, kind, data).octets,
        st.sampled_from([eap.Code.REQUEST, eap.Code.RESPONSE]),
        st.integers(0, 255),
        st.sampled_from([1, 2, 3, 4, 13, 21, 25, 55, 254]),
        st.binary(max_size=60),
    ),
)


@settings(max_examples=300, deadline=None, database=None)
@given(
    replies=st.lists(
        st.tuples(st.sampled_from([2, 3, 5, 11, 11, 11, 11, 99]), st.none() | EAP_OCTETS),
        max_size=8,
    ),
    begun=st.booleans(),
)
def test_anything_never_raises(replies: list[tuple[int, bytes | None]], begun: bool) -> None:
    conversation = started() if begun else peer(*NUMBERS)
    conversation.start()
    for code, octets in replies:
        answer = conversation.receive(radius.Reply(code, "any", 0, octets, None, (), True, True))
        assert (answer is None) == conversation.finished
    conversation.silence()
    assert conversation.finished
    conversation.farewell()
