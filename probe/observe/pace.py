"""How many conversations may be held with one node under one identity in any minute.

Each is a failed authentication there. When it is logged nobody here knows: from its beginning to
its end it may be, so it counts as long as it lasts and for a minute more.
"""

import asyncio
from collections import defaultdict, deque
from collections.abc import AsyncIterator, Awaitable, Callable, Hashable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

MINUTE = 60.0


@dataclass(frozen=True, slots=True)
class Timer:
    """A clock that only ever goes on, and how to wait by it."""

    now: Callable[[], float]
    """Seconds since any moment."""
    sleep: Callable[[float], Awaitable[None]]


def loop_timer() -> Timer:
    """Return the clock of the running event loop."""
    return Timer(asyncio.get_running_loop().time, asyncio.sleep)


@dataclass(slots=True)
class _Account:
    held: int = 0
    """Conversations that have begun and not ended."""
    ended: deque[float] = field(default_factory=deque)
    """When others ended, as far as it is less than a minute ago, in that order."""
    line: asyncio.Lock = field(default_factory=asyncio.Lock)
    """Whoever waits, waits in the order in which they came."""
    one_ended: asyncio.Event = field(default_factory=asyncio.Event)


class Turn:
    """The leave to hold one conversation, and maybe some more."""

    def __init__(self, pace: "Pace", account: _Account) -> None:
        self._pace = pace
        self._account = account
        self._taken = 1

    def more(self) -> bool:
        """Take the leave for one more, if there is room at once."""
        if self._pace.room(self._account) < 1:
            return False
        self._account.held += 1
        self._taken += 1
        return True

    def end(self) -> None:
        """Note that all of them have ended."""
        account = self._account
        account.held -= self._taken
        account.ended.extend([self._pace.timer.now()] * self._taken)
        self._taken = 0
        account.one_ended.set()


class Pace:
    """Gives turns, `most` in any minute for each key."""

    def __init__(self, most: int, timer: Timer) -> None:
        self.timer = timer
        self._most = most
        self._accounts: defaultdict[Hashable, _Account] = defaultdict(_Account)

    @asynccontextmanager
    async def turn(self, key: Hashable) -> AsyncIterator[Turn]:
        """Wait until there is room, and hold a turn."""
        account = self._accounts[key]
        async with account.line:
            while self.room(account) < 1:
                account.one_ended.clear()
                if account.ended:
                    await self.timer.sleep(account.ended[0] + MINUTE - self.timer.now())
                else:
                    await account.one_ended.wait()
            account.held += 1
        turn = Turn(self, account)
        try:
            yield turn
        finally:
            turn.end()

    def room(self, account: _Account) -> int:
        """Return how many more may begin now."""
        gone = self.timer.now() - MINUTE
        while account.ended and account.ended[0] <= gone:
            account.ended.popleft()
        return self._most - account.held - len(account.ended)
