"""What resolvers said, as `probe node` shows it: every answer, and nothing that is computed."""

import re
from pathlib import Path

import pytest

from probe.assessment import Assessment
from probe.observation.model import Endpoint, Lookup, LookupAsk, LookupOutcome, Question
from probe.records import replace
from probe.report.terminal import render
from tests.report.build import AT, healthy
from tests.report.hostile import HOSTILE, LONG

HERE, GUESTS = "192.0.2.53", "10.0.9.53"
QUAY = "quay1.northpier.example"
GUEST = "guest.northpier.example"
SCREENS = Path(__file__).parent / "screens"


def asked(name: str, kind: str, at: str = HERE, view: str | None = None) -> Question:
    where = at if view is None else f"{at}@{view}"
    ask = LookupAsk(name, kind, at, view)
    return Question(f"dns/{where}/{name}/{kind}", Endpoint.DNS, ("quay1",), lookup=ask)


def said(question: Question, *data: str, **changes: object) -> Lookup:
    assert question.lookup is not None
    outcome = LookupOutcome.ANSWERED if data else LookupOutcome.NO_DATA
    made = Lookup(question.id, question.lookup, AT, 0.001, outcome, data=data, ttl=300)
    return replace(made, **changes)  # type: ignore[arg-type]


def looked_up(*answers: tuple[Question, tuple[Lookup, ...]]) -> Assessment:
    base = healthy(1)
    survey = replace(
        base.survey,
        questions=tuple(question for question, _ in answers),
        lookups=tuple(record for _, records in answers for record in records),
        handshakes=(),
    )
    return replace(base, survey=survey, served=())


def shown(*answers: tuple[Question, tuple[Lookup, ...]], width: int = 80) -> str:
    whole = render(looked_up(*answers), width=width, in_depth=True)
    return (
        whole[whole.index("What resolvers say") : whole.index("\nAbout this result")].rstrip("\n")
        + "\n"
    )


def in_depth() -> tuple[tuple[Question, tuple[Lookup, ...]], ...]:
    """One node by two resolvers, of which the guests' knows less."""
    host = [asked(QUAY, kind) for kind in ("A", "AAAA", "CAA")]
    hidden = [asked(QUAY, kind, GUESTS, "guest") for kind in ("A", "AAAA")]
    portal = [asked(GUEST, "A"), asked(GUEST, "A", GUESTS, "guest")]
    above = asked("northpier.example", "CAA")
    pin = asked(f"_443._tcp.{GUEST}", "TLSA")
    back = asked("11.2.0.192.in-addr.arpa", "PTR")
    forth = LookupAsk(QUAY, "A", HERE)
    star = asked("*.northpier.example", "A")
    odd = LookupAsk("q7f3k2.northpier.example", "A", HERE)
    missing = LookupOutcome.NO_NAME
    return (
        (host[0], (said(host[0], "192.0.2.11", dnssec="secure"),)),
        (host[1], (said(host[1]),)),
        (host[2], (said(host[2]),)),
        (hidden[0], (said(hidden[0], outcome=missing),)),
        (hidden[1], (said(hidden[1], outcome=missing),)),
        (portal[0], (said(portal[0], "192.0.2.11", aliases=("portal.northpier.example",)),)),
        (portal[1], (said(portal[1], "192.0.2.11", aliases=("portal.northpier.example",)),)),
        (above, (said(above, '0 issue "ca1.example.net; account=230123"', '0 issuewild ";"'),)),
        (pin, (said(pin, outcome=LookupOutcome.FAILED, detail="SERVFAIL"),)),
        (back, (said(back, QUAY), said(back, "192.0.2.11", asked=forth))),
        (star, (said(star, outcome=missing, asked=odd, dnssec="secure"),)),
        (asked("onboard.northpier.example", "A"), ()),
    )


def test_the_screen_is_what_it_was_when_it_was_read() -> None:
    assert shown(*in_depth()) == (SCREENS / "lookups-80.txt").read_text("utf-8")


