"""A roll-out rehearsed: look at the nodes, or recall what was seen, and judge each step of it."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from probe.bundle import NOTHING_SAID, Offered, Said, ServedNow
from probe.jobs import sweep
from probe.jobs.bundle import look_into
from probe.jobs.memory import last_served
from probe.jobs.sweep import JobError, Scope
from probe.judge.rehearsal.rehearsed import rehearse as judged
from probe.observation.model import Question, Survey
from probe.observe.events import OnEvent
from probe.plan.model import Plan, SecretRef
from probe.records import replace
from probe.rehearsal import Rehearsal

SCOPE = Scope(both_kinds=True)
"""Every node, as a roll-out shows where the nodes differ; and each kind of key."""


def check(of: Offered) -> None:
    """Raise JobError where there is nothing to rehearse."""
    if not of.chain:
        raise JobError("there is no server's certificate in the files, so nothing to rehearse")


def look(
    plan: Plan,
    of: Offered,
    asked: tuple[Question, ...],
    secrets: Mapping[SecretRef, bytes],
    *,
    on_event: OnEvent | None = None,
) -> ServedNow:
    """Return what the nodes serve now. The CAs of the files are asked about them, as they would be
    once these are served."""
    seen = sweep.look(plan, asked, secrets, on_event=on_event, besides=(of.chain,))
    return ServedNow(seen, "a look at the nodes just now")


def recalled(plan: Plan, surveys: Sequence[Survey]) -> ServedNow:
    """Return what was saved, of the plan's nodes. Raises JobError if that is nothing."""
    return ServedNow(sweep.recall(plan, surveys, Scope()), "what was saved")


def remembered(plan: Plan, history: Path) -> ServedNow:
    """Return what earlier runs have last seen. Raises JobError if that is nothing."""
    asked = sweep.questions(plan, Scope())
    seen = last_served(history, plan, asked)
    # What was never answered is not known to be silent.
    known = {record.question for record in seen.handshakes}
    kept = tuple(question for question in seen.questions if question.id in known)
    return ServedNow(replace(seen, questions=kept), "the history")


def rehearse(
    plan: Plan,
    of: Offered,
    now: ServedNow,
    *,
    at: datetime | None = None,
    said: Said = NOTHING_SAID,
    order: Sequence[str] = (),
) -> Rehearsal:
    """Return what clients meet while what the files hold comes to the nodes, as of `at`; None: now.

    Raises JobError for what the plan does not have, and where there is nothing to rehearse.
    """
    check(of)
    sweep.check_nodes(plan, order)
    as_of = at if at is not None else datetime.now(UTC)
    bundle = look_into(plan, of, at=as_of, said=said, now=now)
    try:
        return judged(plan, bundle, now, at=as_of, order=order)
    except ValueError as error:
        raise JobError(str(error)) from None
