"""From what somebody saw to its cause. Pure: the time is the assessment's, and what was seen its
survey's; the same judge has judged it.

The words give candidates (`understood.py`, out of the table). Each is looked for among the findings
where this person can have met them; what was not found is excluded only if what would show it was
looked at (`observed.py`). Nothing is concluded from the words alone.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence

from probe.assessment import Assessment, Verdict
from probe.complaint import (
    Answer,
    Cause,
    Complaint,
    Recognised,
    Source,
    Standing,
    Whose,
)
from probe.judge.complaint.advice import advice, of_others
from probe.judge.complaint.causes import also_found, causes, gone
from probe.judge.complaint.client_side import client_side
from probe.judge.complaint.clients import KNOWN_CLIENTS, client_of
from probe.judge.complaint.first import first_line
from probe.judge.complaint.hints import hints
from probe.judge.complaint.observed import Seen
from probe.judge.complaint.questions import questions_for as _questions_for
from probe.judge.complaint.reach import nodes_of, site_of, sites
from probe.judge.complaint.recognised import ours, recognised
from probe.judge.complaint.understood import plan_for, understood
from probe.observation.model import Endpoint, Question
from probe.plan.model import Plan

__all__ = [
    "KNOWN_CLIENTS",
    "answer",
    "client_of",
    "nodes_of",
    "plan_for",
    "questions_for",
    "site_of",
    "sites",
]


def questions_for(
    plan: Plan, complaint: Complaint, asked: Iterable[Question]
) -> tuple[Question, ...]:
    """Return those questions of an agenda that confirm or exclude what is complained of."""
    return _questions_for(plan, understood(plan, complaint), asked)


def answer(
    plan: Plan,
    complaint: Complaint,
    now: Assessment,
    *,
    then: Assessment | None = None,
    later: Sequence[Assessment] = (),
    remembered: Mapping[str, bytes] | None = None,
    source: Source = Source.NETWORK,
) -> Answer:
    """Return what a complaint comes to.

    `now` and the others are judged by `plan_for` this complaint: `then` as of the time of the
    complaint, `later` the looks after it, oldest first, out of the history. `remembered` are
    certificates, by SHA-256, that the plan's servers showed before. `source` is where `now` is
    taken from: what was not asked now vouches for no certificate on a screen.
    """
    taken = understood(plan, complaint)
    known = ours(plan, now, remembered or {}, asked=source is Source.NETWORK)
    found = recognised(complaint.shown, known)
    told = list(causes(plan, taken, now, found))
    if then is not None:
        told = _with_gone(told, list(gone(plan, taken, then, later, now, told)))
    against = [*taken.contradictions, *hints(taken, now, found, known)]
    if of_others(told, found, now.findings):
        against.append("what was found is about another certificate than the one on the screen")
    seen = Seen(plan, taken, now).anything
    everybody = tuple(told)
    return Answer(
        first=first_line(taken, everybody, found, seen=seen),
        complaint=complaint,
        heard=taken.heard,
        families=taken.families,
        nodes=_nodes(plan, taken.endpoints, taken.reach.of),
        why_nodes=taken.reach.why,
        endpoints=taken.endpoints,
        causes=everybody,
        also=also_found(taken, now, everybody),
        client_side=client_side(taken, found),
        contradictions=tuple(dict.fromkeys(against)),
        recognised=found,
        advice=advice(taken, everybody, found, known, now.findings),
        assessment=now,
        then=then,
        verdict=_verdict(now, everybody, found, seen=seen),
        source=source,
    )


def _with_gone(now: list[Cause], before: list[Cause]) -> list[Cause]:
    """Put what was a cause then in the place of what is known of the same rule now."""
    rules = {(cause.rule, cause.endpoint) for cause in before}
    kept = [c for c in now if (c.rule, c.endpoint) not in rules]
    order = list(Standing)
    return sorted([*kept, *before], key=lambda c: (order.index(c.standing), c.then))


def _nodes(
    plan: Plan, endpoints: Sequence[Endpoint], of: Callable[[Endpoint], tuple[str, ...]]
) -> tuple[str, ...]:
    """Return the nodes that can have been met, in their own order where there is one."""
    met = [of(endpoint) for endpoint in endpoints if of(endpoint)]
    if len(set(met)) == 1:
        return met[0]
    every = {node for nodes in met for node in nodes}
    return tuple(node.name for node in plan.nodes if node.name in every)


def _verdict(now: Assessment, told: Sequence[Cause], found: Recognised, *, seen: bool) -> Verdict:
    """Return what the exit status follows from."""
    counting = {finding.id for finding in now.findings if finding.counts}
    confirmed = [
        cause.verdict
        for cause in told
        if cause.standing is Standing.CONFIRMED
        and not cause.then
        and cause.finding in counting
        and cause.verdict is not None
    ]
    if confirmed:
        return min(confirmed)
    if any(cause.standing is Standing.CONFIRMED and not cause.then for cause in told):
        return Verdict.SOUND  # it is accepted
    possible = any(cause.standing is Standing.POSSIBLE for cause in told)
    if possible or not seen or found.whose is Whose.UNKNOWN:
        return Verdict.UNSEEN
    return Verdict.SOUND
