"""The manual: Markdown files beside this one, read as package data.

A page is named by its file without `.md`. Pages of rules, in `rules/`, are written by
`python -m probe.manual` from the catalogue; the others by hand.
"""

import re
from importlib.resources import files
from importlib.resources.abc import Traversable

INDEX = "index"
"""The page that one begins with."""

_ENDING = ".md"


def names() -> tuple[str, ...]:
    """Return the names of all pages, guides first, each kind in alphabetical order."""
    return tuple(_pages())


def read(name: str) -> str:
    """Return a page as Markdown. Raises KeyError where there is none of that name."""
    return _pages()[name].read_text("utf-8")


def named(words: str) -> str | None:
    """Return the page that somebody means who writes its name as a file, in other letters or with
    spaces; None: no page is called so."""
    name = _plain(words).removeprefix("rules/").removesuffix(_ENDING).replace(" ", "-")
    return name if name in _pages() else None


def containing(words: str) -> tuple[str, ...]:
    """Return the names of the pages in which these words stand, whatever the case and the line
    ends; where they stand so nowhere, of those which have each of them. The index is none of them:
    it only leads to others."""
    wanted = _plain(words)
    pages = {
        name: _plain(page.read_text("utf-8")) for name, page in _pages().items() if name != INDEX
    }
    found = tuple(name for name, text in pages.items() if wanted in text)
    if found:
        return found
    each = [re.compile(rf"(?<!\w){re.escape(word)}(?!\w)") for word in wanted.split()]
    return tuple(name for name, text in pages.items() if all(word.search(text) for word in each))


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def _pages() -> dict[str, Traversable]:
    here = files(__package__)
    return {
        page.name.removesuffix(_ENDING): page
        for folder in (here, here / "rules")
        for page in sorted(folder.iterdir(), key=lambda page: page.name)
        if page.name.endswith(_ENDING)
    }
