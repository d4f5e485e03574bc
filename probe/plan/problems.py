"""What is wrong with a plan, and where: collected, so that all of it is told at once."""

from collections.abc import Mapping
from pathlib import Path
from types import TracebackType

from probe.records import dataclass, field

SHOWN_CHARACTERS = 80
"""Characters of a value that a message repeats: enough to find it in the file."""

PATH_CHARACTERS = 4_096
"""Of a file that is said to be wrong: it has to be found."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong with the plan."""

    place: str
    """The key, as in `node[2].eap.port`; tables of one name are counted from 1. "" is the file."""
    says: str
    """What is wrong, in words. Never holds a secret, nor what may have been meant as one."""
    allowed: str | None = None
    """What may stand there instead."""
    name: str | None = None
    """The name of the node, service, group ... that the place is in, where it has one."""

    def __str__(self) -> str:
        place = f"{self.place} ({shown(self.name)})" if self.name is not None else self.place
        text = f"{place}: {self.says}" if place else self.says
        return f"{text}; allowed: {self.allowed}" if self.allowed is not None else text


class PlanError(Exception):
    """The plan cannot be used. Carries every problem, in the order of the file's parts."""

    def __init__(self, problems: tuple[Problem, ...], path: Path | None = None) -> None:
        super().__init__(problems)
        self.problems = problems
        self.path = path

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)


class Refused(Exception):
    """A value that a plan may not hold: what is wrong with it, and what is allowed instead."""

    def __init__(self, says: str, allowed: str | None = None) -> None:
        super().__init__(says)
        self.says = says
        self.allowed = allowed


class Noted(Exception):
    """A value that cannot be used and whose problems are recorded already."""


@dataclass(frozen=True, slots=True)
class At:
    """A place in the plan while it is read, and the list to which its problems go.

    A `with` block records a `Refused` that is raised inside as a problem at this place, and goes
    on.
    """

    place: str
    folder: Path
    """Where files that the plan names are looked for."""
    problems: list[Problem] = field(repr=False)
    name: str | None = None

    def key(self, key: str) -> "At":
        """Return the place of a key in this table."""
        place = f"{self.place}.{key}" if self.place else key
        return At(place, self.folder, self.problems, self.name)

    def entry(self, number: int, name: str | None = None) -> "At":
        """Return the place of an entry of this list, counted from 1."""
        name = self.name if name is None else name
        return At(f"{self.place}[{number}]", self.folder, self.problems, name)

    def add(self, says: str, allowed: str | None = None) -> None:
        """Record a problem at this place."""
        self.problems.append(Problem(self.place, says, allowed, self.name))

    def __enter__(self) -> None:
        """Begin to note what is refused."""

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> bool:
        """Note what was refused; anything else is raised."""
        if isinstance(error, Refused):
            self.add(error.says, error.allowed)
        return isinstance(error, Refused | Noted)


def shown(value: object, limit: int = SHOWN_CHARACTERS) -> str:
    """Return a value out of the plan as it may stand in a message: one line, bounded, printable."""
    text = str(value)
    if len(text) > limit:
        text = text[:limit] + "..."
    return "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode()
        for letter in text
    )


def nearest(
    word: str, known: Mapping[str, object] | tuple[str, ...], *, cutoff: float = 0.6
) -> str:
    """Return ", did you mean ...?" with the nearest known word, or nothing if none is near: alike
    by less than `cutoff`, of 1."""
    from difflib import get_close_matches  # noqa: PLC0415  # only of a wrong word

    close = get_close_matches(word[:SHOWN_CHARACTERS], list(known), n=1, cutoff=cutoff)
    return f", did you mean {shown(close[0])}?" if close else ""
