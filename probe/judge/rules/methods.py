"""EAP methods compared: what nodes agree to, and which certificate one node shows in each method
and in each context of requests."""

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping

from probe.assessment import Note, Verdict
from probe.judge.case import Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.clients.reactions import Reacted, worst
from probe.judge.draft import Draft, Sighting, beside_chains, nodes_of, resting_on
from probe.judge.narrowed import narrowing_of
from probe.judge.rules.answers import repeated
from probe.judge.rules.families import failing
from probe.judge.words import VERSIONS, called, listing, verb
from probe.observation.model import Endpoint, Method, Outcome, TlsVersion
from probe.plan.model import Acceptance
from probe.records import dataclass, replace

METHODS_DIFFER = "cluster-methods-differ"
METHOD_DIFFERS = "eap-method-differs"
VISIT_DIFFERS = "eap-visit-differs"


# ---------------------------------------------------------------- between nodes


def _plain(case: Case) -> Iterator[Visit]:
    """Yield the visits of nodes' own addresses in the plan's own context, as clients make them."""
    for visit in case.asked_of_eap:
        alone = len(visit.nodes) == 1 and not visit.virtual
        if alone and visit.aspect is None and visit.asked.visit is None:
            yield visit


def _agreeing(case: Case) -> tuple[Mapping[Method, set[str]], Mapping[Method, set[str]]]:
    """Return by method the nodes that agree to it, and those that refuse it though they agree to
    another one. What a node was not made to choose is neither."""
    agree: dict[Method, set[str]] = defaultdict(set)
    refuse: dict[Method, set[str]] = defaultdict(set)
    speaking: set[str] = set()
    for visit in _plain(case):
        seen = visit.record.eap
        if visit.record.outcome is Outcome.METHOD_REFUSED:
            for method in visit.asked.methods:
                refuse[method].update(visit.nodes)
        elif seen is not None and seen.method is not None:
            agree[seen.method].update(visit.nodes)
            speaking.update(visit.nodes)
    # Who does both, from one address to the next, is left out.
    both = {method: agree[method] & refusing for method, refusing in refuse.items()}
    return (
        {method: nodes - both.get(method, set()) for method, nodes in agree.items()},
        {method: (nodes & speaking) - both[method] for method, nodes in refuse.items()},
    )


def refused_by_some(case: Case) -> Mapping[Method, frozenset[str]]:
    """Return the methods of the plan that some nodes agree to and others refuse: by which."""
    agree, refuse = _agreeing(case)
    return {m: frozenset(nodes) for m, nodes in refuse.items() if nodes and agree.get(m)}


def methods_differ(case: Case) -> Iterator[Draft | Note]:
    """Yield what nodes refuse that others agree to; a finding where clients of the plan need it."""
    agree, _ = _agreeing(case)
    together: dict[tuple[tuple[str, ...], tuple[str, ...], bool], list[Method]] = defaultdict(list)
    for method, refusing in refused_by_some(case).items():
        nodes, others = case.sort_nodes(refusing), case.sort_nodes(agree[method])
        together[nodes, others, needed(case, method)].append(method)
    for (nodes, others, is_needed), methods in together.items():
        named = [method.value for method in methods]
        does, do = verb(nodes, "does", "do"), verb(others, "does", "do")
        says = f"{listing(nodes)} {does} not agree to {listing(named, last='or')}, and"
        says += f" {listing(others)} {do}."
        if not is_needed:
            yield _note(METHODS_DIFFER, nodes, says)
            continue
        sightings = [
            Sighting(visit, detail=_refusal(visit))
            for visit in _plain(case)
            if visit.record.outcome is Outcome.METHOD_REFUSED
            and set(visit.nodes) <= set(nodes)
            and set(visit.asked.methods) & set(methods)
        ]
        draft = Draft(
            rule_id=METHODS_DIFFER,
            nodes=nodes,
            fault=tuple(sorted(named)),
            verdict_at_best=Verdict.BLOCKED,
            clients=tuple(dict.fromkeys(client.family for client in case.supplicants)),
            says=says,
            remedy=f"Allow {listing(named)} in the EAP settings of {listing(nodes)}, as on"
            f" {listing(others)}.",
            accepted=case.acceptance(METHODS_DIFFER, nodes, None),
        )
        yield beside_chains(draft, sightings)
    yield from _versions_differ(case)


def needed(case: Case, method: Method) -> bool:
    """Whether the plan says that clients have what this method takes."""
    login = case.plan.login
    if login is not None and login.method is method:
        return True
    return method is Method.EAP_TLS and bool(case.plan.trust.client_issuers)


def _refusal(visit: Visit) -> str:
    proposed = visit.record.eap.proposed if visit.record.eap else ()
    instead = f", and proposes {listing(proposed)}" if proposed else ""
    return f"refuses {listing([m.value for m in visit.asked.methods], last='or')}{instead}"


def _versions_differ(case: Case) -> Iterator[Note]:
    """Yield a note for nodes that choose another TLS version than the rest. Who speaks old ones
    only is told by itself."""
    narrowing = narrowing_of(case)
    alike: dict[tuple[Method | None, tuple[TlsVersion, ...]], dict[TlsVersion, set[str]]]
    alike = defaultdict(lambda: defaultdict(set))
    for visit in _plain(case):
        served = visit.record.served
        if served is not None and served.tls is not None and not narrowing.old_only(visit):
            alike[visit.method, visit.asked.tls][served.tls].update(visit.nodes)
    told: set[tuple[tuple[str, tuple[str, ...]], ...]] = set()
    for by_version in alike.values():
        groups = tuple(
            (VERSIONS.get(version, version.value), case.sort_nodes(nodes))
            for version, nodes in sorted(by_version.items())
        )
        if len(groups) > 1 and groups not in told:
            told.add(groups)
            each = [f"{listing(nodes)} {version}" for version, nodes in groups]
            smallest = min(groups, key=lambda group: len(group[1]))[1]
            says = f"Offered the same for EAP, nodes choose different versions: {listing(each)}."
            yield _note(METHODS_DIFFER, smallest, says)


