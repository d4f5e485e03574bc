"""Messages are read as dnspython, which shares no line with the reader, reads and writes them."""

import struct
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Any

import dns.edns
import dns.exception
import dns.flags
import dns.message
import dns.name
import dns.rdata
import dns.rdataclass
import dns.rdatatype
import dns.rrset
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from probe.observe.message import (
    ExtendedError,
    MessageError,
    Record,
    Response,
    name_octets,
    name_text,
    query,
)

NAME = "guest.northpier.example"
A = int(dns.rdatatype.A)


def response(*answers: str, authority: tuple[str, ...] = (), **options: object) -> bytes:
    """A response as dnspython writes it; records are "OWNER TTL TYPE DATA"."""
    asked = dns.message.make_query(NAME, "A", id=7, use_edns=0)
    made = dns.message.make_response(asked)
    made.answer = [rrset(line) for line in answers]
    made.authority = [rrset(line) for line in authority]
    for name, value in options.items():
        setattr(made, name, value)
    return made.to_wire()


def rrset(line: str) -> dns.rrset.RRset:
    owner, lifetime, kind, data = line.split(" ", 3)
    return dns.rrset.from_text(owner, int(lifetime), "IN", kind, data)


# ---------------------------------------------------------------- names


@pytest.mark.parametrize(
    ("text", "octets"),
    [
        ("Guest.example", b"\x05guest\x07example\x00"),
        ("guest.example.", b"\x05guest\x07example\x00"),
        ("_443._tcp.guest.example", b"\x04_443\x04_tcp\x05guest\x07example\x00"),
        ("*.example", b"\x01*\x07example\x00"),
        ("quay1", b"\x05quay1\x00"),
        # RFC 1035, 5.1: what stands for itself, and what for an octet by its number.
        ("a\\.b\\010.example", b"\x04a.b\x0a\x07example\x00"),
    ],
)
def test_a_name_is_its_labels_in_lower_case(text: str, octets: bytes) -> None:
    assert name_octets(text) == octets


@pytest.mark.parametrize("text", ["a..example", "a" * 64, ".".join(["a" * 63] * 4)])
def test_what_is_no_name_is_refused(text: str) -> None:
    with pytest.raises(MessageError):
        name_octets(text)


@pytest.mark.parametrize(
    ("octets", "text"),
    [
        (b"\x05guest\x07example\x00", "guest.example"),
        (b"\x03a.b\x07example\x00", "a\\.b.example"),
        (b"\x04\x1b[2J\x00", "\\027[2J"),
        (b"\x00", "."),
    ],
)
def test_a_name_is_shown_as_a_zone_file_has_it(octets: bytes, text: str) -> None:
    assert name_text(octets) == text


# ---------------------------------------------------------------- questions


@pytest.mark.parametrize("edns", [True, False])
@pytest.mark.parametrize(("checked", "flags"), [(True, "RD AD"), (False, "RD CD")])
def test_a_question_is_what_dnspython_writes(edns: bool, checked: bool, flags: str) -> None:
    made = dns.message.make_query(NAME, "CAA", id=4711, use_edns=0 if edns else False, payload=1232)
    made.flags = dns.flags.from_text(flags)
    asked = query(4711, name_octets(NAME), dns.rdatatype.CAA, edns=edns, checked=checked)
    assert asked == made.to_wire()


# ---------------------------------------------------------------- responses


def test_records_are_read_section_by_section() -> None:
    read = Response(
        response(
            f"{NAME}. 300 CNAME Quay1.northpier.example.",
            "quay1.northpier.example. 60 A 192.0.2.11",
            authority=("northpier.example. 300 NS ns.northpier.example.",),
        )
    )
    alias, address = read.answer
    assert (name_text(alias.owner), alias.type, alias.lifetime) == (NAME, 5, 300)
    assert name_text(read.target(alias)) == "quay1.northpier.example"
    assert name_text(address.owner) == "quay1.northpier.example"
    assert read.octets(address) == b"\xc0\x00\x02\x0b"
    (server,) = read.authority
    assert (name_text(server.owner), server.type) == ("northpier.example", 2)


def test_names_are_compressed_as_published() -> None:
    """The example of RFC 1035, section 4.1.4, with its offset 20 and the pointer to 26 in it."""
    rest = struct.pack("!HHIH", A, 1, 300, 4) + b"\xc0\x00\x02\x01"
    owners = (b"\x01F\x03ISI\x04ARPA\x00", b"\x03FOO\xc0\x14", b"\xc0\x1a", b"\x00")
    head = struct.pack("!HHHHHH", 7, 0x8180, 1, 4, 0, 0) + b"\x02xy\x00" + b"\x00\x01\x00\x01"
    assert len(head) == 20
    read = Response(head + b"".join(owner + rest for owner in owners))
    assert [name_text(one.owner) for one in read.answer] == [
        "f.isi.arpa",
        "foo.f.isi.arpa",
        "arpa",
        ".",
    ]


