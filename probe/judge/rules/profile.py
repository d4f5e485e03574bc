"""What supplicants were really given does not fit what is served: names, and anchors.

Profiles that lack the same thing for the same reason are one finding: it names each of them, and
what to put where.
"""

import hashlib
from collections import defaultdict
from collections.abc import Iterator

from probe.certificate.facts import CertFacts, facts_of
from probe.judge.case import Case, Visit
from probe.judge.clients.reactions import Reacted, react
from probe.judge.draft import Draft, Sighting, nodes_of, resting_on
from probe.judge.given import Given, unmet
from probe.judge.override import hardened
from probe.judge.words import called, clip, listing, verb
from probe.plan.model import Acceptance, Client, Demand, Matching
from probe.records import dataclass, field

_NAME, _ANCHOR = "profile-name-missing", "profile-anchor-missing"

AS_PLANNED = "the plan expects such a name too"
"""Marks a missing name that the plan's own expected names would do for."""


_Asked = tuple[tuple[str, ...], bool]
"""The names that a profile asks for, and whether a certificate could carry them as they stand."""

_LITERAL = frozenset({Matching.NAME, Matching.EXACT, Matching.ALTERNATIVE})


@dataclass(slots=True)
class _Cause:
    """Sightings of one cause, and where in which profile it is to be put right."""

    sightings: list[Sighting] = field(default_factory=list)
    keys: dict[tuple[str, str], None] = field(default_factory=dict)
    """Key and file, in the order met."""
    families: set[str] = field(default_factory=set)

    def add(self, sighting: Sighting, key: str, one: Given) -> None:
        """Add what is seen, and the place of a profile that does not fit it."""
        self.sightings.append(sighting)
        self.keys[key, one.file] = None
        self.families.add(one.family)

    @property
    def files(self) -> tuple[str, ...]:
        """The profiles, each once."""
        return tuple(dict.fromkeys(file for _, file in self.keys))

    @property
    def leaves(self) -> tuple[str, ...]:
        """The certificates served, each once."""
        return tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in self.sightings))

    def places(self) -> str:
        """Return "ServerNames in staff.xml"."""
        return listing([f"{key} in {clip(file)}" for key, file in self.keys])


def _with_profiles(case: Case) -> Iterator[tuple[Visit, CertFacts, Client, Given]]:
    for visit in case.eap:
        if visit.chain and visit.nodes and case.leaf(visit).readable:
            for client, every in case.given.items():
                for one in every:
                    yield visit, case.leaf(visit), client, one


def _serving(case: Case, nodes: tuple[str, ...], cause: _Cause) -> str:
    return (
        f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} for EAP the certificate"
        f" {called(case.facts[cause.leaves[0]])}"
    )


def _does(client: Client, objection: str, leaf: CertFacts) -> tuple[Reacted, ...]:
    """Return what a client with a profile does; some certificates take a prompt away from it."""
    return hardened(react((client,), objection), leaf, first=True)


# ---------------------------------------------------------------- names


def names(case: Case) -> Iterator[Draft]:
    """Yield a draft for each set of names that profiles expect and a certificate has none of."""
    causes: dict[tuple[_Asked, bool, Acceptance | None], _Cause] = defaultdict(_Cause)
    known: dict[tuple[str, Given], list[tuple[str, _Asked, str, str]]] = {}
    for visit, leaf, client, one in _with_profiles(case):
        if (leaf.sha256, one) not in known:
            known[leaf.sha256, one] = [
                (
                    demand.key,
                    _asked(demand),
                    "wildcard-name" if match.by_wildcard else "name-unexpected",
                    match.why,
                )
                for demand, match in unmet(leaf, one)
            ]
        accepted = case.acceptance(_NAME, visit.nodes, None)
        for key, asked, objection, why in known[leaf.sha256, one]:
            eap = case.nodes[visit.nodes[0]].eap
            planned = eap is not None and bool(set(eap.expected_names) & set(asked[0]))
            detail = f"{one.file}, {key}: {why}"
            sighting = Sighting(visit, leaf.sha256, _does(client, objection, leaf), detail)
            causes[asked, planned, accepted].add(sighting, key, one)
    for (asked, planned, accepted), cause in causes.items():
        wanted, literal = asked
        yield _name_draft(case, cause, wanted, accepted, literal=literal, planned=planned)


