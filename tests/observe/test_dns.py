"""Every outcome of a DNS question, each with a server on loopback that brings it about."""

import asyncio
import struct
from collections.abc import Callable

import dns.edns
import dns.flags
import dns.message
import dns.rcode
import dns.rdatatype
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.limits import DEFAULT
from probe.observation.model import LookupAsk, LookupOutcome
from probe.observe.dns import LookupSeen, Resolvers
from probe.records import replace
from tests.observe import nameservers, standstill
from tests.observe.nameservers import Answer, FakeNameserver, Handler, reply, serving

NAME = "guest.northpier.example"
QUICK = replace(DEFAULT, dns_wait=0.05)
"""For tests whose point is that nothing comes; all others finish long before any wait."""

SOA = "northpier.example. 300 SOA ns.northpier.example. root.northpier.example. 1 2 3 4 300"


def ask(
    handle: Handler,
    *,
    by_stream: Handler | None = None,
    kind: str = "A",
    limits: object = DEFAULT,
) -> tuple[LookupSeen, FakeNameserver]:
    async def run() -> tuple[LookupSeen, FakeNameserver]:
        assert isinstance(limits, type(DEFAULT))
        async with serving(handle, by_stream=by_stream) as server:
            resolvers = Resolvers(limits)
            try:
                return await nameservers.ask(resolvers, LookupAsk(NAME, kind, server.place)), server
            finally:
                await resolvers.close()

    return asyncio.run(run())


def silent(query: dns.message.Message) -> Answer:
    return None


def says(*answers: str, **more: object) -> Handler:
    def handle(query: dns.message.Message) -> Answer:
        return reply(query, *answers, **more)  # type: ignore[arg-type]  # a test's shorthand

    return handle


def test_an_answer_gives_its_records_sorted_and_the_lifetime() -> None:
    seen, server = ask(
        says(f"{NAME}. 300 A 192.0.2.12", f"{NAME}. 300 A 192.0.2.11", flags=dns.flags.RA)
    )
    assert seen == LookupSeen(
        LookupOutcome.ANSWERED, None, (), ("192.0.2.11", "192.0.2.12"), 300, None
    )
    assert len(server.asked) == 1
    (question,) = server.asked[0].question
    assert question.to_text() == f"{NAME}. IN A"
    assert server.asked[0].flags & dns.flags.RD


def test_ipv6_addresses_come_in_canonical_form() -> None:
    """RFC 5952, section 4."""
    seen, _ = ask(says(f"{NAME}. 300 AAAA 2001:DB8:0:0:1:0:0:1"), kind="AAAA")
    assert seen.data == ("2001:db8::1:0:0:1",)


def test_validated_data_is_marked() -> None:
    """RFC 6840, section 5.7: AD in the question asks for AD in the answer."""
    seen, server = ask(says(f"{NAME}. 300 A 192.0.2.11", flags=dns.flags.RA | dns.flags.AD))
    assert seen.dnssec == "secure"
    assert server.asked[0].flags & dns.flags.AD


def test_aliases_are_followed_within_the_answer() -> None:
    seen, server = ask(
        says(
            f"{NAME}. 300 CNAME Portal.northpier.example.",
            "portal.northpier.example. 60 CNAME quay1.northpier.example.",
            "quay1.northpier.example. 3600 A 192.0.2.11",
        )
    )
    assert seen.outcome is LookupOutcome.ANSWERED
    assert seen.aliases == ("portal.northpier.example", "quay1.northpier.example")
    assert seen.data == ("192.0.2.11",)
    assert seen.ttl == 60
    assert len(server.asked) == 1


def test_an_alias_out_of_the_answer_is_asked_for() -> None:
    def handle(query: dns.message.Message) -> Answer:
        if query.question[0].name.to_text() == f"{NAME}.":
            return reply(query, f"{NAME}. 300 CNAME quay1.northpier.example.", flags=dns.flags.AA)
        return reply(query, "quay1.northpier.example. 3600 A 192.0.2.11", flags=dns.flags.AA)

    seen, server = ask(handle)
    assert seen.outcome is LookupOutcome.ANSWERED
    assert seen.aliases == ("quay1.northpier.example",)
    assert (seen.data, seen.ttl) == (("192.0.2.11",), 300)
    assert len(server.asked) == 2


def test_an_alias_to_nowhere_is_broken() -> None:
    seen, _ = ask(says(f"{NAME}. 300 CNAME gone.northpier.example.", authority=(SOA,), rcode=3))
    assert seen.outcome is LookupOutcome.ALIAS_BROKEN
    assert seen.aliases == ("gone.northpier.example",)
    assert seen.detail == "the alias leads to gone.northpier.example, which does not exist"


