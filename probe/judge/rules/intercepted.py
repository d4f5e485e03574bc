"""Somebody who answers in place of the host that was asked: on guests' way out, or on our own."""

from collections import defaultdict
from collections.abc import Iterator

from probe.judge.case import REFERENCE, Case, Visit
from probe.judge.clients.reactions import react
from probe.judge.draft import Draft, Sighting, beside_chains
from probe.judge.objections import TRUST
from probe.judge.standing import Standing
from probe.judge.words import called, listing, quoted_name
from probe.observation.model import Aspect, Endpoint
from probe.plan.model import Audience

GUESTS = "web-intercepted"
HERE = "here-intercepted"


def canary(case: Case) -> Iterator[Draft]:
    """Yield a draft where the name outside the plan, opened from where guests are, is answered with
    a certificate that is not its own: guests are warned on every page, and learn to click."""
    found: dict[str, list[Sighting]] = defaultdict(list)
    for visit in case.aside(Aspect.CANARY):
        if not visit.chain or not visit.name:
            continue
        objection = _foreign(case, visit)
        if objection is not None:
            kind, says = objection
            reacted = react(case.browsers(Audience.GUESTS), kind)
            found[visit.chain[0]].append(Sighting(visit, visit.chain[0], reacted, says))
    for sha256, sightings in found.items():
        names = list(dict.fromkeys(sighting.visit.name or "" for sighting in sightings))
        nodes = _serving(case, sha256)
        who = f" of {listing(nodes)}" if nodes else ""
        mine = f", which leads it to {listing(nodes)}," if nodes else ""
        draft = Draft(
            rule_id=GUESTS,
            nodes=nodes,
            name=names[0] if len(names) == 1 else None,
            certificates=(sha256,),
            says=f"Where guests are, {listing(names)}, which is outside the plan, is answered with"
            f" the certificate {called(case.facts[sha256])}{who}: somebody answers in its place.",
            remedy=f"Let the gateway of the guest network{mine} reset HTTPS to other names before"
            " the login instead of answering it; devices find the portal by plain HTTP or by the"
            " captive-portal option of DHCP (RFC 8910).",
        )
        yield beside_chains(draft, sightings)


def _foreign(case: Case, visit: Visit) -> tuple[str, str] | None:
    """Return why a certificate is not the canary's own, by the roots of guests' devices."""
    leaf = case.leaf(visit)
    if not leaf.readable:
        return "malformed", "a certificate came that cannot be read"
    roots = case.guest_anchors
    explanation = case.explain(visit, REFERENCE[Endpoint.WEB], trusted=roots)
    # A chain that merely lacks a certificate may be its own, badly served.
    lost = [p for p in explanation.problems if p.kind in TRUST and p.kind != "chain-incomplete"]
    if lost:
        return str(lost[0].kind), lost[0].says
    match = case.covers(visit, visit.name)
    return None if match.covered else ("name-mismatch", match.why)


def _serving(case: Case, sha256: str) -> tuple[str, ...]:
    """Return the nodes of the plan that serve a leaf themselves."""
    return case.sort_nodes(
        node for visit in case.web if sha256 in visit.chain[:1] for node in visit.nodes
    )


def on_our_way(case: Case) -> Iterator[Draft]:
    """Yield a draft where TLS seems to be broken up on the way from this machine.

    An inspecting proxy makes a certificate for each host, with its own CA and as a rule one key.
    So it shows as one CA that the plan knows nothing of at every node, and besides either that
    different certificates have one key, or that a name outside the plan has that CA too. That all
    nodes have certificates of a strange CA alone is told of the nodes.
    """
    leaves: dict[str, list[Visit]] = defaultdict(list)
    for visit in case.web:
        if visit.chain and visit.nodes:
            leaves[visit.chain[0]].append(visit)
    nodes = {node for visits in leaves.values() for visit in visits for node in visit.nodes}
    issuers = {case.facts[sha256].issuer for sha256 in leaves}
    if len(nodes) < 2 or len(leaves) < 2 or len(issuers) != 1:
        return
    visits = [visit for some in leaves.values() for visit in some]
    if not all(_strange(case, visit) for visit in visits):
        return
    one_key = len({case.facts[sha256].spki for sha256 in leaves}) == 1
    (issuer,) = issuers
    elsewhere = any(
        case.leaf(visit).issuer == issuer for visit in case.aside(Aspect.CANARY) if visit.chain
    )
    if not (one_key or elsewhere):
        return
    why = "with one key in all of them" if one_key else "as at a name outside the plan"
    draft = Draft(
        rule_id=HERE,
        nodes=(),
        fault=(issuer,),
        says=f"Every certificate that is seen from here is issued by {quoted_name(issuer)}, which"
        f" is no CA of the plan, {why}: TLS seems to be inspected on the way from this machine, so"
        " what is said here of certificates is said of the inspection's.",
        remedy="Look from a place without TLS inspection, or have the nodes' addresses exempted"
        " from it.",
    )
    yield beside_chains(
        draft,
        [
            Sighting(visit, visit.chain[0], (), f"{called(case.leaf(visit))} by {issuer}")
            for visit in visits
        ],
    )


def _strange(case: Case, visit: Visit) -> bool:
    """Whether a chain leads to no root of the plan, and its leaf is nobody's own."""
    leaf = case.leaf(visit)
    if not leaf.readable or leaf.self_signed:
        return False
    known = case.explain(visit, REFERENCE[Endpoint.WEB], trusted=case.everywhere)
    public = case.standing(leaf.sha256).standing is not Standing.OTHER
    return known.anchor is None and not public
