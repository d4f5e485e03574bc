"""Waiting by few timers of the event loop: one for many that wait for the same time each, and one
for whoever waits for one thing after the other."""

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


class Alarm:
    """Has `_too_late` called at a time that may be moved, for its heirs. The timer is moved when it
    runs out, as nearly all that is waited for comes long before."""

    _ends = 0.0
    _timer: asyncio.TimerHandle | None = None

    def until(self, ends: float) -> None:
        """Wait until then, by the loop's clock, and no longer until when it was."""
        self._ends = ends
        if self._timer is not None:
            if self._timer.when() <= ends:
                return
            self._timer.cancel()
        self._timer = asyncio.get_running_loop().call_at(ends, self._run_out)

    def end(self) -> None:
        """Wait no more."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _too_late(self) -> None:
        """Do what is to be done then."""
        raise NotImplementedError

    def _run_out(self) -> None:
        timer, self._timer = self._timer, None
        assert timer is not None  # noqa: S101  # it is what calls this
        if timer.when() < self._ends:
            self.until(self._ends)
        else:
            self._too_late()


class Patience(Alarm):
    """Waits for one future after the other, each with its time."""

    def __init__(self) -> None:
        self._event: asyncio.Future[None] | None = None
        self._late = False

    async def come(self, event: "asyncio.Future[None]", ends: float) -> bool:
        """Wait for a future, and return whether it came before `ends` by the loop's clock. If not,
        it is given its result all the same. Raises what it holds."""
        self._late = False
        if event.done():
            event.result()
            return True
        self._event = event
        self.until(ends)
        try:
            await event
        finally:
            self._event = None
        return not self._late

    def _too_late(self) -> None:
        if self._event is not None and not self._event.done():
            self._late = True
            self._event.set_result(None)
