"""What is served, and what is not: one row for each distinct chain and each way of not serving."""

from collections import defaultdict
from collections.abc import Iterable, Sequence

from probe.assessment import Finding, NotServed, ServedChain, Verdict
from probe.judge.case import Case, Visit
from probe.judge.fold import Cause
from probe.judge.likeness import comparable, intermediates, split
from probe.judge.words import quoted_name
from probe.observation.model import Endpoint
from probe.records import dataclass, field

_ENDPOINTS = (Endpoint.WEB, Endpoint.EAP, Endpoint.RADSEC)

Findings = Sequence[tuple[Cause, Finding]]
"""Causes with the findings made of them, worst first."""


@dataclass(slots=True)
class _Row:
    """The visits that make one row."""

    visits: list[Visit] = field(default_factory=list)
    nodes: set[str] = field(default_factory=set)


def served(case: Case, findings: Findings) -> tuple[ServedChain, ...]:
    """Return a row for each distinct chain on each kind of endpoint, in the order first met."""
    rows = []
    for endpoint in _ENDPOINTS:
        by_chain: dict[tuple[str, ...], _Row] = defaultdict(_Row)
        for visit in case.visits(endpoint):
            if visit.chain and visit.nodes:
                by_chain[visit.chain].visits.append(visit)
                by_chain[visit.chain].nodes.update(visit.nodes)
        outside = _outside(case, endpoint)
        for chain, row in by_chain.items():
            places = frozenset((endpoint, node, chain) for node in row.nodes)
            told = [
                finding
                for cause, finding in findings
                if any(places & draft.places for draft in (cause.draft, *cause.folded))
            ]
            rows.append(
                ServedChain(
                    endpoint=endpoint,
                    chain=chain,
                    nodes=case.sort_nodes(row.nodes),
                    names=_distinct(visit.name for visit in row.visits),
                    methods=_distinct(visit.way for visit in row.visits),
                    verdict=_worst(told),
                    findings=tuple(finding.id for finding in told),
                    ends_in=_ends_in(case, row.visits[0]),
                    apart=bool(outside & {(node, chain) for node in row.nodes}),
                    missing=case.missing(row.visits[0], case.reference(row.visits[0])),
                    lacking=case.lacking(case.reference(row.visits[0])),
                )
            )
    return tuple(rows)


def not_served(case: Case, findings: Findings) -> tuple[NotServed, ...]:
    """Return a row for each way in which visits ended without a chain."""
    rows = []
    for endpoint in _ENDPOINTS:
        by_outcome: dict[str, _Row] = defaultdict(_Row)
        serving = {node for v in case.visits(endpoint) if v.chain for node in v.nodes}
        for visit in case.visits(endpoint):
            if not visit.chain and visit.nodes:
                by_outcome[visit.record.outcome.value].visits.append(visit)
                by_outcome[visit.record.outcome.value].nodes.update(visit.nodes)
        for outcome, row in by_outcome.items():
            questions = frozenset(visit.record.question for visit in row.visits)
            told = [
                finding
                for cause, finding in findings
                if any(questions & draft.questions for draft in (cause.draft, *cause.folded))
            ]
            rows.append(
                NotServed(
                    endpoint=endpoint,
                    outcome=outcome,
                    nodes=case.sort_nodes(row.nodes),
                    verdict=_worst(told),
                    findings=tuple(finding.id for finding in told),
                    apart=bool(serving - row.nodes),
                )
            )
    return tuple(rows)


def _outside(case: Case, endpoint: Endpoint) -> frozenset[tuple[str, tuple[str, ...]]]:
    """Return the nodes, and their chains, that stand apart from a larger rest.

    Where every node has a certificate of its own, the CAs that issued them are compared.
    """
    found: set[tuple[str, tuple[str, ...]]] = set()
    for like, visits in comparable(case, endpoint):
        by = split(case, visits, lambda visit: (visit.chain[0], intermediates(case, visit)))
        own_names = endpoint is not Endpoint.EAP and like.name is None
        if own_names or all(len(group.nodes) == 1 for group in by.groups):
            by = split(
                case,
                visits,
                lambda visit: (case.leaf(visit).issuer_raw, intermediates(case, visit)),
            )
        if not by.tie:
            found.update((v.nodes[0], v.chain) for v in visits if v.nodes[0] in by.outside)
    return frozenset(found)


def _distinct(texts: Iterable[str | None]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(text for text in texts if text is not None))


def _worst(findings: Iterable[Finding]) -> Verdict:
    return min((f.verdict for f in findings if f.counts), default=Verdict.SOUND)


def _ends_in(case: Case, visit: Visit) -> str | None:
    explanation = case.reference(visit)
    if explanation.anchor is None:
        return None
    return quoted_name(explanation.ends_in).strip('"')
