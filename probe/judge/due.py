"""What ends when: every certificate that was served, and every CA that it leads to. Pure."""

from collections.abc import Iterator
from datetime import datetime, timedelta

from probe.assessment import Verdict
from probe.certificate.facts import CertFacts
from probe.due import Due, Renewal, Role, Stage, Step
from probe.judge.case import Case, Visit
from probe.judge.requirements import STEPS_SOURCE, lifetime_limit, lifetime_steps
from probe.judge.trust import anchors, leads
from probe.observation.model import Aspect, Endpoint, Question, Survey
from probe.plan.model import Plan
from probe.records import dataclass, field

_DAY = timedelta(days=1)

_NOT_OURS = frozenset({Aspect.CANARY, Aspect.LED})
"""Visits that show somebody else's certificate."""


@dataclass(slots=True)
class _Place:
    """Where one certificate is."""

    endpoints: set[Endpoint] = field(default_factory=set)
    nodes: set[str] = field(default_factory=set)
    opened: dict[str, None] = field(default_factory=dict)
    leaf: bool = False
    served: bool = False
    on_path: bool = False


def due(plan: Plan, seen: Survey, *, at: datetime) -> Due:
    """Return what ends when, as of a time with a zone.

    An endpoint that showed no certificate, for whatever reason, is `unseen`: one may end there.
    """
    case = Case(plan, seen, at=at)
    places: dict[str, _Place] = {}
    for visit in _visits(case):
        _note(case, visit, places)
    facts = {sha256: found for sha256 in places if (found := case.certificate(sha256))}
    unseen = _without_chain(seen)
    complete = not unseen and not seen.interrupted
    renewals = tuple(
        sorted(
            (_renewal(case, facts[sha256], place) for sha256, place in places.items()),
            key=lambda one: _order(facts[one.certificate], one),
        )
    )
    verdicts = [Verdict.SOUND if complete else Verdict.UNSEEN, *map(_verdict, renewals)]
    return Due(
        plan_name=plan.name,
        planned=len(plan.nodes),
        nodes=tuple(case.nodes),
        judged_at=at,
        survey=seen,
        unseen=unseen,
        complete=complete,
        verdict=min(verdicts),
        renewals=renewals,
        steps=tuple(
            Step(since, days, validation, STEPS_SOURCE)
            for since, days, validation in lifetime_steps(at)
        ),
        certificates={sha256: _der(case, sha256) for sha256 in places},
        facts=facts,
    )


def _without_chain(seen: Survey) -> tuple[str, ...]:
    """Return the questions of clients to places that showed no certificate to any of them: where
    one EAP method is refused, another one may have shown it."""

    def place(question: Question) -> tuple[object, ...]:
        asked = question.handshake
        where = (asked.address, asked.port, asked.name) if asked is not None else ()
        return question.endpoint, question.nodes, *where

    showed = {record.question for record in seen.handshakes if record.served}
    known = {place(question) for question in seen.questions if question.id in showed}
    return tuple(
        question.id
        for question in seen.questions
        if question.handshake is not None
        and question.handshake.aspect is None
        and place(question) not in known
    )


def _visits(case: Case) -> Iterator[Visit]:
    for visit in (*case.asked_of_web, *case.eap, *case.radsec):
        if visit.chain and visit.aspect not in _NOT_OURS:
            yield visit


def _note(case: Case, visit: Visit, places: dict[str, _Place]) -> None:
    path = case.reference(visit).path
    for sha256 in dict.fromkeys((*visit.chain, *path)):
        place = places.setdefault(sha256, _Place())
        place.endpoints.add(visit.record.endpoint)
        place.nodes.update(visit.nodes)
        place.leaf |= sha256 == visit.chain[0]
        place.served |= sha256 in visit.chain
        place.on_path |= sha256 in path
        if visit.name is not None and visit.aspect in (None, Aspect.FAMILY, Aspect.AGAIN):
            place.opened[visit.name] = None


def _renewal(case: Case, facts: CertFacts, place: _Place) -> Renewal:
    role = Role.SERVER if place.leaf else Role.AUTHORITY
    public = leads(
        _der(case, facts.sha256),
        anchors(*case.plan.trust.public, name="public"),
        case.pool,
        case.everywhere,
    )
    window = case.window(facts)
    if role is Role.AUTHORITY and window is not None:
        window = timedelta(days=case.plan.windows.anchor_days)
    ends = facts.not_after
    renew = ends - window if ends is not None and window is not None else None
    issued = max(renew, case.at) if renew is not None else case.at
    return Renewal(
        certificate=facts.sha256,
        role=role,
        stage=_stage(ends, renew, case.at),
        ends=ends,
        renew=renew,
        days=_days(ends, case.at) if ends is not None else None,
        endpoints=tuple(kind for kind in Endpoint if kind in place.endpoints),
        nodes=case.sort_nodes(place.nodes),
        opened=tuple(place.opened),
        served=place.served,
        public=public,
        successor_days=lifetime_limit(issued) if place.leaf and public == "yes" else None,
        counts=place.leaf or place.on_path,
    )


def _der(case: Case, sha256: str) -> bytes:
    """Return a certificate of the survey, or else the root of the plan that a path ends in."""
    served = case.survey.certificates
    return served[sha256] if sha256 in served else case.everywhere.by_sha[sha256]


def _days(ends: datetime, at: datetime) -> int:
    return (ends - at) // _DAY if ends >= at else -((at - ends) // _DAY)


def _stage(ends: datetime | None, renew: datetime | None, at: datetime) -> Stage:
    if ends is None:
        return Stage.UNKNOWN
    if at > ends:
        return Stage.ENDED
    return Stage.DUE if renew is not None and at >= renew else Stage.LATER


def _verdict(one: Renewal) -> Verdict:
    """What the exit status goes by: who feels it, and how, is for `probe cluster` to say."""
    if not one.counts:
        return Verdict.SOUND
    return {
        Stage.ENDED: Verdict.BLOCKED,
        Stage.DUE: Verdict.DUE,
        Stage.UNKNOWN: Verdict.UNSEEN,
    }.get(one.stage, Verdict.SOUND)


def _order(facts: CertFacts, one: Renewal) -> tuple[object, ...]:
    end = (one.ends is None, one.ends.timestamp() if one.ends is not None else 0.0)
    return (*end, one.role is Role.AUTHORITY, facts.common_name or facts.subject, facts.sha256)
