"""The RADIUS codec where the published packets say nothing: bounds, oddities, secrets."""

import hashlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.wire import radius
from probe.wire.radius import (
    RadiusError,
    SecretDiffers,
    Verification,
    build_reply,
    build_request,
    eap_room,
    padding,
    read_reply,
    read_request,
    request_attributes,
    status_attributes,
    status_server,
)

SECRET = b"testing-only-secret"
SOME = request_attributes(user_name="probe", nas_identifier="cert-probe")


def raw_reply(*attributes: bytes) -> bytes:
    """A reply to `request()` of any attributes, its authenticator right."""
    body = b"".join(attributes)
    head = bytes((11, 7)) + (20 + len(body)).to_bytes(2)
    return head + hashlib.md5(head + bytes(16) + body + SECRET).digest() + body  # noqa: S324  # RFC 2865, 3


def request() -> radius.Request:
    return build_request(SECRET, 7, SOME, authenticator=bytes(16))


def attribute(kind: int, value: bytes) -> bytes:
    return bytes((kind, len(value) + 2)) + value


# ---------------------------------------------------------------- requests


def test_request_attributes_stand_in_a_fixed_order() -> None:
    """RFC 3580, section 3 (3.20: Called-Station-Id with SSID, 3.21: Calling-Station-Id)."""
    assert request_attributes(
        user_name="cert-probe@northpier.example",
        nas_identifier="cert-probe",
        nas_address="192.0.2.5",
        calling_station="02-00-00-CE-47-01",
        ssid="Northpier",
    ) == (
        ("User-Name", "cert-probe@northpier.example"),
        ("NAS-Identifier", "cert-probe"),
        ("NAS-IP-Address", "192.0.2.5"),
        ("NAS-Port", 1),
        ("NAS-Port-Type", "Wireless-802.11"),
        ("Service-Type", "Framed-User"),
        ("Framed-MTU", 1400),
        ("Connect-Info", "CONNECT 54Mbps 802.11"),
        ("Calling-Station-Id", "02-00-00-CE-47-01"),
        ("Called-Station-Id", "02-00-00-CE-47-02:Northpier"),
    )


def test_further_attributes_replace_what_they_name() -> None:
    attributes = request_attributes(
        user_name="probe",
        nas_identifier="cert-probe",
        nas_address="2001:db8::5",
        medium="wired",
        framed_mtu=1200,
        extra=(("NAS-Port", 12), ("Operator-Name", "1northpier.example")),
    )
    assert attributes == (
        ("User-Name", "probe"),
        ("NAS-Identifier", "cert-probe"),
        ("NAS-IPv6-Address", "2001:db8::5"),
        ("NAS-Port-Type", "Ethernet"),
        ("Service-Type", "Framed-User"),
        ("Framed-MTU", 1200),
        ("Connect-Info", "CONNECT 1000Mbps Full-Duplex"),
        ("NAS-Port", 12),
        ("Operator-Name", "1northpier.example"),
    )


def test_request_shows_what_it_sends() -> None:
    built = build_request(SECRET, 7, SOME, eap=b"\x02\0\0\x05\x01", state=b"hidden")
    read = read_request(built.octets, SECRET)
    assert built.shown == read.shown
    assert built.shown == (
        ("User-Name", "probe"),
        ("NAS-Identifier", "cert-probe"),
        ("NAS-Port", "1"),
        ("NAS-Port-Type", "Wireless-802.11"),
        ("Service-Type", "Framed-User"),
        ("Framed-MTU", "1400"),
        ("Connect-Info", "CONNECT 54Mbps 802.11"),
    )
    assert (read.eap, read.state) == (b"\x02\0\0\x05\x01", b"hidden")
    assert built.octets[20] == 80, "the Message-Authenticator comes first"


def test_authenticators_differ() -> None:
    """RFC 2865, section 3: unpredictable and unique."""
    assert (
        build_request(SECRET, 7, SOME).authenticator != build_request(SECRET, 7, SOME).authenticator
    )


