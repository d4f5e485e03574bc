"""Servers that have lost their way send what they are said to: raw octets, read by hand."""

import struct

import pytest

from lab.eapsite import EapFault
from lab.signing import SignaturePlace, signed
from lab.unruly import FROM_HELLO, FROM_IDENTITY, flood, spoiled

SECRET = b"a secret"
ASKED = bytes(range(16))
REPLY = bytes.fromhex("0b07") + struct.pack("!H", 26) + bytes(16) + b"\x4f\x06\x04\x07\x00\x04"
"""An Access-Challenge (11) with an EAP-Message (79) of four octets; not signed yet."""


def rounds(fault: EapFault, number: int = 3) -> list[bytes]:
    """Return the first packets of a fault, with identifiers 11, 12, 13."""
    maker = {**FROM_IDENTITY, **FROM_HELLO}[fault]
    return [maker(10 + turn, 25, turn) for turn in range(1, number + 1)]


@pytest.mark.parametrize("fault", [*FROM_IDENTITY, *FROM_HELLO])
def test_packets_are_requests_and_few_lie_about_their_length(fault: EapFault) -> None:
    """RFC 3748, 4: code 1, identifier, length."""
    for packet in rounds(fault):
        assert packet[0] == 1
        honest = int.from_bytes(packet[2:4]) == len(packet)
        assert honest is (fault is not EapFault.EAP_LENGTH)


def test_identifiers_change_unless_that_is_the_fault() -> None:
    assert [packet[1] for packet in rounds(EapFault.RESTARTS)] == [11, 12, 13]
    # The one of the packet before the first of these.
    assert [packet[1] for packet in rounds(EapFault.SAME_IDENTIFIER)] == [10, 10, 10]


def test_fragments_never_end() -> None:
    """RFC 5216, 3.1: 0x40 says that more fragments come. The TLS records are whole and fit."""
    flags = [packet[5] for packet in rounds(EapFault.ENDLESS_FRAGMENTS, 60)]
    assert set(flags) == {0x40}
    data = b"".join(packet[6:] for packet in rounds(EapFault.ENDLESS_FRAGMENTS, 60))
    assert len(data) == 60_000
    place, kinds = 0, []
    while place + 5 < len(data):
        kinds.append(data[place])
        length = int.from_bytes(data[place + 3 : place + 5])
        assert 0 < length <= 16_384  # RFC 5246, 6.2.1
        place += 5 + length
    assert set(kinds) == {22}  # handshake
    assert [packet[5:] for packet in rounds(EapFault.EMPTY_FRAGMENTS)] == [b"\x40"] * 3
    assert [packet[5] for packet in rounds(EapFault.ALTERNATING)] == [0xC0, 0x00, 0xC0]


def test_methods_that_nobody_asked_for() -> None:
    assert 25 not in {packet[4] for packet in rounds(EapFault.PROPOSALS, 8)}
    assert {packet[4] for packet in rounds(EapFault.NAKS)} == {3}
    assert {packet[4] for packet in rounds(EapFault.IDENTITIES)} == {1}
    assert {packet[4] for packet in rounds(EapFault.NOTIFICATIONS)} == {2}


def test_datagrams_lie_about_their_length() -> None:
    good = signed(REPLY, ASKED, SECRET)
    assert int.from_bytes(good[2:4]) == len(good)
    longer = spoiled(EapFault.RADIUS_LENGTH, good, ASKED, SECRET)
    assert int.from_bytes(longer[2:4]) == len(longer) + 40
    overrun = spoiled(EapFault.OVERRUN, good, ASKED, SECRET)
    assert int.from_bytes(overrun[2:4]) == len(overrun)
    assert overrun.endswith(b"\x12\x3cbye")
    oversize = spoiled(EapFault.OVERSIZE, good, ASKED, SECRET)
    assert int.from_bytes(oversize[2:4]) == len(oversize) > 4_096
    other = spoiled(EapFault.OTHER_IDENTIFIER, good, ASKED, SECRET)
    assert (other[0], other[1], other[2:]) == (good[0], good[1] + 1, good[2:])


def test_signing_anew_changes_nothing_else() -> None:
    """RFC 3579, 3.2: attribute 80 with 16 octets, wherever it stands."""
    first = signed(REPLY, ASKED, SECRET)
    last = signed(first, ASKED, SECRET, SignaturePlace.LAST)
    assert first[20:22] == last[-18:-16] == b"\x50\x12"
    assert first[38:] == last[20:-18] == REPLY[20:]
    assert signed(last, ASKED, SECRET) == first
    assert signed(first, ASKED, SECRET, SignaturePlace.MISSING)[20:] == REPLY[20:]


def test_a_flood_is_many() -> None:
    assert len(flood()) == 400
    assert len({len(one) for one in flood()}) == 400
