"""The shape of a served chain: its order, what does not belong to it, and engines that disagree.

A chain that every client gets along with is at most worth a note. It becomes a finding where only
clients that search for a path get along with it, and somebody on site is known not to search.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterator, Mapping

from probe.assessment import Note
from probe.certificate.facts import CertFacts
from probe.certificate.keys import signed_by
from probe.certificate.naming import same_name
from probe.judge.case import Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.clients.reactions import Reacted, react, worst
from probe.judge.draft import Draft, Sighting, name_of, nodes_of, resting_on
from probe.judge.path.model import Disagreement, Disorder, Explanation
from probe.judge.rules.certificate import readable, showing, watchers
from probe.judge.words import called, listing, verb
from probe.observation.model import Endpoint
from probe.plan.model import Acceptance
from probe.records import dataclass

_DISORDERED = "chain-disordered"
_SURPLUS = "chain-surplus"


def _note(endpoint: Endpoint, kind: str, nodes: tuple[str, ...], says: str) -> Note:
    rule_id = f"{endpoint.value}-{kind}"
    return Note(rule_id, endpoint, nodes, None, says, BY_ID[rule_id].source)


def _serving(endpoint: Endpoint, nodes: tuple[str, ...]) -> str:
    how = "over HTTPS" if endpoint is Endpoint.WEB else "for EAP"
    return f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} {how}"


# ---------------------------------------------------------------- order


@dataclass(frozen=True, slots=True)
class _Astray:
    """What leads clients astray, and how the plan takes it."""

    disorder: Disorder
    accepted: Acceptance | None


def disordered(case: Case, endpoint: Endpoint) -> Iterator[Draft | Note]:
    """Yield what is to be served before what, and chains that are merely out of order."""
    astray: dict[_Astray, list[Sighting]] = defaultdict(list)
    merely: dict[tuple[str, ...], list[Sighting]] = defaultdict(list)
    for visit in readable(case, endpoint):
        found, wrong = case.once_met(_disorder, visit)
        for disorder, reacted in found.items():
            accepted = case.acceptance(f"{endpoint.value}-{_DISORDERED}", visit.nodes, visit.name)
            says = f"{disorder.engine} refuses it: {disorder.says}"
            sighting = Sighting(visit, disorder.before, tuple(dict.fromkeys(reacted)), says)
            astray[_Astray(disorder, accepted)].append(sighting)
        if wrong:
            merely[wrong].append(Sighting(visit))
    for cause, sightings in astray.items():
        yield _led_astray(case, endpoint, cause, sightings)
    for wrong, sightings in merely.items():
        nodes = nodes_of(case, sightings)
        names = listing([called(case.facts[sha256]) for sha256 in wrong])
        says = (
            f"{_serving(endpoint, nodes)} a chain out of order: {names} should stand further"
            " behind, each certificate before its issuer's. Since TLS 1.3 clients are to take any"
            " order; old ones may not."
        )
        yield _note(endpoint, _DISORDERED, nodes, says)


def _disorder(case: Case, visit: Visit) -> tuple[Mapping[Disorder, list[Reacted]], tuple[str, ...]]:
    """Return what leads clients astray, with what they do; else what is merely out of order."""
    found: dict[Disorder, list[Reacted]] = defaultdict(list)
    for family, clients, trusted in watchers(case, visit):
        disorder = case.explain(visit, family, trusted=trusted).disorder
        if disorder is not None:
            found[disorder] += react(clients, _DISORDERED)
    return found, () if found else _out_of_order(case.reference(visit), visit.chain)


def _out_of_order(explanation: Explanation, chain: tuple[str, ...]) -> tuple[str, ...]:
    """Return the certificates of the path that stand before one that they issued."""
    places = {sha256: place for place, sha256 in reversed(list(enumerate(chain)))}
    served = [sha256 for sha256 in explanation.path if sha256 in places]
    return tuple(
        issuer
        for at, issuer in enumerate(served)
        if any(places[below] > places[issuer] for below in served[:at])
    )


def _led_astray(
    case: Case, endpoint: Endpoint, cause: _Astray, sightings: list[Sighting]
) -> Draft | Note:
    nodes = nodes_of(case, sightings)
    good, other = (case.facts[sha] for sha in (cause.disorder.serve, cause.disorder.before))
    before = f"{_told(good)} before {_told(other)}"
    says = (
        f"{_serving(endpoint, nodes)} a chain that only clients accept which search for a path;"
        f" others take the first CA certificate of a name, {_told(other)}, and get no further."
    )
    if worst(one for each in sightings for one in each.reacted) is None:
        return _note(endpoint, _DISORDERED, nodes, f"{says} Serve {before}.")
    service = "web" if endpoint is Endpoint.WEB else "RADIUS"
    draft = Draft(
        rule_id=f"{endpoint.value}-{_DISORDERED}",
        nodes=nodes,
        name=name_of(case, sightings) if endpoint is Endpoint.WEB else None,
        certificates=(other.sha256,),
        says=says,
        remedy=f"Put {before} in the chain on {listing(nodes)}, or leave the latter out, then"
        f" restart the {service} service there.",
        accepted=cause.accepted,
    )
    return resting_on(draft, sightings)


def _told(facts: CertFacts) -> str:
    return f"{called(facts)} (SHA-256 {facts.sha256[:16]}...)"


# ---------------------------------------------------------------- surplus


def surplus(case: Case, endpoint: Endpoint) -> Iterator[Note]:
    """Yield a note for certificates that are served and do not belong to the chain, or twice."""
    found: dict[tuple[tuple[str, ...], tuple[str, ...]], list[Sighting]] = defaultdict(list)
    for visit in readable(case, endpoint):
        stray, twice = case.once_met(_surplus, visit)
        if stray or twice:
            found[stray, twice].append(Sighting(visit))
    for (stray, twice), sightings in found.items():
        nodes = nodes_of(case, sightings)
        parts = []
        if stray:
            parts.append(f"{_names(case, stray)}, which {verb(stray, 'does', 'do')} not belong to")
        if twice:
            parts.append(f"{_names(case, twice)} more than once in")
        says = f"{_serving(endpoint, nodes)} {' the chain, and '.join(parts)} the chain."
        yield _note(endpoint, _SURPLUS, nodes, says)


def _surplus(case: Case, visit: Visit) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what does not belong to a chain, and what stands in it more than once."""
    stray = _unrelated(case, visit.chain, case.reference(visit).path)
    return stray, tuple(sha for sha in dict.fromkeys(visit.chain) if visit.chain.count(sha) > 1)


