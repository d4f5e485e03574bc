"""The CAs that RADIUS servers ask clients' certificates of, in EAP-TLS.

A client has to have a certificate of one of the CAs that CertificateRequest names (RFC 5246, 7.4.4;
RFC 9846, 4.2.4); many choose by it, and stop where none fits. A server that names none takes what
comes, and judges it by itself.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping

from probe.assessment import Evidence, Note
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.case import Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.draft import Draft, Sighting, beside_chains, limited, nodes_of
from probe.judge.likeness import Split, split
from probe.judge.words import called, clip, listing, quoted_name, verb
from probe.limits import DEFAULT
from probe.observation.model import Endpoint, Method
from probe.plan.model import Acceptance

DIFFER = "eap-client-authorities-differ"
MISSING = "eap-client-authority-missing"


def client_authorities(case: Case) -> Iterator[Draft | Note]:
    """Yield what is to be said of the CA names that nodes ask for."""
    asking = [
        visit
        for visit in case.asked_of_eap
        if visit.method is Method.EAP_TLS and _sent(visit) is not None
        if len(visit.nodes) == 1 and not visit.virtual
    ]
    issuers = _issuers(case)
    yield from _missing(case, asking, issuers)
    by_visit: dict[str | None, list[Visit]] = defaultdict(list)
    for visit in asking:
        if _sent(visit) and not _cut(case, visit):
            by_visit[visit.asked.visit].append(visit)
    told: set[tuple[frozenset[str], ...]] = set()
    for visits in by_visit.values():
        by_names = split(case, tuple(visits), lambda visit: frozenset(_sent(visit) or ()))
        if len(by_names.groups) > 1 and by_names.sets not in told:
            told.add(by_names.sets)
            yield _differ(case, visits, by_names, issuers)
    # The same node may name some in one context and none in another.
    any_will_do = {node for visit in asking if not _sent(visit) for node in visit.nodes}
    if any_will_do and issuers:
        nodes = case.sort_nodes(any_will_do)
        yield _note(
            MISSING,
            nodes,
            f"{listing(nodes)} {verb(nodes, 'names', 'name')} no CA when asking for a client's"
            " certificate: clients choose one by themselves, or ask their users.",
        )


def _sent(visit: Visit) -> tuple[str, ...] | None:
    return visit.record.eap.client_authorities if visit.record.eap is not None else None


def _same(name: str) -> str:
    """Return a name so that spellings which are to be taken for one are one (RFC 5280, 7.1)."""
    return " ".join(name.casefold().split())


def _cut(case: Case, visit: Visit) -> bool:
    """Whether there may have been more names than were kept."""
    kept = dict(case.plan.limits).get("client_authorities", DEFAULT.client_authorities)
    return len(_sent(visit) or ()) >= kept


# ---------------------------------------------------------------- the plan's own


def _issuers(case: Case) -> Mapping[str, tuple[CertFacts, frozenset[str]]]:
    """Return the issuers of clients' certificates, and each one's name with those of the CAs above
    and below it: a list may name a root or a subordinate CA (RFC 5246, 7.4.4)."""
    given = [facts_of(der) for one in case.plan.trust.client_issuers for der in one.certificates]
    if not given:
        return {}
    known = {facts.sha256: facts for facts in given}
    known.update({sha: facts for sha, facts in case.facts.items() if facts.is_ca})
    known.update({sha: facts_of(der) for sha, der in case.everywhere.by_sha.items()})
    found: dict[str, tuple[CertFacts, frozenset[str]]] = {}
    for issuer in given:
        if issuer.readable:
            above = _reached(issuer, known.values(), lambda one: (one.subject, one.issuer))
            below = _reached(issuer, known.values(), lambda one: (one.issuer, one.subject))
            found[issuer.sha256] = issuer, above | below
    return found


def _reached(
    start: CertFacts, known: Iterable[CertFacts], step: Callable[[CertFacts], tuple[str, str]]
) -> frozenset[str]:
    """Return the names that one leads to from CA to CA, its own with them."""
    steps: dict[str, set[str]] = defaultdict(set)
    for facts in known:
        one, then = step(facts)
        steps[_same(one)].add(_same(then))
    reached, todo = {_same(start.subject)}, [_same(start.subject)]
    while todo:
        for name in steps.get(todo.pop(), set()) - reached:
            reached.add(name)
            todo.append(name)
    return frozenset(reached)


def _lacks(case: Case, visit: Visit, names: frozenset[str]) -> bool:
    sent = _sent(visit)
    return bool(sent) and not _cut(case, visit) and not names & {_same(name) for name in sent or ()}


def _missing(
    case: Case, asking: list[Visit], issuers: Mapping[str, tuple[CertFacts, frozenset[str]]]
) -> Iterator[Draft]:
    found: dict[tuple[tuple[str, ...], Acceptance | None], list[Sighting]] = defaultdict(list)
    for visit in asking:
        lacking = tuple(sha for sha, (_, names) in issuers.items() if _lacks(case, visit, names))
        if lacking:
            accepted = case.acceptance(MISSING, visit.nodes, None)
            detail = f"it names {_list(_sent(visit) or ())}"
            found[lacking, accepted].append(Sighting(visit, None, (), detail))
    for (lacking, accepted), sightings in found.items():
        nodes = nodes_of(case, sightings)
        named = listing([called(issuers[sha][0]) for sha in lacking])
        draft = Draft(
            rule_id=MISSING,
            nodes=nodes,
            certificates=tuple(sha for sha in lacking if sha in case.facts),
            fault=lacking,
            clients=tuple(dict.fromkeys(client.family for client in case.supplicants)),
            says=f"{listing(nodes)} {verb(nodes, 'asks', 'ask')} in EAP-TLS for certificates of"
            f" other CAs than {named}, which the plan's clients have theirs of.",
            remedy=f"Import the CA certificate {named} on {listing(nodes)} as trusted for client"
            " authentication, then restart the RADIUS service there.",
            accepted=accepted,
        )
        yield beside_chains(draft, sightings)


# ---------------------------------------------------------------- between nodes


def _differ(
    case: Case,
    visits: list[Visit],
    by: Split,
    issuers: Mapping[str, tuple[CertFacts, frozenset[str]]],
) -> Draft | Note:
    nodes = by.outside
    shared = frozenset[str].intersection(*(_names(group.value) for group in by.groups))
    each = [
        f"{listing(group.nodes)} {_list(sorted(_names(group.value) - shared)) or 'none besides'}"
        for group in by.groups
    ]
    says = "Nodes ask in EAP-TLS for clients' certificates of different CAs:"
    says += f" {'; '.join(each)}."
    if issuers and not any(_lacks(case, v, names) for v in visits for _, names in issuers.values()):
        # The plan's clients find their CA at every node.
        return _note(DIFFER, nodes, says)
    rows = []
    for group in by.groups:
        first = next(visit for visit in visits if visit.nodes[0] in group.nodes)
        value = f"it names {_list(_sent(first) or ())}"
        rows.append(Evidence(listing(group.nodes), value, first.record.question))
    sightings = [Sighting(visit) for visit in visits if visit.nodes[0] in nodes]
    same = "the same CAs" if by.tie else f"the CAs that {listing(by.groups[0].nodes)} asks for"
    if not by.tie and len(by.groups[0].nodes) > 1:
        same = f"the CAs that {listing(by.groups[0].nodes)} ask for"
    return Draft(
        rule_id=DIFFER,
        nodes=nodes,
        addresses=tuple(dict.fromkeys(s.visit.asked.address or "" for s in sightings)),
        fault=tuple(sorted(_names(by.groups[-1].value) ^ _names(by.groups[0].value))),
        clients=tuple(dict.fromkeys(client.family for client in case.supplicants)),
        says=says,
        remedy=f"Trust {same} for client authentication on {listing(nodes)}, then restart the"
        " RADIUS service there.",
        evidence=limited(tuple(rows)),
        questions=frozenset(visit.record.question for visit in visits),
        groups=by.sets,
        accepted=case.acceptance(DIFFER, nodes, None),
    )


def _names(value: object) -> frozenset[str]:
    return value if isinstance(value, frozenset) else frozenset()


def _list(names: Iterable[str]) -> str:
    return listing([clip(quoted_name(name)) for name in names])


def _note(rule_id: str, nodes: tuple[str, ...], says: str) -> Note:
    return Note(rule_id, Endpoint.EAP, nodes, None, says, BY_ID[rule_id].source)
