"""Names on web endpoints: what clients open and are shown a certificate of another name for."""

from collections import defaultdict
from collections.abc import Iterator

from probe.judge.case import Case
from probe.judge.clients.reactions import react
from probe.judge.draft import Draft, Sighting, nodes_of, resting_on
from probe.judge.names import covers
from probe.judge.words import called, listing, verb
from probe.plan.addresses import is_address
from probe.plan.model import Acceptance

_Missing = tuple[tuple[str, ...], str, Acceptance | None]
"""The service names that are missing; the leaf, if a node's own name is missing too."""


def name_mismatch(case: Case) -> Iterator[Draft]:
    """Yield a draft for each cause for which a certificate does not cover an opened name.

    One certificate that lacks a node's own name and two service names is one cause, and so is one
    service name that every node's own certificate lacks: in both cases one thing was forgotten.
    """
    lacking: dict[tuple[tuple[str, ...], str], list[Sighting]] = defaultdict(list)
    for visit in case.web:
        if not visit.chain or not visit.nodes or visit.name is None or visit.behind:
            continue
        match = covers(case.leaf(visit), visit.name)
        if not match.covered and case.leaf(visit).readable:
            reacted = react(case.browsers(visit.audience), "name-mismatch")
            leaf = visit.chain[0]
            lacking[visit.nodes, leaf].append(Sighting(visit, leaf, reacted, match.why))
    causes: dict[_Missing, list[Sighting]] = defaultdict(list)
    for (nodes, leaf), sightings in lacking.items():
        services = sorted({s.visit.name or "" for s in sightings if not s.visit.own})
        own = any(sighting.visit.own for sighting in sightings)
        names = {sighting.visit.name for sighting in sightings}
        name = names.pop() if len(names) == 1 else None
        accepted = case.acceptance("web-name-mismatch", nodes, name)
        causes[tuple(services), leaf if own else "", accepted] += sightings
    for (_, _, accepted), sightings in causes.items():
        yield _draft(case, sightings, accepted)


def _draft(case: Case, sightings: list[Sighting], accepted: Acceptance | None) -> Draft:
    nodes = nodes_of(case, sightings)
    leaves = tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings))
    missing = list(dict.fromkeys(sighting.visit.name or "" for sighting in sightings))
    shown = called(case.facts[leaves[0]])
    what = f"the certificate {shown}" if len(leaves) == 1 else f"certificates such as {shown}"
    draft = Draft(
        rule_id="web-name-mismatch",
        nodes=nodes,
        name=missing[0] if len(missing) == 1 else None,
        certificates=leaves,
        says=f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} {what}, which"
        f" {'does' if len(leaves) == 1 else 'do'} not cover {listing(missing)}.",
        remedy=_remedy(missing, nodes),
        accepted=accepted,
    )
    return resting_on(draft, sightings)


def _remedy(missing: list[str], nodes: tuple[str, ...]) -> str:
    # Few clients open an address, and few public CAs issue for one.
    by_address = all(is_address(name) for name in missing)
    first = "Look at it by the name that clients open; or have" if by_address else "Have"
    return (
        f"{first} the certificate issued again with {listing(missing)} among its names, import it"
        f" on {listing(nodes)}, then restart the web service there."
    )


def shows_own_chain(case: Case, service: str) -> bool:
    """Whether clients of a virtual name meet the nodes' own certificates there.

    A balancer that ends TLS itself shows one that no node serves: then the nodes need not cover
    the name. Where nothing was seen at the address, the nodes are taken to be met.
    """
    visits = [v for v in case.web if v.chain and v.service and v.service.name == service]
    at_address = {visit.chain[0] for visit in visits if visit.virtual}
    at_nodes = {visit.chain[0] for visit in visits if not visit.virtual}
    return not at_address or bool(at_address & at_nodes)
