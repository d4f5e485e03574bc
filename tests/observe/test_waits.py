"""Many wait for the same time each, by one timer."""

import asyncio
from dataclasses import dataclass

from probe.observe.waits import Waits
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
