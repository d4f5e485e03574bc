"""The two key families of one web endpoint: whether one certificate fails where the other does not.

A server may hold an RSA and an ECDSA certificate, and which one a client meets depends on what it
offers. That they come from different CAs, or end on different days, is healthy; that one of them
fails for somebody, or lacks a name that clients open, is what is easily overlooked.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from probe.assessment import Verdict
from probe.judge.case import Case, Visit
from probe.judge.clients.reactions import Reacted, react, worst
from probe.judge.draft import Draft, Sighting, name_of, nodes_of, resting_on
from probe.judge.names import covers
from probe.judge.rules.certificate import objected
from probe.judge.strict import no_way_out
from probe.judge.words import called, listing, verb
from probe.observation.model import Aspect, KeyFamily
from probe.plan.model import Acceptance

FAMILIES = "web-families-differ"

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


def families_differ(case: Case) -> Iterator[Draft]:
    """Yield a draft for each cause for which one key family's certificate alone fails."""
    causes: dict[_Failing, list[Sighting]] = defaultdict(list)
    for shown in _both(case):
        failing = {family: _failing(case, visit) for family, visit in shown.items()}
        for family, visit in shown.items():
            (other,) = set(shown) - {family}
            why, reacted = failing[family]
            if not why or failing[other][0]:
                continue
            kinds = frozenset((COVERAGE,) if one[0] == COVERAGE else one for one in why)
            accepted = case.acceptance(FAMILIES, visit.nodes, visit.name)
            says = _detail(case, visit, shown[other], family)
            causes[_Failing(family, kinds, accepted)].append(
                Sighting(visit, visit.chain[0], reacted, says)
            )
    for cause, sightings in causes.items():
        yield _draft(case, cause, sightings)


def _both(case: Case) -> Iterator[Mapping[KeyFamily, Visit]]:
    """Yield what each place shows of both families, the answer to every client first."""
    found: dict[object, dict[KeyFamily, Visit]] = defaultdict(dict)
    for visit in case.web:
        if visit.chain and visit.nodes and not visit.behind and visit.aspect is not Aspect.AGAIN:
            family = case.leaf(visit).key_family
            if family in (KeyFamily.RSA, KeyFamily.ECDSA):
                found[visit.place, visit.record.nodes].setdefault(family, visit)
    yield from (shown for shown in found.values() if len(shown) > 1)


def _failing(case: Case, visit: Visit) -> tuple[frozenset[tuple[str, ...]], tuple[Reacted, ...]]:
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
    if not why and leaf.readable and not covers(leaf, visit.name or "").covered:
        minding = no_way_out(
            case.strict, visit.name, react(case.browsers(visit.audience), "name-mismatch")
        )
        if visit.own:
            minding = (*minding, *react(case.other_nodes, "name-mismatch"))
        if worst(minding) in _NOW:
            why.add((COVERAGE,))
            reacted += minding
    return frozenset(why), tuple(dict.fromkeys(reacted))


def _detail(case: Case, visit: Visit, other: Visit, family: KeyFamily) -> str:
    leaf, fine = case.leaf(visit), case.leaf(other)
    return (
        f"{_word(family)}: {called(leaf)}, SHA-256 {leaf.sha256[:16]}…;"
        f" {_word(fine.key_family)}: {called(fine)}, SHA-256 {fine.sha256[:16]}…"
    )


def _word(family: KeyFamily) -> str:
    return family.value.upper()


def _draft(case: Case, cause: _Failing, sightings: list[Sighting]) -> Draft:
    nodes = nodes_of(case, sightings)
    leaves = tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings))
    family = _word(cause.family)
    other = "ECDSA" if family == "RSA" else "RSA"
    shown = called(case.facts[leaves[0]])
    what = f"the {family} certificate {shown}" if len(leaves) == 1 else f"{family} certificates"
    names = _names(sightings)
    coverage = cause.why == {(COVERAGE,)}
    several = len(leaves) > 1
    fault = f"{'fail' if several else 'fails'} for clients, while"
    fault += f" the {other} {'ones do' if several else 'one does'} not"
    remedy = (
        f"Import an {family} certificate of the CA that issued the {other} one on"
        f" {listing(nodes)}, or take the {family} certificate away there, then restart the web"
        " service."
    )
    if coverage:
        fault = f"{'do' if several else 'does'} not cover {listing(names)}, while the {other}"
        fault += " ones do" if several else " one does"
        remedy = (
            f"Have the {family} certificate issued again with {listing(names)} among its names, and"
            f" import it on {listing(nodes)} beside the {other} one, then restart the web service"
            " there."
        )
    serving = f"{listing(nodes)} {verb(nodes, 'serves', 'serve')}"
    draft = Draft(
        rule_id=FAMILIES,
        nodes=nodes,
        name=name_of(case, sightings),
        certificates=leaves,
        fault=(cause.family.value, COVERAGE, *names) if coverage else (),
        says=f"{serving} {what}, which {fault}.",
        remedy=remedy,
        accepted=cause.accepted,
    )
    return resting_on(draft, sightings)


def _names(sightings: Iterable[Sighting]) -> list[str]:
    return list(dict.fromkeys(sighting.visit.name or "" for sighting in sightings))
