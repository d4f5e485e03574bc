"""Words with styles, broken into lines and painted.

What a screen is made of and no more, as rich, which does this and much else, takes as long to be
imported as a cluster's node to be judged. How wide letters are is its word here too.
"""

import re
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import NamedTuple

from rich.cells import cell_len, chop_cells, set_cell_size

from probe.report.terminal.styles import STYLES

_WORD = re.compile(r"\s*\S+\s*")
_CODES = {"bold": 1, "dim": 2, "red": 31, "magenta": 35, "cyan": 36}
"""Select Graphic Rendition (ECMA-48, 8.3.117): what the styles are made of."""
_COLOURS = 30
"""The codes from here on are colours, of which the innermost one counts."""


class Span(NamedTuple):
    """A stretch of a text in a style of its own."""

    start: int
    end: int
    style: str


class Text:
    """Words, some of them in styles; what is appended takes on the style of the whole."""

    __slots__ = ("plain", "spans", "style")

    def __init__(self, plain: str = "", style: str = "") -> None:
        self.plain = plain
        self.style = style
        self.spans: list[Span] = []

    def __len__(self) -> int:
        return len(self.plain)

    def append(self, words: str, style: str = "") -> "Text":
        """Append words, and return this text."""
        return self.append_text(Text(words, style))

    def append_text(self, text: "Text") -> "Text":
        """Append a text with its styles, and return this one."""
        at = len(self)
        if text.style and text.plain:
            self.spans.append(Span(at, at + len(text), text.style))
        self.spans += [Span(at + start, at + end, style) for start, end, style in text.spans]
        self.plain += text.plain
        return self

    def join(self, texts: Iterable["Text"]) -> "Text":
        """Return the texts behind each other, with this one between them."""
        joined = Text()
        for number, text in enumerate(texts):
            if number:
                joined.append_text(self)
            joined.append_text(text)
        return joined

    def part(self, start: int, end: int | None = None) -> "Text":
        """Return a part with its styles."""
        part = Text(self.plain[start:end], self.style)
        for span in self.spans:
            first, last = max(span.start - start, 0), min(span.end - start, len(part))
            if first < last:
                part.spans.append(Span(first, last, span.style))
        return part

    def rstrip(self) -> "Text":
        """Return the text without space at its end."""
        return self.part(0, len(self.plain.rstrip()))

    def wrap(self, width: int) -> list["Text"]:
        """Return the text in lines of at most so many columns; a longer word is folded."""
        found = []
        at = 0
        for line in self.plain.split("\n"):
            breaks = (0, *_breaks(line, width), len(line))
            found += [_fitted(self.part(at + a, at + b), width) for a, b in pairwise(breaks)]
            at += len(line) + 1
        return found

    def painted(self) -> str:
        """Return the text with the escape sequences of its styles."""
        edges = {0, len(self), *(edge for span in self.spans for edge in span[:2])}
        return "".join(
            _painted(self.plain[start:end], tuple(self._styles(start)))
            for start, end in pairwise(sorted(edges))
        )

    def _styles(self, at: int) -> Iterator[str]:
        yield self.style
        yield from (span.style for span in self.spans if span.start <= at < span.end)


def _painted(words: str, styles: tuple[str, ...]) -> str:
    codes = [_CODES[word] for style in styles for word in STYLES.get(style, "").split()]
    colours = [code for code in codes if code >= _COLOURS]
    shown = sorted({code for code in codes if code < _COLOURS}) + colours[-1:]
    return f"\x1b[{';'.join(map(str, shown))}m{words}\x1b[0m" if shown else words


def _breaks(line: str, width: int) -> list[int]:
    """Return where a line is to be broken: between words, or inside one that no line can hold."""
    found: list[int] = []
    column = 0
    for match in _WORD.finditer(line):
        start, word = match.start(), match[0]
        columns = cell_len(word.rstrip())
        if columns <= width - column:
            column += cell_len(word)
        elif columns > width:
            for piece in chop_cells(word, width):
                found += [start] if start else []
                start += len(piece)
                column = cell_len(piece)
        elif column and start:
            found.append(start)
            column = cell_len(word)
    return found


def _fitted(line: Text, width: int) -> Text:
    """Return a line without the space at its end that stands beyond the width."""
    words = line.plain
    if len(words) > width:
        line = line.part(0, max(len(words.rstrip()), width))
    if cell_len(line.plain) > width:
        cut = set_cell_size(line.plain, width)
        line = line.part(0, len(cut))
        line.plain = cut
    return line
