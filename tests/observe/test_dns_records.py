"""What is told of a DNS answer beside its addresses: validation, other types, short names."""

import asyncio
import struct
from collections.abc import Callable, Iterator

import dns.edns
import dns.flags
import dns.message
import dns.rdatatype
import pytest

from probe.limits import DEFAULT
from probe.observation.model import LookupAsk, LookupOutcome
from probe.observe.dns import LookupSeen, Resolvers
from probe.records import replace
from tests.observe import nameservers
from tests.observe.nameservers import Answer, FakeNameserver, Handler, reply, serving
from tests.observe.test_dns import NAME, SOA, ask, says

ANSWER = f"{NAME}. 300 A 192.0.2.11"
VALIDATED = dns.flags.RA | dns.flags.AD


def unless(flag: int, otherwise: Handler) -> Handler:
    """A validating resolver for broken signatures: it answers only to questions with this flag."""

    def handle(query: dns.message.Message) -> Answer | list[Answer]:
        return otherwise(query) if query.flags & flag else reply(query, rcode=2)

    return handle


# ---------------------------------------------------------------- validation


@pytest.mark.parametrize(
    "unchecked", [says(ANSWER), says(authority=(SOA,), rcode=3), says(authority=(SOA,))]
)
def test_what_is_answered_only_without_validation_is_invalid(unchecked: Handler) -> None:
    """RFC 4035, sections 3.2.2 and 5.5: a resolver that finds data bogus answers SERVFAIL, unless
    the question has CD set."""
    seen, server = ask(unless(dns.flags.CD, unchecked))
    assert (seen.outcome, seen.dnssec, seen.data) == (LookupOutcome.INVALID, "bogus", ())
    assert seen.detail == "SERVFAIL, and an answer without validation (CD)"
    assert [bool(query.flags & dns.flags.CD) for query in server.asked] == [False, True, False]


def test_what_fails_without_validation_too_has_failed() -> None:
    seen, server = ask(says(rcode=2))
    assert (seen.outcome, seen.dnssec, seen.detail) == (LookupOutcome.FAILED, None, "SERVFAIL")
    assert len(server.asked) == 2


def test_a_failure_that_passes_is_no_failed_validation() -> None:
    turns: Iterator[Handler] = iter((says(rcode=2), says(ANSWER), says(ANSWER)))

    def handle(query: dns.message.Message) -> Answer | list[Answer]:
        return next(turns)(query)

    seen, _ = ask(handle)
    assert (seen.outcome, seen.data, seen.dnssec) == (
        LookupOutcome.ANSWERED,
        ("192.0.2.11",),
        None,
    )


def test_a_failure_behind_an_alias_is_looked_into_there() -> None:
    def handle(query: dns.message.Message) -> Answer:
        if query.question[0].name.to_text() == f"{NAME}.":
            return reply(query, f"{NAME}. 300 CNAME quay1.northpier.example.", flags=dns.flags.AA)
        if query.flags & dns.flags.CD:
            return reply(query, "quay1.northpier.example. 300 A 192.0.2.11")
        return reply(query, rcode=2)

    seen, _ = ask(handle)
    assert (seen.outcome, seen.dnssec) == (LookupOutcome.INVALID, "bogus")
    assert seen.aliases == ("quay1.northpier.example",)


def test_a_hiccup_is_forgotten_behind_the_alias() -> None:
    """That the first name had an answer without validation says nothing of the second."""
    failed: list[bool] = []

    def handle(query: dns.message.Message) -> Answer:
        if query.question[0].name.to_text() != f"{NAME}.":
            return reply(query, rcode=2)
        if not failed:
            failed.append(True)
            return reply(query, rcode=2)
        return reply(query, f"{NAME}. 300 CNAME quay1.northpier.example.", flags=dns.flags.AA)

    seen, _ = ask(handle)
    assert (seen.outcome, seen.dnssec) == (LookupOutcome.FAILED, None)


def test_a_resolver_that_says_that_validation_failed_is_believed() -> None:
    """RFC 8914, section 4.8: extended error 7 is "Signature Expired"."""

    def handle(query: dns.message.Message) -> Answer:
        response = reply(query, rcode=2)
        response.use_edns(0, options=[dns.edns.EDEOption(7)])
        return response

    seen, server = ask(handle)
    assert (seen.outcome, seen.dnssec) == (LookupOutcome.INVALID, "bogus")
    assert len(server.asked) == 1


