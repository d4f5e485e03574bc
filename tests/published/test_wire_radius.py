"""The RADIUS codec against the packets that RFC 2865 and RFC 5997 print, their errors included."""

import json
from pathlib import Path
from typing import Any

import pytest

from probe.wire import radius
from probe.wire.radius import (
    RadiusError,
    ReplyNotOurs,
    Request,
    SecretDiffers,
    Verification,
    build_reply,
    build_request,
    read_reply,
    read_request,
    status_server,
)

VECTORS = Path(__file__).with_name("vectors")
RFC2865 = json.loads((VECTORS / "radius_rfc2865.json").read_text("utf-8"))
RFC5997 = json.loads((VECTORS / "radius_rfc5997.json").read_text("utf-8"))
EAP = json.loads((VECTORS / "radius_eap_constructed.json").read_text("utf-8"))
SECRET = b"xyzzy5461"


def exchange(vectors: dict[str, Any], name: str) -> dict[str, Any]:
    return next(each for each in vectors["exchanges"] if each["id"] == name)


def case(name: str) -> dict[str, Any]:
    return next(each for each in EAP["cases"] if each["id"] == name)


def octets(packet: dict[str, Any]) -> bytes:
    return bytes.fromhex(packet["hex"])


def asked(identifier: int, authenticator: str) -> Request:
    """A request of which only what a reply is checked against is known."""
    return Request(1, identifier, bytes.fromhex(authenticator), b"")


def asked_in(vector: dict[str, Any]) -> Request:
    return asked(vector["request"]["identifier"], vector["request"]["authenticator_hex"])


# ---------------------------------------------------------------- RFC 2865, section 7


def test_telnet_login_is_read() -> None:
    """RFC 2865, section 7.1: names and values as the legend beside the dump gives them."""
    vector = exchange(RFC2865, "7.1")
    request = read_request(octets(vector["request"]), SECRET)
    assert request.code == radius.Code.ACCESS_REQUEST
    assert request.shown == (
        ("User-Name", "nemo"),
        ("User-Password", "(not shown)"),
        ("NAS-IP-Address", "192.168.1.16"),
        ("NAS-Port", "3"),
    )
    assert request.verification is Verification.UNSIGNED
    reply = read_reply(octets(vector["response"]), request, SECRET)
    assert reply.kind == "Access-Accept"
    assert reply.attributes == (
        ("Service-Type", "Login-User"),
        ("Login-Service", "0"),
        ("Login-IP-Host", "192.168.1.3"),
    )
    assert not reply.message_authenticator


def test_framed_login_is_read() -> None:
    """RFC 2865, section 7.2."""
    vector = exchange(RFC2865, "7.2")
    request = read_request(octets(vector["request"]), SECRET)
    assert ("Framed-Protocol", "PPP") in request.shown
    reply = read_reply(octets(vector["response"]), request, SECRET)
    assert reply.attributes == (
        ("Service-Type", "Framed-User"),
        ("Framed-Protocol", "PPP"),
        ("Framed-IP-Address", "255.255.255.254"),
        ("Framed-Routing", "2"),
        ("Framed-Compression", "1"),
        ("Framed-MTU", "1500"),
    )


def test_challenge_carries_its_state_apart() -> None:
    """RFC 2865, section 7.3, Access-Challenge."""
    vector = exchange(RFC2865, "7.3a")
    reply = read_reply(octets(vector["response"]), asked_in(vector), SECRET)
    assert reply.kind == "Access-Challenge"
    assert reply.state == b"32769430"
    assert reply.attributes == (
        ("Reply-Message", "Challenge 32769430.  Enter response at prompt."),
    )


def test_state_printed_with_a_wrong_length_is_refused() -> None:
    """RFC 2865, section 7.3, second Access-Request: State is printed with length 16 for 10."""
    vector = exchange(RFC2865, "7.3b")
    with pytest.raises(RadiusError, match="attribute 24 length 16 overruns the packet"):
        read_request(octets(vector["request"]), SECRET)
    corrected = bytes.fromhex(vector["request_with_length_corrected_hex"])
    assert read_request(corrected, SECRET).state == b"32769430"


