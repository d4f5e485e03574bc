"""Text from elsewhere, made safe to show: whatever a peer wrote, it stays one short, visible line.

Every text output passes what it did not write itself through here, exactly once. The terminal
and its emulators obey control characters (ECMA-48), bidirectional controls reorder the line they
stand in (UAX 9), and zero-width or blank characters hide a difference; all of these are shown by
their code. Backslashes stay single, so the escapes are for reading, not for decoding.

Markup is not handled here: the terminal report never parses any.
"""

import re
import unicodedata

SHOWN = 320
"""Characters of one text off the wire that are shown: four lines; the JSON has all of it."""

SENTENCES = 1_600
"""Characters of a text of our own that are shown, which may quote something off the wire."""

MARKS = 3
"""Combining marks in a row that are shown as they are; living languages stack no more, and a tower
of them covers the lines above."""

_HIDDEN_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})

_BLANK_LETTERS = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u2800\u3164\uffa0")
"""Drawn as nothing or as a blank, though Unicode counts them among letters, marks or symbols."""

_TERMINAL_CONTROLS = re.compile(
    "[\x7f-\x9f\xad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb]"
)
"""What JSON leaves bare although terminals act on it or show nothing."""


def visible(text: str, limit: int = SHOWN) -> str:
    """Return `text` as one line without control, bidirectional or invisible characters.

    A longer text is cut after `limit` characters and says how long it was.
    """
    shown = text[:limit]
    if not (shown.isascii() and shown.isprintable()):
        shown = _spelled_out(shown)
    if len(text) > limit:
        shown += f"... ({len(text)} characters in all)"
    return shown


def quiet_json(document: str) -> str:
    """Return a JSON document with every character spelled out that a terminal would act on.

    Such characters stand inside strings only, where `\\u009b` means the same (RFC 8259, 7): what
    the document says is unaltered.
    """
    if document.isascii() and "\x7f" not in document:
        return document  # as most are: JSON itself spells out the other controls of ASCII
    return _TERMINAL_CONTROLS.sub(lambda found: f"\\u{ord(found[0]):04x}", document)


def _spelled_out(text: str) -> str:
    out: list[str] = []
    marks = MARKS  # a mark at the very beginning would sit on a character of ours
    for character in text:
        category = unicodedata.category(character)
        if category in {"Mn", "Me"}:
            marks += 1
            hidden = marks > MARKS or _is_selector(character) or character in _BLANK_LETTERS
        else:
            marks = 0
            hidden = (
                category in _HIDDEN_CATEGORIES
                or (category == "Zs" and character != " ")
                or character in _BLANK_LETTERS
            )
        out.append(_code(character) if hidden else character)
    return "".join(out)


def _is_selector(character: str) -> bool:
    """Variation selectors change nothing that can be seen."""
    return "\ufe00" <= character <= "\ufe0f" or "\U000e0100" <= character <= "\U000e01ef"


def _code(character: str) -> str:
    short = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(character)
    if short is not None:
        return short
    number = ord(character)
    if number < 0x100:
        return f"\\x{number:02x}"
    return f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"
