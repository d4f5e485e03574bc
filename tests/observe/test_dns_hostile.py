"""Answers that mean harm, or nothing: an outcome each, and never a traceback.

Most are drawn; each goes the real way, as a datagram or over TCP from a server on loopback.
"""

import asyncio
import struct
from itertools import pairwise

import dns.edns
import dns.flags
import dns.message
import dns.name
import dns.rdataclass
import dns.rdatatype
import dns.rrset
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.limits import DEFAULT
from probe.observation.document import from_json, to_json
from probe.observation.model import Endpoint, LookupAsk, LookupOutcome, Survey
from probe.observe.agenda import Depth, agenda
from probe.observe.dns import LookupSeen, Resolvers
from probe.observe.sweep import survey
from probe.plan.model import Resolver
from tests.observe import nameservers
from tests.observe.nameservers import Answer, Handler, reply, serving
from tests.observe.plans import node, plan
from tests.observe.test_dns import NAME, QUICK, SOA, ask, says

KINDS = ("A", "AAAA", "CAA", "TLSA", "PTR")


def nothing_for(query: dns.message.Message) -> Answer:
    return reply(query, authority=(SOA,))


def checked(seen: LookupSeen) -> None:
    """What holds of every answer, whatever came."""
    assert seen.outcome in set(LookupOutcome)
    assert (seen.outcome is LookupOutcome.ANSWERED) == bool(seen.data)
    assert len(seen.data) <= DEFAULT.dns_records
    assert all(len(text) <= DEFAULT.dns_record_characters for text in seen.data)
    assert len(seen.aliases) <= DEFAULT.dns_aliases + 1
    # Names and records are in presentation form: nothing but printable ASCII.
    assert all(text.isascii() and text.isprintable() for text in (*seen.data, *seen.aliases))
    assert seen.ttl is None or 0 <= seen.ttl < 2**31
    assert seen.dnssec in (None, "secure", "bogus")


def by_id(octets: bytes, query: dns.message.Message) -> bytes:
    """Put the id of a question into a message."""
    return struct.pack("!H", query.id) + octets[2:]


# ---------------------------------------------------------------- drawn


def full_answer(kind: str) -> bytes:
    """A response with one of everything that is read, as it should be."""
    records = {
        "A": "192.0.2.11",
        "AAAA": "2001:db8::11",
        "CAA": '0 issue "ca1.example.net; account=230123"',
        "TLSA": "3 1 1 " + "ab" * 32,
        "PTR": "quay1.northpier.example.",
    }
    query = dns.message.make_query(NAME, kind, use_edns=0)
    response = reply(
        query,
        f"{NAME}. 300 CNAME portal.northpier.example.",
        "portal.northpier.example. 60 CNAME quay1.northpier.example.",
        f"quay1.northpier.example. 3600 {kind} {records[kind]}",
        authority=(SOA, "northpier.example. 300 NS ns.northpier.example."),
    )
    response.use_edns(0, options=[dns.edns.EDEOption(6, "signature is wrong")])
    return response.to_wire()


FULL = {kind: full_answer(kind) for kind in KINDS}


@pytest.mark.parametrize("kind", KINDS)
def test_the_answer_that_is_spoiled_below_is_good(kind: str) -> None:
    seen, _ = ask(lambda query: by_id(FULL[kind], query), kind=kind)
    assert seen.outcome is LookupOutcome.ANSWERED
    checked(seen)


Change = tuple[str, int, bytes]

CHANGES = st.lists(
    st.tuples(
        st.sampled_from(("set", "cut", "insert", "repeat")),
        st.integers(2, 300),
        st.binary(min_size=1, max_size=8),
    ),
    min_size=1,
    max_size=4,
)


def spoiled(octets: bytes, changes: list[Change]) -> bytes:
    for what, number, new in changes:
        place = 2 + number % max(1, len(octets) - 2)
        if what == "set":
            octets = octets[:place] + new + octets[place + len(new) :]
        elif what == "cut":
            octets = octets[:place]
        elif what == "insert":
            octets = octets[:place] + new + octets[place:]
        else:
            octets = octets + octets[place:]
    return octets


@settings(deadline=None, max_examples=300)
@given(st.sampled_from(KINDS), CHANGES)
def test_a_spoiled_answer_is_an_outcome(kind: str, changes: list[Change]) -> None:
    def datagram(query: dns.message.Message) -> list[Answer]:
        return [by_id(spoiled(FULL[kind], changes), query), nothing_for(query)]

    def stream(query: dns.message.Message) -> Answer:
        octets = by_id(spoiled(FULL[kind], changes), query)
        return struct.pack("!H", len(octets)) + octets

    seen, _ = ask(datagram, by_stream=stream, kind=kind)
    checked(seen)