def test_an_alias_to_a_name_without_this_type_is_no_data() -> None:
    seen, _ = ask(
        says(f"{NAME}. 300 CNAME quay1.northpier.example.", authority=(SOA,)), kind="AAAA"
    )
    assert seen.outcome is LookupOutcome.NO_DATA
    assert seen.aliases == ("quay1.northpier.example",)


def test_aliases_in_a_circle_are_broken() -> None:
    seen, _ = ask(
        says(
            f"{NAME}. 300 CNAME portal.northpier.example.",
            f"portal.northpier.example. 300 CNAME {NAME}.",
        )
    )
    assert seen.outcome is LookupOutcome.ALIAS_BROKEN
    assert seen.detail == f"the aliases go round in a circle at {NAME}"


def test_an_endless_chain_of_aliases_is_broken_off() -> None:
    def handle(query: dns.message.Message) -> Answer:
        name = query.question[0].name.to_text()
        return reply(query, f"{name} 300 CNAME x.{name}", flags=dns.flags.AA)

    seen, server = ask(handle)
    assert seen.outcome is LookupOutcome.ALIAS_BROKEN
    assert seen.detail == "more than 16 aliases in a row"
    assert len(server.asked) == 17


@pytest.mark.parametrize(
    ("handler", "outcome", "detail"),
    [
        (says(authority=(SOA,), rcode=3), LookupOutcome.NO_NAME, None),
        (says(authority=(SOA,)), LookupOutcome.NO_DATA, None),
        # RFC 2308, 2.2: "NODATA RESPONSE: TYPE 3" has an empty authority section.
        (says(), LookupOutcome.NO_DATA, None),
        (says(flags=dns.flags.AA), LookupOutcome.NO_DATA, None),
        (says(rcode=2), LookupOutcome.FAILED, "SERVFAIL"),
        (says(rcode=5, flags=0), LookupOutcome.REFUSED, "REFUSED"),
        (
            says(authority=("example. 300 NS a.nic.example.",), flags=0),
            LookupOutcome.LAME,
            "refers to other name servers",
        ),
        (
            says(flags=0),
            LookupOutcome.LAME,
            "an empty answer without authority and without recursion",
        ),
    ],
)
def test_a_negative_answer(handler: Handler, outcome: LookupOutcome, detail: str | None) -> None:
    seen, _ = ask(handler)
    assert (seen.outcome, seen.detail, seen.data, seen.ttl) == (outcome, detail, (), None)


def test_a_failed_validation_is_told_from_other_failures() -> None:
    """RFC 8914, section 4.7: extended error 6 is "DNSSEC Bogus"."""

    def handle(query: dns.message.Message) -> Answer:
        response = reply(query, rcode=2)
        response.use_edns(
            0, options=[dns.edns.EDEOption(dns.edns.EDECode.DNSSEC_BOGUS, "signature is wrong")]
        )
        return response

    seen, _ = ask(handle)
    assert seen.outcome is LookupOutcome.INVALID
    assert seen.detail == "SERVFAIL, extended error 6: signature is wrong"


def test_a_server_without_edns_is_asked_without() -> None:
    """RFC 6891, section 7."""

    def handle(query: dns.message.Message) -> Answer:
        if query.edns >= 0:
            return struct.pack("!HHHHHH", query.id, 0x8001, 0, 0, 0, 0)
        return reply(query, f"{NAME}. 300 A 192.0.2.11")

    seen, server = ask(handle)
    assert seen.data == ("192.0.2.11",)
    assert [query.edns for query in server.asked] == [0, -1]


def test_a_way_that_lets_no_edns_through_is_found() -> None:
    """RFC 6891, section 6.2.6: middleboxes drop it, and what clients' stubs send gets through."""

    def handle(query: dns.message.Message) -> Answer:
        return None if query.edns >= 0 else reply(query, f"{NAME}. 300 A 192.0.2.11")

    seen, server = ask(handle, limits=QUICK)
    assert seen.data == ("192.0.2.11",)
    assert [query.edns for query in server.asked] == [0, -1]


def test_a_long_answer_is_taken_over_tcp() -> None:
    many = [f"{NAME}. 300 A 192.0.2.{number}" for number in range(200)]
    seen, server = ask(says(flags=dns.flags.TC), by_stream=says(*many))
    assert len(seen.data) == 200
    assert (len(server.asked), len(server.asked_by_stream)) == (1, 1)