def test_a_lifetime_with_the_upper_bit_is_none() -> None:
    """RFC 2181, section 8."""
    octets = response(f"{NAME}. 300 A 192.0.2.11")
    octets = octets.replace(struct.pack("!I", 300), struct.pack("!I", 0x80000001))
    assert [one.lifetime for one in Response(octets).answer] == [0]


def test_records_of_other_classes_are_passed_over() -> None:
    chaos = response(f"{NAME}. 300 A 192.0.2.11").replace(
        b"\xc0\x0c\x00\x01\x00\x01", b"\xc0\x0c\x00\x01\x00\x03"
    )
    assert Response(chaos).answer == []


def test_why_a_server_fails_is_read_from_its_options() -> None:
    """RFC 8914, section 2, and the upper bits of RFC 6891, section 6.1.3."""
    made = dns.message.make_response(dns.message.make_query(NAME, "A"))
    made.set_rcode(2)
    options = [
        dns.edns.GenericOption(10, b"cookie!!"),
        dns.edns.EDEOption(7, "signature\u2014expired"),
        dns.edns.EDEOption(22),
    ]
    made.use_edns(0, options=options)
    read = Response(made.to_wire())
    assert read.rcode == 2
    assert [*read.extended_errors()] == [
        ExtendedError(7, "signature\u2014expired"),
        ExtendedError(22, ""),
    ]
    made.set_rcode(16)
    assert Response(made.to_wire()).rcode == 16


@pytest.mark.parametrize(
    "options", [b"\x00\x0f", b"\x00\x0f\x00\x01\x00", b"\x00\x0f\xff\xff\x00\x06", b"\x00\x0f\x00"]
)
def test_options_that_cannot_be_read_are_nothing(options: bytes) -> None:
    head = struct.pack("!HHHHHH", 7, 0x8182, 0, 0, 0, 1)
    opt = b"\x00" + struct.pack("!HHIH", 41, 1232, 0, len(options)) + options
    assert [*Response(head + opt).extended_errors()] == []


# ---------------------------------------------------------------- whose answer it is


def answers(octets: bytes) -> bool:
    name = name_octets(NAME)
    return Response(octets).answers(query(7, name, A, edns=True, checked=True), name)


def test_an_answer_has_the_question_in_any_case() -> None:
    octets = response(f"{NAME}. 300 A 192.0.2.11")
    assert answers(octets)
    assert answers(octets.replace(b"guest", b"GuEsT"))


@pytest.mark.parametrize(
    ("what", "becomes"),
    [
        (b"\x00\x07\x81", b"\x00\x08\x81"),  # id
        (b"guest", b"quest"),
        (b"example\x00\x00\x01\x00\x01", b"example\x00\x00\x1c\x00\x01"),  # type
        (b"example\x00\x00\x01\x00\x01", b"example\x00\x00\x01\x00\x03"),  # class
        (b"\x00\x07\x81", b"\x00\x07\xa9"),  # opcode 5: update
    ],
)
def test_an_answer_to_another_question_is_none(what: bytes, becomes: bytes) -> None:
    octets = response(f"{NAME}. 300 A 192.0.2.11")
    assert what in octets
    assert not answers(octets.replace(what, becomes, 1))


@pytest.mark.parametrize(
    ("rcode", "taken"), [(0, False), (1, True), (2, True), (3, False), (4, True), (5, True)]
)
def test_only_a_refusal_need_not_have_the_question(rcode: int, taken: bool) -> None:
    assert answers(struct.pack("!HHHHHH", 7, 0x8180 | rcode, 0, 0, 0, 0)) is taken


# ---------------------------------------------------------------- garbage


def test_cut_short_anywhere_it_is_no_message() -> None:
    octets = response(f"{NAME}. 300 A 192.0.2.11", f"{NAME}. 300 TXT harbour")
    Response(octets)
    for length in range(len(octets)):
        with pytest.raises(MessageError):
            Response(octets[:length])


def test_with_something_behind_it_is_no_message() -> None:
    with pytest.raises(MessageError, match="something follows"):
        Response(response(f"{NAME}. 300 A 192.0.2.11") + b"\x00")


def owned_by(owner: bytes) -> bytes:
    """A message with one record of this owner, at octet 12."""
    record = owner + struct.pack("!HHIH", A, 1, 300, 4) + b"\xc0\x00\x02\x01"
    return struct.pack("!HHHHHH", 7, 0x8180, 0, 1, 0, 0) + record


