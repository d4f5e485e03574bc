"""Whole conversations beside the ladders that RFC 3748, RFC 5216 and RFC 9190 print, step by step.

Each ladder is copied from its figure as far as this peer goes: up to the certificate, and then to
the end that a peer makes of it that does not log in. Packets are named by a reader of this file,
which shares nothing with the codecs.
"""

import hashlib
import json
from pathlib import Path

import pytest
from OpenSSL import SSL

from probe.limits import DEFAULT
from probe.observation.model import Method, Outcome, TlsVersion
from probe.wire import eap, openssl, radius
from probe.wire.conversation import Conversation
from probe.wire.hello import Hello
from tests.wire.eapserver import Answer, EapServer, converse
from tests.wire.pki import make_chain, server_context

VECTORS = json.loads((Path(__file__).with_name("vectors") / "eap.json").read_text("utf-8"))
FLOWS = {each["id"]: each for each in VECTORS["flows"]}

_CODES = {1: "Request", 2: "Response", 3: "Success", 4: "Failure"}
_TYPES = {1: "Identity", 2: "Notification", 3: "Nak", 4: "MD5", 13: "EAP-TLS", 25: "PEAP"}
_MESSAGES = {
    1: "ClientHello",
    2: "ServerHello",
    11: "Certificate",
    12: "ServerKeyExchange",
    13: "CertificateRequest",
    14: "ServerHelloDone",
}
_RETRY = hashlib.sha256(b"HelloRetryRequest").digest()  # RFC 9846, 4.1.3


def named(octets: bytes, *, continues: bool = False) -> str:
    """What a packet is, as the figures have it; one that `continues` begins within a message."""
    code = _CODES[octets[0]]
    assert int.from_bytes(octets[2:4]) == len(octets)
    if octets[0] > 2:
        assert len(octets) == 4
        return code
    kind = _TYPES[octets[4]]
    if octets[4] < 13:
        return f"{code}/{kind}"
    flags, data = octets[5], octets[6:]
    words = [f"{code}/{kind}"]
    if flags & 0x20:
        words.append("Start")
    if flags & 0x80:
        words.append(f"L={int.from_bytes(data[:4])}")
        data = data[4:]
    if flags & 0x40:
        words.append("M")
    if not data and not flags & 0xE0:
        words.append("empty")
    if continues and data:
        words.append("fragment")
    elif not flags & 0xC0:
        words += contents(data)
    return " ".join(words)


def contents(data: bytes) -> list[str]:
    """The messages in whole records in the clear; behind them, that something is encrypted."""
    words = []
    while data:
        kind, length = data[0], int.from_bytes(data[3:5])
        body, data = data[5 : 5 + length], data[5 + length :]
        if kind == 21:
            words.append("fatal alert" if body[0] == 2 else "warning alert")
        elif kind == 22 and body[0] in _MESSAGES:
            retries = body[0] == 2 and body[6:38] == _RETRY
            words.append("HelloRetryRequest" if retries else _MESSAGES[body[0]])
        elif kind == 23:
            return [*words, "encrypted"]
        else:
            assert kind == 20, "ChangeCipherSpec, which is only there for middleboxes"
    return words


def ladder(conversation: Conversation, server: EapServer) -> list[str]:
    """The packets of both sides in their order; EAP-Failure comes with Access-Reject."""
    steps: list[str] = []

    def answer(octets: bytes) -> Answer:
        code, packet = server.answer(octets)
        steps.append(named(octets))
        steps.append(named(packet.octets, continues=len(steps) > 1 and " M" in steps[-2]))
        assert (code is radius.Code.ACCESS_REJECT) == (packet.code is eap.Code.FAILURE)
        return code, packet

    converse(conversation, answer)
    return steps


def peer(version: TlsVersion, *methods: Method, until_request: bool = False) -> Conversation:
    return Conversation(
        identity="cert-probe@northpier.example",
        methods=methods or (Method.EAP_TLS,),
        hello=Hello(versions=(version,)),
        fragment_size=1400,
        limits=DEFAULT,
        until_request=until_request,
    )


def server(
    version: TlsVersion, *, size: int = 4000, proposes: tuple[int, ...] = (13,), kind: str = "ecdsa"
) -> EapServer:
    chain = make_chain(kind)
    context = server_context(chain.key, chain.leaf, chain.intermediate, version=version)
    context.set_verify(SSL.VERIFY_PEER, lambda *_: True)
    return EapServer(context, proposes=proposes, fragment_size=size)


def test_peer_that_leaves_at_the_certificate_under_tls13() -> None:
    """RFC 9190, figure 5: the peer's alert, then EAP-Failure; three pairs behind the identity
    request, which RADIUS does without (RFC 3579, 2.1). This peer's alerts are warnings."""
    conversation = peer(TlsVersion.TLS1_3)
    assert ladder(conversation, server(TlsVersion.TLS1_3)) == [
        "Response/Identity",
        "Request/EAP-TLS Start",
        "Response/EAP-TLS ClientHello",
        "Request/EAP-TLS ServerHello encrypted",
        "Response/EAP-TLS warning alert warning alert",
        "Failure",
    ]
    assert FLOWS["rfc9190-fig5"]["pairs"] == 3
    assert conversation.round_trips == 2
    assert conversation.outcome is Outcome.SERVED