@pytest.mark.parametrize(
    ("handler", "outcome"),
    [
        (says(ANSWER, flags=VALIDATED), LookupOutcome.ANSWERED),
        (says(authority=(SOA,), rcode=3, flags=VALIDATED), LookupOutcome.NO_NAME),
        (says(authority=(SOA,), flags=VALIDATED), LookupOutcome.NO_DATA),
        (
            says(f"{NAME}. 300 CNAME gone.northpier.example.", rcode=3, flags=VALIDATED),
            LookupOutcome.ALIAS_BROKEN,
        ),
    ],
)
def test_a_validated_absence_is_marked_as_data_are(
    handler: Handler, outcome: LookupOutcome
) -> None:
    """RFC 4035, section 3.2.3: AD is set for authenticated denial too."""
    seen, _ = ask(handler)
    assert (seen.outcome, seen.dnssec) == (outcome, "secure")


@pytest.mark.parametrize(
    "handler", [says(ANSWER), says(rcode=2, flags=VALIDATED), says(rcode=5, flags=VALIDATED)]
)
def test_what_was_not_validated_is_not_marked(handler: Handler) -> None:
    seen, _ = ask(handler)
    assert seen.dnssec is None


def test_one_hop_without_validation_spoils_the_whole_way() -> None:
    def handle(query: dns.message.Message) -> Answer:
        if query.question[0].name.to_text() == f"{NAME}.":
            return reply(query, f"{NAME}. 300 CNAME quay1.northpier.example.", flags=dns.flags.AA)
        return reply(query, "quay1.northpier.example. 300 A 192.0.2.11", flags=VALIDATED)

    seen, _ = ask(handle)
    assert (seen.outcome, seen.dnssec) == (LookupOutcome.ANSWERED, None)


@pytest.mark.parametrize(
    ("rcode", "outcome", "word"),
    [
        (1, LookupOutcome.FAILED, "FORMERR"),
        (4, LookupOutcome.REFUSED, "NOTIMP"),
        (5, LookupOutcome.REFUSED, "REFUSED"),
    ],
)
def test_a_server_that_does_not_take_the_question_says_so(
    rcode: int, outcome: LookupOutcome, word: str
) -> None:
    """RFC 1035, section 4.1.1: NOTIMP is of a server that does not support such questions."""
    seen, _ = ask(says(rcode=rcode))
    assert (seen.outcome, seen.detail) == (outcome, word)


# ---------------------------------------------------------------- records


def test_caa_records_are_as_in_a_zone_file() -> None:
    """The records of RFC 8659, sections 4.2 and 4.5, and RFC 1035, section 5.1 for the escapes."""
    seen, _ = ask(
        says(
            f'{NAME}. 300 CAA 0 issue "ca1.example.net; account=230123"',
            f'{NAME}. 300 CAA 128 tbs "Unknown"',
            f'{NAME}. 300 CAA 0 ISSUE "a\\"b\\\\c\\027[2J"',
        ),
        kind="CAA",
    )
    assert seen.data == (
        '0 ISSUE "a\\"b\\\\c\\027[2J"',
        '0 issue "ca1.example.net; account=230123"',
        '128 tbs "Unknown"',
    )


def test_tlsa_records_have_their_digits_in_one_piece() -> None:
    """The second record of RFC 6698, section 2.3."""
    digits = (
        "92003ba34942dc74152e2f2c408d29eca5a520e7f2e06bb944f4dca346baf63c"
        "1b177615d466f6c4b71c216a50292bd58c9ebdd2f74e38fe51ffd48c43326cbc"
    )
    seen, _ = ask(says(f"{NAME}. 300 TLSA 1 1 2 {digits[:40]} {digits[40:].upper()}"), kind="TLSA")
    assert seen.data == (f"1 1 2 {digits}",)


def test_reverse_records_are_names_in_lower_case() -> None:
    seen, _ = ask(says(f"{NAME}. 300 PTR Quay1.Northpier.example."), kind="PTR")
    assert seen.data == ("quay1.northpier.example",)


