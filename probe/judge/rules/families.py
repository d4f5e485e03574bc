"""The two key families of one endpoint: whether one certificate fails where the other does not.

A server may hold an RSA and an ECDSA certificate, and which one a client meets depends on what it
offers. That they come from different CAs, or end on different days, is healthy; that one of them
fails for somebody, or lacks a name that clients look for, is what is easily overlooked.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping

from probe.assessment import Verdict
from probe.judge.case import Case, Visit
from probe.judge.clients.reactions import Reacted, react, worst
from probe.judge.draft import Draft, Sighting, name_of, nodes_of, resting_on
from probe.judge.rules import eap
from probe.judge.rules.certificate import objected
from probe.judge.strict import no_way_out
from probe.judge.words import SERVICE, called, listing, verb
from probe.observation.model import Aspect, Endpoint, KeyFamily
from probe.plan.model import Acceptance
from probe.records import dataclass

COVERAGE = "names alone"
"""Marks what is told here and nowhere above: one of the two lacks a name."""

_NOW = (Verdict.BLOCKED, Verdict.WARNED)


@dataclass(frozen=True, slots=True)
class _Failing:
    """What makes sightings one cause: the same as makes them one of the failing certificate's."""

    family: KeyFamily
    why: frozenset[tuple[str, ...]]
    """Of its certificate: kind and key of each objection; of its names: (COVERAGE,)."""
    accepted: Acceptance | None


def families_differ(case: Case, endpoint: Endpoint) -> Iterator[Draft]:
    """Yield a draft for each cause for which one key family's certificate alone fails."""
    rule_id = f"{endpoint.value}-families-differ"
    causes: dict[_Failing, list[Sighting]] = defaultdict(list)
    for shown in _both(case, endpoint):
        against = {family: failing(case, visit) for family, visit in shown.items()}
        for family, visit in shown.items():
            (other,) = set(shown) - {family}
            why, reacted = against[family]
            if not why or against[other][0]:
                continue
            kinds = frozenset((COVERAGE,) if one[0] == COVERAGE else one for one in why)
            accepted = case.acceptance(rule_id, visit.nodes, visit.name)
            says = _detail(case, visit, shown[other], family)
            causes[_Failing(family, kinds, accepted)].append(
                Sighting(visit, visit.chain[0], reacted, says)
            )
    for cause, sightings in causes.items():
        yield _draft(case, rule_id, cause, sightings)


def _both(case: Case, endpoint: Endpoint) -> Iterator[Mapping[KeyFamily, Visit]]:
    """Yield what each place shows of both families, the answer to every client first."""
    found: dict[object, dict[KeyFamily, Visit]] = defaultdict(dict)
    for visit in case.visits(endpoint):
        if visit.chain and visit.nodes and not visit.behind and visit.aspect is not Aspect.AGAIN:
            family = case.leaf(visit).key_family
            if family in (KeyFamily.RSA, KeyFamily.ECDSA):
                found[visit.place, visit.record.nodes].setdefault(family, visit)
    yield from (shown for shown in found.values() if len(shown) > 1)


def failing(case: Case, visit: Visit) -> tuple[frozenset[tuple[str, ...]], tuple[Reacted, ...]]:
    """Return for what a certificate fails for somebody now, and who minds; its names only where
    nothing else is wrong with it."""
    why: set[tuple[str, ...]] = set()
    reacted: list[Reacted] = []
    for kind, key, sighting in objected(case, visit):
        if worst(sighting.reacted) in _NOW:
            why.add((kind, *key))
            reacted += sighting.reacted
    served = visit.record.served
    if served is not None and served.key_proven is False:
        why.add(("key-unproven", visit.chain[0]))
    leaf = case.leaf(visit)
    if not why and leaf.readable:
        minding = _minding_names(case, visit)
        if worst(minding) in _NOW:
            why.add((COVERAGE,))
            reacted += minding
    return frozenset(why), tuple(dict.fromkeys(reacted))


def _minding_names(case: Case, visit: Visit) -> tuple[Reacted, ...]:
    """Return who minds what a certificate's names lack."""
    if visit.record.endpoint is Endpoint.EAP:
        found = eap.objections(case, case.leaf(visit), eap.expected(case, visit))
        return tuple(one for _, _, reacted in found for one in reacted)
    if case.covers(visit, visit.name).covered:
        return ()
    minding = react(case.browsers(visit.audience), "name-mismatch")
    minding = no_way_out(case.strict, visit.name, minding)
    return (*minding, *react(case.other_nodes, "name-mismatch")) if visit.own else minding


def _detail(case: Case, visit: Visit, other: Visit, family: KeyFamily) -> str:
    leaf, fine = case.leaf(visit), case.leaf(other)
    return (
        f"{_word(family)}: {called(leaf)}, SHA-256 {leaf.sha256[:16]}...;"
        f" {_word(fine.key_family)}: {called(fine)}, SHA-256 {fine.sha256[:16]}..."
    )


def _word(family: KeyFamily) -> str:
    return family.value.upper()


def _draft(case: Case, rule_id: str, cause: _Failing, sightings: list[Sighting]) -> Draft:
    service = SERVICE[sightings[0].visit.record.endpoint]
    nodes = nodes_of(case, sightings)
    leaves = tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings))
    family = _word(cause.family)
    other = "ECDSA" if family == "RSA" else "RSA"
    shown = called(case.facts[leaves[0]])
    what = f"the {family} certificate {shown}" if len(leaves) == 1 else f"{family} certificates"
    names = _names(case, sightings)
    coverage = cause.why == {(COVERAGE,)}
    several = len(leaves) > 1
    fault = f"{'fail' if several else 'fails'} for clients, while"
    fault += f" the {other} {'ones do' if several else 'one does'} not"
    remedy = (
        f"Import an {family} certificate of the CA that issued the {other} one on"
        f" {listing(nodes)}, or take the {family} certificate away there, then restart the"
        f" {service}."
    )
    if coverage:
        fault = f"{'do' if several else 'does'} not cover {listing(names)}, while the {other}"
        fault += " ones do" if several else " one does"
        remedy = (
            f"Have the {family} certificate issued again with {listing(names)} among its names, and"
            f" import it on {listing(nodes)} beside the {other} one, then restart the {service}"
            " there."
        )
    serving = f"{listing(nodes)} {verb(nodes, 'serves', 'serve')}"
    draft = Draft(
        rule_id=rule_id,
        nodes=nodes,
        name=name_of(case, sightings),
        certificates=leaves,
        fault=(cause.family.value, COVERAGE, *names) if coverage else (),
        says=f"{serving} {what}, which {fault}.",
        remedy=remedy,
        accepted=cause.accepted,
    )
    return resting_on(draft, sightings)


def _names(case: Case, sightings: Iterable[Sighting]) -> list[str]:
    """Return the names that are opened there, or expected."""
    found: dict[str, None] = {}
    for sighting in sightings:
        if sighting.visit.record.endpoint is Endpoint.EAP:
            found.update(dict.fromkeys(eap.expected(case, sighting.visit)))
        else:
            found[sighting.visit.name or ""] = None
    return list(found)
