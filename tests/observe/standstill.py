"""An event loop whose time goes on only while everybody waits: hours pass at once, and a busy
machine takes no longer than an idle one.

For what is decided by silence alone. A datagram that is on its way does not stop the clock.
"""

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any, TypeVar

_T = TypeVar("_T")


class _Clock(selectors.DefaultSelector):
    """Lets the time pass that it is told to wait."""

    def __init__(self) -> None:
        super().__init__()
        self.now = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None:
            return super().select()
        ready = super().select(0)
        if not ready:
            self.now += timeout
        return ready


class _Loop(asyncio.SelectorEventLoop):
    def __init__(self) -> None:
        self._clock = _Clock()
        super().__init__(self._clock)

    def time(self) -> float:
        return self._clock.now


def pass_over(seconds: float) -> None:
    """Let so much time pass at once on the running loop, whichever it is, as if the machine stood
    still: what is due by then is called in its next turn."""
    loop = asyncio.get_running_loop()
    before = loop.time
    loop.time = lambda: before() + seconds  # type: ignore[method-assign]  # its clock goes forward


def run(main: Coroutine[Any, Any, _T]) -> _T:
    """Run it as `asyncio.run` does; `time` of its loop begins at 0."""
    with asyncio.Runner(loop_factory=_Loop) as runner:
        return runner.run(main)
