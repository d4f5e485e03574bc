"""How many failed authentications a minute, by a clock that the test turns."""

import asyncio
from contextlib import AsyncExitStack

from probe.observe.pace import Pace, Timer

QUAY1, QUAY2 = ("quay1", "anonymous"), ("quay2", "anonymous")


class Clock:
    """Time goes on only where somebody waits."""

    def __init__(self) -> None:
        self.now = 1_000.0
        self.waited: list[float] = []

    async def sleep(self, seconds: float) -> None:
        self.waited.append(seconds)
        self.now += seconds
        await asyncio.sleep(0)

    @property
    def timer(self) -> Timer:
        return Timer(lambda: self.now, self.sleep)


def test_as_many_as_are_allowed_go_at_once_and_the_next_waits_a_minute() -> None:
    clock = Clock()

    async def run() -> None:
        pace = Pace(3, clock.timer)
        for _ in range(3):
            async with pace.turn(QUAY1):
                clock.now += 1
        assert clock.waited == []
        async with pace.turn(QUAY1):
            # The first ended at 1001: a minute later, at 1061, there is room again.
            assert clock.waited == [58.0]
            assert clock.now == 1061.0

    asyncio.run(run())


def test_other_nodes_and_other_identities_do_not_wait() -> None:
    clock = Clock()

    async def run() -> None:
        pace = Pace(1, clock.timer)
        for key in (("quay1", "a"), ("quay2", "a"), ("quay1", "b")):
            async with pace.turn(key):
                pass

    asyncio.run(run())
    assert clock.waited == []


def test_no_minute_holds_more_whatever_they_take() -> None:
    """Twenty conversations of five seconds each, of which four may be in a minute."""
    clock = Clock()
    held: list[tuple[float, float]] = []

    async def run() -> None:
        pace = Pace(4, clock.timer)
        for _ in range(20):
            async with pace.turn(QUAY1):
                began = clock.now
                clock.now += 5
                held.append((began, clock.now))

    asyncio.run(run())
    for _, end in held:
        # Whenever in its time each was logged: those that touch the minute after this one.
        assert sum(one[1] >= end and one[0] < end + 60 for one in held) <= 4


def test_who_waits_for_one_that_lasts_goes_a_minute_after_its_end() -> None:
    clock = Clock()
    order: list[str] = []

    async def run() -> None:
        pace = Pace(1, clock.timer)

        async def second() -> None:
            async with pace.turn(QUAY1):
                order.append(f"second at {clock.now:g}")

        async with AsyncExitStack() as stack:
            await stack.enter_async_context(pace.turn(QUAY1))
            waiting = asyncio.create_task(second())
            await asyncio.sleep(0)
            clock.now += 30
            order.append(f"first ends at {clock.now:g}")
        await waiting

    asyncio.run(run())
    assert order == ["first ends at 1030", "second at 1090"]


def test_a_further_one_is_had_at_once_or_not_at_all() -> None:
    clock = Clock()

    async def run() -> None:
        pace = Pace(3, clock.timer)
        async with pace.turn(QUAY1) as turn:
            assert [turn.more(), turn.more(), turn.more()] == [True, True, False]
        async with pace.turn(QUAY1) as turn:
            assert clock.waited == [60.0]
            # All three have been given back.
            assert [turn.more(), turn.more(), turn.more()] == [True, True, False]

    asyncio.run(run())


def test_a_conversation_that_fails_us_counts_too() -> None:
    clock = Clock()

    async def run() -> None:
        pace = Pace(1, clock.timer)
        try:
            async with pace.turn(QUAY1):
                raise OSError
        except OSError:
            pass
        async with pace.turn(QUAY1):
            assert clock.waited == [60.0]

    asyncio.run(run())


def test_one_that_may_be_logged_at_several_nodes_counts_at_each() -> None:
    clock = Clock()

    async def run() -> None:
        pace = Pace(2, clock.timer)
        async with pace.turn(QUAY2, QUAY1) as turn:
            assert turn.more()
            assert not turn.more()
        clock.now += 10
        for key in (QUAY1, QUAY2):
            async with pace.turn(key):
                assert clock.waited == [50.0]

    asyncio.run(run())


def test_two_that_may_be_logged_at_the_same_nodes_do_not_wait_for_each_other() -> None:
    clock = Clock()

    async def run() -> None:
        pace = Pace(1, clock.timer)

        async def one(*keys: tuple[str, str]) -> None:
            async with pace.turn(*keys):
                await asyncio.sleep(0)

        await asyncio.gather(one(QUAY1, QUAY2), one(QUAY2, QUAY1), one(QUAY2, QUAY1))

    asyncio.run(run())
    assert sum(clock.waited) == 120.0


def test_who_stops_waiting_at_one_node_gives_back_the_others() -> None:
    clock = Clock()

    async def run() -> None:
        pace = Pace(1, clock.timer)

        async def both() -> None:
            async with pace.turn(QUAY1, QUAY2):
                raise AssertionError

        async with pace.turn(QUAY2):
            waiting = asyncio.create_task(both())
            await asyncio.sleep(0)
            waiting.cancel()
            await asyncio.wait([waiting])
            async with pace.turn(QUAY1):
                assert clock.waited == [60.0]

    asyncio.run(run())