def _names(case: Case, certificates: tuple[str, ...]) -> str:
    return listing([_told(case.facts[sha256]) for sha256 in certificates])


def _unrelated(case: Case, chain: tuple[str, ...], path: tuple[str, ...]) -> tuple[str, ...]:
    """Return what no way leads to from the leaf; cross-certificates and roots are on some way.

    What stands on the path belongs to it, also where its signature is the fault.
    """
    related = {sha256 for sha256 in chain if sha256 in path} | {chain[0]}
    waiting = list(related)
    while waiting:
        sha256 = waiting.pop()
        subject = case.facts[sha256]
        for other in chain:
            issuer = case.facts[other]
            if other not in related and same_name(subject.issuer_raw, issuer.subject_raw):
                der = case.survey.certificates[sha256]
                if signed_by(der, issuer.spki) is not False:
                    related.add(other)
                    waiting.append(other)
    return tuple(sha256 for sha256 in dict.fromkeys(chain) if sha256 not in related)


# ---------------------------------------------------------------- witnesses


def disagreements(case: Case, endpoint: Endpoint) -> Iterator[Note]:
    """Yield a note for each thing that an engine says otherwise than the examination."""
    found: dict[tuple[Hashable, Disagreement], list[Sighting]] = defaultdict(list)
    for visit in showing(case, endpoint):
        for one in case.once_met(_disagreements, visit):
            found[visit.chain[0], one].append(Sighting(visit))
    for (_, one), sightings in found.items():
        nodes = nodes_of(case, sightings)
        leaf = called(case.leaf(sightings[0].visit))
        says = (
            f"{_serving(endpoint, nodes)} the certificate {leaf}, on which {one.engine} disagrees"
            f" with this report: {one.says}."
        )
        yield _note(endpoint, "path-invalid", nodes, says)


def _disagreements(case: Case, visit: Visit) -> tuple[Disagreement, ...]:
    return tuple(
        dict.fromkeys(
            one
            for family, _, trusted in watchers(case, visit)
            for one in case.explain(visit, family, trusted=trusted).disagreements
        )
    )
