"""Names on web endpoints: what clients open and are shown a certificate of another name for."""

from collections import defaultdict
from collections.abc import Iterator

from probe.certificate.facts import CertFacts
from probe.judge.case import Case
from probe.judge.clients.reactions import react
from probe.judge.draft import Draft, Sighting, nodes_of, resting_on
from probe.judge.rules.certificate import beside_another
from probe.judge.strict import no_way_out
from probe.judge.words import called, listing, verb
from probe.plan.addresses import is_address
from probe.plan.model import Acceptance

MISMATCH = "web-name-mismatch"
COMMON_NAME = "web-common-name-only"

_Missing = tuple[str, tuple[str, ...], str, Acceptance | None]
"""The rule; the service names that are missing; the leaf, if a node's own name is missing too."""


def name_mismatch(case: Case) -> Iterator[Draft]:
    """Yield a draft for each cause for which a certificate does not cover an opened name.

    One certificate that lacks a node's own name and two service names is one cause, and so is one
    service name that every node's own certificate lacks: in both cases one thing was forgotten.
    Where a name stands in the subject and there are no alternative names at all, that is the cause
    for every name.
    """
    lacking: dict[tuple[tuple[str, ...], str], list[Sighting]] = defaultdict(list)
    in_subject: set[str] = set()
    for visit in case.web:
        if not visit.chain or not visit.nodes or visit.name is None or visit.behind:
            continue
        leaf = case.leaf(visit)
        match = case.covers(visit, visit.name)
        if match.covered or not leaf.readable:
            continue
        objection = "name-mismatch"
        if match.common_name_only and not _has_server_names(leaf):
            objection = "common-name-only"
            in_subject.add(leaf.sha256)
        reacted = react(case.browsers(visit.audience), objection)
        reacted = no_way_out(case.strict, visit.name, reacted)
        lacking[visit.nodes, leaf.sha256].append(Sighting(visit, leaf.sha256, reacted, match.why))
    causes: dict[_Missing, list[Sighting]] = defaultdict(list)
    for (nodes, sha256), sightings in lacking.items():
        rule_id = COMMON_NAME if sha256 in in_subject else MISMATCH
        services = sorted({s.visit.name or "" for s in sightings if not s.visit.own})
        own = any(sighting.visit.own for sighting in sightings)
        names = {sighting.visit.name for sighting in sightings}
        name = names.pop() if len(names) == 1 else None
        accepted = case.acceptance(rule_id, nodes, name)
        causes[rule_id, tuple(services), sha256 if own else "", accepted] += sightings
    for (rule_id, _, _, accepted), sightings in causes.items():
        yield _draft(case, rule_id, sightings, accepted)


def _has_server_names(leaf: CertFacts) -> bool:
    return any(name.type in ("dns", "ip") for name in leaf.names)


def _draft(
    case: Case, rule_id: str, sightings: list[Sighting], accepted: Acceptance | None
) -> Draft:
    nodes = nodes_of(case, sightings)
    leaves = tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings))
    missing = list(dict.fromkeys(sighting.visit.name or "" for sighting in sightings))
    shown = called(case.facts[leaves[0]])
    one = len(leaves) == 1
    family = beside_another(case, (sighting.visit for sighting in sightings))
    kind = f"{family.value.upper()} " if family else ""
    what = f"the {kind}certificate {shown}" if one else f"{kind}certificates such as {shown}"
    fault = f"which {'does' if one else 'do'} not cover {listing(missing)}"
    if rule_id == COMMON_NAME:
        fault = f"which {'has' if one else 'have'} a common name and no alternative name"
    draft = Draft(
        rule_id=rule_id,
        nodes=nodes,
        name=missing[0] if len(missing) == 1 else None,
        certificates=leaves,
        says=f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} {what}, {fault}.",
        remedy=_remedy(rule_id, missing, nodes),
        accepted=accepted,
    )
    return resting_on(draft, sightings)


def _remedy(rule_id: str, missing: list[str], nodes: tuple[str, ...]) -> str:
    # Few clients open an address, and few public CAs issue for one.
    by_address = all(is_address(name) for name in missing)
    first = "Look at it by the name that clients open; or have" if by_address else "Have"
    names = "alternative names" if rule_id == COMMON_NAME else "names"
    return (
        f"{first} the certificate issued again with {listing(missing)} among its {names}, import it"
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