def test_a_sweep_does_not_show_it() -> None:
    whole = looked_up(*in_depth())
    assert "What resolvers say" not in render(whole)
    assert "What resolvers say" in render(whole, in_depth=True)


def test_nothing_looked_up_is_no_heading() -> None:
    assert "What resolvers say" not in render(replace(looked_up()), in_depth=True)


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (LookupOutcome.NO_NAME, "no such name"),
        (LookupOutcome.NO_DATA, "no such record"),
        (LookupOutcome.FAILED, "the resolver failed"),
        (LookupOutcome.INVALID, "DNSSEC validation failed"),
        (LookupOutcome.REFUSED, "the resolver refuses to answer this machine"),
        (LookupOutcome.SILENT, "nothing came back"),
        (LookupOutcome.LAME, "the resolver does not know it and asks nobody"),
        (LookupOutcome.MALFORMED, "what came back makes no sense"),
        (LookupOutcome("of-a-later-version"), "of-a-later-version"),
    ],
)
def test_every_outcome_has_its_words(outcome: LookupOutcome, words: str) -> None:
    question = asked(QUAY, "A")
    record = said(question, outcome=outcome, detail="as it is said")
    assert f"     A            {words} (as it is said)\n" in shown((question, (record,)))


def test_what_is_the_same_is_told_once() -> None:
    """Names of which the same was said are one entry, and types one row."""
    questions = [asked(name, kind) for name in (QUAY, GUEST) for kind in ("A", "AAAA", "CAA")]
    answers = [
        (question, (said(question, *(("192.0.2.11",) if question.id.endswith("/A") else ())),))
        for question in questions
    ]
    assert shown(*answers).split("\n")[2:] == [
        f"  {QUAY} and {GUEST}",
        "     A            192.0.2.11",
        "     AAAA, CAA    no such record",
        "",
    ]


def test_a_broken_alias_is_told_once() -> None:
    question = asked(GUEST, "A")
    detail = "the alias leads to portal.northpier.example, which does not exist"
    broken = said(
        question,
        outcome=LookupOutcome.ALIAS_BROKEN,
        detail=detail,
        aliases=("portal.northpier.example",),
    )
    assert f"     A            {detail}\n" in shown((question, (broken,)), width=110)


def test_thousands_of_records_are_counted() -> None:
    question = asked(GUEST, "A")
    crowd = tuple(f"10.1.{number >> 8}.{number & 255}" for number in range(5_000))
    text = shown((question, (said(question, *crowd),)))
    assert "10.1.0.0, 10.1.0.1 and 4998 more\n" in text


@pytest.mark.parametrize("text", [HOSTILE, LONG], ids=["control", "long"])
def test_names_and_records_off_the_wire_stay_text(text: str) -> None:
    """A name may hold any octets (RFC 2181, 11), and so may what a record says."""
    question = asked("*.northpier.example", "A", text, text)
    record = said(
        question,
        text,
        detail=text,
        aliases=(text, text),
        asked=LookupAsk(text, text, text, text),
        outcome=LookupOutcome.ANSWERED,
    )
    told = shown((question, (record,)))
    assert re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u202e\u2028]", told) is None
    assert max(len(line) for line in told.split("\n")) <= 80
    assert len(told) < 10_000


def test_an_internationalised_name_is_shown_as_it_is_written_too() -> None:
    """A-labels and U-labels (RFC 5890, 2.3.2.1), as the standard library decodes them too."""
    guests = "xn--gstezugang-q5a.northpier.example"
    assert b"gstezugang-q5a".decode("punycode") == "gästezugang"
    question = asked(guests, "A")
    text = shown((question, (said(question, "192.0.2.11"),)))
    assert f"{guests} (gästezugang.northpier.example)" in " ".join(text.split())


@pytest.mark.parametrize(
    "name", ["xn--.northpier.example", "xn--a-\u202e.example", "xn--0.example"]
)
def test_what_is_no_internationalised_name_stays_as_it_is(name: str) -> None:
    question = asked(name, "A")
    text = shown((question, (said(question, "192.0.2.11"),)))
    assert "\u202e" not in text
    assert "xn--" in text
