"""Running text as lines of whole words."""

WIDEST = 100
"""Columns of running text at most: longer lines are hard to read."""


def wrapped(text: str, columns: int, first: str, hang: str = "    ") -> list[str]:
    """Return a text as lines: the first begins with `first`, what follows with `hang`. Words stay
    whole, to be copied: one that is longer than a line has it to itself."""
    lines, line, filled = [], first, False
    for word in text.split(" "):
        if filled and word and _cells(line) + 1 + _cells(word) > columns:
            lines.append(line.rstrip())
            line, filled = hang, False
        line += f" {word}" if filled else word
        filled = True
    return [*lines, line.rstrip()]


def _cells(text: str) -> int:
    """Return how many columns a text takes: wide characters have two (UAX #11), marks none."""
    if text.isascii():
        return len(text)
    import unicodedata  # noqa: PLC0415  # seldom wanted

    return sum(
        0 if unicodedata.combining(one) else 2 if unicodedata.east_asian_width(one) in "WF" else 1
        for one in text
    )
