"""The answer to one HEAD, as RFC 9110 and RFC 9112 let it look."""

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.observation.model import HttpSeen
from probe.wire.head import HeadReader, http_date, request

NOW = datetime(2026, 11, 25, 14, 47, 10, tzinfo=UTC)


def read(*pieces: bytes, most: int = 1_000) -> HeadReader:
    reader = HeadReader(most, 50, lambda: NOW)
    for piece in pieces:
        reader.feed(piece)
    return reader


def test_the_date_of_an_answer_out_of_a_cache_is_no_clock() -> None:
    """RFC 9111, 5.1: with an Age the answer was not made for this request."""
    date = b"HTTP/1.1 200 OK\r\nDate: Wed, 25 Nov 2026 12:47:10 GMT\r\n"
    made, kept = read(date + b"\r\n").seen, read(date + b"Age: 7200\r\n\r\n").seen
    assert made is not None
    assert made.date == datetime(2026, 11, 25, 12, 47, 10, tzinfo=UTC)
    assert kept == HttpSeen(status=200, date=None, strict_transport=None)


def test_the_request() -> None:
    """RFC 9112, 3: request line, fields, an empty line; RFC 9110, 7.2: Host."""
    octets = request("guest.northpier.example:8443")
    assert octets.startswith(b"HEAD / HTTP/1.1\r\nHost: guest.northpier.example:8443\r\n")
    assert octets.endswith(b"\r\nConnection: close\r\n\r\n")


@pytest.mark.parametrize(
    "text",
    [
        "Sun, 06 Nov 1994 08:49:37 GMT",
        "Sunday, 06-Nov-94 08:49:37 GMT",
        "Sun Nov  6 08:49:37 1994",
    ],
)
def test_the_three_forms_of_a_date(text: str) -> None:
    """The examples of RFC 9110, 5.6.7."""
    assert http_date(text, NOW) == datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "year"),
    [("Friday, 06-Nov-76 08:49:37 GMT", 2076), ("Friday, 06-Nov-77 08:49:37 GMT", 1977)],
)
def test_a_year_of_two_digits_is_at_most_fifty_years_ahead(text: str, year: int) -> None:
    """RFC 9110, 5.6.7."""
    found = http_date(text, NOW)
    assert found is not None
    assert found.year == year


@pytest.mark.parametrize(
    "text",
    [
        "",
        "0",
        "2026-11-25T14:47:10Z",
        "Wed, 25 Nov 2026 14:47:10 CET",
        "Wed, 25 Foo 2026 14:47:10 GMT",
        "Wed, 31 Feb 2026 14:47:10 GMT",
        "Wed, 25 Nov 2026 24:00:00 GMT",
        "Wed, 25 Nov 2026 14:47:61 GMT",
        "Wed, 25 Nov 9999 14:47:10 GMT",
        "Wed, \u0662\u0665 Nov 2026 14:47:10 GMT",
    ],
)
def test_what_is_no_date(text: str) -> None:
    assert http_date(text, NOW) is None


def test_a_leap_second_is_a_time() -> None:
    """RFC 9110, 5.6.7 allows 60."""
    assert http_date("Sat, 31 Dec 2016 23:59:60 GMT", NOW) == datetime(
        2016, 12, 31, 23, 59, 59, tzinfo=UTC
    )


HEAD = (
    b"HTTP/1.1 200 OK\r\ndate:Wed, 25 Nov 2026 14:47:10 GMT\r\n"
    b"Strict-Transport-Security:  max-age=0 \r\nstrict-transport-security: max-age=9\r\n\r\n"
)


def test_fields_are_found_whatever_their_case_and_the_first_counts() -> None:
    """RFC 9110, 5.1; RFC 6797, 8.1: only the first Strict-Transport-Security is processed."""
    expected = HttpSeen(200, NOW, "max-age=0")
    assert read(HEAD).seen == expected
    assert read(*(bytes((octet,)) for octet in HEAD)).seen == expected
    assert read(HEAD.replace(b"\r\n", b"\n")).seen == expected


def test_a_line_without_a_colon_is_no_field() -> None:
    """RFC 9112, 5."""
    head = b"HTTP/1.1 200 OK\r\nAge\nDate: Tue, 24 Nov 2026 08:00:00 GMT\r\n\r\n"
    seen = read(head).seen
    assert seen is not None
    assert seen.date == datetime(2026, 11, 24, 8, tzinfo=UTC)


def test_interim_answers_are_read_over() -> None:
    """RFC 9110, 15.2."""
    assert read(b"HTTP/1.1 103 Early Hints\r\nLink: x\r\n\r\n" + HEAD).seen == HttpSeen(
        200, NOW, "max-age=0"
    )


@pytest.mark.parametrize(
    "octets",
    [b"SSH-2.0-x\r\n\r\n", b"HTTP/1.1 OK\r\n\r\n", b"HTTP/1.1 103 \r\n\r\n" * 5, b"x" * 1_001],
)
def test_what_is_no_answer(octets: bytes) -> None:
    reader = read(octets)
    assert reader.done
    assert reader.seen is None


def test_without_fields_there_is_the_status_alone() -> None:
    assert read(b"HTTP/1.0 404 \r\n\r\n").seen == HttpSeen(404)


def test_texts_are_bounded() -> None:
    field = b"Strict-Transport-Security: " + b"x" * 500
    seen = read(b"HTTP/1.1 200 OK\r\n" + field + b"\r\n\r\n").seen
    assert seen is not None
    assert seen.strict_transport == "x" * 50


PIECES = [b"\r\n\r\n", b"HTTP/1.1 200 \r\n", b"HTTP/1.1 100 \r\n\r\n", b"Date: "]


@settings(max_examples=300, deadline=None, database=None)
@given(
    st.lists(
        st.binary(max_size=60) | st.sampled_from([b"\r\n\r\n", b"HTTP/1.1 200 \r\n", b"Date: "])
    )
)
def test_anything_is_read_or_passed_over(pieces: list[bytes]) -> None:
    read(*pieces)
