"""One line on a terminal that says how far a sweep has come, and who is still out."""

import asyncio
import os
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from types import TracebackType
from typing import Protocol, Self

from probe.observation.model import Question
from probe.report.escape import visible

INTERVAL = 0.1
"""Seconds between two drawings: fast enough to look alive, and no flicker."""

WIDEST = 100
"""Columns of the line on a wide terminal."""

UNKNOWN = 80
"""Columns of a terminal that does not know how many it has."""

FEW = 2
"""Nodes below which their questions are counted instead."""

NAMED = 2
"""Who is still out is named, up to so many; then they are counted."""

_NAME = 40
"""Characters of one name in the line."""


class Happened(Protocol):
    """What has just happened to a question."""

    @property
    def question(self) -> str:
        """Its id."""

    @property
    def node(self) -> str:
        """The first node that it is about."""

    @property
    def done(self) -> int:
        """Questions that have ended."""

    @property
    def total(self) -> int:
        """Questions."""

    @property
    def has_ended(self) -> bool:
        """It has ended, and else begun."""


def _later(seconds: float, draw: Callable[[], None]) -> None:
    asyncio.get_running_loop().call_later(seconds, draw)


class Progress:
    """Draws on stderr if that is a terminal, and wipes its line when it ends.

    A place is done when all questions about it have ended. It is told as still out from its first
    question on, in the order in which they began. `clock` gives seconds, and `later` calls back
    after some: the last of many quick changes must be drawn, too.
    """

    def __init__(
        self,
        asked: Iterable[Question] = (),
        *,
        quiet: bool,
        clock: Callable[[], float] = time.monotonic,
        later: Callable[[float, Callable[[], None]], None] = _later,
    ) -> None:
        self._drawing = not quiet and sys.stderr.isatty()
        self._clock, self._later = clock, later
        self._next = 0.0
        self._drawn = ""
        self.begin(asked)

    def begin(self, asked: Iterable[Question]) -> None:
        """Count from the beginning: these questions are asked next."""
        asked = tuple(asked)
        self._place = {question.id: _place(question) for question in asked}
        self._left = Counter(self._place.values())
        self._nodes = {_place(question) for question in asked if len(question.nodes) == 1}
        self._out: dict[str, None] = {}
        """Places of which something was asked that are not done, the first to begin first."""
        self._questions = 0, 0
        # What was to be drawn later ended with the loop of the questions before.
        self._is_to_draw = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._write("")
        self._drawing = False

    @property
    def heed(self) -> Callable[[Happened], None] | None:
        """`show`, if anything is drawn: events that nobody sees need not be made."""
        return self.show if self._drawing else None

    def show(self, event: Happened) -> None:
        """Take notice of what has happened, and say how far it has come."""
        if not self._drawing:
            return
        place = self._place.get(event.question)
        if place is not None:
            if event.has_ended:
                self._left[place] -= 1
            if self._left[place] > 0:
                self._out.setdefault(place)
            else:
                self._out.pop(place, None)
        self._questions = event.done, event.total
        if self._is_to_draw:
            return
        wait = self._next - self._clock()
        if wait > 0:
            self._is_to_draw = True
            self._later(wait, self._draw)
        else:
            self._draw()

    def _draw(self) -> None:
        self._is_to_draw = False
        if self._drawing:
            self._next = self._clock() + INTERVAL
            self._write(self._line())

    def _line(self) -> str:
        done = sum(1 for node in self._nodes if self._left[node] <= 0)
        line = f"{done} of {len(self._nodes)} nodes done"
        if len(self._nodes) < FEW:
            answered, total = self._questions
            line = f"{answered} of {total} questions answered"
        nodes = [place for place in self._out if place in self._nodes]
        left = sum(1 for node in self._nodes if self._left[node] > 0)
        # Names of several nodes are told once no node is out: "and 3 more" is of nodes.
        waiting = _waiting(nodes, left - len(nodes)) or _waiting([*self._out], 0)
        return line + (waiting or ", finishing")

    def _write(self, line: str) -> None:
        """Write over what stands there, in one go: a line that is wiped first flickers."""
        if not self._drawing or line == self._drawn:
            return
        from rich.cells import cell_len, set_cell_size  # noqa: PLC0415  # not for --help

        # The last column stays free: a terminal may go to the next line once it is filled.
        width = min(_columns() - 1, WIDEST)
        if cell_len(line) > width:
            line = set_cell_size(line, max(width - 3, 0)) + "..."[:width]
        # At the end with what the terminal itself wrote behind the line: "^C" of an interrupt.
        before = min(cell_len(self._drawn), width) if line else width
        over = " " * max(before - cell_len(line), 0)
        with suppress(OSError):  # the terminal may go before the run ends
            sys.stderr.write(f"\r{line}{over}" if line else f"\r{over}\r")
            sys.stderr.flush()
        self._drawn = line


def _place(question: Question) -> str:
    if len(question.nodes) == 1:
        return question.nodes[0]
    named = question.lookup.name if question.lookup is not None else question.id
    return question.service or named


def _waiting(out: Sequence[str], unbegun: int) -> str:
    """Return whom is waited for; "" if nobody."""
    shown = [visible(name, _NAME) for name in out[:NAMED]]
    more = len(out) - len(shown) + unbegun
    if not shown:
        return ""
    if more:
        return f", waiting for {', '.join(shown)} and {more} more"
    return f", waiting for {' and '.join(shown)}"


def _columns() -> int:
    try:
        return os.get_terminal_size(sys.stderr.fileno()).columns or UNKNOWN
    except (OSError, ValueError):
        return UNKNOWN