def test_reject_verifies() -> None:
    """RFC 2865, section 7.3, Access-Reject."""
    vector = exchange(RFC2865, "7.3b")
    reply = read_reply(octets(vector["response"]), asked_in(vector), SECRET)
    assert (reply.kind, reply.eap, reply.state) == ("Access-Reject", None, None)


@pytest.mark.parametrize("place", range(4, 38))
def test_each_altered_octet_of_a_reply_is_noticed(place: int) -> None:
    """RFC 2865, section 3, Response Authenticator, on the reply of 7.1."""
    vector = exchange(RFC2865, "7.1")
    altered = bytearray(octets(vector["response"]))
    altered[place] ^= 1
    with pytest.raises(RadiusError):
        read_reply(bytes(altered), asked_in(vector), SECRET)


@pytest.mark.parametrize(
    ("name", "error", "says"),
    [
        ("id-mismatch", ReplyNotOurs, "a reply to request 1, not to 0"),
        ("short-length", RadiusError, "a length of 19; 20 to 4096"),
        ("length-longer-than-datagram", RadiusError, "a length of 64, but only 38 octets came"),
    ],
)
def test_reply_with_a_wrong_header_is_refused(name: str, error: type, says: str) -> None:
    """RFC 2865, section 3: Identifier and Length."""
    negative = next(each for each in RFC2865["negative"] if each["id"] == name)
    with pytest.raises(error, match=says):
        read_reply(octets(negative), asked_in(exchange(RFC2865, "7.1")), SECRET)


def test_padding_is_ignored() -> None:
    """RFC 2865, section 3: octets past Length are padding."""
    negative = next(each for each in RFC2865["negative"] if each["id"] == "trailing-padding")
    reply = read_reply(octets(negative), asked_in(exchange(RFC2865, "7.1")), SECRET)
    assert reply.kind == "Access-Accept"


def test_another_secret_is_told() -> None:
    """RFC 2865, section 3; the vector's secret differs in its last digit."""
    vector = exchange(RFC2865, "7.1")
    with pytest.raises(SecretDiffers):
        read_reply(octets(vector["response"]), asked_in(vector), b"xyzzy5462")


# ---------------------------------------------------------------- RFC 5997, section 6


@pytest.mark.parametrize(
    ("name", "attributes"),
    [("6.1", ()), ("6.2", ()), ("6.3", (("NAS-IP-Address", "192.0.2.16"),))],
)
def test_status_server_is_read_and_verified(
    name: str, attributes: tuple[tuple[str, str], ...]
) -> None:
    """RFC 5997, section 6: the Message-Authenticator of each printed request."""
    printed = octets(exchange(RFC5997, name)["request"])
    request = read_request(printed, SECRET)
    assert request.code == radius.Code.STATUS_SERVER
    assert request.verification is Verification.VALID
    assert request.shown == attributes
    assert read_request(printed, b"another").verification is Verification.WRONG


@pytest.mark.parametrize("name", ["6.1", "6.2"])
def test_status_server_is_built_as_printed(name: str) -> None:
    """RFC 5997, sections 6.1 and 6.2: octet for octet. (6.3 prints the attribute last.)"""
    printed = exchange(RFC5997, name)["request"]
    request = status_server(
        SECRET,
        printed["identifier"],
        (),
        authenticator=bytes.fromhex(printed["authenticator_hex"]),
    )
    assert request.octets == octets(printed)


def test_accept_to_status_server_verifies() -> None:
    """RFC 5997, sections 6.1 and 6.3."""
    for name, attributes in (
        ("6.1", ()),
        ("6.3", (("Reply-Message", "RADIUS Server up 2 days, 18:40"),)),
    ):
        vector = exchange(RFC5997, name)
        request = read_request(octets(vector["request"]), SECRET)
        reply = read_reply(octets(vector["response"]), request, SECRET)
        assert (reply.kind, reply.attributes) == ("Access-Accept", attributes)


def test_reply_printed_with_a_wrong_code_does_not_verify() -> None:
    """RFC 5997, section 6.2: printed with code 2; its authenticator is that of code 5."""
    vector = exchange(RFC5997, "6.2")
    request = read_request(octets(vector["request"]), SECRET)
    with pytest.raises(SecretDiffers):
        read_reply(octets(vector["response"]), request, SECRET)
    corrected = octets(vector["response_with_code_corrected"])
    assert read_reply(corrected, request, SECRET).kind == "Accounting-Response"