def test_raw_octets_are_sent_as_they_are() -> None:
    """Also those that look like the hexadecimal digits of something else."""
    built = build_request(SECRET, 7, [("Class", b"0x4142")], state=b"0x43")
    assert built.shown == (("Class", b"0x4142".hex()),)
    assert read_request(built.octets, SECRET).state == b"0x43"


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("Flag-Colour", "red", "no attribute is named 'Flag-Colour'"),
        ("NAS-Port", "harbour", "NAS-Port: Can not encode non-integer"),
        ("NAS-Port", 1 << 32, "out of range"),
        ("NAS-IP-Address", "2001:db8::1", "NAS-IP-Address"),
        ("User-Name", "n" * 254, "<= 253"),
        ("Class", b"n" * 254, "at most 253"),
    ],
)
def test_attribute_that_cannot_be_sent_is_our_fault(
    name: str, value: str | int | bytes, says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        build_request(SECRET, 7, [(name, value)])


def test_packet_is_bounded() -> None:
    """RFC 2865, section 3: at most 4096 octets."""
    room = 4096 - len(build_request(SECRET, 7, SOME).octets)
    most = room - 2 * (-(-room // 255))
    assert len(build_request(SECRET, 7, SOME, eap=bytes(most)).octets) == 4096
    with pytest.raises(ValueError, match="a packet of 4097 octets; 4096 are allowed"):
        build_request(SECRET, 7, SOME, eap=bytes(most + 1))


def test_room_for_eap_is_what_a_packet_takes_beside_the_longest_state() -> None:
    # RFC 2865, 3: at most 4096 octets; 5: a value has at most 253.
    room = eap_room(SOME)
    full = build_request(SECRET, 7, SOME, eap=bytes(room), state=bytes(253))
    assert len(full.octets) <= 4096
    with pytest.raises(ValueError, match="4096 are allowed"):
        build_request(SECRET, 7, SOME, eap=bytes(room + 1), state=bytes(253))


def test_request_without_a_signature_says_so_on_both_sides() -> None:
    """RFC 3579, 3.1: a server should discard it, which is what is to be found out."""
    built = build_request(SECRET, 7, SOME, eap=b"\x02\0\0\x05\x01", signed=False)
    read = read_request(built.octets, SECRET)
    assert built.verification is read.verification is Verification.UNSIGNED
    assert (built.shown, read.eap) == (read.shown, b"\x02\0\0\x05\x01")
    assert built.octets[20] == 1, "it begins with User-Name"


@pytest.mark.parametrize("octets", [9, 254, 255, 256, 263, 510, 511, 1400, 3900])
def test_padding_takes_exactly_what_it_is_to_take(octets: int) -> None:
    """RFC 2865, 5.26: attributes of a vendor that no server knows, well-formed."""
    bare = build_request(SECRET, 7, SOME, eap=b"\x02\0\0\x05\x01", state=b"state")
    padded = build_request(
        SECRET, 7, (*SOME, *padding(octets)), eap=b"\x02\0\0\x05\x01", state=b"state"
    )
    assert len(padded.octets) == len(bare.octets) + octets
    read = read_request(padded.octets, SECRET)
    assert (read.eap, read.state, read.verification) == (bare.eap, b"state", Verification.VALID)
    further = read.shown[len(bare.shown) :]
    assert {name for name, _ in further} == {"Vendor-Specific 32473"}
    for _, value in further:
        assert bytes.fromhex(value)[:2] == bytes((1, len(value) // 2))


def test_padding_that_no_attribute_can_take_is_our_fault() -> None:
    with pytest.raises(ValueError, match="padding of 8 octets; the least is 9"):
        padding(8)
    with pytest.raises(ValueError, match="4096 are allowed"):
        build_request(SECRET, 7, (*SOME, *padding(4000)))


def test_status_server_carries_no_attribute_of_a_user() -> None:
    """RFC 5997, section 5."""
    attributes = request_attributes(
        user_name="probe",
        nas_identifier="cert-probe",
        nas_address="192.0.2.5",
        calling_station="02-00-00-CE-47-01",
    )
    built = status_server(SECRET, 7, status_attributes(attributes))
    assert built.shown == (("NAS-Identifier", "cert-probe"), ("NAS-IP-Address", "192.0.2.5"))
    assert built.octets[20] == 80, "the Message-Authenticator comes first"


# ---------------------------------------------------------------- replies


def test_reply_goes_back_to_its_request() -> None:
    sent = build_request(SECRET, 7, [*SOME, ("Proxy-State", b"one"), ("Proxy-State", b"two")])
    received = read_request(sent.octets, SECRET)
    reply = build_reply(
        received,
        SECRET,
        radius.Code.ACCESS_CHALLENGE,
        eap=b"\x01\x01\0\x06\x19\x20",
        state=b"again",
        attributes=[("Session-Timeout", 30), ("Reply-Message", "ahoj")],
    )
    assert reply[20] == 80, "the Message-Authenticator comes first"
    read = read_reply(reply, received, SECRET)
    assert read.message_authenticator_first
    assert (read.eap, read.state) == (b"\x01\x01\0\x06\x19\x20", b"again")
    assert read.attributes == (
        ("Session-Timeout", "30"),
        ("Reply-Message", "ahoj"),
        ("Proxy-State", b"one".hex()),
        ("Proxy-State", b"two".hex()),
    )


def test_unsigned_reply_is_told() -> None:
    reply = build_reply(request(), SECRET, radius.Code.ACCESS_REJECT, signed=False)
    assert not read_reply(reply, request(), SECRET).message_authenticator


def test_proxy_state_that_was_not_sent_is_refused() -> None:
    """RFC 2865, 5.33; the trace that CVE-2024-3596 leaves."""
    with pytest.raises(RadiusError, match="a Proxy-State that was not sent"):
        read_reply(raw_reply(attribute(33, b"forged")), request(), SECRET)


@pytest.mark.parametrize(
    ("attributes", "says"),
    [
        ((attribute(24, b"a"), attribute(24, b"b")), "attribute 24 is there 2 times"),
        ((attribute(80, bytes(16)),) * 2, "attribute 80 is there 2 times"),
        ((attribute(80, bytes(15)),), "a Message-Authenticator of 15 octets; it has 16"),
        ((b"\x12\x01",), "attribute 18 has length 1; the least is 2"),
        ((b"\x12\x00",), "attribute 18 has length 0; the least is 2"),
        ((attribute(18, b"a"), b"\x12"), "one octet is left over after the last attribute"),
        ((b"\x12\x05ab",), "attribute 18 length 5 overruns the packet"),
    ],
)
def test_malformed_reply_is_refused(attributes: tuple[bytes, ...], says: str) -> None:
    """RFC 2865, sections 3, 5 and 5.44; RFC 3579, 3.3. Nobody's secret is to blame."""
    with pytest.raises(RadiusError, match=says) as caught:
        read_reply(raw_reply(*attributes), request(), SECRET)
    assert not isinstance(caught.value, SecretDiffers)


@pytest.mark.parametrize("length", [0, 4, 19])
def test_short_datagram_is_refused(length: int) -> None:
    with pytest.raises(RadiusError, match="a packet has at least 20"):
        read_reply(raw_reply()[:length], request(), SECRET)


def test_large_length_is_refused() -> None:
    octets = b"\x0b\x07\x10\x01" + bytes(4093)
    with pytest.raises(RadiusError, match="a length of 4097; 20 to 4096"):
        read_reply(octets, request(), SECRET)


def test_datagram_beyond_the_maximum_is_refused_whatever_its_length_says() -> None:
    """RFC 2865, section 3: padding is ignored, but 4096 octets are the most of all packets."""
    assert read_reply(raw_reply() + bytes(4076), request(), SECRET).kind == "Access-Challenge"
    with pytest.raises(RadiusError, match="a datagram of 4097 octets; at most 4096 are allowed"):
        read_reply(raw_reply() + bytes(4077), request(), SECRET)


@pytest.mark.parametrize(
    ("number", "name"),
    [
        (202, "Invalid-EAP-Packet"),
        (402, "Missing-Attribute"),
        (407, "Invalid-Attribute-Value"),
        (501, "Administratively-Prohibited"),
        (508, "Multiple-Session-Selection-Unsupported"),
        (601, "Response-Too-Big"),
        (510, "510"),
    ],
)
def test_error_cause_is_shown_by_name(number: int, name: str) -> None:
    """RFC 5176, 3.5, and RFC 7499, section 6; one that no standard names keeps its number."""
    reply = read_reply(raw_reply(attribute(101, number.to_bytes(4))), request(), SECRET)
    assert reply.attributes == (("Error-Cause", name),)


@pytest.mark.parametrize(
    ("kind", "value", "shown"),
    [
        (18, b"caf\xe9", ("Reply-Message", "caf\ufffd")),
        (27, b"\0\0\x0e\x10", ("Session-Timeout", "3600")),
        (27, b"\0\0", ("Session-Timeout", "0000")),
        (25, b"\x01\x02", ("Class", "0102")),
        (64, b"\x01\0\0\x0d", ("Tunnel-Type", "VLAN")),
        (65, b"\0\0\0\x06", ("Tunnel-Medium-Type", "IEEE-802")),
        (81, b"\x01quay", ("Tunnel-Private-Group-ID", "quay")),
        (81, b"quay", ("Tunnel-Private-Group-ID", "quay")),
        (69, b"\0\0secret", ("Tunnel-Password", "(not shown)")),
        (101, b"\0\0\x01\xf6", ("Error-Cause", "Proxy-Request-Not-Routable")),
        (241, b"abc", ("attribute 241", "616263")),
        (26, b"\0\0\x01\x37\x10\x04ab", ("Vendor-Specific 311", "(not shown)")),
        (26, b"\0\0\0\x09\x01\x04ab", ("Vendor-Specific 9", "01046162")),
        (26, b"\0", ("Vendor-Specific 0", "")),
    ],
)
def test_attribute_is_shown_as_text(kind: int, value: bytes, shown: tuple[str, str]) -> None:
    """Types of RFC 2865, section 5; tags of RFC 2868, section 3; keys and passwords kept back."""
    assert read_reply(raw_reply(attribute(kind, value)), request(), SECRET).attributes == (shown,)


def test_code_without_a_name_keeps_its_number() -> None:
    reply = build_reply(request(), SECRET, 99, signed=False)
    assert read_reply(reply, request(), SECRET).kind == "code 99"


# ---------------------------------------------------------------- secrets, and anything at all


def test_secret_is_in_no_text() -> None:
    built = build_request(SECRET, 7, [*SOME, ("User-Password", b"planted-password")], state=b"st")
    reply = read_reply(build_reply(built, SECRET, 11, state=b"planted-state"), built, SECRET)
    told = [repr(built), repr(reply), repr(read_request(built.octets, SECRET))]
    for octets in (b"", build_reply(built, b"another", 11)):
        with pytest.raises(RadiusError) as caught:
            read_reply(octets, built, SECRET)
        told.append(repr(caught.value))
    for text in told:
        assert "testing-only-secret" not in text
        assert "planted" not in text


def test_secret_that_a_server_writes_back_is_not_kept() -> None:
    """What is kept of a reply is saved and shown, and may be mailed to a colleague."""
    attributes = [
        ("Reply-Message", "you say " + SECRET.decode()),
        ("Class", SECRET),
        ("Filter-Id", "guests"),
    ]
    octets = build_reply(request(), SECRET, 3, attributes=attributes)
    assert read_reply(octets, request(), SECRET).attributes == (
        ("Reply-Message", "(not shown)"),
        ("Class", "(not shown)"),
        ("Filter-Id", "guests"),
    )


@settings(max_examples=300, deadline=None, database=None)
@given(body=st.binary(max_size=120), length=st.none() | st.integers(0, 65_535))
def test_anything_is_a_reply_or_an_error(body: bytes, length: int | None) -> None:
    octets = bytearray(raw_reply(body))
    if length is not None:
        octets[2:4] = length.to_bytes(2)
    try:
        reply = read_reply(bytes(octets), request(), SECRET)
    except RadiusError:
        return
    assert reply.kind == "Access-Challenge"


@settings(max_examples=200, deadline=None, database=None)
@given(octets=st.binary(max_size=80))
def test_anything_is_a_request_or_an_error(octets: bytes) -> None:
    try:
        read_request(octets, SECRET)
    except RadiusError:
        return
