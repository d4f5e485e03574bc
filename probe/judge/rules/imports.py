"""After an import: where the certificate that was to be imported is served, and where it is not.

Silent where nothing was expected. What else is wrong with what a node serves in its place is told
by rules of its own; here it is only that it was to be another one.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator

from probe.assessment import Stage, Verdict
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.awaited import At, Awaited, awaited, lacking
from probe.judge.case import Case, Visit
from probe.judge.draft import Draft, Sighting, resting_on
from probe.judge.words import called, day, listing, verb
from probe.observation.model import Endpoint, KeyFamily, fingerprint
from probe.plan.model import Acceptance
from probe.records import replace

NOT_SERVED = "import-not-served"
OTHER_ENDPOINT = "import-other-endpoint"
FAMILY_LEFT = "import-other-family-left"
CHAIN_DIFFERS = "import-chain-differs"
NODE_MISSED = "import-node-missed"
UNKNOWN_CHAIN = "its chain was not given"

_OVER = {Endpoint.WEB: "over HTTPS", Endpoint.EAP: "for EAP", Endpoint.RADSEC: "for RadSec"}
_SERVICE = {Endpoint.WEB: "web", Endpoint.EAP: "RADIUS", Endpoint.RADSEC: "RadSec"}
_FAMILY = {KeyFamily.RSA: "RSA", KeyFamily.ECDSA: "ECDSA"}


def imports(case: Case) -> Iterator[Draft]:
    """Yield a draft for each thing that keeps an import from being whole, and where it does."""
    for one in awaited(case):
        yield from _not_there(case, one)
        yield from _elsewhere(case, one)
        yield from _family_left(case, one)
        yield from _chain_differs(case, one)
        yield from _chain_unknown(case, one)


def _gathered(
    case: Case, rule_id: str, at: Iterable[At]
) -> Iterator[tuple[Endpoint, tuple[At, ...], Acceptance | None]]:
    """Yield what is one cause: the nodes of one endpoint, alike in what the plan takes as known."""
    causes: dict[tuple[Endpoint, Acceptance | None], list[At]] = defaultdict(list)
    for one in at:
        causes[one.endpoint, case.acceptance(rule_id, (one.node,), None)].append(one)
    for (endpoint, accepted), found in causes.items():
        yield endpoint, tuple(found), accepted


def _draft(
    draft: Draft,
    case: Case,
    visits: Iterable[Visit],
    what: Callable[[Case, Visit], str] | None = None,
) -> Draft:
    """Return a draft that rests on visits, a row of evidence for each."""
    sightings = [Sighting(v, v.chain[0], (), (what or _what)(case, v)) for v in visits]
    rested = resting_on(draft, sightings)
    return replace(
        rested,
        certificates=tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings)),
        # A visit of an address that nodes share shows nothing of one of them.
        places=frozenset(place for place in rested.places if place[1] in draft.nodes),
    )


def _visits(found: Iterable[At], of: Callable[[At], tuple[Visit, ...]]) -> list[Visit]:
    return [visit for at in found for visit in of(at)]


def _what(case: Case, visit: Visit) -> str:
    leaf = case.leaf(visit)
    return f"{called(leaf)}, until {day(leaf.not_after)}, SHA-256 {leaf.sha256[:16]}..."


def _nodes(found: Iterable[At]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(one.node for one in found))


def _replaced(case: Case, one: Awaited, found: Iterable[At]) -> frozenset[str]:
    """Return the certificates in whose place the expected one would be better now."""
    leaf = one.leaf
    if leaf is None or leaf.not_before is None or leaf.not_after is None:
        return frozenset()
    if not leaf.not_before <= case.at <= leaf.not_after:
        return frozenset()
    return frozenset(visit.chain[0] for at in found for visit in at.others)


# ---------------------------------------------------------------- not there


def _not_there(case: Case, one: Awaited) -> Iterator[Draft]:
    """Nodes that serve something else: all of them, or some that the import has not reached."""
    missing = [at for at in one.at if at.stage is Stage.NOT_SERVED]
    if not one.settled:
        # Nobody shows it, and nothing says where it is to be: once is enough.
        endpoints = [at.endpoint for at in missing]
        if not any(at.showing for at in one.at):
            missing = [at for at in missing if at.endpoint is endpoints[0]]
    for at_endpoint in dict.fromkeys(at.endpoint for at in missing):
        there = [at for at in one.at if at.endpoint is at_endpoint and at.showing]
        rule_id = NODE_MISSED if there else NOT_SERVED
        here = [at for at in missing if at.endpoint is at_endpoint]
        for endpoint, found, accepted in _gathered(case, rule_id, here):
            nodes = _nodes(found)
            over = _OVER[endpoint] if one.settled else "over HTTPS or for EAP"
            instead = _instead(case, one, found)
            does = verb(nodes, "does", "do")
            says = (
                f"{listing(nodes)} {does} not serve {over} the imported certificate {one.title},"
                f" but {instead}."
            )
            remedy = (
                f"See that it was imported on {listing(nodes)} and is chosen"
                f" {'there' if not one.settled else _over_there(endpoint)}, then restart the"
                f" {_SERVICE[endpoint]} service there."
            )
            if there:
                served = listing(_nodes(there))
                says = (
                    f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} {over} {instead}, and not"
                    f" the imported certificate {one.title} that {served}"
                    f" {verb(_nodes(there), 'serves', 'serve')}."
                )
                remedy = (
                    f"Import the certificate {one.title} on {listing(nodes)} too, then restart the"
                    f" {_SERVICE[endpoint]} service there."
                )
            untried = _untried(case, one, found)
            if untried:
                says += (
                    " That may be for want of asking: whoever offers both kinds of keys is shown"
                    " one, and nobody asked for its kind alone."
                )
                remedy = "Ask again with --expect: then each kind of key is asked for."
            draft = Draft(
                rule_id=rule_id,
                nodes=nodes,
                at_endpoint=endpoint,
                fault=(one.key,),
                verdict_at_best=Verdict.UNSEEN if untried else None,
                says=says,
                remedy=remedy,
                accepted=accepted,
                replaces=_replaced(case, one, found),
            )
            yield _draft(draft, case, _visits(found, lambda at: at.others))


def _untried(case: Case, one: Awaited, found: tuple[At, ...]) -> bool:
    """Whether nodes showed the other key family alone, and were not asked for the expected one: a
    survey that was saved without anything expected asks EAP only as clients do."""
    if one.leaf is None:
        return False
    family, nodes = one.leaf.key_family, set(_nodes(found))
    return all(
        case.leaf(v).key_family is not family for v in _visits(found, lambda at: at.others)
    ) and not any(
        question.handshake is not None
        and question.handshake.key_family is family
        and question.endpoint is found[0].endpoint
        and nodes & set(question.nodes)
        for question in case.survey.questions
    )


def _over_there(endpoint: Endpoint) -> str:
    return "for HTTPS" if endpoint is Endpoint.WEB else _OVER[endpoint]


def _instead(case: Case, one: Awaited, found: tuple[At, ...]) -> str:
    leaves = {v.chain[0]: case.leaf(v) for at in found for v in at.others}
    if len(leaves) != 1:
        return "others"
    (leaf,) = leaves.values()
    word = "still the one before it" if _is_before(leaf, one.leaf) else "another one"
    return f"{word} ({called(leaf)}, until {day(leaf.not_after)}, SHA-256 {leaf.sha256[:16]}...)"


def _is_before(leaf: CertFacts, expected: CertFacts | None) -> bool:
    if expected is None or leaf.not_before is None or expected.not_before is None:
        return False
    return leaf.not_before < expected.not_before


# ---------------------------------------------------------------- in another place


def _elsewhere(case: Case, one: Awaited) -> Iterator[Draft]:
    """Nodes that serve it on another endpoint, and not on the one that it was made for."""
    at = [at for at in one.at if at.stage is Stage.ELSEWHERE]
    for meant, found, accepted in _gathered(case, OTHER_ENDPOINT, at):
        there = found[0].elsewhere[0].record.endpoint
        nodes = _nodes(found)
        serve = verb(nodes, "serves", "serve")
        draft = Draft(
            rule_id=OTHER_ENDPOINT,
            nodes=nodes,
            at_endpoint=there,
            fault=(one.key,),
            says=f"{listing(nodes)} {serve} the imported certificate {one.title} {_OVER[there]},"
            f" and not {_OVER[meant]}, where its names and its root belong.",
            remedy=f"On {listing(nodes)}, choose it {_over_there(meant)}, and {_over_there(there)}"
            " the certificate that was there before; then restart both services.",
            accepted=accepted,
            replaces=_replaced(case, one, found),
        )
        shown = _draft(draft, case, _visits(found, lambda at: at.elsewhere))
        # What is still served where it belongs is mended with it.
        rest = _draft(draft, case, _visits(found, lambda at: at.others))
        yield replace(
            shown, places=shown.places | rest.places, questions=shown.questions | rest.questions
        )


# ---------------------------------------------------------------- not all of it


def _family_left(case: Case, one: Awaited) -> Iterator[Draft]:
    """Nodes that serve it to one kind of clients, and something else to the other kind."""
    for endpoint, found, accepted in _gathered(case, FAMILY_LEFT, (at for at in one.at if at.left)):
        nodes = _nodes(found)
        leaves = {v.chain[0]: case.leaf(v) for at in found for v in at.left}
        first = next(iter(leaves.values()))
        its = _FAMILY.get(first.key_family, "other")
        what = called(first) if len(leaves) == 1 else "others"
        ends = min((leaf.not_after for leaf in leaves.values() if leaf.not_after), default=None)
        own = _FAMILY.get(one.leaf.key_family, "its") if one.leaf is not None else "its"
        draft = Draft(
            rule_id=FAMILY_LEFT,
            nodes=nodes,
            at_endpoint=endpoint,
            fault=(one.key, *sorted(leaves)),
            says=f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} {_OVER[endpoint]} the imported"
            f" certificate {one.title} to clients of {own} keys, and still {what} (until"
            f" {day(ends)}) to those of {its} keys.",
            remedy=f"Import a certificate with an {its} key on {listing(nodes)} too, or take the"
            f" one that is left away, then restart the {_SERVICE[endpoint]} service there.",
            accepted=accepted,
            replaces=frozenset(leaves),
        )
        yield _draft(draft, case, _visits(found, lambda at: at.left))


def _chain_differs(case: Case, one: Awaited) -> Iterator[Draft]:
    """Nodes that serve it without a CA certificate that was imported with it."""
    known = {fingerprint(der): facts_of(der) for der in one.expected.certificates}
    causes: dict[tuple[str, ...], list[At]] = defaultdict(list)
    for at in one.at:
        found = {sha256 for v in at.lacking for sha256 in lacking(one.expected, v)}
        if found:
            causes[tuple(sha256 for sha256 in known if sha256 in found)].append(at)
    for missing, where in causes.items():
        for endpoint, found_at, accepted in _gathered(case, CHAIN_DIFFERS, where):
            nodes = _nodes(found_at)
            names = listing([f"{called(known[s])} (SHA-256 {s[:16]}...)" for s in missing])
            certificate = "certificate" if len(missing) == 1 else "certificates"
            draft = Draft(
                rule_id=CHAIN_DIFFERS,
                nodes=nodes,
                at_endpoint=endpoint,
                fault=(one.key, *missing),
                says=f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} {_OVER[endpoint]} the"
                f" imported certificate {one.title} without the CA {certificate} {names} that came"
                " with it.",
                remedy=f"Import the CA {certificate} {names} on {listing(nodes)} too, then restart"
                f" the {_SERVICE[endpoint]} service there.",
                accepted=accepted,
            )
            yield _draft(draft, case, _visits(found_at, lambda at: at.lacking), _chain)


def _chain_unknown(case: Case, one: Awaited) -> Iterator[Draft]:
    """Nodes that serve it, with a chain of which nobody has said what it should be."""
    if one.expected.fingerprint is None:
        return
    showing = [at for at in one.at if at.showing]
    for endpoint, found, accepted in _gathered(case, CHAIN_DIFFERS, showing):
        nodes = _nodes(found)
        draft = Draft(
            rule_id=CHAIN_DIFFERS,
            nodes=nodes,
            at_endpoint=endpoint,
            fault=(one.key, UNKNOWN_CHAIN),
            verdict_at_best=Verdict.UNSEEN,
            says=f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} {_OVER[endpoint]} the imported"
            f" certificate {one.title}; whether with the CA certificates that came with it is not"
            " known, as only its fingerprint was given.",
            remedy="Give --expect the bundle, or the certificate with its chain, and"
            f" {listing(nodes)} {verb(nodes, 'is', 'are')} compared with that.",
            accepted=accepted,
        )
        yield _draft(draft, case, _visits(found, lambda at: at.showing), _chain)


def _chain(case: Case, visit: Visit) -> str:
    sent = [called(case.facts[sha256]) for sha256 in visit.chain[1:]]
    return f"{_what(case, visit)}, with {listing(sent)}" if sent else f"{_what(case, visit)}, alone"