# ---------------------------------------------------------------- one node by itself


@dataclass(frozen=True, slots=True)
class _Failing:
    """What makes sightings one cause."""

    how: str
    why: frozenset[tuple[str, ...]]
    accepted: Acceptance | None


def method_differs(case: Case) -> Iterator[Draft | Note]:
    """Yield what is to be said of nodes that show another certificate in another method: a note,
    or, where one of them fails, a draft that goes under what is wrong with that."""
    pairs: list[tuple[Visit, Visit]] = []
    for visits in _by_server(case, lambda visit: visit.asked.visit is None).values():
        first, *others = visits
        pairs += [(first, other) for other in others if other.method is not first.method]
    yield from _compared(case, METHOD_DIFFERS, pairs, lambda visit: f"in {_method(visit)}")


def visit_differs(case: Case) -> Iterator[Draft | Note]:
    """Yield the same of nodes that show another certificate to requests of another context."""
    pairs: list[tuple[Visit, Visit]] = []
    for visits in _by_server(case, lambda _: True).values():
        own = [visit for visit in visits if visit.asked.visit is None]
        for visit in visits:
            if visit.asked.visit is not None and own:
                # Like with like: in the same method, where that was asked.
                alike = [one for one in own if one.method is visit.method]
                pairs.append(((alike or own)[0], visit))
    yield from _compared(
        case,
        VISIT_DIFFERS,
        pairs,
        lambda visit: f'as "{visit.asked.visit}"' if visit.asked.visit else "otherwise",
    )


def _by_server(case: Case, wanted: Callable[[Visit], bool]) -> Mapping[object, list[Visit]]:
    found: dict[object, list[Visit]] = defaultdict(list)
    for visit in case.eap:
        alone = len(visit.nodes) == 1 and not visit.virtual
        if visit.chain and alone and visit.aspect is None and wanted(visit):
            found[visit.server].append(visit)
    return found


def _method(visit: Visit) -> str:
    return visit.method.value if visit.method is not None else "another method"


def _compared(
    case: Case, rule_id: str, pairs: list[tuple[Visit, Visit]], how: Callable[[Visit], str]
) -> Iterator[Draft | Note]:
    at_times = {
        (visits[0].server, visit.chain)
        for visits in repeated(case, Endpoint.EAP)
        if len({visit.chain for visit in visits}) > 1
        for visit in visits
    }
    causes: dict[_Failing, list[Sighting]] = defaultdict(list)
    minded: dict[_Failing, list[Reacted]] = defaultdict(list)
    notes: dict[tuple[str, str], list[tuple[Visit, Visit]]] = defaultdict(list)
    for first, other in pairs:
        # What is served from one time to the next has nothing to do with the method.
        chance = {(one.server, one.chain) for one in (first, other)} <= at_times
        if first.chain == other.chain or chance:
            continue
        against = {one.record.question: failing(case, one) for one in (first, other)}
        bad = [one for one in (first, other) if against[one.record.question][0]]
        if len(bad) != 1:
            if first.chain[0] != other.chain[0]:
                notes[how(first), how(other)].append((first, other))
            continue
        why, reacted = against[bad[0].record.question]
        accepted = case.acceptance(rule_id, bad[0].nodes, None)
        kinds = frozenset(one[:1] for one in why)
        cause = _Failing(how(bad[0]), kinds, accepted)
        says = f"{how(first)}: {_shown(case, first)}; {how(other)}: {_shown(case, other)}"
        causes[cause].append(Sighting(bad[0], bad[0].chain[0], reacted, says))
        minded[cause] += reacted
    for cause, sightings in causes.items():
        yield _failing_draft(case, rule_id, cause, sightings, minded[cause])
    for (usually, then), some in notes.items():
        nodes = case.sort_nodes(node for one, _ in some for node in one.nodes)
        first, other = some[0]
        yield _note(
            rule_id,
            nodes,
            f"{listing(nodes)} {verb(nodes, 'shows', 'show')} another certificate {then}"
            f" ({_shown(case, other)}) than {usually} ({_shown(case, first)}).",
        )


def _failing_draft(
    case: Case, rule_id: str, cause: _Failing, sightings: list[Sighting], minded: list[Reacted]
) -> Draft:
    nodes = nodes_of(case, sightings)
    leaves = tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings))
    shown = called(case.facts[leaves[0]])
    draft = Draft(
        rule_id=rule_id,
        nodes=nodes,
        certificates=leaves,
        fault=(cause.how, *leaves),
        verdict_at_best=worst(minded),
        says=f"{listing(nodes)} {verb(nodes, 'shows', 'show')} {shown} {cause.how} alone, and it"
        " fails for clients; what else is shown there does not.",
        remedy=f"Bind the certificate that is shown otherwise {cause.how} too on {listing(nodes)},"
        f" in place of {shown}, then restart the RADIUS service there.",
        accepted=cause.accepted,
    )
    return replace(resting_on(draft, sightings), reacted=tuple(dict.fromkeys(minded)))


def _shown(case: Case, visit: Visit) -> str:
    leaf = case.leaf(visit)
    return f"{called(leaf)}, SHA-256 {leaf.sha256[:16]}..."


def _note(rule_id: str, nodes: tuple[str, ...], says: str) -> Note:
    rule = BY_ID[rule_id]
    return Note(rule_id, rule.endpoint, nodes, None, says, rule.source)
