"""A page of the manual on a terminal: the little Markdown that the manual is written in.

Headings, paragraphs, points, examples in fences, and links, of which the words stay. Whatever else
stands in a page is shown as it is.
"""

import re
from collections.abc import Iterable, Iterator

from rich.console import RenderableType
from rich.text import Text

from probe.report.escape import SENTENCES, visible
from probe.report.terminal.paper import Indented, styled, to_text

_LINK = re.compile(r"\[([^\]]+)\]\([^)\s]+\)")
_COMMENT = re.compile(r"<!--.*?-->\n*", re.DOTALL)
_FENCE = "```"
_INDENT = 2
"""Columns by which all is set in that stands under a heading."""


def render_page(markdown: str, *, width: int = 80, colour: bool = False) -> str:
    """Return one page for a terminal."""
    return to_text(_parts(_COMMENT.sub("", markdown)), width=width, colour=colour)


def _parts(markdown: str) -> Iterator[RenderableType]:
    lines = iter(markdown.splitlines())
    paragraph: list[str] = []
    headed = False
    for line in lines:
        if paragraph and (not line or line.startswith(("#", "* ", _FENCE))):
            yield _paragraph(paragraph)
            paragraph = []
        if line.startswith(_FENCE):
            yield from _example(lines)
        elif line.startswith("#"):
            yield styled(_words(line.lstrip("# ")), "heading")
        elif line:
            paragraph.append(line.strip())
        elif not headed:
            yield Text()
        headed = line.startswith("#")
    if paragraph:
        yield _paragraph(paragraph)


def _paragraph(lines: Iterable[str]) -> RenderableType:
    text = _words(" ".join(lines))
    return Indented(Text(text), _INDENT, hang=2 if text.startswith("* ") else 0)


def _example(lines: Iterator[str]) -> Iterator[RenderableType]:
    """Lines that must not be broken, up to the end of the fence."""
    for line in lines:
        if line.startswith(_FENCE):
            return
        yield Text(" " * _INDENT + visible(line), no_wrap=True, overflow="ignore")


def _words(text: str) -> str:
    return visible(_LINK.sub(r"\1", text), SENTENCES)
