"""From a plan and a survey to the assessment. Pure: the time to judge at is an argument."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, time

from probe.assessment import (
    Accepted,
    Assessment,
    Basis,
    Does,
    Finding,
    Folded,
    NodeVerdict,
    Note,
    RootStore,
    Verdict,
)
from probe.certificate.container import Expected
from probe.judge.awaited import awaited
from probe.judge.case import Case
from probe.judge.catalogue import BY_ID, VERSION
from probe.judge.clients.reactions import TITLES, Known, worst_of_each
from probe.judge.draft import Draft
from probe.judge.explained import Explained
from probe.judge.fold import Cause, below, fold
from probe.judge.headline import headline
from probe.judge.imported import Imported, imported
from probe.judge.looks import eap_looks
from probe.judge.no_change import no_change
from probe.judge.part import part, visits_left_out
from probe.judge.radsec_looks import radsec_looks
from probe.judge.rows import not_served, served
from probe.judge.rules import ALL, Judge
from probe.judge.see import to_see
from probe.judge.trust import anchors, publicity
from probe.observation.model import Endpoint, Survey
from probe.plan.model import FAMILIES, Acceptance, Plan
from probe.records import replace


def judge(
    plan: Plan,
    seen: Survey,
    *,
    at: datetime,
    before: Survey | None = None,
    expected: Expected | Imported | None = None,
    memory: Explained | None = None,
    rules: Sequence[Judge] = ALL,
) -> Assessment:
    """Judge what was seen against the plan, as of a time with a zone.

    Nodes that were not asked are left out: nothing is known of them. `before` is an earlier survey
    of the same plan: an endpoint that served this machine then and is silent now blocks somebody.
    `expected` was just imported. `memory` keeps examinations for the next judgement of equal
    chains. `rules` are those that are asked. Raises ValueError for a time without a zone.
    """
    if at.tzinfo is None:
        raise ValueError("the time to judge at needs a zone")
    told_of = imported(expected)
    case = Case(plan, seen, at=at, before=before, explained=memory, expected=told_of)
    drafts: list[Draft] = []
    notes: list[Note] = []
    for rule in rules:
        for said in rule(case):
            if isinstance(said, Note):
                notes.append(said)
            else:
                drafts.append(said)
    causes = fold(case, drafts)
    ordered = sorted(
        ((cause, _finding(case, cause)) for cause in causes),
        key=lambda pair: _order(case, pair[1]),
    )
    told = tuple(finding for _, finding in ordered)
    unseen = seen.unobserved()
    nodes = tuple(_node_verdicts(case, told, frozenset(unseen)))
    rows = served(case, ordered)
    missing = not_served(case, ordered)
    complete = not unseen and not seen.interrupted
    return Assessment(
        plan_name=plan.name,
        catalogue=VERSION,
        roots=tuple(
            RootStore(source.name, source.version, len(source.certificates))
            for source in case.roots
        ),
        judged_at=at,
        verdict=_verdict(told, nodes, complete=complete),
        complete=complete,
        survey=case.survey,
        facts=case.facts,
        public=_public(case),
        nodes=nodes,
        findings=told,
        notes=tuple(sorted(notes, key=lambda note: (BY_ID[note.rule].order, note.says))),
        served=rows,
        not_served=missing,
        unseen=unseen,
        eap_looks=eap_looks(case.survey),
        radsec_looks=radsec_looks(case.survey),
        headline=replace(
            headline(told, rows, missing, [node.name for node in nodes]),
            no_change=no_change(case, told),
        ),
        client_titles=TITLES,
        part=part(plan, seen),
        visits_left_out=visits_left_out(plan, seen),
        expected=tuple(one.told() for one in awaited(case)),
        fetched_from=case.fetched_from,
    )


def _finding(case: Case, cause: Cause) -> Finding:
    draft = cause.draft
    told = [each for each in (draft, *cause.folded) if not _later(each, cause)]
    reacted = worst_of_each(one for each in told for one in each.reacted)
    if cause.verdict in (Verdict.BLOCKED, Verdict.WARNED):
        # What is known from memory alone says of nobody that he is blocked or warned now.
        reacted = tuple(one for one in reacted if one.known.verdict is not Verdict.ADVISED)
    deciding = [one for one in reacted if one.known.verdict is cause.verdict]
    by_client = deciding[0].known if deciding and draft.rule.by_clients else None
    dues = [each.due for each in told if each.due is not None]
    felt = {one.reaction.client for one in reacted if one.reaction.does is not Does.CONTINUES}
    felt.update(draft.clients)
    return Finding(
        id=draft.id,
        rule=draft.rule_id,
        verdict=cause.verdict,
        endpoint=draft.endpoint,
        nodes=draft.nodes,
        name=draft.name,
        addresses=draft.addresses,
        certificates=draft.certificates,
        clients=tuple(sorted(felt, key=FAMILIES.index)),
        reactions=tuple(one.reaction for one in reacted),
        due=min(dues, default=None),
        folded=tuple(
            Folded(id_, each.rule_id, each.says, each.nodes) for id_, each in below(cause).items()
        ),
        accepted=_accepted(case, draft),
        says=draft.says,
        evidence=(*draft.evidence, *to_see(case, draft)),
        remedy=cause.remedy,
        source=_source(draft, by_client),
        basis=_basis(draft, by_client),
    )


def _later(draft: Draft, cause: Cause) -> bool:
    """Whether it begins to be felt on a day to come, and is told with what holds now."""
    return draft.due is not None and draft.verdict > cause.verdict


def _source(draft: Draft, by_client: Known | None) -> str:
    parts = draft.rule.source.split("; ")
    if by_client is not None:
        parts += by_client.source.split("; ")
    return "; ".join(dict.fromkeys(parts))


def _basis(draft: Draft, by_client: Known | None) -> Basis:
    """How the fact is known that decides the verdict; the rule's own where no client does."""
    return by_client.basis if by_client is not None else draft.rule.basis


