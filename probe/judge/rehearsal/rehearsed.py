"""From a bundle, what the nodes serve and a time to the rehearsal. Pure."""

from collections.abc import Iterator, Sequence
from datetime import datetime

from probe.assessment import Finding, Verdict
from probe.bundle import Judged, ServedNow
from probe.certificate.container import Expected
from probe.judge.assess import judge
from probe.judge.rehearsal.advice import advice
from probe.judge.rehearsal.first import first
from probe.judge.rehearsal.memory import Memory, anew
from probe.judge.rehearsal.timeline import brought, steps, troubles
from probe.judge.rehearsal.unknown import alone, not_served, sooner, unknown
from probe.judge.rehearsal.way import Way, World, stops
from probe.judge.words import listing, verb
from probe.observation.model import Endpoint, Survey, fingerprint
from probe.plan.model import Plan
from probe.rehearsal import Anew, Feels, Rehearsal, Resumption, Step, Trouble

_RESUMED = "RFC 9190, 2.1.3; RFC 5246, F.1.4; RFC 9846, 4.6.1"

_LEFT = "import-other-family-left"


def rehearse(
    plan: Plan,
    bundle: Judged,
    now: ServedNow,
    *,
    at: datetime,
    order: Sequence[str] = (),
) -> Rehearsal:
    """Return what clients meet while the chain of a bundle comes to its nodes, one by one.

    `bundle` is what was said of the files, `now` what the nodes serve. `order` names nodes that
    get it first, in this order; the others follow as in the plan. Raises ValueError where there is
    no certificate, for a node that it is not meant for, and where the survey knows none of them.
    """
    if not bundle.offered.chain:
        raise ValueError("there is no server's certificate to rehearse")
    endpoints = frozenset(world.endpoint for world in bundle.worlds if world.meant)
    names = frozenset(
        row.name for row in bundle.coverage if row.wanted and row.endpoint is Endpoint.WEB
    )
    world = World(now.survey, endpoints, names, at)
    have = _already(plan, world, bundle)
    nodes = _in_order(bundle, now.survey, have, order)
    way = Way(plan, bundle.offered.chain, nodes)
    taken = steps(world, way, stops(nodes))
    then = world.after(way, nodes)
    memory = Memory(plan, world.seen.certificates | then.certificates, at)
    asked = tuple(anew(plan, memory, world.seen, then, nodes))
    planned = [node.name for node in plan.nodes]
    found = troubles(planned, taken)
    blocking = tuple(one for one in bundle.assessment.findings if one.rule.startswith("bundle-"))
    left = tuple(_left_behind(plan, way, then, at))
    dark = tuple(not_served(world, way))
    own = tuple(_own_faults(way, taken[-1]))
    return Rehearsal(
        first=(
            *first(taken, found, asked, blocking, left, own),
            *(sooner(plan, world, way) if brought(found) <= Verdict.WARNED else ()),
            *dark,
            *alone(bundle),
        ),
        bundle=bundle,
        survey=now.survey,
        known_from=now.known_from,
        today=world.judged(plan, now.survey),
        endpoints=tuple(one for one in (Endpoint.WEB, Endpoint.EAP) if one in endpoints),
        order=nodes,
        already=have,
        steps=taken,
        troubles=found,
        anew=asked,
        advice=advice(world, way, bundle, taken),
        resumption=_resumption(now.survey, nodes) if Endpoint.EAP in endpoints else None,
        unknown=tuple(unknown(plan, bundle, world, way)),
        left_behind=left,
        blocking=blocking,
        verdict=_verdict(
            found, asked, (*blocking, *left, *own), seen=not (dark or now.survey.interrupted)
        ),
    )


def _already(plan: Plan, world: World, bundle: Judged) -> tuple[str, ...]:
    """Return the nodes that serve it, and at which an import would change nothing."""
    leaf = fingerprint(bundle.offered.chain[0])
    way = Way(plan, bundle.offered.chain, bundle.nodes)

    def shown(survey: Survey, node: str) -> list[tuple[str, ...]]:
        return [
            record.served.chain if record.served is not None else ()
            for record in survey.handshakes
            if record.nodes == (node,) and record.endpoint in world.endpoints
        ]

    known = {node for question in world.seen.questions for node in question.nodes}
    found = []
    for node in bundle.nodes:
        today = shown(world.seen, node)
        serves = any(chain[:1] == (leaf,) for chain in today)
        if serves and node in known and today == shown(world.after(way, (node,)), node):
            found.append(node)
    return tuple(found)


def _in_order(
    bundle: Judged, seen: Survey, have: Sequence[str], order: Sequence[str]
) -> tuple[str, ...]:
    known = {node for question in seen.questions for node in question.nodes}
    meant = [node for node in bundle.nodes if node in known and node not in have]
    if not meant and have:
        raise ValueError("all nodes that it is meant for serve it already")
    if not meant:
        raise ValueError("nothing is known of the nodes that the certificate is meant for")
    strange = [node for node in order if node not in meant]
    if strange:
        raise ValueError(
            f"{listing(strange)} {verb(strange, 'is', 'are')} not among the nodes that are to get"
            f" it: {listing(meant)}"
        )
    first = list(dict.fromkeys(order))
    return (*first, *(node for node in meant if node not in first))


def _left_behind(plan: Plan, way: Way, then: Survey, at: datetime) -> Iterator[Finding]:
    """Yield what is not replaced though it was to be, in the end."""
    expected = Expected(certificates=way.chain)
    for finding in judge(plan, then, at=at, expected=expected).findings:
        if finding.rule == _LEFT:
            yield finding


def _own_faults(way: Way, last: Step) -> Iterator[Finding]:
    """Yield what is found of the new certificates in the end, also where today's have it too: an
    import that renews a fault is no sound one."""
    new, nodes = {fingerprint(der) for der in way.chain}, set(way.order)
    for finding in last.findings:
        if finding.counts and new & set(finding.certificates) and nodes & set(finding.nodes):
            yield finding


def _resumption(seen: Survey, nodes: Sequence[str]) -> Resumption:
    offering = {
        node
        for record in seen.handshakes
        if record.endpoint is Endpoint.EAP and record.eap is not None and record.eap.resumption
        for node in record.nodes
    }
    offer = tuple(node for node in nodes if node in offering)
    says = []
    if offer:
        says.append(
            f"{listing(offer)} {verb(offer, 'lets', 'let')} sessions be resumed under TLS 1.2:"
            " whoever does so is shown no certificate, and meets the new one with the next full"
            " login, a day later at most where servers keep to what is suggested."
        )
    else:
        says.append("No node was seen to let sessions be resumed under TLS 1.2.")
    says.append(
        "Of TLS 1.3 it cannot be seen: a ticket is good for seven days at most. A restart of the"
        " service may end sessions sooner. So what is found on the way may be felt days later:"
        " quiet hours prove nothing."
    )
    return Resumption(offer, tuple(says), _RESUMED)


def _verdict(
    found: Sequence[Trouble],
    asked: Sequence[Anew],
    more: Sequence[Finding],
    *,
    seen: bool,
) -> Verdict:
    verdicts = [brought(found), *(finding.verdict for finding in more if finding.counts)]
    felt = {Feels.BLOCKED: Verdict.BLOCKED, Feels.ASKED: Verdict.WARNED}
    verdicts += [felt.get(one.feels, Verdict.ADVISED) for one in asked]
    if not seen:
        verdicts.append(Verdict.UNSEEN)
    return min(verdicts)
