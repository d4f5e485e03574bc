"""The clocks of nodes, by the Date of one HTTP answer; and this machine's own, where they agree
against it."""

from collections.abc import Iterator
from datetime import timedelta

from probe.judge.case import Case, Visit
from probe.judge.draft import Draft, Sighting, beside_chains, nodes_of
from probe.judge.words import listing, minute, verb
from probe.records import dataclass

NODES = "web-clock-off"
HERE = "here-clock-off"

_OFF = timedelta(minutes=5)
"""So much is common practice: tickets and one-time passwords go wrong at more (RFC 4120, 8.2)."""


@dataclass(frozen=True, slots=True)
class _Clock:
    """What one node's clock showed, at worst where it was read several times."""

    visit: Visit
    off: timedelta
    """How far it is ahead of this machine's."""


def clocks(case: Case) -> Iterator[Draft]:
    """Yield a draft for nodes whose clock is off, and one if this machine's seems to be.

    Where more nodes agree with each other against this machine than agree with it, it is this
    machine's clock that is taken to be off, and the nodes are held to one another.
    """
    read = _read(case)
    agreed = _agreed(read)
    if agreed is not None:
        yield _here(case, read, agreed)
    usual = agreed or timedelta()
    off = [clock for clock in read.values() if abs(clock.off - usual) > _OFF]
    by_way: dict[bool, list[_Clock]] = {}
    for clock in off:
        by_way.setdefault(clock.off > usual, []).append(clock)
    for ahead, some in by_way.items():
        yield _nodes(case, some, usual, ahead=ahead)


def _read(case: Case) -> dict[str, _Clock]:
    found: dict[str, _Clock] = {}
    for visit in case.asked_of_web:
        http = visit.record.http
        # Behind a virtual address anybody may have answered.
        if http is None or http.date is None or visit.virtual or len(visit.nodes) != 1:
            continue
        clock = _Clock(visit, http.date - visit.record.at)
        known = found.setdefault(visit.nodes[0], clock)
        if abs(clock.off) > abs(known.off):
            found[visit.nodes[0]] = clock
    return found


def _agreed(read: dict[str, _Clock]) -> timedelta | None:
    """Return how far the clocks that agree are from ours; None: they do not agree against it."""
    with_us = sum(abs(clock.off) <= _OFF for clock in read.values())
    groups = [
        [other.off for other in read.values() if abs(other.off - clock.off) <= _OFF]
        for clock in read.values()
        if abs(clock.off) > _OFF
    ]
    largest = max(groups, key=len, default=[])
    # One other clock is one word against another; half of them are no majority.
    if len(largest) < 2 or len(largest) <= max(with_us, len(read) - len(largest)):
        return None
    return sorted(largest)[len(largest) // 2]


def _here(case: Case, read: dict[str, _Clock], agreed: timedelta) -> Draft:
    some = [clock for clock in read.values() if abs(clock.off - agreed) <= _OFF]
    sightings = _sightings(some)
    nodes = nodes_of(case, sightings)
    draft = Draft(
        rule_id=HERE,
        nodes=(),  # nothing is wrong with them
        fault=("behind" if agreed > timedelta() else "ahead",),
        says=f"This machine's clock is {span(agreed)} {_way(-agreed)} those of {listing(nodes)},"
        " which agree: what is said here of dates is said by this machine's clock.",
        remedy="Set this machine's clock and look again, or judge as of the right time (--at).",
    )
    return beside_chains(draft, sightings)


def _nodes(case: Case, some: list[_Clock], usual: timedelta, *, ahead: bool) -> Draft:
    sightings = _sightings(some)
    nodes = nodes_of(case, sightings)
    most = max((clock.off - usual for clock in some), key=abs)
    whom = "those of the others" if usual else "this machine's"
    clock = "clock of" if len(nodes) == 1 else "clocks of"
    draft = Draft(
        rule_id=NODES,
        nodes=nodes,
        fault=("ahead" if ahead else "behind",),
        says=f"The {clock} {listing(nodes)} {verb(nodes, 'is', 'are')} {span(most)}"
        f"{' and less' if len(nodes) > 1 else ''} {_way(most)} {whom}.",
        remedy=f"Set the time on {listing(nodes)}, and see that its time service runs there and"
        " reaches its servers.",
    )
    return beside_chains(draft, sightings)


def _sightings(some: list[_Clock]) -> list[Sighting]:
    return [
        Sighting(clock.visit, None, (), f"its clock said {_said(clock.visit)}") for clock in some
    ]


def _said(visit: Visit) -> str:
    http = visit.record.http
    date = minute(http.date if http is not None else None)
    return f"{date} when this machine's said {minute(visit.record.at)}"


def _way(off: timedelta) -> str:
    return "ahead of" if off > timedelta() else "behind"


def span(off: timedelta) -> str:
    """Return how long a time is, in words: "7 minutes", "about 3 hours", "412 days"."""
    minutes = round(abs(off) / timedelta(minutes=1))
    if minutes < 120:
        return f"{minutes} minutes"
    if minutes < 2 * 24 * 60:
        return f"about {round(minutes / 60)} hours"
    return f"{round(minutes / 60 / 24)} days"