@pytest.mark.parametrize(
    ("owner", "says"),
    [
        (b"\xc0\x0c", "circle"),
        (b"\x01a\xc0\x0c", "circle"),
        (b"\xc0\x0e", "circle"),
        (b"\xff\xff", "circle"),
        (b"\x40a\x00", "no known type"),
        (b"\x80a\x00", "no known type"),
        ((b"\x3f" + b"a" * 63) * 4 + b"\x00", "too long"),
    ],
)
def test_a_name_that_leads_nowhere(owner: bytes, says: str) -> None:
    with pytest.raises(MessageError, match=says):
        Response(owned_by(owner))


def test_a_name_as_long_as_may_be() -> None:
    """RFC 1035, section 2.3.4: 255 octets, the lengths counted."""
    owner = (b"\x3f" + b"a" * 63) * 3 + b"\x3d" + b"a" * 61 + b"\x00"
    assert len(owner) == 255
    assert Response(owned_by(owner)).answer[0].owner == owner


def test_an_alias_whose_target_is_not_all_of_its_data() -> None:
    octets = response(f"{NAME}. 300 CNAME quay1.northpier.example.")
    Response(octets).target(Response(octets).answer[0])
    read = Response(octets.replace(b"\x05quay1\xc0\x12", b"\x04quay\xc0\x12\x00"))
    with pytest.raises(MessageError, match="does not end"):
        read.target(read.answer[0])


def test_an_alias_does_not_point_ahead() -> None:
    """RFC 1035, 4.1.4: to a prior occurrence; a name that was met behind it is none."""
    head = struct.pack("!HHHHHH", 7, 0x8180, 0, 2, 0, 0)
    alias = b"\x01a\x00" + struct.pack("!HHIH", 5, 1, 300, 2) + b"\xc0\x1b"
    behind = b"\x01b\x00" + struct.pack("!HHIH", A, 1, 300, 4) + b"\xc0\x00\x02\x01"
    assert len(head + alias) == 0x1B
    read = Response(head + alias + behind)
    assert [record.owner for record in read.answer] == [b"\x01a\x00", b"\x01b\x00"]
    with pytest.raises(MessageError, match="circle"):
        read.target(read.answer[0])


@pytest.mark.parametrize(("hops", "fits"), [(127, True), (128, False), (7_900, False)])
def test_pointers_to_pointers_take_no_time(hops: int, fits: bool) -> None:
    """Each to the one before, and as many records as a message holds behind the last of them: to
    follow them anew for each record would take minutes."""
    pointers = b"".join(struct.pack("!H", 0xC000 | at) for at in (12, *range(25, 23 + 2 * hops, 2)))
    first = b"\x01a\x00" + struct.pack("!HHIH", 16, 1, 300, len(pointers))
    assert len(first) == 13
    record = struct.pack("!HHHIH", 0xC000 | (21 + 2 * hops), A, 1, 300, 0)
    count = (65_535 - 25 - len(pointers)) // len(record)
    head = struct.pack("!HHHHHH", 7, 0x8180, 0, count + 1, 0, 0)
    octets = head + first + pointers + record * count
    if fits:
        assert {one.owner for one in Response(octets).answer} == {b"\x01a\x00"}
    else:
        with pytest.raises(MessageError, match="circle"):
            Response(octets)


class Counted(bytes):
    """Octets that count how often some of them are looked at."""

    looks = 0

    def __getitem__(self, at: Any) -> Any:
        self.looks += 1
        return super().__getitem__(at)


def text(data: bytes) -> bytes:
    """A TXT record of the root, in which names can stand that are none of the message's own."""
    return b"\x00" + struct.pack("!HHIH", 16, 1, 300, len(data)) + data


@pytest.mark.parametrize(
    "owner",
    [
        lambda number, begin: struct.pack("!H", 0xC000 | (begin + 2 * (number % 126))),
        lambda number, begin: b"\x01b" + struct.pack("!H", 0xC000 | (begin + 2 * (number % 125))),
        lambda number, begin: struct.pack("!H", 0xC000 | (begin + 252 - 2 * (number % 126))),
        lambda _, begin: b"\x01b" + struct.pack("!H", 0xC000 | (begin + 2)),
    ],
    ids=["at each label", "behind a label", "from behind", "at one label"],
)
def test_labels_are_read_once_whoever_points_at_them(owner: Callable[[int, int], bytes]) -> None:
    """As many records as a message holds, each of which leads into a name of 126 labels: to read
    what is led to anew each time would be hundreds of thousands of looks."""
    name = b"\x01a" * 126 + b"\x00"
    first = text(name)
    begin = 12 + len(first) - len(name)
    records, number = [first], 0
    left = 65_535 - 12 - len(first)
    while left > 20:
        record = owner(number, begin) + struct.pack("!HHIH", A, 1, 300, 0)
        records.append(record)
        left -= len(record)
        number += 1
    head = struct.pack("!HHHHHH", 7, 0x8180, 0, len(records), 0, 0)
    octets = Counted(head + b"".join(records))
    _, *answer = Response(octets).answer
    assert octets.looks < 8 * (len(records) + len(name))
    for one, place in zip(answer[:500], places(records[1:], 12 + len(first)), strict=False):
        assert one.owner == dns.name.from_wire(bytes(octets), place)[0].to_wire()


