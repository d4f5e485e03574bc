"""What is wrong with a served chain, on the web and on EAP endpoints alike.

Each chain is explained to each client family on site. What they object to is gathered by cause, so
that nodes with one cause make one draft; the sentences stand in `certificate_words.py`.

Names are not judged here: each world has its own rules for them.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from probe.assessment import Verdict
from probe.judge.case import REFERENCE, Case, Visit
from probe.judge.clients.reactions import Reacted, react, worst
from probe.judge.draft import Draft, Sighting, name_of, nodes_of, resting_on
from probe.judge.path import Problem
from probe.judge.rules.certificate_words import Said, say
from probe.judge.trust import AnchorSet
from probe.judge.words import day
from probe.observation.model import Endpoint
from probe.plan.model import Acceptance, Client

TRUST = frozenset({"self-signed", "private-root", "unknown-root", "chain-incomplete"})
"""Kinds of problem that say where a chain leads: between nodes they are the cluster's rule."""


IN_PLAN = "a root of another world of the plan"
"""Marks an eap-unknown-root whose root the plan knows, though not for EAP."""


@dataclass(frozen=True, slots=True)
class Cause:
    """What makes two sightings one finding."""

    kind: str
    """The rule's id without the endpoint."""
    key: tuple[str, ...]
    accepted: Acceptance | None


def certificates(case: Case, endpoint: Endpoint) -> Iterator[Draft]:
    """Yield a draft for each cause on one kind of endpoint."""
    causes: dict[Cause, list[Sighting]] = defaultdict(list)
    for visit in case.visits(endpoint):
        # Behind a virtual address clients meet what the address shows, not the node's own.
        if visit.chain and visit.nodes and not visit.behind:
            for kind, key, sighting in (*_objections(case, visit), *_soon(case, visit)):
                rule_id = f"{endpoint.value}-{kind}"
                accepted = case.acceptance(rule_id, visit.nodes, visit.name)
                causes[Cause(kind, key, accepted)].append(sighting)
    for cause, sightings in causes.items():
        yield _draft(case, endpoint, cause, sightings)


def _draft(case: Case, endpoint: Endpoint, cause: Cause, sightings: list[Sighting]) -> Draft:
    nodes = nodes_of(case, sightings)
    name = name_of(case, sightings) if endpoint is Endpoint.WEB else None
    at_fault = tuple(dict.fromkeys(s.certificate for s in sightings if s.certificate in case.facts))
    leaves = tuple(dict.fromkeys(s.visit.chain[0] for s in sightings))
    said = say(case, cause.kind, Said(endpoint, nodes, name, at_fault, leaves, cause.key))
    expiring = cause.kind == "expiring"
    nobody_minds = worst(one for each in sightings for one in each.reacted) is None
    ends = [case.facts[sha256].not_after for sha256 in leaves]
    draft = Draft(
        rule_id=f"{endpoint.value}-{cause.kind}",
        nodes=nodes,
        name=name,
        certificates=at_fault or leaves,
        fault=cause.key if cause.kind in TRUST - {"self-signed"} else (),
        # An end that nobody on site minds blocks nobody.
        verdict_at_best=Verdict.ADVISED if expiring and nobody_minds else None,
        due=min((end for end in ends if end is not None), default=None) if expiring else None,
        says=said.says,
        remedy=said.remedy,
        accepted=cause.accepted,
    )
    return resting_on(draft, sightings)


def watchers(
    case: Case, visit: Visit
) -> Iterator[tuple[str, tuple[Client, ...], AnchorSet | None]]:
    """Yield each family that meets a visit's chain, its clients on site, and its roots.

    Where no family of that world is on site, the standards' own reading, which nobody feels.
    """
    eap = visit.record.endpoint is Endpoint.EAP
    clients = case.supplicants if eap else case.browsers(visit.audience)
    families = dict.fromkeys(client.family for client in clients)
    for family in families or (REFERENCE[visit.record.endpoint],):
        yield family, tuple(c for c in clients if c.family == family), None
    if visit.own:
        for client in case.other_nodes:
            yield client.family, (client,), case.node_anchors


def _objections(case: Case, visit: Visit) -> Iterator[tuple[str, tuple[str, ...], Sighting]]:
    found: dict[tuple[str, Problem], list[Reacted]] = defaultdict(list)
    keys: dict[tuple[str, Problem], tuple[str, ...]] = {}
    for family, clients, trusted in watchers(case, visit):
        explanation = case.explain(visit, family, trusted=trusted)
        for problem in explanation.problems:
            kind = str(problem.kind)
            if trusted is not None and kind in TRUST:
                continue
            key = _key(case, visit, kind, problem, explanation.used_extra)
            if kind == "private-root" and visit.record.endpoint is Endpoint.EAP:
                kind, key = "unknown-root", (explanation.ends_in, IN_PLAN)
            keys[kind, problem] = key or (explanation.ends_in,)
            found[kind, problem] += react(clients, kind)
    for (kind, problem), reacted in found.items():
        sighting = Sighting(visit, problem.certificate, tuple(dict.fromkeys(reacted)), problem.says)
        yield kind, keys[kind, problem], sighting
    leaf = case.leaf(visit)
    absent = leaf.readable and leaf.extended_key_usage is None
    if visit.record.endpoint is Endpoint.EAP and absent:
        # RFC 5216, 5.3 takes an absent one; some published requirements do not
        # (Microsoft, certificate requirements for PEAP and EAP).
        reacted = list(react(case.supplicants, "purpose-absent"))
        if reacted:
            says = "it has no extended key usage"
            sighting = Sighting(visit, leaf.sha256, tuple(reacted), says)
            yield "wrong-purpose", ("absent", leaf.issuer), sighting


def _key(
    case: Case, visit: Visit, kind: str, problem: Problem, used_extra: Iterable[str]
) -> tuple[str, ...]:
    """Return what sightings of one cause share; empty for the place where the chain ends."""
    leaf = case.leaf(visit)
    at_leaf = problem.certificate == visit.chain[0]
    match kind:
        case "self-signed":
            return ("self-signed",)
        case "private-root" | "unknown-root":
            return ()
        case "chain-incomplete":
            return tuple(used_extra) or (leaf.issuer, leaf.authority_key_id or "")
        # Certificates that one CA issued to end (or begin) on one day are one renewal.
        case "expired" if at_leaf:
            return leaf.issuer, day(leaf.not_after)
        case "not-yet-valid" if at_leaf:
            return leaf.issuer, day(leaf.not_before)
        case "wrong-purpose" if at_leaf:
            return leaf.issuer, *(leaf.extended_key_usage or ()), *(leaf.key_usage or ())
        case _:
            return (problem.certificate or "",)


def _soon(case: Case, visit: Visit) -> Iterator[tuple[str, tuple[str, ...], Sighting]]:
    leaf = case.leaf(visit)
    window = case.window(leaf)
    if window is None or leaf.not_after is None or leaf.not_before is None:
        return
    if leaf.not_before <= case.at <= leaf.not_after <= case.at + window:
        reacted: list[Reacted] = []
        for _, clients, _ in watchers(case, visit):
            reacted += react(clients, "expired")
        says = f"it ends on {day(leaf.not_after)}"
        sighting = Sighting(visit, leaf.sha256, tuple(dict.fromkeys(reacted)), says)
        yield "expiring", (leaf.issuer, day(leaf.not_after)), sighting
