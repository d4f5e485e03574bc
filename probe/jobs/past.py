"""The history by itself: its runs, what changed between two, where certificates were seen."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from probe.certificate.facts import facts_of
from probe.history.failure import HistoryError
from probe.history.place import default_path
from probe.history.store import Store
from probe.jobs.sweep import JobError
from probe.judge.change import changes, rotating_names
from probe.past import Between, Past, Run
from probe.plan.model import Plan


def where(named: Path | None) -> Path:
    """Return the history file: the one that was named, or the one in the user's data folder."""
    return named if named is not None else default_path()


def past(
    path: Path | None,
    *,
    plan: Plan | None = None,
    between: tuple[int, int] | None = None,
    certificate: str | None = None,
    prune: datetime | None = None,
) -> Past:
    """Return what a history tells; None: the one in the user's data folder.

    `plan`: of this plan alone. `between`: the numbers of two runs to compare, else the last two
    that can be. `certificate`: the beginning of a SHA-256 in lower-case hex; of that one alone.
    `prune`: forget first what ended before it. A file that is not there is an empty history, and is
    not made. Raises JobError.
    """
    path = where(path)
    name = plan.name if plan is not None else None
    if not path.exists():
        if between is not None:
            raise JobError(f"there is no history yet at {path}")
        return Past(name, (), None, (), {}, {}, 0 if prune is not None else None)
    with _told(path), Store.open(path) as store:
        forgotten = store.prune(prune) if prune is not None else None
        runs = store.runs(name)
        pair = _pair(runs, between)
        found = _compared(store, *pair, plan) if pair is not None else None
        sightings = tuple(
            one for one in store.sightings(name) if one.certificate.startswith(certificate or "")
        )
        if certificate is not None and not sightings:
            raise JobError(f"no certificate was seen whose SHA-256 begins with {certificate}")
        ders = store.certificates(one.certificate for one in sightings)
    latest: dict[str, int] = {}
    for place, one in enumerate(sightings):
        latest.setdefault(one.certificate, place)
    return Past(
        plan=name,
        runs=runs,
        between=found,
        sightings=tuple(sorted(sightings, key=lambda one: latest[one.certificate])),
        certificates=ders,
        facts={sha256: facts_of(der) for sha256, der in ders.items()},
        forgotten=forgotten,
    )


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except HistoryError as error:
        raise JobError(f"the history {path}: {error}") from None


def _pair(runs: tuple[Run, ...], wanted: tuple[int, int] | None) -> tuple[Run, Run] | None:
    """Return two runs, the earlier one first: those wanted, or the last two of one kind."""
    if wanted is not None:
        by_number = {run.id: run for run in runs}
        for number in wanted:
            if number not in by_number:
                raise JobError(f"there is no run {number} in the history")
        earlier, later = sorted(wanted)
        return by_number[earlier], by_number[later]
    return next(((one, runs[0]) for one in runs[1:] if _alike(one, runs[0])), None)


def _alike(one: Run, other: Run) -> bool:
    """Whether two runs may have asked the same, from the same place."""
    place = (one.plan, one.machine, one.vantage) == (other.plan, other.machine, other.vantage)
    return (
        place
        and bool(frozenset(one.nodes) & frozenset(other.nodes))
        and bool(frozenset(one.endpoints) & frozenset(other.endpoints))
    )


def _compared(store: Store, earlier: Run, later: Run, plan: Plan | None) -> Between:
    rotating = rotating_names(plan) if plan is not None else frozenset()
    compared, found = changes(store.survey(earlier.id), store.survey(later.id), rotating=rotating)
    return Between(earlier.id, later.id, compared, found)
