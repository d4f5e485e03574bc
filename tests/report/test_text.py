"""Words are broken and painted as rich does it, which is what they are held against."""

from io import StringIO

import pytest
import rich.text
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console
from rich.theme import Theme

from probe.report.terminal.paper import to_text
from probe.report.terminal.styles import STYLES
from probe.report.terminal.text import Text

WORDS = st.lists(
    st.sampled_from(
        (
            *("quay1", "a", "one, two;", "[bold]", "northpier.example", "x" * 47, "y" * 150, "-"),
            *(
                "漢字",
                "漢" * 70,
                "e\u0301",
                "👩\u200d🚀",
                "☎\ufe0f",
                "a\u200bb",
                "  ",
                "   deep",
                "\n",
            ),
        )
    ),
    max_size=12,
).map(" ".join)
STYLE = st.sampled_from(("", "none", *STYLES))
TEXT = st.tuples(WORDS, STYLE, st.lists(st.tuples(WORDS, STYLE), max_size=5))
Given = tuple[str, str, list[tuple[str, str]]]


def as_rich_prints(text: rich.text.Text, width: int, *, colour: bool) -> str:
    out = StringIO()
    console = Console(
        file=out,
        width=width,
        force_terminal=colour,
        color_system="standard" if colour else None,
        theme=Theme({name: style or "none" for name, style in STYLES.items()}, inherit=False),
        legacy_windows=False,
        _environ={},
    )
    console.print(text)
    return "".join(line.rstrip() + "\n" for line in out.getvalue().split("\n")[:-1])


@pytest.mark.parametrize("colour", [False, True], ids=["plain", "colour"])
@settings(deadline=None, database=None, derandomize=True, max_examples=300)
@given(first=TEXT, second=TEXT, width=st.sampled_from((40, 47, 80, 110)))
def test_it_is_what_rich_makes_of_it(first: Given, second: Given, width: int, colour: bool) -> None:
    ours, theirs = Text(), rich.text.Text()
    for words, style, more in (first, second):
        for kind, whole in ((Text, ours), (rich.text.Text, theirs)):
            part = kind(words, style)
            for added, its_style in more:
                part.append(added, its_style)
            whole.append_text(part)
    assert ours.plain == theirs.plain
    assert to_text([ours], width=width, colour=colour) == as_rich_prints(
        theirs, width, colour=colour
    )


@given(TEXT, st.integers(0, 60), st.integers(0, 60))
@settings(deadline=None, database=None, derandomize=True)
def test_a_part_has_the_styles_that_it_had(of: Given, start: int, end: int) -> None:
    words, style, more = of
    ours, theirs = Text(words, style), rich.text.Text(words, style)
    for added, its_style in more:
        ours.append(added, its_style)
        theirs.append(added, its_style)
    start, end = sorted((min(start, len(ours)), min(end, len(ours))))
    ours, theirs = ours.part(start, end), theirs[start:end]
    assert (ours.plain, ours.style) == (theirs.plain, theirs.style)
    assert [tuple(span) for span in ours.spans] == [tuple(span) for span in theirs.spans]
    ours, joined = Text(", ").join((ours, ours)), rich.text.Text(", ").join((theirs, theirs))
    assert ours.plain == joined.plain
    assert {tuple(span) for span in ours.spans} == {
        tuple(span) for span in joined.spans if span.start < span.end
    }