def _accepted(case: Case, draft: Draft) -> Accepted | None:
    taken = draft.accepted or case.acceptance(draft.rule_id, draft.nodes, draft.name)
    return None if taken is None else accepted(taken, case.at)


def accepted(taken: Acceptance, at: datetime) -> Accepted:
    """Return how an acceptance stands at a time: it holds to the end of its last day, UTC."""
    last = datetime.combine(taken.until, time.max, UTC)
    return Accepted(taken.reason, last.replace(microsecond=0), at > last)


def _order(case: Case, finding: Finding) -> tuple[object, ...]:
    first = case.node_order[finding.nodes[0]] if finding.nodes else len(case.node_order)
    return (
        finding.verdict,
        BY_ID[finding.rule].order,
        first,
        finding.nodes,
        finding.name or "",
        finding.id,
    )


def _node_verdicts(
    case: Case, findings: tuple[Finding, ...], unseen: frozenset[str]
) -> Iterator[NodeVerdict]:
    worst: dict[str, dict[Endpoint, Verdict]] = {node.name: {} for node in case.plan.nodes}

    def note(nodes: Iterable[str], endpoint: Endpoint, verdict: Verdict) -> None:
        for node in nodes:
            there = worst.setdefault(node, {})
            there[endpoint] = min(there.get(endpoint, Verdict.SOUND), verdict)

    for finding in findings:
        if finding.counts:
            note(finding.nodes, finding.endpoint, finding.verdict)
    for question in case.survey.questions:
        if question.id in unseen:
            note(question.nodes, question.endpoint, Verdict.UNSEEN)
        for node in question.nodes:
            worst.setdefault(node, {}).setdefault(question.endpoint, Verdict.SOUND)
    for planned in case.plan.nodes:
        there = worst[planned.name]
        yield NodeVerdict(
            planned.name,
            min(there.values(), default=Verdict.SOUND),
            tuple((kind, there[kind]) for kind in Endpoint if kind in there),
        )


def _verdict(
    findings: tuple[Finding, ...], nodes: tuple[NodeVerdict, ...], *, complete: bool
) -> Verdict:
    found = [finding.verdict for finding in findings if finding.counts]
    found += [node.verdict for node in nodes]
    if not complete:
        found.append(Verdict.UNSEEN)
    return min(found, default=Verdict.SOUND)


def _public(case: Case) -> dict[str, str]:
    trust = case.plan.trust
    return dict(
        publicity(
            case.survey.certificates.values(),
            anchors(*trust.public, name="public"),
            case.everywhere,
        )
    )
