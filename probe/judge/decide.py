"""How one client family decides about what one node serves: every step, with its source.

It is judged as if this family alone were on site, by the same rules as everything else; so nothing
is decided here that a finding would not say.
"""

from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime

from probe.assessment import Decision, Does, Step, Verdict
from probe.judge.case import Case, Visit
from probe.judge.clients.reactions import BY_NAME, Reacted, worst
from probe.judge.draft import Draft
from probe.judge.names import covers, supplicant_covers
from probe.judge.rules import ALL
from probe.judge.standing import Standing
from probe.judge.trust import AnchorSet
from probe.judge.words import called, clip, issuer, listing
from probe.observation.model import Endpoint, Survey
from probe.plan.model import Client, Plan, Roots, Setup
from probe.records import replace

_Seen = tuple[Endpoint, str | None, int, tuple[Step, ...]]
"""Where it was, and what was decided: visits that are alike in both are one decision."""


def decide(
    plan: Plan, seen: Survey, *, node: str, family: str, at: datetime
) -> tuple[Decision, ...]:
    """Return how a family decides at each endpoint of a node that it opens, in the order asked.

    The family need not be on site: then it is taken as set up by profile.
    """
    world = BY_NAME[family].world
    on_site = tuple(client for client in plan.clients if client.family == family)
    usual = Client(family, Setup.PROFILE if world == "eap" else None)
    found: list[Decision] = []
    for client in dict.fromkeys(on_site or (usual,)):
        case = Case(replace(plan, clients=(client,)), seen, at=at)
        drafts = [said for rule in ALL for said in rule(case) if isinstance(said, Draft)]
        alike: dict[_Seen, list[Visit]] = defaultdict(list)
        for visit in _opened(case, node, family):
            steps = tuple(_steps(case, visit, client, drafts))
            asked = visit.asked
            alike[visit.record.endpoint, asked.address, asked.port, steps].append(visit)
        for (endpoint, address, port, steps), visits in alike.items():
            found.append(
                Decision(
                    client=family,
                    setup=client.setup.value if client.setup else None,
                    endpoint=endpoint,
                    node=node,
                    address=address,
                    port=port,
                    opened=tuple(dict.fromkeys(_how(visit) for visit in visits)),
                    steps=steps,
                    verdict=min(
                        (step.verdict for step in steps if step.verdict is not None),
                        default=Verdict.SOUND,
                    ),
                )
            )
    return tuple(found)


def _opened(case: Case, node: str, family: str) -> Iterator[Visit]:
    """Yield the visits that show what the family meets at a node."""
    known = BY_NAME[family]
    for visit in case.eap if known.world == "eap" else case.web:
        if node not in visit.nodes or visit.behind:
            continue
        met = visit.own if known.world == "node" else True
        if known.world == "web":
            met = visit.audience in known.opens
        if met:
            yield visit


def _how(visit: Visit) -> str:
    return visit.name or visit.way or ""


def _steps(case: Case, visit: Visit, client: Client, drafts: list[Draft]) -> Iterator[Step]:
    trusted = _roots_of(case, visit, client)
    if visit.chain:
        yield Step("roots", _roots_words(case, visit, trusted))
        for says in _path_words(case, visit, client, trusted):
            yield Step("path", says)
        if case.leaf(visit).readable:
            yield Step("name", _name_words(case, visit, client))
    for draft in drafts:
        if visit.record.question in draft.questions and set(visit.nodes) & set(draft.nodes):
            yield from _objection(visit, draft)


def _objection(visit: Visit, draft: Draft) -> Iterator[Step]:
    """Yield what a rule says of a visit, and what the client does about it."""
    rows = [row for row in draft.evidence if row.observation == visit.record.question]
    # A comparison speaks of several nodes, and its rows of one each.
    says = rows[0].value if rows and not draft.groups else draft.says
    reacted = draft.reacted if draft.rule.by_clients else ()
    if not reacted:
        verdict = draft.verdict if not draft.rule.by_clients else None
        yield Step(
            draft.rule_id,
            says,
            verdict=verdict,
            source=draft.rule.source,
            basis=draft.rule.basis,
        )
        return
    hardest = min(reacted, key=_hardness)
    known = hardest.known
    yield Step(
        draft.rule_id, says, known.does, known.words, worst((hardest,)), known.source, known.basis
    )


def _hardness(one: Reacted) -> tuple[Verdict, bool]:
    verdict = Verdict.SOUND if one.known.verdict is None else one.known.verdict
    return verdict, one.known.does is Does.CONTINUES


# ---------------------------------------------------------------- in words


def _roots_of(case: Case, visit: Visit, client: Client) -> AnchorSet:
    if BY_NAME[client.family].world == "node":
        return case.node_anchors
    for one in case.supplicants:
        if one.family == client.family:
            for trusted in case.trusted_by(visit, one) if visit.chain else ():
                return trusted or case.anchors_of(visit)
    return case.anchors_of(visit)


def _roots_words(case: Case, visit: Visit, trusted: AnchorSet) -> str:
    trust = case.plan.trust
    sources: dict[str, tuple[Roots, ...]] = {
        "web": trust.web,
        "staff": trust.staff,
        "eap": trust.eap,
        "node": trust.node,
    }
    named = [f"{one.name} {one.version or ''}".strip() for one in sources.get(trusted.name, ())]
    count = len(trusted.by_sha)
    text = f"it has {count} {'root' if count == 1 else 'roots'}"
    text += f", of {listing(named)}" if named else f", of {trusted.name or 'its profile'}"
    standing = case.standing(visit.chain[0])
    known = f", in {standing.store}" if standing.store else ""
    looks = "" if standing.standing is Standing.LOOKS_PUBLIC else "is "
    return f"{text}; the CA behind this {looks}{standing.standing.value}{known}"


def _path_words(case: Case, visit: Visit, client: Client, trusted: AnchorSet) -> Iterator[str]:
    explanation = case.explain(visit, client.family, trusted=trusted)
    for depth, sha256 in enumerate(explanation.path):
        facts = case.certificate(sha256)
        if facts is None:
            yield f"up to the certificate {sha256[:16]}, which its profile holds"
            continue
        if sha256 == explanation.anchor:
            where = "a root that it has" if sha256 in trusted else "a root that it does not have"
        elif sha256 in visit.chain:
            where = f"served, number {visit.chain.index(sha256) + 1}"
        else:
            where = "not served; known from elsewhere"
        link = "" if depth == 0 else "issued by "
        yield f"{link}{called(facts)} ({sha256[:16]}): {where}"
    if explanation.anchor is None:
        last = case.certificate(explanation.path[-1])
        ends = issuer(last) if last is not None and not last.self_issued else "itself"
        yield f"issued by {ends}: and there it ends, at no root"


def _name_words(case: Case, visit: Visit, client: Client) -> str:
    leaf = case.leaf(visit)
    if visit.record.endpoint is Endpoint.WEB:
        return f"by RFC 9525: {covers(leaf, visit.name or '').why}"
    if client.setup is Setup.BY_HAND:
        return "none is compared: it was set up by hand"
    if any(case.given.get(one) for one in case.supplicants):
        return "as its profile says: see the rules on profiles"
    eap = case.nodes[visit.nodes[0]].eap
    expected = eap.expected_names if eap is not None else ()
    return clip(supplicant_covers(leaf, expected, client.family).why)
