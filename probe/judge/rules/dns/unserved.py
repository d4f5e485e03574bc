"""Names with A and AAAA records whose server answers at the addresses of one of the two only.

Silence and a missing route may be this machine's own: they count where something else of the same
kind of address answered it. A closed port is an answer.
"""

from collections import defaultdict
from collections.abc import Iterator

from probe.assessment import Verdict
from probe.judge.case import Case, Visit
from probe.judge.draft import (
    Draft,
    Sighting,
    addresses_of,
    beside_chains,
    ending_of,
    name_of,
    nodes_of,
)
from probe.judge.rules.dns.answers import (
    FAMILIES,
    about_name,
    addresses_in,
    canonical,
    family_of,
    openers,
)
from probe.judge.words import listing, verb
from probe.observation.model import Aspect, LookupOutcome, Outcome, Phase
from probe.plan.addresses import split_address
from probe.plan.model import Acceptance
from probe.records import dataclass

_RULE = "dns-unserved-family"

_UNREACHED = frozenset({Outcome.SILENT, Outcome.UNREACHABLE})

_NOTHING_LEARNT = _UNREACHED | {Outcome.NOT_ASKED}

_SAID = frozenset(LookupOutcome) - {
    LookupOutcome.SILENT,
    LookupOutcome.FAILED,
    LookupOutcome.MALFORMED,
}
"""Endings of a lookup that only a resolver's own words can bring about."""

_KINDS = {"A": "IPv4", "AAAA": "IPv6"}


@dataclass(frozen=True, slots=True)
class Unserved:
    """One visit that failed at a published address of a family that is not served."""

    visit: Visit
    family: str
    """The record type: "A" or "AAAA"."""
    proven: bool
    """Whether it is known not to be this machine that has no way there."""
    served_at: tuple[str, ...]
    """Addresses of the other family that answer."""


def unserved(case: Case) -> tuple[Unserved, ...]:
    """Return the visits that failed, for each name whose other family is served."""
    return case.once(unserved, lambda: _unserved(case))


def _unserved(case: Case) -> tuple[Unserved, ...]:
    published = _published(case)
    if not published:
        return ()
    by_name: dict[tuple[str, int], list[Visit]] = defaultdict(list)
    for visit in (*case.web, *case.aside(Aspect.LED)):
        if visit.name and visit.asked.address and visit.nodes and not visit.behind:
            by_name[visit.name, visit.asked.port].append(visit)
    reached = _reached(case)
    found: dict[int, Unserved] = {}
    for (name, _), visits in by_name.items():
        for addresses in published.get(name, ()):
            here = [v for v in visits if canonical(v.asked.address or "") in addresses]
            for family in FAMILIES:
                for failing, served_at in _failing(here, addresses, family):
                    for visit in failing:
                        proven = _proven(case, visit, reached)
                        one = Unserved(visit, family, proven, served_at)
                        found.setdefault(id(visit), one)
    return tuple(found.values())


def family_unserved(case: Case) -> Iterator[Draft]:
    """Yield a draft for each family of addresses that is published and not served."""
    causes: dict[tuple[str, bool, Acceptance | None], list[Unserved]] = defaultdict(list)
    for one in unserved(case):
        accepted = case.acceptance(_RULE, one.visit.nodes, one.visit.name)
        causes[one.family, one.proven, accepted].append(one)
    for (family, proven, accepted), some in causes.items():
        sightings = [Sighting(one.visit, detail=ending_of(one.visit)) for one in some]
        nodes, addresses = nodes_of(case, sightings), addresses_of(sightings)
        names = list(dict.fromkeys(one.visit.name for one in some if one.visit.name))
        ports = sorted({str(one.visit.asked.port) for one in some})
        served = list(dict.fromkeys(address for one in some for address in one.served_at))
        kind = _KINDS[family]
        felt = f"clients that have {kind} alone get nowhere"
        if family == "AAAA":
            felt += ", others come a little later"
        says = (
            f"{listing(names)} {verb(names, 'is', 'are')} published at {listing(addresses)} too,"
            f" where {listing(nodes)} {verb(nodes, 'does', 'do')} not answer on port"
            f" {listing(ports)}, and at {listing(served)}"
            f" {verb(nodes, 'it answers', 'they answer')}"
        )
        if proven:
            says += f": {felt}."
        else:
            says += (
                f"; nothing else answered this machine by {kind}, so it may be that there is no"
                " such route from here."
            )
        verdict = Verdict.UNSEEN
        if proven:
            verdict = Verdict.ADVISED if family == "AAAA" else Verdict.BLOCKED
        draft = Draft(
            rule_id=_RULE,
            nodes=nodes,
            name=name_of(case, sightings),
            fault=(family, "seen" if proven else "unseen", *addresses),
            clients=tuple(sorted({who for name in names for who in openers(case, name)})),
            verdict_at_best=verdict,
            says=says,
            remedy=f"Let {listing(nodes)} answer at {listing(addresses)}, port {listing(ports)}, or"
            f" take the {family} records of {listing(names)} out of the zone"
            + ("." if proven else f"; look again from a machine that has {kind}."),
            accepted=accepted,
        )
        yield beside_chains(draft, sightings)


