"""Many that wait for the same time each: one timer of the event loop for all of them."""

import asyncio
from collections import deque
from collections.abc import Callable
from typing import Generic, Protocol, TypeVar


class Waiting(Protocol):
    """Somebody who waits."""

    is_over: bool
    """They wait no longer."""


_W = TypeVar("_W", bound=Waiting)


class Waits(Generic[_W]):
    """Calls `late` with each that has waited for so many seconds, and whose wait is not over.

    Nearly all waits are over long before. Who stops waiting costs nothing here, and is let go of
    when the time comes.
    """

    def __init__(self, seconds: float, late: Callable[[_W], None]) -> None:
        self._seconds = seconds
        self._late = late
        self._line: deque[tuple[float, _W]] = deque()
        """Until when, in that order."""
        self._timer: asyncio.TimerHandle | None = None
        """Runs out when the first of them is due, or was."""

    def add(self, waiting: _W) -> None:
        """Let somebody wait from now on."""
        loop = asyncio.get_running_loop()
        ends = loop.time() + self._seconds
        self._line.append((ends, waiting))
        if self._timer is None:
            self._timer = loop.call_at(ends, self._look)

    def close(self) -> None:
        """Call nobody any more."""
        self._line.clear()
        if self._timer is not None:
            self._timer.cancel()

    def _look(self) -> None:
        assert self._timer is not None  # noqa: S101  # it is what calls this
        loop = asyncio.get_running_loop()
        # The loop calls a little early, by the resolution of its clock.
        now = max(loop.time(), self._timer.when())
        line = self._line
        while line and (line[0][0] <= now or line[0][1].is_over):
            _, waiting = line.popleft()
            if not waiting.is_over:
                self._late(waiting)
        self._timer = loop.call_at(line[0][0], self._look) if line else None
