"""One line on a terminal that says how far a sweep has come."""

import sys
import time
from contextlib import suppress
from types import TracebackType
from typing import Self

from probe.report.escape import visible

INTERVAL = 0.1
"""Seconds between two drawings: fast enough to look alive."""

COLUMNS = 78

_CLEAR = "\r" + " " * COLUMNS + "\r"


class Progress:
    """Draws on stderr if that is a terminal, and wipes its line when it ends."""

    def __init__(self, *, quiet: bool) -> None:
        self._drawing = not quiet and sys.stderr.isatty()
        self._next = 0.0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if self._drawing:
            self._draw("")

    def show(self, done: int, total: int, node: str | None) -> None:
        """Say that so many questions are done, the last of them at a node."""
        now = time.monotonic()
        if not self._drawing or (now < self._next and done < total):
            return
        self._next = now + INTERVAL
        self._draw(f"{done} of {total} questions{f', {visible(node)}' if node else ''}")

    def _draw(self, line: str) -> None:
        with suppress(OSError):  # the terminal may go before the run ends
            sys.stderr.write(_CLEAR + line[:COLUMNS])
            sys.stderr.flush()