@settings(deadline=None, max_examples=150)
@given(st.sampled_from(KINDS), CHANGES, st.integers(-3, 3))
def test_a_spoiled_answer_over_tcp_is_an_outcome(
    kind: str, changes: list[Change], off: int
) -> None:
    def stream(query: dns.message.Message) -> Answer:
        octets = by_id(spoiled(FULL[kind], changes), query)
        return struct.pack("!H", max(0, len(octets) + off)) + octets

    seen, _ = ask(says(flags=dns.flags.TC), by_stream=stream, kind=kind)
    checked(seen)


LABEL = st.binary(min_size=1, max_size=20)
HOSTILE_NAMES = st.lists(LABEL, min_size=1, max_size=5).map(
    lambda labels: dns.name.Name((*labels, b""))
)


def with_names(kind: str, query: dns.message.Message, *targets: dns.name.Name) -> Answer:
    """A response whose records hold these names, octet by octet."""
    response = reply(query)
    for target in targets:
        rdata = dns.rdata.from_wire(
            dns.rdataclass.IN,
            dns.rdatatype.from_text(kind),
            wire := target.to_wire(),
            0,
            len(wire),
        )
        response.answer.append(dns.rrset.from_rdata(query.question[0].name, 300, rdata))
    return response


@settings(deadline=None, max_examples=150)
@given(st.lists(HOSTILE_NAMES, min_size=1, max_size=4, unique=True))
def test_any_name_can_be_named_by_a_reverse_name_and_be_asked_for(
    targets: list[dns.name.Name],
) -> None:
    """RFC 2181, section 11: any octets may stand in a label."""

    async def run() -> tuple[Survey, set[dns.name.Name]]:
        def handle(query: dns.message.Message) -> Answer:
            if query.question[0].rdtype == dns.rdatatype.PTR:
                return with_names("PTR", query, *targets)
            return nothing_for(query)

        async with serving(handle) as server:
            planned = plan(
                node("quay1", "192.0.2.11", eap=None), resolvers=(Resolver(server.place),)
            )
            questions = [
                question
                for question in agenda(planned, Depth.NODE, only=frozenset({Endpoint.DNS}))
                if question.id.endswith("/PTR")
            ]
            seen = await survey(planned, questions, secrets={})
            return seen, {
                query.question[0].name
                for query in server.asked
                if query.question[0].rdtype == dns.rdatatype.A
            }

    seen, asked = asyncio.run(run())
    assert asked == set(targets)
    assert seen.unobserved() == ()
    assert from_json(to_json(seen)) == seen
    for row in seen.lookups:
        assert all(text.isascii() and text.isprintable() for text in (row.asked.name, *row.data))


@settings(deadline=None, max_examples=150)
@given(st.lists(HOSTILE_NAMES, min_size=1, max_size=6))
def test_aliases_lead_to_any_name(targets: list[dns.name.Name]) -> None:
    chain = [dns.name.from_text(NAME), *targets]

    def handle(query: dns.message.Message) -> Answer:
        response = reply(query)
        for owner, target in pairwise(chain):
            wire = target.to_wire()
            rdata = dns.rdata.from_wire(dns.rdataclass.IN, dns.rdatatype.CNAME, wire, 0, len(wire))
            response.answer.append(dns.rrset.from_rdata(owner, 300, rdata))
        response.answer.append(dns.rrset.from_text(chain[-1], 300, "IN", "A", "192.0.2.11"))
        return response

    seen, _ = ask(handle)
    checked(seen)
    if len(set(chain)) == len(chain):
        assert (seen.outcome, len(seen.aliases)) == (LookupOutcome.ANSWERED, len(targets))
    else:
        assert seen.outcome in (LookupOutcome.ALIAS_BROKEN, LookupOutcome.ANSWERED)


@settings(deadline=None, max_examples=200)
@given(
    st.sampled_from(("CAA", "TLSA", "PTR")),
    st.lists(st.binary(max_size=60), min_size=1, max_size=4),
)
def test_records_hold_any_octets(kind: str, values: list[bytes]) -> None:
    def handle(query: dns.message.Message) -> list[Answer]:
        number = query.question[0].rdtype
        octets = struct.pack("!HHHHHH", query.id, 0x8180, 1, len(values), 0, 0)
        octets += query.question[0].name.to_wire() + struct.pack("!HH", number, 1)
        for value in values:
            octets += struct.pack("!HHHIH", 0xC00C, number, 1, 300, len(value)) + value
        return [octets, nothing_for(query)]

    seen, _ = ask(handle, kind=kind)
    checked(seen)