@pytest.mark.parametrize(
    ("by_stream", "outcome", "part"),
    [
        (None, LookupOutcome.FAILED, "longer than a datagram, and over TCP: "),
        (silent, LookupOutcome.FAILED, "longer than a datagram, and over TCP: "),
        (lambda _: b"\x00\x05junk!", LookupOutcome.MALFORMED, "no DNS message"),
        (lambda _: b"\xff\xffcut", LookupOutcome.FAILED, "over TCP: 3 bytes read"),
        # RFC 2181, 9: a part of the records is not to be taken for all of them.
        (
            says(f"{NAME}. 300 A 192.0.2.11", flags=dns.flags.TC),
            LookupOutcome.FAILED,
            "is cut short over TCP too",
        ),
    ],
)
def test_a_long_answer_that_tcp_does_not_give(
    by_stream: Handler | None, outcome: LookupOutcome, part: str
) -> None:
    seen, _ = ask(says(flags=dns.flags.TC), by_stream=by_stream)
    assert seen.outcome is outcome
    assert seen.detail is not None
    assert part in seen.detail


def test_silence_is_asked_again_and_then_told() -> None:
    seen, server = ask(silent, limits=QUICK)
    assert seen.outcome is LookupOutcome.SILENT
    assert seen.detail == f"nothing came back from {server.place}"
    assert len(server.asked) == 2


def test_one_lost_datagram_is_forgiven() -> None:
    asked: list[int] = []

    def handle(query: dns.message.Message) -> Answer:
        asked.append(query.id)
        return reply(query, f"{NAME}. 300 A 192.0.2.11") if len(asked) == 2 else None

    seen, _ = ask(handle, limits=QUICK)
    assert seen.outcome is LookupOutcome.ANSWERED


def test_a_closed_port_is_told_at_once() -> None:
    async def run() -> LookupSeen:
        async with serving(silent) as server:
            closed = server.place
        resolvers = Resolvers(DEFAULT)
        try:
            return await nameservers.ask(resolvers, LookupAsk(NAME, "A", closed))
        finally:
            await resolvers.close()

    seen = asyncio.run(run())
    assert seen.outcome is LookupOutcome.SILENT
    assert seen.detail is not None
    assert "the port is closed" in seen.detail


def forged(query: dns.message.Message) -> Answer:
    response = reply(query, f"{NAME}. 300 A 203.0.113.66")
    response.id = (query.id + 1) % 65536
    return response


def other_question(query: dns.message.Message) -> Answer:
    other = dns.message.make_query("bank.northpier.example", "A")
    other.id = query.id
    return reply(other, "bank.northpier.example. 300 A 203.0.113.66")


def unread(query: dns.message.Message) -> Answer:
    return struct.pack("!HHHHHH", query.id, 0x8180, 1, 1, 0, 0) + b"\xc0\xff"


def question_back(query: dns.message.Message) -> Answer:
    return query


def id_alone(query: dns.message.Message) -> Answer:
    return query.id.to_bytes(2)


@pytest.mark.parametrize(
    "bad",
    [forged, other_question, unread, question_back, id_alone, lambda _: b"\x00", lambda _: b""],
)
def test_what_is_no_answer_to_this_question_does_not_stand_in_its_way(
    bad: Callable[[dns.message.Message], Answer], caplog: pytest.LogCaptureFixture
) -> None:
    seen, server = ask(lambda query: [bad(query), reply(query, f"{NAME}. 300 A 192.0.2.11")])
    assert seen.data == ("192.0.2.11",)
    assert len(server.asked) == 1
    # The event loop only logs what a protocol raises.
    assert caplog.records == []


@pytest.mark.parametrize(
    ("bad", "outcome", "detail"),
    [
        (other_question, LookupOutcome.MALFORMED, "the answer is to another question"),
        (unread, LookupOutcome.MALFORMED, "the answer is no DNS message: "),
        (question_back, LookupOutcome.MALFORMED, "what came back is no DNS response"),
        (forged, LookupOutcome.SILENT, "nothing came back from "),
    ],
)
def test_nothing_but_bad_answers(
    bad: Callable[[dns.message.Message], Answer], outcome: LookupOutcome, detail: str
) -> None:
    seen, _ = ask(bad, limits=QUICK)
    assert seen.outcome is outcome
    assert seen.detail is not None
    assert seen.detail.startswith(detail)


def ask_the_system(*handlers: Handler, times: int = 1) -> tuple[list[LookupSeen], list[int]]:
    async def run() -> tuple[list[LookupSeen], list[int]]:
        async with serving(handlers[0]) as first, serving(handlers[1]) as second:
            resolvers = Resolvers(QUICK, system=lambda: (first.place, second.place))
            try:
                seen = [
                    await nameservers.ask(resolvers, LookupAsk(NAME, "A", "system"))
                    for _ in range(times)
                ]
            finally:
                await resolvers.close()
            return seen, [len(first.asked), len(second.asked)]

    return asyncio.run(run())


def test_the_systems_next_name_server_is_asked_when_one_is_silent() -> None:
    seen, asked = ask_the_system(silent, says(f"{NAME}. 300 A 192.0.2.11"), times=3)
    assert [one.outcome for one in seen] == [LookupOutcome.ANSWERED] * 3
    assert asked == [1, 3]


