"""Any value with a hostile text in place of each of its texts."""

import re
from datetime import date
from enum import Enum
from typing import Any

HOSTILE = (
    "\x1b]0;owned\x07\x1b[2J[bold red]x[/]\r\n\x9b31m\u202egnp.elif\u200b\u2028 :smile: \udc80"
)
LONG = "<script>" + "W" * 10_000


def poisoned(value: Any, text: str, *, spare: frozenset[str] = frozenset()) -> Any:
    """Return a copy with `text` after every text, but for those of the fields in `spare`, and for
    fingerprints: they are reckoned here, and lead to a certificate."""
    if isinstance(value, str) and not isinstance(value, Enum):
        return value if re.fullmatch("[0-9a-f]{64}", value) else value + text
    if isinstance(value, Enum | bool | int | float | bytes | date | None):
        return value
    if isinstance(value, tuple):
        return tuple(poisoned(item, text, spare=spare) for item in value)
    if isinstance(value, dict):
        return {
            poisoned(key, text, spare=spare): poisoned(item, text, spare=spare)
            for key, item in value.items()
        }
    fields = {
        name: getattr(value, name)
        if name in spare
        else poisoned(getattr(value, name), text, spare=spare)
        for name in type(value).__annotations__
    }
    return type(value)(**fields)
