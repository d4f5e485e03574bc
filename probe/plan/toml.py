"""TOML of a plan, or of a file that only claims to be one."""

import re
import tomllib
from typing import Any

from probe.limits import PLAN_KEY_PARTS

_KEY_PART = r"""(?:[\w-]+|"[^"\n]*"|'[^'\n]*')"""
_LONG_KEY = re.compile(
    rf"(?:^|[{{,])[ \t]*\[{{0,2}}[ \t]*(?:{_KEY_PART}[ \t]*\.[ \t]*){{{PLAN_KEY_PARTS}}}",
    re.MULTILINE,
)
"""The beginning of a dotted key of too many parts, in a table, its header, or an inline table."""


def tables(text: str) -> dict[str, Any]:
    """Return what a text of bounded length says, in bounded time.

    Raises TOMLDecodeError; ValueError for a number of more digits than Python converts;
    RecursionError where it is nested too deeply, which counts the parts of one key.
    """
    if _LONG_KEY.search(text):
        raise RecursionError
    return tomllib.loads(text)
