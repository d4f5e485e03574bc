"""The steps of one way, and what is found over them."""

from collections.abc import Sequence

from probe.assessment import Finding, Verdict
from probe.judge.catalogue import BY_ID
from probe.judge.rehearsal.experience import concerned, experiences
from probe.judge.rehearsal.memory import Memory
from probe.judge.rehearsal.way import Way, World
from probe.observation.model import Endpoint
from probe.rehearsal import Span, Step, Trouble

_Key = tuple[str, Endpoint, str | None]


def steps(world: World, way: Way, done: Sequence[tuple[str, ...]]) -> tuple[Step, ...]:
    """Return the steps at which these nodes are done, each judged as if it were there."""
    clients = concerned(way.plan, world.endpoints)
    last = world.after(way, done[-1])
    memory = Memory(way.plan, world.seen.certificates | last.certificates, world.at)
    found: list[Step] = []
    before: tuple[str, ...] = ()
    for nodes in done:
        then = world.after(way, nodes)
        judged = world.judged(way.plan, then)
        met = experiences(way.plan, clients, memory, world.seen, then, judged, nodes)
        found.append(Step(nodes, nodes[len(before) :], judged.verdict, judged.findings, tuple(met)))
        before = nodes
    return tuple(found)


def troubles(order: Sequence[str], found: Sequence[Step]) -> tuple[Trouble, ...]:
    """Return what is found at any step, worst first. `order` is that of the plan's nodes."""
    at: dict[_Key, dict[int, list[Finding]]] = {}
    for number, step in enumerate(found):
        for finding in step.findings:
            if finding.counts:
                key = finding.rule, finding.endpoint, finding.name
                at.setdefault(key, {}).setdefault(number, []).append(finding)
    last = len(found) - 1
    told = (_trouble(key, by_step, last, order) for key, by_step in at.items())
    return tuple(
        sorted(
            told, key=lambda one: (one.verdict, BY_ID[one.rule].order, one.steps, one.name or "")
        )
    )


def _trouble(
    key: _Key, by_step: dict[int, list[Finding]], last: int, order: Sequence[str]
) -> Trouble:
    rule, endpoint, name = key
    every = [finding for findings in by_step.values() for finding in findings]
    latest = min(by_step[max(by_step)], key=lambda finding: finding.verdict)
    today = by_step.get(0, [])
    span = {
        (True, True): Span.STAYS,
        (True, False): Span.MENDED,
        (False, True): Span.NEW,
        (False, False): Span.BETWEEN,
    }[bool(today), last in by_step]
    return Trouble(
        rule=rule,
        endpoint=endpoint,
        name=name,
        verdict=min(finding.verdict for finding in every),
        span=span,
        steps=tuple(sorted(by_step)),
        nodes=_nodes(every, order),
        clients=tuple(dict.fromkeys(c for f in every for c in f.clients)),
        says=latest.says,
        remedy=latest.remedy,
        grows=any(_worse(finding, today) for finding in every),
    )


def _nodes(findings: Sequence[Finding], order: Sequence[str]) -> tuple[str, ...]:
    named = {node for finding in findings for node in finding.nodes}
    return tuple(node for node in order if node in named)


def _worse(finding: Finding, today: Sequence[Finding]) -> bool:
    """Whether a finding is worse than what is there today, at some node of its."""
    as_bad = {node for one in today if one.verdict <= finding.verdict for node in one.nodes}
    if not finding.nodes:
        return not any(one.verdict <= finding.verdict for one in today)
    return bool(set(finding.nodes) - as_bad)


def brought(found: Sequence[Trouble]) -> Verdict:
    """Return the worst that a roll-out brings by what is found on its way."""
    return min((one.verdict for one in found if one.grows), default=Verdict.SOUND)
