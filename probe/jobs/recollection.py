"""What the history tells of the time of a complaint, and of the time since.

What one run saw is a part: runs may have asked one node, or names alone. So a state is put together
of the last answer to each question up to a run, as "last time" is (`jobs/memory.py`), whichever
machine asked.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from probe.history.failure import HistoryError
from probe.history.place import default_path
from probe.history.store import Store
from probe.jobs.memory import part_of
from probe.jobs.sweep import JobError
from probe.observation.merge import merge
from probe.observation.model import Question, Survey
from probe.past import Run
from probe.plan.model import Plan
from probe.records import dataclass, field, replace

_RUNS = 12
"""Earlier runs that one state is put together of, and later ones that are looked at: each costs as
much as a saved survey."""


@dataclass(frozen=True, slots=True)
class Recollection:
    """What is known from earlier runs."""

    latest: Survey | None = None
    """The last answers; None: there are none."""
    then: Survey | None = None
    """The answers as of the run that is nearest to the time of the complaint; None: no time was
    told, or nothing is known."""
    since: tuple[Survey, ...] = ()
    """The same as of each later run, the earliest first."""
    certificates: Mapping[str, bytes] = field(default_factory=dict)
    """Every certificate that the plan's servers were ever seen to serve, by SHA-256."""


def recollect(
    path: Path | None,
    plan: Plan,
    asked: Sequence[Question],
    *,
    always: Collection[str],
    when: datetime | None = None,
) -> Recollection:
    """Return what the history has on these questions. Where there is none, that is nothing.

    `always` are the ids of those that stay in a state even if no run asked them: nothing is known
    of these, which is to be said. Raises JobError if the history cannot be read.
    """
    path = path if path is not None else default_path()
    if not path.exists():
        return Recollection()
    try:
        with Store.open(path) as store:
            return _recollected(_Runs(store, plan, asked, always), when)
    except HistoryError as error:
        raise JobError(f"the history {path}: {error}") from None


class _Runs:
    """The runs of a plan from its vantage, each read once."""

    def __init__(
        self, store: Store, plan: Plan, asked: Sequence[Question], always: Collection[str]
    ) -> None:
        self._store, self._plan = store, plan
        self._asked = {question.id: question for question in asked}
        self._always = always
        self._read: dict[int, Survey | None] = {}
        self.listed = tuple(run for run in store.runs(plan.name) if run.vantage == plan.vantage)
        """The latest first."""

    def state(self, runs: Iterable[Run]) -> Survey | None:
        """Return the last answers in these runs, the latest of which is the first."""
        missing, kept, parts = set(self._asked), set(self._always), []
        for run in runs:
            seen = self._survey(run)
            if seen is None:
                continue
            ids = {question.id for question in seen.questions}
            kept |= ids
            if found := missing & ids.difference(seen.unobserved()):
                parts.append(part_of(seen, found))
                missing -= found
            if not missing:
                break
        if not parts:
            return None
        questions = tuple(question for id_, question in self._asked.items() if id_ in kept)
        return replace(merge(parts), questions=questions)

    def certificates(self) -> Mapping[str, bytes]:
        seen = self._store.sightings(self._plan.name)
        return self._store.certificates(one.certificate for one in seen)

    def _survey(self, run: Run) -> Survey | None:
        if run.id not in self._read:
            self._read[run.id] = None
            with suppress(KeyError):  # another run may have pruned it just now
                self._read[run.id] = self._store.survey(run.id)
        return self._read[run.id]


def _recollected(runs: _Runs, when: datetime | None) -> Recollection:
    listed, certificates = runs.listed, runs.certificates()
    latest = runs.state(listed[:_RUNS])
    if when is None or not listed:
        return Recollection(latest, certificates=certificates)
    # The nearest, before or after: what was so shortly after the complaint says more about it than
    # what was so a night before. Of two that are as near the earlier one: time is in whole seconds.
    at = min(range(len(listed)), key=lambda number: (_distance(listed[number], when), -number))
    since = tuple(
        state
        for number in reversed(range(max(at - _RUNS, 0), at))
        if (state := runs.state(listed[number : number + _RUNS])) is not None
    )
    return Recollection(latest, runs.state(listed[at : at + _RUNS]), since, certificates)


def _distance(run: Run, when: datetime) -> float:
    if run.began <= when <= run.ended:
        return 0.0
    return min(abs((run.began - when).total_seconds()), abs((run.ended - when).total_seconds()))
