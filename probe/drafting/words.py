"""Words and TOML of a draft: everything off the wire is made harmless here."""

import textwrap
from collections.abc import Iterable, Sequence

from probe.drafting.model import Open
from probe.plan.problems import shown

COLUMNS = 80
"""Of a comment: a plan is read on terminals, too."""

_LISTED = 6


def listing(items: Sequence[str], *, last: str = "and", most: int = _LISTED) -> str:
    """Return "a", "a and b", "a, b and c", or "a, b and 5 more", each fit to be shown."""
    items = [shown(item) for item in items]
    if len(items) > most + 1:
        return f"{', '.join(items[:most])} and {len(items) - most} more"
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def quoted(text: str) -> str:
    """Return a TOML basic string (TOML 1.0, String)."""
    out = []
    for letter in text:
        if letter in '"\\':
            out.append(f"\\{letter}")
        elif letter.isprintable():
            out.append(letter)
        else:
            number = ord(letter)
            out.append(f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}")
    return f'"{"".join(out)}"'


def array(items: Iterable[str]) -> str:
    """Return a TOML array of strings, on one line where it fits."""
    entries = [quoted(item) for item in items]
    line = f"[{', '.join(entries)}]"
    if len(line) <= COLUMNS:
        return line
    return "[\n" + "".join(f"    {entry},\n" for entry in entries) + "]"


def comment(text: str, *, first: str = "# ", then: str = "# ") -> list[str]:
    """Return a text as lines of comment. TOML takes no control character there."""
    plain = "".join(letter if letter.isprintable() else "?" for letter in text)
    return textwrap.wrap(
        plain,
        COLUMNS,
        initial_indent=first,
        subsequent_indent=then,
        break_long_words=False,
        break_on_hyphens=False,
    )


MARK = "OPEN"
"""What a thing to fill in or to confirm is marked with."""


class Lines:
    """The lines of a draft, and what is open in them."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.opens: list[Open] = []

    def open(self, place: str, says: str) -> None:
        """Mark something as open, above the line that it speaks of."""
        number = len(self.opens) + 1
        self.opens.append(Open(number, place, says))
        self.lines += comment(says, first=f"# {MARK} {number}: ", then="#   ")
