"""What one address answers besides: another time, by an old version, without its name."""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime

from probe.assessment import Note, Verdict
from probe.judge.case import Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.clients.reactions import react
from probe.judge.draft import Draft, Sighting, addresses_of, name_of, nodes_of, resting_on
from probe.judge.narrowed import OLD, old_versions
from probe.judge.rules.certificate import objected
from probe.judge.words import HOW, SERVICE, called, day, listing, verb
from probe.observation.model import Aspect, Endpoint, Outcome
from probe.plan.model import Acceptance, Audience, Client
from probe.records import dataclass, replace

DEFAULT = "web-default-differs"
OLD_TLS = "web-old-tls"

_BROKEN = (Outcome.MALFORMED, Outcome.NOT_TLS, Outcome.SILENT)
"""Endings of an old hello that refuse nothing."""


# ---------------------------------------------------------------- one time and another


@dataclass(frozen=True, slots=True)
class _Answers:
    """What makes places one cause: the same nodes answer now with one, now with another chain."""

    nodes: tuple[str, ...]
    chains: frozenset[tuple[str, ...]]
    accepted: Acceptance | None


def unequal_answers(case: Case, endpoint: Endpoint) -> Iterator[Draft]:
    """Yield a draft for each set of different chains that one address shows to the same hello.

    Behind a virtual address each node may answer with a certificate of its own: that is no fault.
    """
    rule_id = f"{endpoint.value}-unequal-answers"
    causes: dict[_Answers, list[Sighting]] = defaultdict(list)
    for visits in repeated(case, endpoint):
        by_chain: dict[tuple[str, ...], Visit] = {}
        for visit in visits:
            by_chain.setdefault(visit.chain, visit)
        if len(by_chain) < 2 or _each_of_its_own(case, visits):
            continue
        nodes = case.sort_nodes(node for visit in visits for node in visit.nodes)
        accepted = case.acceptance(rule_id, nodes, visits[0].name)
        key = _Answers(nodes, frozenset(by_chain), accepted)
        best = min(by_chain.values(), key=lambda visit: _badness(case, visit))
        for chain, visit in by_chain.items():
            times = sum(1 for one in visits if one.chain == chain)
            says = f"{times} of {len(visits)} times {_what(case, visit)}"
            # The best one has nothing against it: that the others are served too is the fault.
            at_fault = None if chain == best.chain else chain[0]
            causes[key].append(Sighting(visit, at_fault, (), says))
    for cause, sightings in causes.items():
        yield _unequal(case, endpoint, cause, sightings)


def repeated(case: Case, endpoint: Endpoint) -> Iterator[list[Visit]]:
    """Yield the visits of each place that were made alike and served."""
    alike: dict[object, list[Visit]] = defaultdict(list)
    for visit in case.asked(endpoint):
        if visit.aspect in (None, Aspect.AGAIN) and visit.chain and visit.nodes:
            alike[visit.place, visit.record.nodes].append(visit)
    yield from (visits for visits in alike.values() if not visits[0].behind)


def _each_of_its_own(case: Case, visits: list[Visit]) -> bool:
    """Whether it is a virtual address that shows what nodes behind it serve for the name, or may
    show what those serve that were not asked."""
    first = visits[0]
    service = first.service
    if service is None or not all(visit.virtual for visit in visits):
        return False
    if set(case.behind(service)) - set(case.nodes):
        return True
    own = {
        visit.chain
        for visit in case.visits(first.record.endpoint)
        if not visit.virtual and visit.chain and visit.name == first.name
    }
    return all(visit.chain in own for visit in visits)


def _badness(case: Case, visit: Visit) -> tuple[int, float, tuple[str, ...]]:
    worst = min(
        (
            one.known.verdict
            for _, _, sighting in objected(case, visit)
            for one in sighting.reacted
            if one.known.verdict is not None
        ),
        default=Verdict.SOUND,
    )
    begins = case.leaf(visit).not_before or datetime.min.replace(tzinfo=UTC)
    return Verdict.SOUND - worst, -begins.timestamp(), visit.chain


def _what(case: Case, visit: Visit) -> str:
    leaf = case.leaf(visit)
    more = len(visit.chain) - 1
    return (
        f"{called(leaf)}, until {day(leaf.not_after)}, SHA-256 {leaf.sha256[:16]}..., with"
        f" {more} CA {'certificate' if more == 1 else 'certificates'}"
    )


def _unequal(case: Case, endpoint: Endpoint, cause: _Answers, sightings: list[Sighting]) -> Draft:
    nodes, addresses = cause.nodes, addresses_of(sightings)
    worse = [sighting for sighting in sightings if sighting.certificate is not None]
    leaves = {sighting.visit.chain[0] for sighting in sightings}
    what = "different certificates"
    if len(leaves) == 1:
        what = "the same certificate with different CA certificates"
    at = "" if len(addresses) == 1 and len(nodes) == 1 else f" at {listing(addresses)}"
    draft = Draft(
        rule_id=f"{endpoint.value}-unequal-answers",
        nodes=nodes,
        name=name_of(case, sightings),
        certificates=tuple(dict.fromkeys(s.certificate for s in worse if s.certificate)),
        fault=tuple(sorted("+".join(chain) for chain in cause.chains)),
        says=f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} {HOW[endpoint]}{at} {what} from"
        " one time to the next.",
        remedy="Look for a process or a machine behind the address that was not restarted after the"
        f" last import, and restart the {SERVICE[endpoint]} on {listing(nodes)} altogether.",
        accepted=cause.accepted,
    )
    draft = resting_on(draft, sightings)
    # What is wrong with those that ought to be gone is explained by their being there.
    gone = frozenset(place for sighting in worse for place in sighting.visit.places)
    return replace(draft, places=gone)


