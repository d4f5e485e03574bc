"""The history beside a job: what was before, and what is to be kept of now.

Whatever is wrong with the file is told in a line, and the job goes on without it.
"""

import contextlib
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

from probe.history.aside import set_aside
from probe.history.failure import DamagedError, ForeignError, HistoryError, TooNewError
from probe.history.place import default_path
from probe.history.store import Store
from probe.jobs.sweep import Before, JobError
from probe.observation.merge import merge
from probe.observation.model import Outcome, Question, Survey
from probe.plan.model import Plan
from probe.records import replace

_RUNS = 12
"""Earlier runs that are read to find the last answers: where the plan grew, or was asked in parts,
there are some, and each costs as much as reading a saved survey."""

_T = TypeVar("_T")


class NothingKeptError(JobError):
    """A history holds nothing of what was looked for, or there is none."""


class Memory:
    """A history file that never stops a job."""

    def __init__(self, path: Path | None, tell: Callable[[str], None]) -> None:
        """`path` is the file that was named; None: the one in the user's data folder."""
        self._named = path is not None
        self.path = path if path is not None else default_path()
        self._tell = tell
        self._store: Store | None = None
        self._given_up = False
        self._file: int | None = None  # tells the file that was met from one in its place

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._close()

    def check(self) -> None:
        """Open the file before anything is asked. Raises JobError for a named one that is no
        history, or a later version's: whoever named it meant something else."""
        self._with(lambda _: None, None, "this run goes on without it")

    def before(self, plan: Plan, seen: Survey, *, saved: bool = False) -> Before:
        """Return what was before a survey that was just taken, or that was `saved` some time."""
        read = _before_saved if saved else _before
        return self._with(
            lambda store: read(store, plan, seen), Before(), "nothing is compared with it"
        )

    def keep(self, plan: Plan, seen: Survey) -> None:
        """Keep a survey that was just taken."""
        self._with(lambda store: store.add(seen, plan.name), 0, "this run is not kept")

    def _with(self, what: Callable[[Store], _T], otherwise: _T, failing: str) -> _T:
        for again in (True, False):
            if self._given_up:
                break
            try:
                if self._store is None:
                    self._given_up = True  # unless it can be opened
                    self._file = _number(self.path)
                    self._store = Store.open(self.path)
                    self._given_up, self._file = False, _number(self.path)
                return what(self._store)
            except (ForeignError, TooNewError, DamagedError) as error:
                if self._named and not isinstance(error, DamagedError):
                    raise JobError(f"--history {self.path}: {error}") from None
                if again and not isinstance(error, TooNewError):
                    self._begin_anew()
                    continue
                self._tell(f"probe: the history {self.path}: {error}; {failing}")
            except HistoryError as error:
                self._tell(f"probe: the history {self.path}: {error}; {failing}")
            break
        return otherwise

    def _begin_anew(self) -> None:
        self._close()
        if self._file not in (None, _number(self.path)):
            self._given_up = False
            return  # another run was faster, and has begun a new one
        try:
            aside = set_aside(self.path, datetime.now(UTC))
        except HistoryError as error:
            self._given_up = True
            self._tell(f"probe: the history {self.path}: {error}; this run goes on without it")
            return
        self._given_up = False
        self._tell(
            f"probe: the history {self.path} is damaged: it is kept as {aside.name} beside it, and"
            " a new one is begun"
        )

    def _close(self) -> None:
        if self._store is not None:
            self._store.close()
            self._store = None


def _number(path: Path) -> int | None:
    with contextlib.suppress(OSError):
        return path.stat().st_ino
    return None


def _before(store: Store, plan: Plan, seen: Survey) -> Before:
    taken = seen.taken[0]
    latest = store.latest(plan.name, taken.machine, taken.vantage)
    asked = {question.id for question in seen.questions}
    observed: dict[int, set[str]] = defaultdict(set)
    served: dict[int, set[str]] = defaultdict(set)
    silent = {r.question for r in seen.handshakes if r.outcome is Outcome.SILENT}
    for question, (last, answered) in latest.items():
        if question in asked:
            observed[last].add(question)
        if question in silent and answered is not None:
            served[answered].add(question)
    return Before(_together(store, observed), _together(store, served))


def _together(store: Store, wanted: dict[int, set[str]]) -> Survey | None:
    """Return parts of several runs as one survey, the later run's before the earlier one's."""
    newest = sorted(wanted, reverse=True)[:_RUNS]
    parts = []
    for run in newest:
        with contextlib.suppress(KeyError):  # another run may have pruned it just now
            parts.append(part_of(store.survey(run), wanted[run]))
    return merge(parts) if parts else None


def last_served(path: Path | None, plan: Plan, asked: Iterable[Question]) -> Survey:
    """Return the last answer with a certificate chain to each of these questions, out of a history.

    Those that never had one are in it without an answer: nothing is known of them. Raises
    NothingKeptError where there is none at all, and JobError if the history cannot be read.
    """
    path = path if path is not None else default_path()
    nothing = NothingKeptError(f"the history {path} holds no certificate of what the plan asks for")
    if not path.exists():
        raise nothing
    wanted: dict[int, set[str]] = defaultdict(set)
    questions = {question.id: question for question in asked}
    try:
        with Store.open(path) as store:
            for question, run in store.last_served(plan.name, plan.vantage).items():
                if question in questions:
                    wanted[run].add(question)
            found = _together(store, wanted)
    except HistoryError as error:
        raise JobError(f"the history {path}: {error}") from None
    if found is None:
        raise nothing
    return replace(found, questions=tuple(questions.values()))


def _before_saved(store: Store, plan: Plan, seen: Survey) -> Before:
    began = min(taken.began for taken in seen.taken)
    vantages = {taken.vantage for taken in seen.taken}
    asked = {question.id for question in seen.questions}
    for run in store.runs(plan.name):
        if run.ended <= began and run.vantage in vantages:
            last = _together(store, {run.id: asked})
            return Before(last, last) if last is not None and last.questions else Before()
    return Before()


def part_of(survey: Survey, questions: Collection[str]) -> Survey:
    """Return what a survey says of some of its questions."""
    return replace(
        survey,
        questions=tuple(q for q in survey.questions if q.id in questions),
        lookups=tuple(r for r in survey.lookups if r.question in questions),
        handshakes=tuple(r for r in survey.handshakes if r.question in questions),
    ).trimmed()
