"""Names that are numbered one after the other, so that many can be told briefly and truly."""

import re
from collections.abc import Callable, Iterator, Sequence

_NUMBERED = re.compile(r"(.*?)([0-9]{1,9})([^0-9]*)", re.DOTALL)

SHORTEST = 3
"""Names that make a run: of two both are named."""


def runs(names: Sequence[str], follows: Callable[[str, str], bool]) -> Iterator[tuple[str, ...]]:
    """Yield runs of three or more names in which each follows the one before it, and every other
    name by itself; in the order of the names."""
    run: list[str] = []
    for name in (*names, None):
        if run and (name is None or not follows(run[-1], name)):
            yield from [tuple(run)] if len(run) >= SHORTEST else [(item,) for item in run]
            run = []
        if name is not None:
            run.append(name)


def counts_on(earlier: str, later: str) -> bool:
    """Return whether two names differ in one number alone, which is one more in the later one."""
    first, second = _NUMBERED.fullmatch(earlier), _NUMBERED.fullmatch(later)
    if first is None or second is None:
        return False
    return (first[1], first[3]) == (second[1], second[3]) and int(second[2]) == int(first[2]) + 1