# ---------------------------------------------------------------- RFC 3579, section 3


def test_identity_request_is_read_and_verified() -> None:
    """RFC 3579, 3.2."""
    packet = case("request-identity")["packet"]
    request = read_request(octets(packet), SECRET)
    assert request.verification is Verification.VALID
    assert request.eap == bytes.fromhex("0201001401616e6f6e796d6f7573407265616c6d")
    assert request.shown == (
        ("User-Name", "anonymous@realm"),
        ("NAS-IP-Address", "192.0.2.16"),
        ("Framed-MTU", "1400"),
    )


def test_request_is_built_octet_for_octet() -> None:
    """RFC 3579, 3.2 (case request-pap-proxy-state: the values stand in the packet's own order)."""
    packet = case("request-pap-proxy-state")["packet"]
    built = build_request(
        SECRET,
        packet["identifier"],
        [
            ("User-Name", "probe"),
            ("User-Password", bytes.fromhex("3364899aab624afc53c96a316a88996b")),
            ("Proxy-State", b"px"),
        ],
        authenticator=bytes.fromhex(packet["authenticator_hex"]),
    )
    assert built.octets == octets(packet)
    assert read_request(octets(packet), SECRET).proxy_states == (b"px",)


@pytest.mark.parametrize(
    ("name", "kind", "eap", "first"),
    [
        ("challenge-tls-start", "Access-Challenge", "010200060d20", True),
        ("reject-failure", "Access-Reject", "04020004", True),
        ("accept-success", "Access-Accept", "03020004", True),
        ("accept-ma-last", "Access-Accept", "03020004", False),
    ],
)
def test_signed_reply_is_accepted(name: str, kind: str, eap: str, first: bool) -> None:
    """RFC 3579, 3.1 and 3.2."""
    request = read_request(octets(case("request-identity")["packet"]), SECRET)
    reply = read_reply(octets(case(name)["packet"]), request, SECRET)
    assert reply.kind == kind
    assert reply.eap == bytes.fromhex(eap)
    assert reply.message_authenticator
    assert reply.message_authenticator_first is first
    with pytest.raises(SecretDiffers):
        read_reply(octets(case(name)["packet"]), request, SECRET + b"!")


def test_missing_message_authenticator_is_told() -> None:
    """RFC 3579, 3.1 wants it discarded; here it is told, so that a silence can be explained."""
    request = read_request(octets(case("request-identity")["packet"]), SECRET)
    reply = read_reply(octets(case("accept-no-ma")["packet"]), request, SECRET)
    assert not reply.message_authenticator
    assert not reply.message_authenticator_first
    assert reply.eap == bytes.fromhex("03020004")


def test_wrong_message_authenticator_is_no_reply_of_ours() -> None:
    """RFC 3579, 3.2: its Response Authenticator is right, its Message-Authenticator is not."""
    request = read_request(octets(case("request-identity")["packet"]), SECRET)
    with pytest.raises(SecretDiffers):
        read_reply(octets(case("accept-bad-ma")["packet"]), request, SECRET)


def test_long_eap_packet_is_joined() -> None:
    """RFC 3579, 3.1: six EAP-Message attributes make 1400 octets."""
    vector = case("challenge-long-eap")
    request = asked(43, vector["request_authenticator_hex"])
    reply = read_reply(octets(vector["packet"]), request, SECRET)
    assert reply.eap == bytes.fromhex(vector["eap_hex"])
    assert len(reply.eap) == 1400
    assert reply.state == b"state-02"


def test_long_eap_packet_is_split() -> None:
    """RFC 3579, 3.1: the reply is built octet for octet, five pieces of 253 octets and the rest."""
    vector = case("challenge-long-eap")
    built = build_reply(
        asked(43, vector["request_authenticator_hex"]),
        SECRET,
        radius.Code.ACCESS_CHALLENGE,
        eap=bytes.fromhex(vector["eap_hex"]),
        state=b"state-02",
    )
    assert built == octets(vector["packet"])
