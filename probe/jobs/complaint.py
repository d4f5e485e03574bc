"""A complaint: which questions it asks, of whom, what earlier runs know, and the answer."""

from datetime import datetime
from pathlib import Path

from probe.complaint import Answer, Complaint, LogAlert, Source
from probe.jobs.recollection import Recollection, recollect
from probe.jobs.sweep import Before, JobError, Scope, assess, end_of
from probe.judge.complaint import (
    KNOWN_CLIENTS,
    answer,
    client_of,
    nodes_of,
    plan_for,
    questions_for,
    site_of,
    sites,
)
from probe.limits import SERVER_LOG_BYTES
from probe.observation.model import Question, Survey
from probe.observe.agenda import Depth, agenda
from probe.observe.serverlog import LogTooLongError, alerts_in
from probe.plan.model import FAMILIES, Plan
from probe.plan.problems import nearest, shown

__all__ = ["answered", "check", "clients", "questions", "read_log", "remembered", "sites"]

_NOTHING_BEFORE, _NOTHING_KNOWN = Before(), Recollection()


def read_log(path: Path) -> tuple[LogAlert, ...]:
    """Return the TLS alerts in a server's log, those that happened most first. Raises JobError."""
    try:
        with path.open("rb") as log:
            found = alerts_in(log)
    except OSError as error:
        raise JobError(f"{shown(path)}: {(error.strerror or str(error)).lower()}") from None
    except LogTooLongError:
        raise JobError(
            f"{shown(path)} is longer than {SERVER_LOG_BYTES // 2**20} MiB: give the lines around"
            " the complaint"
        ) from None
    return tuple(LogAlert(one.alert, one.received, one.times, one.first, one.last) for one in found)


def check(plan: Plan, complaint: Complaint) -> None:
    """Raise JobError for a client, a site or a node that nobody knows."""
    for word in complaint.clients:
        if not client_of(word):
            known = nearest(word, clients()) or f": it is none of {', '.join(KNOWN_CLIENTS)}"
            raise JobError(f"{shown(word)} is no client that is known{known}")
    if complaint.site is not None and site_of(plan, complaint.site) is None:
        known = nearest(complaint.site, sites(plan)) if sites(plan) else ": it names none"
        raise JobError(f"{shown(complaint.site)} is no site of the plan{known}")
    for word in complaint.nodes:
        if not nodes_of(plan, word):
            raise JobError(
                f"{shown(word)} is no node of the plan, by name, host or address"
                f"{nearest(word, tuple(node.name for node in plan.nodes))}"
            )


def clients() -> tuple[str, ...]:
    """Return the words that a client can be named by."""
    return (*KNOWN_CLIENTS, *FAMILIES)


def questions(plan: Plan, complaint: Complaint, scope: Scope) -> tuple[Question, ...]:
    """Return what confirms or rules out what the words may mean, at the nodes that this person can
    have met; nothing, where no server of the plan could show it."""
    return questions_for(plan, complaint, _agenda(plan, scope, Depth.NODE))


def remembered(
    plan: Plan, complaint: Complaint, scope: Scope, history: Path | None
) -> Recollection:
    """Return what the history has of what would be asked. Raises JobError if it cannot be read."""
    usual = questions_for(plan, complaint, _agenda(plan, scope, Depth.SWEEP))
    deep = questions_for(plan, complaint, _agenda(plan, scope, Depth.NODE))
    asked = {question.id: question for question in (*usual, *deep)}
    return recollect(
        history,
        plan,
        tuple(asked.values()),
        always=frozenset(question.id for question in usual),
        when=complaint.when,
    )


def _agenda(plan: Plan, scope: Scope, depth: Depth) -> tuple[Question, ...]:
    return agenda(plan, depth, only=scope.only, repeat=scope.repeat)


def answered(
    plan: Plan,
    complaint: Complaint,
    seen: Survey,
    source: Source,
    *,
    at: datetime | None = None,
    before: Before = _NOTHING_BEFORE,
    recollection: Recollection = _NOTHING_KNOWN,
) -> Answer:
    """Return the answer by what was seen, as of `at` as for `assess`."""
    judged_by = plan_for(plan, complaint)
    then = None
    if recollection.then is not None and complaint.when is not None:
        then = assess(judged_by, recollection.then, complaint.when)
    ended = end_of(seen)
    later = [one for one in recollection.since if end_of(one) < ended] if then else []
    return answer(
        plan,
        complaint,
        assess(judged_by, seen, at, before),
        then=then,
        later=tuple(assess(judged_by, one) for one in later),
        remembered=recollection.certificates,
        source=source,
    )
