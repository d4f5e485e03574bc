"""Raw handshake messages: literal octets after the layouts of the RFCs."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.wire import handshake, registry
from probe.wire.handshake import (
    CertificateEntry,
    ClearReader,
    HandshakeError,
    RecordWalk,
    ServerHello,
    certificate_list,
    ocsp_response,
)

RANDOM = bytes(32)


def test_server_hello_of_tls12() -> None:
    """RFC 5246, 7.4.1.3: version, random, session, cipher, compression; no extensions at all."""
    body = b"\x03\x03" + RANDOM + b"\x02ab" + b"\xc0\x2f" + b"\0"
    assert ServerHello.parse(body) == ServerHello(0x0303, 0xC02F, session_id=b"ab")


def test_server_hello_of_tls13() -> None:
    """RFC 9846, 4.1.3: the version stands in supported_versions (43), after another extension."""
    extensions = b"\0\x33\0\x01x" + b"\0\x2b\0\x02\x03\x04"
    body = b"\x03\x03" + RANDOM + b"\0\x13\x01\0" + len(extensions).to_bytes(2) + extensions
    assert ServerHello.parse(body) == ServerHello(0x0304, 0x1301)


def test_certificate_lists() -> None:
    """RFC 5246, 7.4.2; RFC 9846, 4.4.2 with a context, and extensions behind each entry."""
    two = (CertificateEntry(b"ab"), CertificateEntry(b"c"))
    assert certificate_list(b"\0\0\x09\0\0\x02ab\0\0\x01c", tls13=False) == two
    # Extensions that do not add up are no reason to lose the chain.
    odd = b"\x01q\0\0\x0f\0\0\x02ab\0\x02xy\0\0\x01c\0\0"
    assert certificate_list(odd, tls13=True) == two
    assert certificate_list(b"\0\0\0", tls13=False) == ()


def test_what_stands_beside_a_certificate_of_tls13() -> None:
    """RFC 9846, 4.4.2.1 (status_request, 5: a CertificateStatus of RFC 6066, 8) and RFC 6962, 3.3.1
    (signed_certificate_timestamp, 18). One that comes twice counts once."""
    beside = b"\0\x12\0\x02ts" + b"\0\x05\0\x06\x01\0\0\x02oc" + b"\0\x12\0\x02no"
    entry = b"\0\0\x02ab" + len(beside).to_bytes(2) + beside
    (found,) = certificate_list(b"\0" + len(entry).to_bytes(3) + entry, tls13=True)
    assert found == CertificateEntry(b"ab", staple=b"oc", timestamps=b"ts")


@pytest.mark.parametrize(
    ("body", "response"),
    [
        (b"\x01\0\0\x02oc", b"oc"),
        (b"\x01\0\0\0", b""),
        (b"\x02\0\0\x05\0\0\x02oc", None),  # ocsp_multi (RFC 6961)
        (b"\x01\0\0\x03oc", None),
        (b"\x01\0\0\x02oc!", None),
        (b"", None),
    ],
)
def test_certificate_status(body: bytes, response: bytes | None) -> None:
    """RFC 6066, section 8."""
    assert ocsp_response(body) == response


def test_timestamps_of_tls12_stand_in_the_server_hello() -> None:
    """RFC 6962, 3.3.1."""
    body = b"\x03\x03" + RANDOM + b"\0\xc0\x2f\0" + b"\0\x06\0\x12\0\x02ts"
    assert ServerHello.parse(body) == ServerHello(0x0303, 0xC02F, timestamps=b"ts")


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"\0\0\x06\0\0\x02ab", "6 octets announced, 5 there"),
        (b"\0\0\x05\0\0\x09ab", "9 octets announced, 2 there"),
        (b"\0\0\0x", "1 octets left over"),
        (b"", "3 octets announced, 0 there"),
    ],
)
def test_certificate_list_that_does_not_add_up(body: bytes, says: str) -> None:
    with pytest.raises(HandshakeError, match=says):
        certificate_list(body, tls13=False)


@pytest.mark.parametrize(
    ("body", "scheme"),
    [
        # RFC 8422, 5.4: named_curve, secp256r1, point; then RFC 5246, 4.7: scheme and signature.
        (b"\x03\0\x17\x02pp" + b"\x04\x03" + b"\0\x03sig", 0x0403),
        # RFC 5246, 7.4.3: dh_p, dh_g, dh_Ys.
        (b"\0\x02pp\0\x01g\0\x02yy" + b"\x08\x04" + b"\0\x03sig", 0x0804),
        # A prime of 768 octets begins as a named curve does.
        (b"\x03\0" + bytes(768) + b"\0\x01g\0\x02yy" + b"\x04\x01" + b"\0\x01s", 0x0401),
        (b"\x03\0\x17\x02pp", None),
        (b"", None),
    ],
)
def test_scheme_of_a_key_exchange(body: bytes, scheme: int | None) -> None:
    assert handshake.key_exchange_scheme(body) == scheme


@pytest.mark.parametrize(
    ("number", "name"),
    [(0x0403, "ecdsa_secp256r1_sha256"), (0x0804, "rsa_pss_rsae_sha256"), (0x1234, "0x1234")],
)
def test_scheme_names(number: int, name: str) -> None:
    """IANA "TLS SignatureScheme"."""
    assert registry.scheme_name(number) == name


@pytest.mark.parametrize(
    ("body", "tls13", "name"),
    [
        (b"\x02\x46", False, "protocol_version"),
        (b"\x01\x70", False, None),
        (b"\x01\x70", True, "unrecognized_name"),
        (b"\x01\x5a", True, None),
        (b"\x02\x00", True, None),
        (b"\x02", False, None),
    ],
)
def test_alert_that_ends_a_handshake(body: bytes, tls13: bool, name: str | None) -> None:
    """RFC 5246, 7.2 has levels; RFC 9846, section 6 ignores them."""
    assert handshake.fatal_alert(body, tls13=tls13) == name


def test_clear_messages_are_picked_from_any_pieces() -> None:
    """Two messages share a record, one spans two; nothing is read behind ChangeCipherSpec."""
    octets = (
        b"\x16\x03\x03\0\x09" + b"\x0e\0\0\0" + b"\x0b\0\0\x02a"
        b"\x16\x03\x03\0\x01" + b"b"
        b"\x15\x03\x03\0\x02\x01\x70"
        b"\x14\x03\x03\0\x01\x01"
        b"\x16\x03\x03\0\x04\x0e\0\0\0"
    )
    expected = [(22, b"\x0e\0\0\0"), (22, b"\x0b\0\0\x02ab"), (21, b"\x01\x70")]
    assert list(ClearReader().feed(octets)) == expected
    reader = ClearReader()
    bytewise = [each for octet in octets for each in reader.feed(bytes((octet,)))]
    assert bytewise == expected


CLEAR, SEALED = b"\x16\x03\x03\0\x02ab", b"\x17\x03\x03\0\x03xyz"


@pytest.mark.parametrize(
    ("pieces", "places"),
    [
        ([CLEAR + SEALED + SEALED], [15]),
        ([CLEAR + SEALED[:6], SEALED[6:] + SEALED], [0, 2]),
        ([CLEAR + SEALED, SEALED, SEALED + SEALED], [7, 0, 8]),
        ([SEALED], [0]),
        ([SEALED + CLEAR], [0]),
        ([CLEAR + SEALED[:-1]], [0]),
        ([CLEAR + SEALED[:3], SEALED[3:] + SEALED, CLEAR + SEALED], [0, 0, 0]),
    ],
    ids=["flight", "cut", "in turn", "alone", "clear", "not whole", "cut header"],
)
def test_the_last_sealed_record_is_found(pieces: list[bytes], places: list[int]) -> None:
    """RFC 9846, 5.1: type, version, length, body. Where a header is cut, the step is lost."""
    walk = RecordWalk()
    assert [walk.last_sealed(piece) for piece in pieces] == places


def test_pieces_within_a_record_are_told_from_its_end() -> None:
    walk = RecordWalk()
    assert not walk.within(SEALED[:6])
    walk.last_sealed(SEALED[:6])
    assert walk.within(SEALED[6:7])
    assert not walk.within(SEALED[7:])


@settings(max_examples=200, deadline=None, database=None)
@given(body=st.binary(max_size=120), tls13=st.booleans())
def test_anything_is_read_or_refused(body: bytes, tls13: bool) -> None:
    for read in (ServerHello.parse, lambda octets: certificate_list(octets, tls13=tls13)):
        try:
            read(body)
        except HandshakeError:
            continue
    handshake.key_exchange_scheme(body)
    handshake.verify_scheme(body)
    handshake.ocsp_response(body)
    handshake.fatal_alert(body, tls13=tls13)
    handshake.unlike_tls(body)
    list(ClearReader().feed(body))
    assert 0 <= RecordWalk().last_sealed(body) <= len(body)
