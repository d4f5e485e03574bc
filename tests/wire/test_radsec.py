"""RADIUS over TLS: packets out of a stream, and what is said inside in which order."""

import hashlib
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.limits import DEFAULT
from probe.observation.model import Method, Outcome
from probe.wire import radius
from probe.wire.conversation import Conversation
from probe.wire.hello import Hello
from probe.wire.radius import RadiusError, Request, SecretDiffers, build_reply, read_request
from probe.wire.radsec import SECRET, Packets, RadsecSession
from tests.wire.eapserver import EapServer
from tests.wire.pki import der, make_chain, server_context

ATTRIBUTES = (("User-Name", "cert-probe@northpier.example"), ("NAS-Identifier", "cert-probe"))


def conversation() -> Conversation:
    return Conversation(
        identity="cert-probe@northpier.example",
        methods=(Method.PEAP,),
        hello=Hello(),
        fragment_size=1000,
        limits=DEFAULT,
    )


def asked(octets: bytes) -> Request:
    """Read what was said inside as a server does that knows RFC 6614."""
    request = read_request(octets, b"radsec")
    assert request.verification is radius.Verification.VALID
    return request


def accepted(request: Request, secret: bytes = b"radsec") -> bytes:
    return build_reply(request, secret, radius.Code.ACCESS_ACCEPT)


def started(*, eap: bool = True) -> tuple[RadsecSession, Request]:
    session = RadsecSession(ATTRIBUTES, conversation() if eap else None)
    return session, asked(session.start())


# ---------------------------------------------------------------- packets

LONG = struct.pack("!BBH16s", 2, 7, 4096, bytes(16)) + b"\x12\xff" * 2038
SHORT = struct.pack("!BBH16s", 3, 8, 20, bytes(16))


@pytest.mark.parametrize("piece", [1, 3, 19, 4096, 10_000])
def test_packets_are_cut_by_their_own_lengths(piece: int) -> None:
    """RFC 2865, 3: Length is in the third and fourth octet, 20 to 4096."""
    stream, packets = SHORT + LONG + SHORT, Packets()
    found: list[bytes] = []
    for start in range(0, len(stream), piece):
        found += packets.feed(stream[start : start + piece])
    assert found == [SHORT, LONG, SHORT]


@pytest.mark.parametrize("length", [0, 19, 4097, 65_535])
def test_a_length_that_no_packet_has_ends_the_stream(length: int) -> None:
    """RFC 6613, 2.6.4: the connection is of no use then."""
    with pytest.raises(RadiusError, match="20 to 4096"):
        list(Packets().feed(struct.pack("!BBH", 2, 0, length)))


@settings(derandomize=True, deadline=None)
@given(st.lists(st.binary(max_size=60), max_size=8))
def test_no_octets_make_it_raise(pieces: list[bytes]) -> None:
    session, _ = started()
    for piece in pieces:
        session.receive(piece)
    session.end_of_input()
    assert session.done


# ---------------------------------------------------------------- a sign of life


def test_the_first_request_is_status_server_and_names_no_user() -> None:
    """RFC 5997, 3 and 5."""
    session, request = started()
    assert request.code == 12
    assert dict(request.shown) == {"NAS-Identifier": "cert-probe"}
    assert not session.answered


def test_the_secret_is_the_word_radsec() -> None:
    """RFC 6614, 2.3 (4), checked by RFC 2865, 3: MD5(Code+ID+Length+RequestAuth+Attributes+Secret)
    is the Response Authenticator."""
    session, request = started(eap=False)
    head = struct.pack("!BBH", 2, request.identifier, 20)
    right = hashlib.md5(head + request.authenticator + b"radsec", usedforsecurity=False).digest()
    assert session.receive(head + right) == b""
    assert (session.status_reply, session.done) == ("Access-Accept", True)
    assert SECRET == b"radsec"


def test_another_secret_is_told_and_ends_it() -> None:
    session, request = started()
    assert session.receive(accepted(request, b"radius/dtls")) == b""
    assert isinstance(session.doubt, SecretDiffers)
    assert session.done
    assert not session.answered


def test_what_a_server_asks_by_itself_is_no_reply() -> None:
    """A server may send Disconnect-Request (40) or CoA-Request (43) over the same connection."""
    session, request = started(eap=False)
    for code in (40, 43, 12):
        assert (
            session.receive(struct.pack("!BBH16s", code, request.identifier, 20, bytes(16))) == b""
        )
    assert session.doubt is None
    session.receive(accepted(request))
    assert session.status_reply == "Access-Accept"


# ---------------------------------------------------------------- EAP inside


def exchanged(session: RadsecSession, server: EapServer, said: bytes) -> list[Request]:
    """Answer everything that is said from here on, as a server with EAP behind it."""
    heard = []
    number = 0
    while said:
        request = asked(said)
        heard.append(request)
        assert request.eap is not None
        code, packet = server.answer(request.eap)
        number += 1
        state = b"state %d" % number if code == radius.Code.ACCESS_CHALLENGE else None
        said = session.receive(
            build_reply(request, b"radsec", code, eap=packet.octets, state=state)
        )
    return heard


def test_eap_follows_and_is_ended_politely() -> None:
    chain = make_chain("ecdsa")
    server = EapServer(server_context(chain.key, chain.leaf, chain.intermediate))
    session, request = started()
    heard = exchanged(session, server, session.receive(accepted(request)))
    assert session.done
    assert session.conversation is not None
    assert session.conversation.outcome is Outcome.SERVED
    assert session.conversation.certificates == der(chain.leaf, chain.intermediate)
    assert heard[0].state is None
    assert [one.state for one in heard[1:]] == [b"state %d" % n for n in range(1, len(heard))]
    assert server.heard[-1].data[-2:] == b"\x01\x00"  # close_notify, a warning
    assert session.seen.reply == "Access-Reject"
    assert dict(session.seen.sent)["User-Name"] == "cert-probe@northpier.example"
    assert session.seen.transmissions == 1 + len(heard)


def test_without_a_sign_of_life_eap_is_tried_all_the_same() -> None:
    chain = make_chain("ecdsa")
    server = EapServer(server_context(chain.key, chain.leaf))
    session, _ = started()
    exchanged(session, server, session.silence())
    assert session.conversation is not None
    assert session.conversation.outcome is Outcome.SERVED
    assert session.status_reply is None
    assert session.answered


def test_a_late_sign_of_life_is_no_answer_to_eap() -> None:
    session, request = started()
    session.silence()
    assert session.receive(accepted(request)) == b""
    assert session.conversing
    assert session.doubt is None


def test_silence_behind_ends_it() -> None:
    session, request = started()
    session.receive(accepted(request))
    assert session.silence() == b""
    assert session.done
    assert session.conversation is not None
    assert session.conversation.outcome is Outcome.SILENT


def test_leaving_in_the_middle_tells_the_server_behind() -> None:
    chain = make_chain("ecdsa")
    server = EapServer(server_context(chain.key, chain.leaf))
    session, request = started()
    first = asked(session.receive(accepted(request)))
    assert first.eap is not None
    code, packet = server.answer(first.eap)
    session.receive(build_reply(first, b"radsec", code, eap=packet.octets, state=b"1"))
    farewell = asked(session.break_off("interrupted"))
    assert farewell.state == b"1"
    assert session.leaving
    assert session.silence() == b""
    assert session.done


def test_the_end_of_the_connection_ends_eap_too() -> None:
    session, request = started()
    session.receive(accepted(request))
    session.end_of_input()
    assert session.done
    assert session.conversation is not None
    assert session.conversation.detail == "the connection ended"
