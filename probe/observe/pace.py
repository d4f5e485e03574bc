"""How many conversations may be held with one node under one identity in any minute.

Each is a failed authentication there. When it is logged nobody here knows: from its beginning to
its end it may be, so it counts as long as it lasts and for a minute more.
"""

import asyncio
from collections import defaultdict, deque
from collections.abc import Awaitable, Callable, Iterable
from typing import Self

from probe.records import dataclass, field

MINUTE = 60.0

Key = tuple[str, str]
"""A node and an identity."""


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
    """The leave to hold one conversation, and maybe some more. It is waited for, held and given
    back by `async with`."""

    def __init__(
        self, pace: "Pace", keys: Iterable[Key], places: Iterable[asyncio.Semaphore]
    ) -> None:
        self._pace = pace
        # Always in the same order, so that no two wait for each other; `places` come in one, too.
        self._keys = sorted(set(keys))
        self._places = places
        self._accounts: list[_Account] = []
        self._held: list[asyncio.Semaphore] = []
        self._taken = 1

    async def __aenter__(self) -> Self:
        try:
            for key in self._keys:
                await self._charge(self._pace.account(key))
            for place in self._places:
                await place.acquire()
                self._held.append(place)
        except BaseException:
            self._end()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        self._end()

    def more(self) -> bool:
        """Take the leave for one more, if there is room at once."""
        if any(self._pace.room(account) < 1 for account in self._accounts):
            return False
        for account in self._accounts:
            account.held += 1
        self._taken += 1
        return True

    async def _charge(self, account: _Account) -> None:
        """Wait until there is room, and note that it is held there too."""
        async with account.line:
            while self._pace.room(account) < 1:
                await self._pace.wait(account)
            account.held += 1
            self._accounts.append(account)

    def _end(self) -> None:
        """Note that all of them have ended."""
        for place in self._held:
            place.release()
        for account in self._accounts:
            account.held -= self._taken
            account.ended.extend([self._pace.timer.now()] * self._taken)
            account.one_ended.set()


class Pace:
    """Gives turns, `most` in any minute for each node and identity."""

    def __init__(self, most: int, timer: Timer) -> None:
        self.timer = timer
        self._most = most
        self._accounts: defaultdict[Key, _Account] = defaultdict(_Account)

    def turn(self, *keys: Key, places: Iterable[asyncio.Semaphore] = ()) -> Turn:
        """Return a turn, for which it is waited until there is room for all of these, any of which
        may log it, and then in each of the `places`, in their order."""
        return Turn(self, keys, places)

    def account(self, key: Key) -> _Account:
        """Return what was held by a key."""
        return self._accounts[key]

    async def wait(self, account: _Account) -> None:
        """Wait until there may be more room."""
        account.one_ended.clear()
        if account.ended:
            await self.timer.sleep(account.ended[0] + MINUTE - self.timer.now())
        else:
            await account.one_ended.wait()

    def room(self, account: _Account) -> int:
        """Return how many more may begin now."""
        gone = self.timer.now() - MINUTE
        while account.ended and account.ended[0] <= gone:
            account.ended.popleft()
        return self._most - account.held - len(account.ended)