def test_server_that_refuses_the_hello_under_tls13() -> None:
    """RFC 9190, figure 4: the server's alert is answered by an empty response (2.1.4), then
    EAP-Failure."""
    conversation = peer(TlsVersion.TLS1_3)
    assert ladder(conversation, server(TlsVersion.TLS1_2)) == [
        "Response/Identity",
        "Request/EAP-TLS Start",
        "Response/EAP-TLS ClientHello",
        "Request/EAP-TLS fatal alert",
        "Response/EAP-TLS empty",
        "Failure",
    ]
    assert FLOWS["rfc9190-fig4"]["pairs"] == 3
    assert conversation.outcome is Outcome.REFUSED
    assert conversation.alert == "protocol_version"


def test_retry_request_under_tls13() -> None:
    """RFC 9190, figure 8: one pair more, with a second ClientHello."""
    chain = make_chain("ecdsa")
    context = server_context(chain.key, chain.leaf, chain.intermediate)
    openssl.set_groups(context, "P-384")
    retrying = EapServer(context, proposes=[13], fragment_size=4000)
    conversation = peer(TlsVersion.TLS1_3)
    assert ladder(conversation, retrying) == [
        "Response/Identity",
        "Request/EAP-TLS Start",
        "Response/EAP-TLS ClientHello",
        "Request/EAP-TLS HelloRetryRequest",
        "Response/EAP-TLS ClientHello",
        "Request/EAP-TLS ServerHello encrypted",
        "Response/EAP-TLS warning alert warning alert",
        "Failure",
    ]
    assert FLOWS["rfc9190-fig8"]["pairs"] == FLOWS["rfc9190-fig1"]["pairs"] + 1
    assert conversation.round_trips == 3


@pytest.mark.parametrize("until_request", [False, True])
def test_peer_that_leaves_at_the_certificate_under_tls12(until_request: bool) -> None:
    """RFC 5216, 2.1.3, second ladder: the server's flight as in 2.1.1, the peer's alert,
    EAP-Failure. In one packet, reading on for CertificateRequest costs nothing."""
    conversation = peer(TlsVersion.TLS1_2, until_request=until_request)
    assert ladder(conversation, server(TlsVersion.TLS1_2)) == [
        "Response/Identity",
        "Request/EAP-TLS Start",
        "Response/EAP-TLS ClientHello",
        "Request/EAP-TLS ServerHello Certificate ServerKeyExchange CertificateRequest "
        "ServerHelloDone",
        "Response/EAP-TLS warning alert warning alert",
        "Failure",
    ]
    assert conversation.round_trips == 2
    assert conversation.seen.client_authorities == ()


def test_fragments_under_tls12() -> None:
    """RFC 5216, 2.1.5: three fragments of the server's, L and M, M, and neither (3.1: L with the
    first), each but the last acknowledged by a packet without data. The figure's further pairs are
    those of a login."""
    conversation = peer(TlsVersion.TLS1_2, until_request=True)
    steps = ladder(conversation, server(TlsVersion.TLS1_2, size=700, kind="rsa"))
    length = sum(conversation.seen.fragments)
    assert conversation.seen.fragments[:2] == (700, 700)
    assert steps == [
        "Response/Identity",
        "Request/EAP-TLS Start",
        "Response/EAP-TLS ClientHello",
        f"Request/EAP-TLS L={length} M",
        "Response/EAP-TLS empty",
        "Request/EAP-TLS M fragment",
        "Response/EAP-TLS empty",
        "Request/EAP-TLS fragment",
        "Response/EAP-TLS warning alert warning alert",
        "Failure",
    ]
    assert conversation.round_trips == 4
    assert FLOWS["rfc5216-frag"]["pairs"] == conversation.round_trips + 3


def test_nak_of_the_first_method() -> None:
    """RFC 3748, 2, steps 1 to 3, and 5.3.1: one Nak, then the method that it asked for."""
    conversation = peer(TlsVersion.TLS1_3, Method.PEAP)
    steps = ladder(conversation, server(TlsVersion.TLS1_3, proposes=(4, 25)))
    assert steps[:6] == [
        "Response/Identity",
        "Request/MD5",
        "Response/Nak",
        "Request/PEAP Start",
        "Response/PEAP ClientHello",
        "Request/PEAP ServerHello encrypted",
    ]


def test_nak_that_finds_nothing() -> None:
    """RFC 3748, 5.3.1: without a method in common the authenticator ends it."""
    conversation = peer(TlsVersion.TLS1_3, Method.EAP_TTLS)
    steps = ladder(conversation, server(TlsVersion.TLS1_3, proposes=(4, 25)))
    assert steps == ["Response/Identity", "Request/MD5", "Response/Nak", "Failure"]
    assert conversation.outcome is Outcome.METHOD_REFUSED