# ---------------------------------------------------------------- old versions


def old_tls(case: Case) -> Iterator[Draft | Note]:
    """Yield a draft for nodes that speak TLS 1.0 or 1.1 besides, and one for those that speak
    nothing newer (RFC 8996); a note for what an old hello breaks instead of being refused."""
    newer = {
        (visit.asked.address, visit.asked.port, visit.record.nodes)
        for visit in case.asked_of_web
        if visit.record.served is not None and visit.record.served.tls not in (None, *OLD)
    }
    found: dict[tuple[bool, Acceptance | None], list[Sighting]] = defaultdict(list)
    broken: dict[Outcome, list[Sighting]] = defaultdict(list)
    for visit in case.asked_of_web:
        if not visit.nodes or not set(visit.asked.tls) <= set(OLD):
            continue
        where = visit.asked.address, visit.asked.port, visit.record.nodes
        if visit.record.outcome is Outcome.SERVED:
            only = where not in newer
            reacted = react(_who_comes(case, visit), "old-tls-only") if only else ()
            accepted = case.acceptance(OLD_TLS, visit.nodes, visit.name)
            says = f"it agrees to {old_versions([visit])}"
            found[only, accepted].append(Sighting(visit, None, reacted, says))
        elif visit.record.outcome in _BROKEN and where in newer:
            broken[visit.record.outcome].append(Sighting(visit))
    for (only, accepted), sightings in found.items():
        yield _old(case, only, accepted, sightings)
    for outcome, sightings in broken.items():
        nodes = nodes_of(case, sightings)
        how = "says nothing" if outcome is Outcome.SILENT else "answers with what is no TLS"
        old = old_versions([sighting.visit for sighting in sightings])
        says = (
            f"HTTPS at {listing(nodes)} does not refuse {old},"
            f" and {how} instead: clients that begin with it wait or fail without a word."
        )
        yield Note(OLD_TLS, Endpoint.WEB, nodes, None, says, BY_ID[OLD_TLS].source)


def _old(case: Case, only: bool, accepted: Acceptance | None, sightings: list[Sighting]) -> Draft:
    nodes = nodes_of(case, sightings)
    versions = old_versions([sighting.visit for sighting in sightings])
    speak = verb(nodes, "speaks", "speak")
    says = f"{listing(nodes)} still {speak} {versions} over HTTPS, beside what is newer."
    remedy = f"Turn {versions} off in the TLS settings of the web service on {listing(nodes)}."
    if only:
        says = f"{listing(nodes)} {speak} nothing newer than {versions} over HTTPS."
        remedy = (
            f"Turn TLS 1.2 and 1.3 on in the TLS settings of the web service on {listing(nodes)},"
            f" and {versions} off."
        )
    draft = Draft(
        rule_id=OLD_TLS,
        nodes=nodes,
        fault=("nothing newer" if only else "old too", *addresses_of(sightings)),
        verdict_at_best=Verdict.BLOCKED if only else None,
        says=says,
        remedy=remedy,
        accepted=accepted,
    )
    return resting_on(draft, sightings)


def _who_comes(case: Case, old: Visit) -> tuple[Client, ...]:
    """Return the clients that open any name at an address."""
    there = (old.asked.address, old.asked.port)
    audiences = {
        visit.audience
        for visit in case.asked_of_web
        if (visit.asked.address, visit.asked.port) == there
    }
    found = [
        client
        for audience in Audience
        if audience in audiences
        for client in case.browsers(audience)
    ]
    return tuple(dict.fromkeys((*found, *case.other_nodes)))


# ---------------------------------------------------------------- without its name


def default_differs(case: Case) -> Iterator[Note]:
    """Yield a note for nodes that show without a name, or by one they do not know, a certificate
    that they show by none of their names.

    Nobody is known to meet it. Where clients open the address itself, the plan names it, and the
    other rules speak of what is shown there.
    """
    by_name = _by_name(case)
    found: dict[tuple[str, str], list[Visit]] = defaultdict(list)
    for aspect in (Aspect.NO_NAME, Aspect.OTHER_NAME):
        for visit in case.aside(aspect):
            known = by_name.get((visit.asked.address, visit.asked.port), set())
            if visit.chain and visit.nodes and known and visit.chain[0] not in known:
                leaf = case.leaf(visit)
                found[aspect.value, leaf.issuer if leaf.self_signed else leaf.sha256].append(visit)
    told: dict[tuple[tuple[str, ...], str], list[str]] = defaultdict(list)
    for (aspect_name, _), visits in found.items():
        nodes = case.sort_nodes(node for visit in visits for node in visit.nodes)
        told[nodes, visits[0].chain[0]].append(aspect_name)
    for (nodes, sha256), aspects in told.items():
        how = listing([_HOW[aspect] for aspect in aspects], last="or")
        says = (
            f"{listing(nodes)} {verb(nodes, 'shows', 'show')} another certificate"
            f" ({called(case.facts[sha256])}, SHA-256 {sha256[:16]}...) to clients that come {how}"
            " than by any name of the plan."
        )
        yield Note(DEFAULT, Endpoint.WEB, nodes, None, says, BY_ID[DEFAULT].source)


_HOW = {
    Aspect.NO_NAME.value: "by address or without a name",
    Aspect.OTHER_NAME.value: "by a name that the node does not know",
}


def _by_name(case: Case) -> Mapping[tuple[str | None, int], set[str]]:
    """Return the leaves that each address shows by the names of the plan."""
    found: dict[tuple[str | None, int], set[str]] = defaultdict(set)
    for visit in case.web:
        if visit.chain:
            found[visit.asked.address, visit.asked.port].add(visit.chain[0])
    return found
