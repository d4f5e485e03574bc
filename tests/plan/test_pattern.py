"""Regular expressions of profiles: the same answers as another engine, in bounded time."""

import re
import warnings

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.plan.pattern import Pattern, PatternError

TEXTS = ["", "a", "b", "ab", "ba", "aab", "abab", "a1", "a-b", ".", "a.b", "_"]


@settings(deadline=None, derandomize=True, database=None, max_examples=2_000)
@given(st.text(alphabet="ab.*+?()|[]^$-{}12,\\d", min_size=1, max_size=10))
def test_answers_are_those_of_another_engine(text: str) -> None:
    """Wherever both read an expression, Python's own engine is the judge."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FutureWarning)
            other = re.compile(text, re.IGNORECASE | re.DOTALL)
        pattern = Pattern(text)
    except (re.error, OverflowError, PatternError):
        return
    for candidate in TEXTS:
        assert pattern.covers(candidate) is bool(other.fullmatch(candidate))
        assert pattern.finds(candidate) is bool(other.search(candidate))


@pytest.mark.parametrize(
    ("text", "yes", "no"),
    [
        (r"^radius[0-9]+\.northpier\.example$", "RADIUS12.northpier.example", "radius.northpier"),
        (r".*\.northpier\.example", "a.b.northpier.example", "northpier.example"),
        (r"(radius|nps)\d{1,2}\.x", "nps12.x", "nps123.x"),
        (r"(?:a|b)*?c", "ababc", "abab"),
        (r"[^.]+\.x", "abc.x", "a.c.x"),
        (r"[\w-]+", "a_b-c", "a.b"),
        (r"\D\S\W", "a.-", "1.-"),
    ],
)
def test_what_is_met_in_profiles(text: str, yes: str, no: str) -> None:
    assert Pattern(text).covers(yes)
    assert not Pattern(text).covers(no)


@pytest.mark.parametrize(
    "text", ["(a+)+$", "(a|aa)+$", "((((a*)*)*)*)*b", "(.*)(.*)(.*)(.*)(.*)x", "(a?){99}a{99}b"]
)
def test_what_stops_other_engines_ends_at_once(text: str) -> None:
    """The number of states bounds the work; a backtracking engine would not come back."""
    assert not Pattern(text).covers("a" * 253 + "!")


@pytest.mark.parametrize(
    "text",
    [
        "(",
        ")",
        "a)",
        "[a",
        "*a",
        "a**",
        "a{",
        "a{x}",
        "a{3,2}",
        "a{,3}",
        "a\\",
        "\\b",
        "(?=a)",
        "(?P<n>a)",
        "\\1",
        "((a{99}){99}){99}",
        "(){999999999}",
        "(" * 20 + ")" * 20,
        "a" * 257,
    ],
)
def test_what_is_not_understood_is_refused(text: str) -> None:
    with pytest.raises(PatternError):
        Pattern(text)