@pytest.mark.parametrize(
    ("kind", "data", "text"),
    [
        ("CAA", '0 issue "ca1.example.net"', '0 issue "ca1.example.net"'),
        ("TLSA", "3 1 1 " + "ab" * 32, "3 1 1 " + "ab" * 32),
        ("PTR", "quay1.northpier.example.", "quay1.northpier.example"),
    ],
)
def test_every_type_is_found_behind_aliases(kind: str, data: str, text: str) -> None:
    """RFC 8659, section 3 has aliases followed for CAA; RFC 2317 delegates reverse names by them,
    and RFC 7671, section 7 certificates' records."""
    seen, _ = ask(
        says(
            f"{NAME}. 300 CNAME elsewhere.northpier.example.",
            f"elsewhere.northpier.example. 60 {kind} {data}",
        ),
        kind=kind,
    )
    assert (seen.outcome, seen.data, seen.ttl) == (LookupOutcome.ANSWERED, (text,), 60)
    assert seen.aliases == ("elsewhere.northpier.example",)


def with_records(kind: int, *values: bytes) -> Handler:
    """An answer whose records hold these octets, whatever they mean."""

    def handle(query: dns.message.Message) -> Answer:
        head = struct.pack("!HHHHHH", query.id, 0x8180, 1, len(values), 0, 0)
        question = query.question[0].name.to_wire() + struct.pack("!HH", kind, 1)
        return (
            head
            + question
            + b"".join(
                struct.pack("!HHHIH", 0xC00C, kind, 1, 300, len(value)) + value for value in values
            )
        )

    return handle


def test_a_tlsa_record_that_nobody_can_use_is_left_out_and_told() -> None:
    """RFC 6698, section 4.1: such a record is unusable, and the others count."""
    good, short = b"\x03\x01\x01" + b"\xab" * 32, b"\x03\x01\x01" + b"\xab" * 31
    seen, server = ask(with_records(52, good, short), kind="TLSA")
    assert (seen.outcome, seen.data) == (LookupOutcome.ANSWERED, ("3 1 1 " + "ab" * 32,))
    assert seen.detail == "1 cannot be read"
    assert len(server.asked) == 1
    alone, _ = ask(with_records(52, short), kind="TLSA")
    assert (alone.outcome, alone.data) == (LookupOutcome.NO_DATA, ())
    assert alone.detail == "1 cannot be read"


def test_a_caa_record_that_cannot_be_read_spoils_the_set() -> None:
    """It might be critical: what the others say alone is not what the set says."""
    tag = b"\x80\x07not-tag" + b"value"
    seen, server = ask(with_records(257, b"\x00\x05issue" + b"ca1.example.net", tag), kind="CAA")
    assert (seen.outcome, seen.data) == (LookupOutcome.MALFORMED, ())
    assert seen.detail == "a record of the answer cannot be read: tag is not alphanumeric"
    assert len(server.asked) == 1


def test_thousands_of_records_are_cut_down_and_counted() -> None:
    many = [f"{NAME}. 300 A 10.{number // 250}.{number % 250}.1" for number in range(3_000)]
    seen, _ = ask(says(flags=dns.flags.TC), by_stream=says(*many))
    assert len(seen.data) == 256
    assert seen.detail is not None
    assert seen.detail.startswith("2744 of 3000 records are left out: more than 256")


def test_a_record_that_is_too_long_is_left_out_whole() -> None:
    long, short = "0 0 0 " + "ab" * 5_000, "0 0 0 " + "cd" * 2_000
    seen, _ = ask(
        says(flags=dns.flags.TC),
        by_stream=says(f"{NAME}. 300 TLSA {long}", f"{NAME}. 300 TLSA {short}"),
        kind="TLSA",
    )
    assert seen.data == (short,)
    assert seen.detail is not None
    assert seen.detail.startswith("1 of 2 records are left out: ")


@pytest.mark.parametrize(
    ("kind", "records"),
    [
        ("TLSA", ["0 0 0 " + "ab" * 5_000]),
        ("CAA", ['0 issue "ca1.example.net"', '128 issue "' + "a" * 9_000 + '"']),
        ("CAA", [f'0 issue "ca{number}.example.net"' for number in range(300)]),
    ],
)
def test_what_is_left_of_an_answer_that_is_too_long_must_not_stand_for_it(
    kind: str, records: list[str]
) -> None:
    wire = reply(
        dns.message.make_query(NAME, kind), *(f"{NAME}. 300 {kind} {one}" for one in records)
    ).to_wire(max_size=65535)

    def long(query: dns.message.Message) -> Answer:
        octets = struct.pack("!H", query.id) + wire[2:]
        return struct.pack("!H", len(octets)) + octets

    seen, _ = ask(says(flags=dns.flags.TC), by_stream=long, kind=kind)
    assert (seen.outcome, seen.data) == (LookupOutcome.MALFORMED, ())
    assert seen.detail is not None
    assert "records are left out: more than 256, or longer than 8192 characters" in seen.detail