def places(records: list[bytes], at: int) -> Iterator[int]:
    """Where each of these records begins, the first of them there."""
    for record in records:
        yield at
        at += len(record)


BOUNDED = settings(max_examples=500, deadline=None, derandomize=True)

LABEL = st.binary(min_size=1, max_size=12)
OWNER = st.lists(LABEL, max_size=5).map(lambda labels: dns.name.Name([*labels, b""]))
DATA = st.one_of(
    st.binary(min_size=4, max_size=4).map(lambda octets: (1, octets)),
    st.binary(min_size=16, max_size=16).map(lambda octets: (28, octets)),
    st.binary(max_size=30).map(lambda octets: (52, b"\x03\x01\x00" + octets + b"\x00")),
    OWNER.map(lambda name: (5, name.to_wire())),
    OWNER.map(lambda name: (12, name.to_wire())),
    OWNER.map(lambda name: (2, name.to_wire())),
    st.binary(max_size=30).map(lambda octets: (65_400, octets)),
)
RECORD = st.tuples(OWNER, DATA, st.integers(0, 2**31 - 1))


def written(
    answer: list[tuple[dns.name.Name, tuple[int, bytes], int]],
    authority: list[tuple[dns.name.Name, tuple[int, bytes], int]],
    edns: bool,
) -> bytes:
    """A response with these records, one by one, as dnspython writes and compresses it."""
    made = dns.message.make_response(dns.message.make_query(NAME, "A", use_edns=0 if edns else -1))
    for section, records in ((made.answer, answer), (made.authority, authority)):
        for owner, (kind, octets), lifetime in records:
            data = dns.rdata.from_wire("IN", kind, octets, 0, len(octets))
            section.append(dns.rrset.from_rdata(owner, lifetime, data))
    return made.to_wire(max_size=65_535)


def by_dnspython(section: list[dns.rrset.RRset]) -> list[tuple[str, int, int, str]]:
    return [
        (one.name.to_text(omit_final_dot=True).lower(), int(one.rdtype), one.ttl, data.to_text())
        for one in section
        if one.rdclass == dns.rdataclass.IN
        for data in one
    ]


def by_us(read: Response, section: list[Record]) -> list[tuple[str, int, int, str]]:
    return [
        (name_text(one.owner), one.type, one.lifetime, read.data(one).to_text()) for one in section
    ]


MESSAGES = st.builds(
    written, st.lists(RECORD, max_size=5), st.lists(RECORD, max_size=3), st.booleans()
)


def agrees(octets: bytes) -> None:
    """What both read, both read alike; and what the library reads, we read too."""
    try:
        theirs = dns.message.from_wire(octets, one_rr_per_rrset=True)
    except (dns.exception.DNSException, ValueError, struct.error):
        with suppress(MessageError):
            Response(octets)
        return
    ours = Response(octets)
    assert (ours.flags & 0xFFF0, ours.rcode) == (int(theirs.flags) & 0xFFF0, int(theirs.rcode()))
    assert by_us(ours, ours.answer) == by_dnspython(theirs.answer)
    assert by_us(ours, ours.authority) == by_dnspython(theirs.authority)


@BOUNDED
@given(MESSAGES)
def test_what_dnspython_writes_is_read_as_it_reads_it(octets: bytes) -> None:
    theirs = dns.message.from_wire(octets, one_rr_per_rrset=True)
    ours = Response(octets)
    assert by_us(ours, ours.answer) == by_dnspython(theirs.answer)
    assert by_us(ours, ours.authority) == by_dnspython(theirs.authority)


@BOUNDED
@given(MESSAGES, st.lists(st.tuples(st.integers(0, 200), st.integers(0, 255)), max_size=4))
@example(response(f"{NAME}. 300 A 192.0.2.11"), [(6, 0), (7, 0)])
def test_damaged_messages_are_read_alike_or_refused(
    octets: bytes, changes: list[tuple[int, int]]
) -> None:
    damaged = bytearray(octets)
    for at, value in changes:
        damaged[at % len(damaged)] = value
    agrees(bytes(damaged))


@BOUNDED
@given(st.binary(max_size=100))
def test_whatever_comes_is_read_or_refused(octets: bytes) -> None:
    agrees(octets)