def _published(case: Case) -> dict[str, set[frozenset[str]]]:
    """Return the sets of addresses that views give, of names that have both families there."""
    found: dict[tuple[str, str, str | None, str | None], list[frozenset[str]]] = defaultdict(list)
    for lookup in case.survey.lookups:
        asked, question = lookup.asked, case.questions.get(lookup.question)
        if question is not None and about_name(question, lookup):
            key = asked.name, asked.resolver, asked.view, lookup.vantage
            found[key].append(addresses_in((lookup,)))
    published: dict[str, set[frozenset[str]]] = defaultdict(set)
    for (name, *_), some in found.items():
        addresses = frozenset[str]().union(*some)
        if {family_of(one) for one in addresses} == set(FAMILIES):
            published[name].add(addresses)
    return published


def _failed(visit: Visit) -> bool:
    """Whether it ended before there was a connection."""
    outcome = visit.record.outcome
    cut = outcome is Outcome.CUT_OFF and visit.record.phase is Phase.CONNECT
    return outcome in _UNREACHED or outcome is Outcome.CLOSED or cut


def _failing(
    visits: list[Visit], addresses: frozenset[str], family: str
) -> Iterator[tuple[list[Visit], tuple[str, ...]]]:
    """Yield the visits of a family that failed, with where the other family answers.

    Of the name as a whole if all its published addresses of the family fail; else node by node.
    """
    published = {one for one in addresses if family_of(one) == family}
    whole = _split(visits, family)
    if whole is not None and {canonical(v.asked.address or "") for v in whole[0]} == published:
        yield whole
        return
    of_node: dict[str, list[Visit]] = defaultdict(list)
    for visit in visits:
        if len(visit.record.nodes) == 1 and not visit.virtual and visit.aspect is None:
            of_node[visit.nodes[0]].append(visit)
    for some in of_node.values():
        part = _split(some, family)
        if part is not None:
            yield part


def _split(visits: list[Visit], family: str) -> tuple[list[Visit], tuple[str, ...]] | None:
    of_family = [v for v in visits if family_of(v.asked.address or "") == family]
    others = [v for v in visits if family_of(v.asked.address or "") != family]
    answering = [v for v in others if not _failed(v) and v.record.outcome is not Outcome.NOT_ASKED]
    if not of_family or not answering or not all(_failed(visit) for visit in of_family):
        return None
    return of_family, tuple(dict.fromkeys(v.asked.address or "" for v in answering))


def _proven(case: Case, visit: Visit, reached: frozenset[str]) -> bool:
    return (
        visit.record.outcome not in _UNREACHED
        or family_of(_way(case, visit)) in reached
        or case.answered_before(visit.record.question)
    )


def _way(case: Case, visit: Visit) -> str:
    """Return the address to which this machine connects for a visit."""
    address = visit.asked.address or ""
    nodes = [case.nodes[name] for name in visit.record.nodes if name in case.nodes]
    return nodes[0].reached_at(address) if len(nodes) == 1 else address


def _reached(case: Case) -> frozenset[str]:
    """Return the families of addresses at which anything answered this machine."""
    found = set()
    for visit in (*case.asked_of_web, *case.eap):
        if visit.asked.address and visit.record.outcome not in _NOTHING_LEARNT:
            found.add(family_of(_way(case, visit)))
    for resolver in {one.asked.resolver for one in case.survey.lookups if one.outcome in _SAID}:
        try:
            found.add(family_of(split_address(resolver, 53)[0]))
        except ValueError:
            continue  # the system's resolver: its address is not known
    return frozenset(found)
