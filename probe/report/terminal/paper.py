"""The small parts that every terminal report is laid out with, and the way onto the page.

Text goes in as `rich.text.Text`; no markup is parsed anywhere, so a "[bold]" off the wire stays
what it is.
"""

from collections.abc import Iterable
from io import StringIO

from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.text import Text

from probe.records import dataclass
from probe.report.terminal.styles import THEME

NARROWEST = 40
"""Columns below which nothing can be laid out; narrower terminals wrap for themselves."""

WIDEST = 110
"""Columns above which a line gets too long to be read to its end and back."""


@dataclass(frozen=True, slots=True)
class Indented:
    """A paragraph that hangs under its own beginning."""

    body: Text
    indent: int = 2
    hang: int = 0
    """How much further in the lines after the first begin."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        margin = Text(" " * self.indent)
        yield from _wrapped(self.body, margin, self.hang, console, options)


@dataclass(frozen=True, slots=True)
class Labelled:
    """A label in a column of its own, and what belongs to it beside it."""

    label: str
    body: Text
    column: int
    """Where the body begins."""
    indent: int = 2
    hang: int = 0
    """How much further in the lines after the first begin."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        label = Text(" " * self.indent).append(self.label, "label")
        label.append(" " * (self.column - len(label)))
        yield from _wrapped(self.body, label, self.hang, console, options)


def _wrapped(
    body: Text, margin: Text, hang: int, console: Console, options: ConsoleOptions
) -> RenderResult:
    """The first line may be `hang` columns longer than the others, which begin further in."""
    width = max(options.max_width - len(margin), NARROWEST // 2)
    lines = body.wrap(console, width)
    first = lines[0] if lines else Text()
    yield _joined(margin, first)
    if len(lines) > 1:
        rest = body[len(first) :]
        rest = rest[len(rest.plain) - len(rest.plain.lstrip(" ")) :]
        further = Text(" " * (len(margin) + hang))
        for line in rest.wrap(console, width - hang):
            yield _joined(further, line)


def _joined(margin: Text, line: Text) -> Text:
    # Wrapping leaves the space at which it broke, inside whatever style the words have.
    joined = margin.copy().append_text(line)
    joined.rstrip()
    return joined


def styled(words: str, style: str) -> Text:
    """Return words in a style that what is appended to them does not take on."""
    return Text().append(words, style)


def heading(words: str) -> Text:
    """Return a section's heading, with the empty line above it."""
    return styled("\n", "none").append(words, "heading")


def to_text(parts: Iterable[RenderableType], *, width: int, colour: bool) -> str:
    """Return the parts below each other, at most `width` columns wide, without trailing spaces.

    Without colour the result holds no escape sequence. Nothing in the environment is asked.
    """
    console = Console(
        file=StringIO(),
        width=max(NARROWEST, min(width, WIDEST)),
        height=25,
        force_terminal=colour,
        force_interactive=False,
        color_system="standard" if colour else None,
        no_color=not colour,
        theme=THEME,
        markup=False,
        emoji=False,
        highlight=False,
        soft_wrap=False,
        legacy_windows=False,
        _environ={},
    )
    with console.capture() as captured:
        for part in parts:
            console.print(part)
    return "".join(line.rstrip() + "\n" for line in captured.get().split("\n")[:-1])
