"""TEAP as far as the certificate, against packets constructed from the layouts of RFC 9930.

No independent server of it was at hand: what is here is not proven interoperable.
"""

import json
from pathlib import Path
from typing import Any

import pytest

from probe.limits import DEFAULT
from probe.observation.model import Method, Outcome
from probe.wire import radius
from probe.wire.conversation import Conversation
from probe.wire.eap import EapPacket
from probe.wire.fragments import Fragment, FragmentError
from probe.wire.hello import Hello

VECTORS = json.loads((Path(__file__).with_name("vectors") / "teap_constructed.json").read_text())
PACKETS = {each["id"]: each for each in VECTORS["packets"]}


def begun(name: str, *methods: Method) -> tuple[Conversation, EapPacket]:
    """A conversation that has met this packet first, and its answer."""
    conversation = Conversation(
        identity="cert-probe@northpier.example",
        methods=methods or (Method.TEAP,),
        hello=Hello(),
        fragment_size=1400,
        limits=DEFAULT,
    )
    conversation.start()
    octets = bytes.fromhex(PACKETS[name]["hex"])
    reply = radius.Reply(11, "Access-Challenge", 0, octets, None, (), True, True)
    answer = conversation.receive(reply)
    assert answer is not None
    return conversation, EapPacket.parse(answer)


@pytest.mark.parametrize("vector", VECTORS["packets"], ids=lambda v: v["id"])
def test_packet_is_read_and_built(vector: dict[str, Any]) -> None:
    """RFC 9930, 4.1: flags, version, message length, outer TLV length, TLS data, outer TLVs."""
    octets = bytes.fromhex(vector["hex"])
    packet = EapPacket.parse(octets)
    assert packet.type == 55
    fragment = Fragment.parse(packet.data, outer_tlvs=True)
    flags = "L" * (fragment.total is not None) + "M" * fragment.more + "S" * fragment.start
    assert flags + "O" * (fragment.outer is not None) == vector["flags"]
    assert fragment.version == vector["version"]
    assert fragment.total == vector.get("total")
    assert fragment.data == bytes.fromhex(vector["data"])
    outer = vector["outer"]
    assert fragment.outer == (None if outer is None else bytes.fromhex(outer))
    if vector["id"] != "start-reserved-bit":
        assert fragment.octets == packet.data


@pytest.mark.parametrize("vector", VECTORS["malformed"], ids=lambda v: v["id"])
def test_lengths_that_lie_are_refused(vector: dict[str, Any]) -> None:
    packet = EapPacket.parse(bytes.fromhex(vector["hex"]))
    with pytest.raises(FragmentError, match=vector["says"]):
        Fragment.parse(packet.data, outer_tlvs=True)


@pytest.mark.parametrize(
    "name",
    ["start", "start-with-authority-id", "start-reserved-bit", "start-empty-outer", "version-2"],
)
def test_start_is_answered_by_a_hello_of_version_1(name: str) -> None:
    """RFC 9930, 3.1 (the highest version that the peer supports) and 3.2 (S is clear)."""
    conversation, answer = begun(name)
    assert (answer.identifier, answer.type) == (1, 55)
    assert answer.data[0] == 0x01
    assert answer.data[1:2] == b"\x16"
    assert conversation.seen.method is Method.TEAP


def test_silence_after_the_start_is_left_by_a_nak() -> None:
    """RFC 3748, 5.3.1: what answers the initial Request of a method may be a Nak."""
    conversation, _ = begun("start-with-authority-id")
    conversation.silence()
    assert conversation.outcome is Outcome.CUT_OFF
    assert conversation.farewell() == bytes.fromhex("020100060300")


def test_outer_bit_is_reserved_in_other_methods() -> None:
    """RFC 5216, 3.1: reserved bits are ignored upon reception."""
    assert Fragment.parse(bytes.fromhex("30")) == Fragment(start=True)
