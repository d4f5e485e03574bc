"""Text from elsewhere becomes one visible line, and stays what it says."""

import json
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from probe.report.escape import SHOWN, quiet_json, visible


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("CN=radius.northpier.example", "CN=radius.northpier.example"),
        # ECMA-48, 5.3 and 5.4: ESC [ and its one-character twin 0x9b begin a control sequence.
        ("a\x1b[31mred\x1b[0m", "a\\x1b[31mred\\x1b[0m"),
        ("a\x9b2J", "a\\x9b2J"),
        ("line\r\nnext\ttab\x00\x7f", "line\\r\\nnext\\ttab\\x00\\x7f"),
        # UAX 9, 2: embeddings, overrides and isolates reorder what follows them.
        ("safe\u202egpj.exe", "safe\\u202egpj.exe"),
        ("\u2066a\u2069\u061c\u200f", "\\u2066a\\u2069\\u061c\\u200f"),
        ("zero\u200bwidth\u2060\ufeff\u00ad", "zero\\u200bwidth\\u2060\\ufeff\\xad"),
        ("wide\u3000and\u00a0hard", "wide\\u3000and\\xa0hard"),
        ("line\u2028separator", "line\\u2028separator"),
        ("filler\u3164\u2800", "filler\\u3164\\u2800"),
        ("tag\U000e0041", "tag\\U000e0041"),
        ("picked\ufe0f", "picked\\ufe0f"),
        ("half\udc80", "half\\udc80"),
        ("[bold]not markup[/bold]", "[bold]not markup[/bold]"),
        ("Fährhafen Süd, 港, नौका", "Fährhafen Süd, 港, नौका"),
        ("o\u0301 bare", "o\u0301 bare"),
        ("\u0301first", "\\u0301first"),
        ("a" + "\u0301" * 5, "a" + "\u0301" * 3 + "\\u0301" * 2),
    ],
)
def test_text_becomes_visible(text: str, shown: str) -> None:
    assert visible(text) == shown


def test_long_text_is_cut_and_says_so() -> None:
    assert visible("x" * 10_000) == "x" * SHOWN + "... (10000 characters in all)"
    assert visible("x" * SHOWN) == "x" * SHOWN


@given(st.text(alphabet=st.characters(exclude_categories=()), max_size=400))
def test_nothing_that_acts_on_a_terminal_is_left(text: str) -> None:
    shown = visible(text, 1_000)
    assert not {unicodedata.category(c) for c in shown} & {"Cc", "Cf", "Cs", "Zl", "Zp"}
    assert all(c == " " or unicodedata.category(c) != "Zs" for c in shown)


@given(st.text(max_size=200))
def test_json_says_the_same_when_it_is_quiet(text: str) -> None:
    quiet = quiet_json(json.dumps([text], ensure_ascii=False))
    assert json.loads(quiet) == [text]
    assert not {unicodedata.category(c) for c in quiet} & {"Cc", "Zl", "Zp"}
