"""What the terminal report says in lines, taken over word for word: its labels, words and links."""

from collections.abc import Iterable, Iterator

from rich.console import RenderableType
from rich.text import Text

from probe.records import dataclass
from probe.report.terminal.paper import Indented, Labelled

_REFERENCE = "reference"
_HEADING = "heading"


@dataclass(frozen=True, slots=True)
class Piece:
    """A run of words in one style."""

    text: str
    style: str = ""
    """Name of the style (`probe/report/terminal/styles.py`) with dashes; "" is plain."""
    numbers: tuple[int, ...] = ()
    """Findings that it refers to; the text is then not shown."""


Line = tuple[Piece, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """A label with what belongs to it; a paragraph has no label."""

    label: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and its rows."""

    title: str
    rows: tuple[Row, ...]


def line_of(text: Text) -> Line:
    """Return a text of the terminal report in pieces."""
    return tuple(_pieces(text))


def rows(parts: Iterable[RenderableType]) -> tuple[Row, ...]:
    """Return labelled lines and paragraphs; a line without label goes under the one above it."""
    found: list[tuple[str, list[Line]]] = []
    for part in parts:
        if isinstance(part, Labelled):
            if part.label or not found:
                found.append((part.label, []))
            found[-1][1].append(line_of(part.body))
        elif isinstance(part, Indented):
            found.append(("", [line_of(part.body)]))
    return tuple(Row(label, tuple(lines)) for label, lines in found)


def sections(parts: Iterable[RenderableType]) -> Iterator[Section]:
    """Yield what stands under each heading."""
    title, below = "", list[RenderableType]()
    for part in parts:
        if isinstance(part, Text) and any(span.style == _HEADING for span in part.spans):
            if below:
                yield Section(title, rows(below))
            title, below = part.plain.strip(), []
        else:
            below.append(part)
    if below:
        yield Section(title, rows(below))


def _pieces(text: Text) -> Iterator[Piece]:
    at = 0
    for span in sorted(text.spans, key=lambda span: (span.start, span.end)):
        if span.start < at:
            continue
        if span.start > at:
            yield Piece(text.plain[at : span.start])
        words = text.plain[span.start : span.end]
        if span.style == _REFERENCE:
            numbers = (item.strip("[]") for item in words.split())
            yield Piece(words, _REFERENCE, tuple(int(n) for n in numbers if n.isdecimal()))
        else:
            yield Piece(words, str(span.style).replace(".", "-"))
        at = span.end
    if at < len(text.plain):
        yield Piece(text.plain[at:])
