"""The small parts that every terminal report is laid out with, and the way onto the page.

No markup is parsed anywhere, so a "[bold]" off the wire stays what it is.
"""

from collections.abc import Iterable, Iterator

from probe.records import dataclass
from probe.report.terminal.text import Text

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

    def lines(self, width: int) -> Iterator[Text]:
        """Yield the lines."""
        return _wrapped(self.body, Text(" " * self.indent), self.hang, width)


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

    def lines(self, width: int) -> Iterator[Text]:
        """Yield the lines."""
        label = Text(" " * self.indent).append(self.label, "label")
        label.append(" " * (self.column - len(label)))
        return _wrapped(self.body, label, self.hang, width)


Part = Text | Indented | Labelled
"""What stands below another one."""


def _wrapped(body: Text, margin: Text, hang: int, page: int) -> Iterator[Text]:
    """The first line may be `hang` columns longer than the others, which begin further in."""
    width = max(page - len(margin), NARROWEST // 2)
    first, *more = body.wrap(width)
    yield _joined(margin, first)
    if more:
        rest = body.part(len(first))
        rest = rest.part(len(rest) - len(rest.plain.lstrip(" ")))
        further = Text(" " * (len(margin) + hang))
        for line in rest.wrap(width - hang):
            yield _joined(further, line)


def _joined(margin: Text, line: Text) -> Text:
    # Wrapping leaves the space at which it broke, inside whatever style the words have.
    return Text().append_text(margin).append_text(line).rstrip()


def styled(words: str, style: str) -> Text:
    """Return words in a style that what is appended to them does not take on."""
    return Text().append(words, style)


def heading(words: str) -> Text:
    """Return a section's heading, with the empty line above it."""
    return styled("\n", "none").append(words, "heading")


def to_text(parts: Iterable[Part], *, width: int, colour: bool) -> str:
    """Return the parts below each other, at most `width` columns wide, without trailing spaces.

    Without colour the result holds no escape sequence. Nothing in the environment is asked.
    """
    width = max(NARROWEST, min(width, WIDEST))
    texts = (
        text
        for part in parts
        for text in ((part,) if isinstance(part, Text) else part.lines(width))
    )
    # A margin on a narrow page may leave less than the least that a paragraph is wrapped to.
    lines = (line for text in texts for line in text.wrap(width))
    return "".join((line.painted() if colour else line.plain).rstrip() + "\n" for line in lines)