@settings(deadline=None, max_examples=100)
@given(st.text(max_size=200), st.integers(0, 0xFFFF))
def test_whatever_a_resolver_says_of_its_failure_is_told_as_it_is(text: str, code: int) -> None:
    def handle(query: dns.message.Message) -> Answer:
        response = reply(query, rcode=2)
        response.use_edns(0, options=[dns.edns.EDEOption(code, text)])
        return response

    seen, _ = ask(handle)
    checked(seen)
    assert seen.outcome in (LookupOutcome.FAILED, LookupOutcome.INVALID)
    # RFC 8914, 2: the text ends at the first null, if one comes at its end.
    assert seen.detail is not None
    assert text.rstrip("\0") in seen.detail


# ---------------------------------------------------------------- by hand


def pointing(*pointers: int) -> Handler:
    """An answer whose owner is a chain of compression pointers, each at the place of the next."""

    def handle(query: dns.message.Message) -> Answer:
        head = struct.pack("!HHHHHH", query.id, 0x8180, 1, 1, 0, 0)
        question = query.question[0].name.to_wire() + struct.pack("!HH", 1, 1)
        start = len(head) + len(question)
        places = b"".join(struct.pack("!H", 0xC000 | (start + offset)) for offset in pointers)
        return head + question + places + struct.pack("!HHIH", 1, 1, 300, 4) + bytes(4)

    return handle


@pytest.mark.parametrize("pointers", [(0,), (2, 0), (2,), (0x3000,)])
def test_compression_that_goes_round_or_forward_is_no_message(pointers: tuple[int, ...]) -> None:
    """RFC 1035, section 4.1.4: a pointer points at a prior occurrence."""
    seen, _ = ask(pointing(*pointers), limits=QUICK)
    assert seen.outcome is LookupOutcome.MALFORMED
    assert seen.detail is not None
    assert seen.detail.startswith("the answer is no DNS message: ")


def test_a_datagram_that_is_longer_than_wanted_is_read() -> None:
    many = [f"{NAME}. 300 A 10.0.{number // 250}.{number % 250}" for number in range(1_000)]

    def handle(query: dns.message.Message) -> Answer:
        return reply(query, *many).to_wire(max_size=65_535)

    seen, server = ask(handle)
    assert (seen.outcome, len(seen.data)) == (LookupOutcome.ANSWERED, 256)
    assert server.asked_by_stream == []


def test_the_longest_message_over_tcp_is_read() -> None:
    seen, _ = ask(
        says(flags=dns.flags.TC),
        by_stream=says(*(f"{NAME}. 300 A 10.0.{n // 250}.{n % 250}" for n in range(4_000))),
    )
    assert (seen.outcome, len(seen.data)) == (LookupOutcome.ANSWERED, 256)
    assert seen.detail is not None
    assert seen.detail.startswith("3744 of 4000 records are left out")


class Forger(asyncio.DatagramProtocol):
    """Answers each question with silence, while somebody else answers from another port."""

    def __init__(self, elsewhere: asyncio.DatagramTransport) -> None:
        self.elsewhere = elsewhere
        self.questions = 0

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self.questions += 1
        query = dns.message.from_wire(data)
        self.elsewhere.sendto(reply(query, f"{NAME}. 300 A 203.0.113.66").to_wire(), addr)


def test_an_answer_from_another_port_is_none() -> None:
    async def run() -> tuple[LookupSeen, int]:
        loop = asyncio.get_running_loop()
        elsewhere, _ = await loop.create_datagram_endpoint(
            asyncio.DatagramProtocol, local_addr=("127.0.0.1", 0)
        )
        server, forger = await loop.create_datagram_endpoint(
            lambda: Forger(elsewhere), local_addr=("127.0.0.1", 0)
        )
        resolvers = Resolvers(QUICK)
        try:
            place = f"127.0.0.1:{server.get_extra_info('sockname')[1]}"
            return await nameservers.ask(resolvers, LookupAsk(NAME, "A", place)), forger.questions
        finally:
            await resolvers.close()
            server.close()
            elsewhere.close()

    seen, questions = asyncio.run(run())
    assert (seen.outcome, seen.data, questions) == (LookupOutcome.SILENT, (), 2)


def test_controls_and_markup_in_names_and_texts_are_escaped() -> None:
    """RFC 1035, section 5.1: what is not printable is \\DDD; a dot within a label is escaped."""
    target = dns.name.Name((b"<b>\x1b[31m", b"a.b", b"\xc3\xbc[red]", b"example", b""))
    seen, _ = ask(lambda query: with_names("PTR", query, target), kind="PTR")
    assert seen.data == ("<b>\\027[31m.a\\.b.\\195\\188[red].example",)
