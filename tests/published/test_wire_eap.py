"""The EAP and fragment codecs against the layouts of RFC 3748, RFC 5216 and RFC 9190."""

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from probe.observation.model import Method
from probe.wire import eap
from probe.wire.eap import EapError, EapPacket
from probe.wire.fragments import Assembler, Fragment, Fragmenter

VECTORS = json.loads((Path(__file__).with_name("vectors") / "eap.json").read_text("utf-8"))
PACKETS = {each["id"]: each for each in VECTORS["packets"]}
FRAGMENTED = ("fragment-1", "fragment-2", "fragment-3")


def packet(name: str) -> EapPacket:
    return EapPacket.parse(bytes.fromhex(PACKETS[name]["hex"]))


@pytest.mark.parametrize(
    "vector",
    [each for each in VECTORS["packets"] if "error" not in each["parsed"]],
    ids=lambda v: v["id"],
)
def test_packet_is_parsed(vector: dict[str, Any]) -> None:
    """RFC 3748, section 4, and RFC 5216, section 3.1; each vector names its own."""
    parsed = vector["parsed"]
    read = EapPacket.parse(bytes.fromhex(vector["hex"]))
    assert read.code == parsed["code"]
    assert read.identifier == parsed["identifier"]
    assert len(read.octets) == parsed["length"]
    assert read.type == parsed.get("type")
    if "flags" in parsed:
        fragment = Fragment.parse(read.data)
        told = {"L": fragment.total is not None, "M": fragment.more, "S": fragment.start}
        assert [flag for flag, there in told.items() if there] == parsed["flags"]
        assert fragment.total == parsed.get("tls_message_length")
        assert len(fragment.data) == parsed["data_length"]
        if "version" in parsed:
            assert fragment.version == parsed["version"]


@pytest.mark.parametrize(
    "vector",
    [each for each in VECTORS["packets"] if "error" in each["parsed"]],
    ids=lambda v: v["id"],
)
def test_packet_to_be_discarded_is_refused(vector: dict[str, Any]) -> None:
    """RFC 3748, section 4."""
    with pytest.raises(EapError, match=vector["parsed"]["error"] + "|octets; it has 4"):
        EapPacket.parse(bytes.fromhex(vector["hex"]))


@pytest.mark.parametrize(
    ("name", "built"),
    [
        ("request-identity", EapPacket(eap.Code.REQUEST, 1, eap.Type.IDENTITY)),
        ("response-identity", eap.identity(1, "anonymous@realm")),
        ("nak-wants-peap", eap.nak(2, [eap.Type.PEAP])),
        ("nak-no-alternative", eap.nak(2, [])),
        ("success", EapPacket(eap.Code.SUCCESS, 9)),
        ("failure", EapPacket(eap.Code.FAILURE, 9)),
        (
            "start-eap-ttls",
            EapPacket(eap.Code.REQUEST, 2, eap.Type.EAP_TTLS, Fragment(start=True).octets),
        ),
        (
            "start-teap",
            EapPacket(eap.Code.REQUEST, 2, eap.Type.TEAP, Fragment(start=True, version=1).octets),
        ),
        ("fragment-ack", EapPacket(eap.Code.RESPONSE, 3, eap.Type.EAP_TLS, Fragment().octets)),
    ],
)
def test_packet_is_built(name: str, built: EapPacket) -> None:
    """RFC 3748, section 4 and 5.3.1; RFC 5216, section 3.2."""
    assert built.octets == bytes.fromhex(PACKETS[name]["hex"])


def test_fragments_are_joined() -> None:
    """RFC 5216, 2.1.5: L and M, then M, then neither; the digest is the vector's."""
    assembler = Assembler(65_536)
    parts = [Fragment.parse(packet(name).data) for name in FRAGMENTED]
    assert assembler.add(parts[0]) is None
    assert assembler.add(parts[1]) is None
    whole = assembler.add(parts[2])
    assert whole is not None
    assert hashlib.sha256(whole).hexdigest() == PACKETS["fragment-3"]["reassembled_sha256"]


def test_fragments_are_cut() -> None:
    """RFC 5216, 2.1.5: the same three fragments, octet for octet."""
    parts = [Fragment.parse(packet(name).data) for name in FRAGMENTED]
    fragmenter = Fragmenter(b"".join(part.data for part in parts), 1010)
    for name in FRAGMENTED:
        assert fragmenter.take().octets == packet(name).data
    assert not fragmenter.pending


def test_unfragmented_message_has_no_length() -> None:
    """RFC 9190, 2.4: not sent with L, but accepted with it."""
    assert Fragmenter(b"\x16\x03\x03\0\0", 1400).take().octets == b"\0\x16\x03\x03\0\0"
    with_length = Fragment.parse(packet("unfragmented-with-L").data)
    assert Assembler(65_536).add(with_length) == b"\x16\x03\x03\0\0"


@pytest.mark.parametrize(
    "row",
    VECTORS["fragment_table"],
    ids=lambda row: f"{row['server_flight_octets']}-{row['fragment_payload_octets']}",
)
def test_number_of_fragments(row: dict[str, int]) -> None:
    """RFC 9191, section 3: what a flight costs, for common fragment sizes."""
    flight = b"\x17" * row["server_flight_octets"]
    fragmenter = Fragmenter(flight, row["fragment_payload_octets"])
    assembler = Assembler(65_536)
    count = 0
    whole = None
    while fragmenter.pending:
        whole = assembler.add(Fragment.parse(fragmenter.take().octets))
        count += 1
    assert count == row["server_fragments"]
    assert whole == flight


@pytest.mark.parametrize("method", list(Method))
def test_method_numbers(method: Method) -> None:
    """IANA "EAP Method Types"."""
    assert eap.method_number(method) == VECTORS["method_numbers"][method.value]
    assert eap.method_name(eap.method_number(method)) == method.value


def test_method_names() -> None:
    """IANA "EAP Method Types"; a number without a name here keeps its number."""
    for name, number in VECTORS["method_numbers"].items():
        assert eap.method_name(number) == name
    assert eap.method_name(99) == "type 99"
