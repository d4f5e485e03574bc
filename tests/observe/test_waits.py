"""Many wait for the same time each, by one timer; and one waits for one thing after the other."""

import asyncio
from dataclasses import dataclass

import pytest

from probe.observe.waits import Patience, Waits
from tests.observe import standstill


@dataclass
class Guest:
    name: str
    is_over: bool = False


def test_each_waits_its_own_time_unless_it_is_over() -> None:
    late: list[tuple[str, float]] = []

    async def run() -> None:
        loop = asyncio.get_running_loop()
        waits: Waits[Guest] = Waits(10.0, lambda guest: late.append((guest.name, loop.time())))
        _, second, _ = guests = [Guest(name) for name in ("first", "second", "third")]
        for guest in guests:
            waits.add(guest)
            await asyncio.sleep(2.0)
        second.is_over = True
        await asyncio.sleep(60.0)
        waits.add(Guest("fourth"))
        await asyncio.sleep(60.0)
        waits.add(Guest("fifth"))
        waits.close()
        await asyncio.sleep(60.0)

    standstill.run(run())
    assert late == [("first", 10.0), ("third", 14.0), ("fourth", 76.0)]


def test_one_that_is_late_may_wait_again() -> None:
    late: list[float] = []

    async def run() -> None:
        loop = asyncio.get_running_loop()

        def again(guest: Guest) -> None:
            late.append(loop.time())
            if len(late) < 3:
                waits.add(guest)

        waits: Waits[Guest] = Waits(5.0, again)
        waits.add(Guest("only"))
        await asyncio.sleep(60.0)

    standstill.run(run())
    assert late == [5.0, 10.0, 15.0]


def test_waiting_for_what_comes_in_time_and_for_what_does_not() -> None:
    async def run() -> None:
        loop = asyncio.get_running_loop()
        patience = Patience()
        there: asyncio.Future[None] = loop.create_future()
        loop.call_later(5, there.set_result, None)
        assert await patience.come(there, 10.0)
        assert loop.time() == 5
        assert await patience.come(there, 0.0)
        never: asyncio.Future[None] = loop.create_future()
        assert not await patience.come(never, 8.0)
        assert loop.time() == 8
        assert never.done()
        broken: asyncio.Future[None] = loop.create_future()
        broken.set_exception(ValueError("ours"))
        with pytest.raises(ValueError, match="ours"):
            await patience.come(broken, 20.0)
        patience.end()

    standstill.run(run())


@pytest.mark.parametrize("moved", [12.0, 4.0])
def test_the_time_of_a_wait_is_moved(moved: float) -> None:
    async def run() -> None:
        loop = asyncio.get_running_loop()
        patience = Patience()
        never: asyncio.Future[None] = loop.create_future()
        loop.call_later(2, patience.until, moved)
        assert not await patience.come(never, 6.0)
        assert loop.time() == moved
        later: asyncio.Future[None] = loop.create_future()
        loop.call_later(1, later.set_result, None)
        assert await patience.come(later, moved + 20)
        patience.end()

    standstill.run(run())