def test_the_systems_first_name_server_is_enough() -> None:
    _, asked = ask_the_system(says(f"{NAME}. 300 A 192.0.2.11"), says(rcode=2))
    assert asked == [1, 0]


def test_a_machine_without_resolver_has_met_silence() -> None:
    async def run() -> LookupSeen:
        return await nameservers.ask(
            Resolvers(DEFAULT, system=tuple), LookupAsk(NAME, "A", "system")
        )

    seen = asyncio.run(run())
    assert seen.outcome is LookupOutcome.SILENT
    assert seen.detail == "this machine is configured with no resolver"


def test_hundreds_of_questions_to_a_dead_server_do_not_wait_for_each_other() -> None:
    limits = replace(DEFAULT, dns_wait=0.8, dns_tries=1, dns_in_flight=16, dns_sockets=1)

    async def run() -> tuple[float, list[LookupSeen]]:
        async with serving(silent) as server:
            resolvers = Resolvers(limits)
            began = asyncio.get_running_loop().time()
            seen = await asyncio.gather(
                *(
                    nameservers.ask(
                        resolvers, LookupAsk(f"quay{n}.northpier.example", "A", server.place)
                    )
                    for n in range(64)
                )
            )
            await resolvers.close()
            return asyncio.get_running_loop().time() - began, seen

    seconds, seen = standstill.run(run())
    assert {one.outcome for one in seen} == {LookupOutcome.SILENT}
    # In line behind each other they would take 4 times 0.8 s; half of that would be enough here.
    assert seconds < 1.6


def test_at_most_so_many_questions_are_in_flight() -> None:
    """The server answers once it holds four: fewer would stand still, more would be seen."""
    limits = replace(DEFAULT, dns_in_flight=4, dns_sockets=1)
    held: list[Answer] = []
    batches: list[int] = []

    def handle(query: dns.message.Message) -> list[Answer]:
        held.append(reply(query, authority=(SOA,)))
        if len(held) < 4:
            return []
        batches.append(len(held))
        ready, held[:] = list(held), []
        return ready

    async def run() -> list[LookupSeen]:
        async with serving(handle) as server:
            resolvers = Resolvers(limits)
            seen = await asyncio.gather(
                *(
                    nameservers.ask(
                        resolvers, LookupAsk(f"quay{n}.northpier.example", "A", server.place)
                    )
                    for n in range(48)
                )
            )
            await resolvers.close()
            return seen

    seen = asyncio.run(run())
    assert {one.outcome for one in seen} == {LookupOutcome.NO_DATA}
    assert batches == [4] * 12


@settings(deadline=None, max_examples=200)
@given(st.binary(max_size=80), st.integers(0, 0xFFFF), st.booleans())
def test_no_answer_is_a_traceback(tail: bytes, flags: int, with_question: bool) -> None:
    """Whatever follows the id of a datagram, it is an outcome."""

    def handle(query: dns.message.Message) -> list[Answer]:
        octets = query.to_wire()
        question = octets[12 : 12 + len(NAME) + 2 + 4] if with_question else b""
        counts = struct.pack("!HHHH", 1, 1, 1, 1)
        head = struct.pack("!HH", query.id, flags | 0x8000)
        bad = head + (counts + question + tail if with_question else tail)
        return [bad, reply(query, authority=(SOA,))]

    seen, _ = ask(handle, by_stream=lambda _: b"\x00" + tail)
    assert isinstance(seen.outcome, LookupOutcome)


@settings(deadline=None, max_examples=300)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0xC00C, 0xC000, 0xC0FF, 0x0000]),
            st.sampled_from([1, 2, 5, 6, 28, 39, 41, 46, 65535]),
            st.binary(max_size=40),
        ),
        max_size=4,
    ),
    st.integers(0, 0xFFFF),
)
def test_no_records_are_a_traceback(records: list[tuple[int, int, bytes]], flags: int) -> None:
    def handle(query: dns.message.Message) -> list[Answer]:
        question = query.to_wire()[12 : 12 + len(NAME) + 2 + 4]
        counts = struct.pack("!HHHH", 1, len(records), 0, 0)
        body = b"".join(
            struct.pack("!HHHIH", owner, kind, 1, 300, len(data)) + data
            for owner, kind, data in records
        )
        head = struct.pack("!HH", query.id, flags | 0x8000)
        return [head + counts + question + body, reply(query, authority=(SOA,))]

    seen, _ = ask(handle, by_stream=silent)
    assert isinstance(seen.outcome, LookupOutcome)


def test_types_are_asked_as_named() -> None:
    _, server = ask(says(authority=(SOA,)), kind="AAAA")
    assert server.asked[0].question[0].rdtype == dns.rdatatype.AAAA
