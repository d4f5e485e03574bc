"""Writes TOML, of which the standard library only reads: as much of it as a plan needs."""

import json
import re
from collections.abc import Mapping
from typing import Any

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def to_toml(document: Mapping[str, Any]) -> str:
    """Return a document as TOML: plain values first, then a section for each table.

    Tables inside a section are written inline. Raises TypeError for what TOML cannot hold.
    """
    plain, sections = [], []
    for key, value in document.items():
        if isinstance(value, Mapping):
            sections.append(_section(f"[{_key(key)}]", value))
        elif isinstance(value, list | tuple) and value and isinstance(value[0], Mapping):
            if key == "clients":  # a list of words and tables: it reads best on one line
                plain.append(f"{_key(key)} = {_value(value)}\n")
            else:
                sections += [_section(f"[[{_key(key)}]]", table) for table in value]
        else:
            plain.append(f"{_key(key)} = {_value(value)}\n")
    return "\n".join(["".join(plain), *sections])


def _section(head: str, table: Mapping[str, Any]) -> str:
    lines = [f"{_key(key)} = {_value(value)}" for key, value in table.items()]
    return "\n".join([head, *lines, ""])


def _key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else _text(key)


def _text(text: str) -> str:
    # A TOML basic string differs from JSON's only in that DEL has to be escaped too.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        inside = ", ".join(f"{_key(key)} = {_value(item)}" for key, item in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(item) for item in value)}]"
    if hasattr(value, "isoformat"):  # dates and times, as tomllib reads them
        return str(value.isoformat())
    raise TypeError(f"TOML has no {type(value).__name__}")