def test_a_closed_tcp_port_is_told_in_the_systems_words() -> None:
    seen, server = ask(says(flags=dns.flags.TC))
    assert seen.outcome is LookupOutcome.FAILED
    assert seen.detail == (
        f"the answer of {server.place} is longer than a datagram, and over TCP: Connection refused"
    )


# ---------------------------------------------------------------- short names


def ask_short(
    handle: Handler,
    *suffixes: str,
    by_name: str = "system",
    name: str = "quay1",
    kind: str = "A",
) -> tuple[LookupSeen, list[str]]:
    async def run() -> tuple[LookupSeen, list[str]]:
        async with serving(handle) as server:
            at = server.place if by_name != "system" else by_name
            resolvers = Resolvers(
                DEFAULT, system=lambda: (server.place,), suffixes=lambda: suffixes
            )
            try:
                seen = await nameservers.ask(resolvers, LookupAsk(name, kind, at))
            finally:
                await resolvers.close()
            return seen, asked(server)

    return asyncio.run(run())


def asked(server: FakeNameserver) -> list[str]:
    return [query.question[0].name.to_text(omit_final_dot=True) for query in server.asked]


def only(name: str) -> Callable[[dns.message.Message], Answer]:
    def handle(query: dns.message.Message) -> Answer:
        if query.question[0].name.to_text() == f"{name}.":
            return reply(query, f"{name}. 300 A 192.0.2.11")
        return reply(query, authority=(SOA,), rcode=3)

    return handle


def test_a_short_name_is_asked_as_it_stands_and_completed() -> None:
    seen, names = ask_short(only("quay1.northpier.example"), "harbour.example", "northpier.example")
    assert seen.outcome is LookupOutcome.NO_NAME
    assert seen.detail == (
        "by a search suffix of this machine it is quay1.northpier.example: 192.0.2.11"
    )
    assert names == ["quay1", "quay1.harbour.example", "quay1.northpier.example"]


def test_a_short_name_that_no_suffix_completes() -> None:
    seen, _ = ask_short(only("nobody.example"), "harbour.example", "northpier.example")
    assert seen.outcome is LookupOutcome.NO_NAME
    assert seen.detail == (
        "nor is there an answer by this machine's search suffixes: harbour.example,"
        " northpier.example"
    )


def test_a_short_name_that_exists_as_it_stands() -> None:
    seen, _ = ask_short(only("quay1"), "harbour.example")
    assert (seen.outcome, seen.data, seen.detail) == (
        LookupOutcome.ANSWERED,
        ("192.0.2.11",),
        None,
    )


def test_so_many_suffixes_are_tried() -> None:
    _, names = ask_short(only("nobody.example"), *(f"pier{n}.example" for n in range(9)))
    assert names == ["quay1", *(f"quay1.pier{n}.example" for n in range(6))]


def test_a_suffix_that_makes_the_name_too_long_is_passed_over() -> None:
    long = ".".join(["x" * 60] * 4)
    _, names = ask_short(only("nobody.example"), long, "harbour.example", name="quay1-of-the-pier")
    assert names == ["quay1-of-the-pier", "quay1-of-the-pier.harbour.example"]


@pytest.mark.parametrize(
    ("by_name", "name", "kind"),
    [("its address", "quay1", "A"), ("system", NAME, "A"), ("system", "example", "CAA")],
)
def test_nothing_else_is_completed(by_name: str, name: str, kind: str) -> None:
    """Search suffixes are this machine's: they say nothing of another resolver's clients. And of a
    top-level domain CAA is asked, which has one label too."""
    _, names = ask_short(
        only("nobody.example"), "harbour.example", by_name=by_name, name=name, kind=kind
    )
    assert names == [name]


def test_the_limits_can_be_lowered() -> None:
    few = replace(DEFAULT, dns_records=2)
    many = [f"{NAME}. 300 A 192.0.2.{number}" for number in range(1, 6)]
    seen, _ = ask(says(*many), limits=few)
    assert seen.data == ("192.0.2.1", "192.0.2.2")