def _asked(demand: Demand) -> _Asked:
    names = tuple(
        name.partition(":")[2] if how is Matching.ALTERNATIVE and ":" in name else name
        for name, how in demand.names
    )
    return names, all(how in _LITERAL and "*" not in name for name, how in demand.names)


def _name_draft(
    case: Case,
    cause: _Cause,
    wanted: tuple[str, ...],
    accepted: Acceptance | None,
    *,
    literal: bool,
    planned: bool,
) -> Draft:
    nodes = nodes_of(case, cause.sightings)
    leaf = case.facts[cause.leaves[0]]
    demanded = listing([clip(name) for name in wanted], last="or")
    carried = f"{demanded} in full among its DNS names" if literal else f"a name as {demanded} asks"
    served = next((n.value for n in leaf.names if n.type == "dns"), leaf.common_name)
    remedy = (
        f"Have the certificate issued again with {carried}, import it on {listing(nodes)}, then"
        " restart the RADIUS service there"
    )
    if served and "*" not in served:
        again = "the profile" if len(cause.files) == 1 else "the profiles"
        remedy += f"; or put {clip(served)} under {cause.places()}, and give {again} out again"
    draft = Draft(
        rule_id=_NAME,
        nodes=nodes,
        certificates=cause.leaves,
        fault=(*wanted, *cause.files, *((AS_PLANNED,) if planned else ())),
        says=f"{_serving(case, nodes, cause)}, which has no name that {cause.places()}"
        f" {verb(cause.files, 'expects', 'expect')} ({demanded}).",
        remedy=f"{remedy}.",
        accepted=accepted,
    )
    return resting_on(draft, cause.sightings)


# ---------------------------------------------------------------- anchors


def anchors(case: Case) -> Iterator[Draft]:
    """Yield a draft for each root that chains lead to and profiles lack.

    Only where the plan's own roots find nothing wrong with the chain: else that is the cause, and
    told by its own rule.
    """
    causes: dict[tuple[str, Acceptance | None], _Cause] = defaultdict(_Cause)
    for visit, leaf, client, one in _with_profiles(case):
        if case.roots_given(one) is None or case.anchored(visit, one):
            continue
        planned = case.explain(visit, one.family)
        if not planned.complete or planned.anchor is None:
            continue
        accepted = case.acceptance(_ANCHOR, visit.nodes, None)
        detail = f"{one.file}, {one.expects.anchor_key}: {_held(case, one)}"
        sighting = Sighting(visit, leaf.sha256, _does(client, "unknown-root", leaf), detail)
        causes[planned.anchor, accepted].add(sighting, one.expects.anchor_key, one)
    for (root, accepted), cause in causes.items():
        yield _anchor_draft(case, cause, root, accepted)


def _held(case: Case, one: Given) -> str:
    """Return what a profile holds instead."""
    roots = case.roots_given(one)
    if one.expects.system_roots:
        return "the roots of the system, and none of these"
    known = [called(facts_of(der)) for der in roots.by_sha.values()] if roots is not None else []
    strange = [f"thumbprint {print_}" for print_ in one.expects.thumbprints] if not known else []
    return f"it holds {listing([*known, *strange])} only"


def _anchor_draft(case: Case, cause: _Cause, root: str, accepted: Acceptance | None) -> Draft:
    nodes = nodes_of(case, cause.sightings)
    der = case.everywhere.by_sha[root]
    named = called(facts_of(der))
    digests = [f"SHA-256 {root}"]
    if "windows-eap" in cause.families:
        digests.insert(0, f"SHA-1 {hashlib.sha1(der, usedforsecurity=False).hexdigest()}")
    again = "the profile" if len(cause.files) == 1 else "the profiles"
    draft = Draft(
        rule_id=_ANCHOR,
        nodes=nodes,
        certificates=cause.leaves,
        fault=(root, *cause.files),
        says=f"{_serving(case, nodes, cause)}, which leads to the root {named}, and that is not"
        f" under {cause.places()}.",
        remedy=f"Put the root {named} ({', '.join(digests)}) under {cause.places()}, and give"
        f" {again} out again; or import on {listing(nodes)} a certificate that leads to a root"
        f" that is there already, then restart the RADIUS service on {listing(nodes)}.",
        accepted=accepted,
    )
    return resting_on(draft, cause.sightings)
