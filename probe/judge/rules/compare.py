"""EAP certificates compared across nodes: who stands outside, and what differs with it.

One certificate for all nodes is healthy, and so is one for each node with a common name in all
(RFC 9190, 2.2): a difference is a finding only where somebody on site feels it, or where more
differs than the certificate itself. What the certificate rules say of exactly the nodes that stand
outside explains the difference; `fold.py` sees to that.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterator

from probe.assessment import Evidence, Note
from probe.judge.case import Case, Place, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.clients.reactions import Reacted, react, worst
from probe.judge.draft import Draft, limited
from probe.judge.likeness import Split, comparable, intermediates, split
from probe.judge.override import hardened
from probe.judge.renewal import renewals
from probe.judge.words import called, day, listing, quoted_name, verb
from probe.observation.model import Endpoint, KeyFamily
from probe.records import replace


def compare(case: Case) -> Iterator[Draft | Note]:
    """Yield what is to be said of EAP servers that serve different chains."""
    # Methods and addresses that show the same nodes the same chains are one comparison.
    merged: dict[tuple[str | None, frozenset[tuple[str, tuple[str, ...]]]], list[Visit]]
    merged = defaultdict(list)
    for like, visits in comparable(case, Endpoint.EAP):
        shown = frozenset((visit.nodes[0], visit.chain) for visit in visits)
        merged[like.visit, shown] += visits
    for visits_alike in merged.values():
        visits = tuple(visits_alike)
        by_leaf = split(case, visits, lambda visit: visit.chain[0])
        if len(by_leaf.groups) > 1:
            yield from _leaves(case, visits, by_leaf)
        yield from _chains(case, visits)


def _leaves(case: Case, visits: tuple[Visit, ...], by_leaf: Split) -> Iterator[Draft | Note]:
    by_root = split(case, visits, lambda visit: _root(case, visit))
    roots_differ = len(by_root.groups) > 1
    if roots_differ:
        yield _roots(case, visits, by_root)
    renewals = list(_half_renewed(case, visits))
    yield from renewals
    pinned = _pins(case, visits)
    by_nature = split(case, visits, lambda visit: _nature(case, visit))
    if worst(pinned) is not None or renewals or roots_differ:
        yield _leaf_draft(case, visits, by_leaf, pinned)
    elif len(by_nature.groups) > 1 and not _families_only(case, visits):
        yield _leaf_draft(case, visits, by_nature, pinned)
    else:
        nodes = by_leaf.outside
        serving = f"{listing(nodes)} {verb(nodes, 'serves', 'serve')}"
        other = "certificates of their own" if by_leaf.tie else "another certificate than the rest"
        yield _note(
            "eap-leaf-differs",
            nodes,
            f"{serving} {other} for EAP; they cover the same expected names and lead to the same"
            " root.",
        )


def _families_only(case: Case, visits: tuple[Visit, ...]) -> bool:
    """Whether no more differs than what comes with keys of another kind.

    RSA and ECDSA certificates may come from different CAs of one root: then their issuers say
    nothing, and within each family all are of one nature.
    """
    names_and_root = split(case, visits, lambda visit: _nature(case, visit)[1:])
    by_family: dict[KeyFamily, set[Hashable]] = defaultdict(set)
    for visit in visits:
        by_family[case.leaf(visit).key_family].add(_nature(case, visit))
    return len(names_and_root.groups) == 1 and all(len(found) == 1 for found in by_family.values())


def _nature(case: Case, visit: Visit) -> tuple[bytes, tuple[str | None, str], frozenset[str]]:
    """Return what healthy certificates of different nodes have in common."""
    leaf = case.leaf(visit)
    eap = case.nodes[visit.nodes[0]].eap
    expected = eap.expected_names if eap else ()
    covered = frozenset(name for name in expected if case.covers(visit, name).covered)
    return leaf.issuer_raw, _root(case, visit), covered


def _root(case: Case, visit: Visit) -> tuple[str | None, str]:
    explanation = case.reference(visit)
    return explanation.anchor, explanation.ends_in


def _anchored(case: Case, visit: Visit) -> bool:
    return case.reference(visit).complete


def _pins(case: Case, visits: tuple[Visit, ...]) -> tuple[Reacted, ...]:
    """Return what setups do that remember one certificate and meet another."""
    objection = "leaf-differs-with-root" if _root_served(case, visits) else "leaf-differs"
    reacted = react(case.supplicants, objection)
    for leaf in {visit.chain[0] for visit in visits}:
        reacted = hardened(reacted, case.facts[leaf], first=False)
    return reacted


def _root_served(case: Case, visits: tuple[Visit, ...]) -> bool:
    """Whether every chain has its root with it."""
    return all(
        any(case.facts[sha256].self_signed for sha256 in visit.chain[1:]) for visit in visits
    )


def _leaf_draft(
    case: Case, visits: tuple[Visit, ...], by: Split, pinned: tuple[Reacted, ...]
) -> Draft:
    nodes = by.outside
    same = "the same EAP certificate"
    if by.tie:
        says = f"{listing(nodes)} serve different certificates for EAP"
        says += f" ({_leaf_names(case, visits, nodes)})."
    else:
        same = f"the EAP certificate of {listing(by.groups[0].nodes)}"
        most = by.groups[0].nodes
        says = (
            f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} for EAP another certificate"
            f" ({_leaf_names(case, visits, nodes)}) than {listing(most)}"
            f" ({_leaf_names(case, visits, most)})."
        )
    remedy = (
        f"Import {same} with its key on {listing(nodes)}, then restart the RADIUS service there; or"
        " give clients a profile with root and name."
    )
    draft = compared(case, "eap-leaf-differs", visits, by, says, pinned)
    return replace(draft, remedy=remedy)


def _leaf_names(case: Case, visits: tuple[Visit, ...], nodes: tuple[str, ...]) -> str:
    leaves = dict.fromkeys(visit.chain[0] for visit in visits if visit.nodes[0] in nodes)
    shown = [f"{called(case.facts[leaf])}, {leaf[:8]}..." for leaf in leaves]
    return listing(shown, most=2)


def _roots(case: Case, visits: tuple[Visit, ...], by: Split) -> Draft | Note:
    nodes = by.outside
    leads = [
        f"{listing(group.nodes)} to {quoted_name(_root_name(group.value))}" for group in by.groups
    ]
    says = f"EAP certificates lead to different roots: {'; '.join(leads)}."
    # Who remembers a root that was served meets another one; who has one root only refuses.
    reacted = react(case.supplicants, "root-differs") if _root_served(case, visits) else ()
    if not all(_anchored(case, visit) for visit in visits):
        reacted = (*reacted, *react(case.supplicants, "unknown-root"))
    elif worst(reacted) is None:
        return _note("eap-root-differs", nodes, says)
    largest = by.groups[0]
    same = "the same CA" if by.tie else f"the CA {quoted_name(_root_name(largest.value))}"
    remedy = (
        f"Import a certificate of {same} on {listing(nodes)}, then restart the RADIUS service"
        " there; or give clients both roots first."
    )
    draft = compared(case, "eap-root-differs", visits, by, says, reacted)
    return replace(draft, remedy=remedy)


def _root_name(value: Hashable) -> str:
    return value[1] if isinstance(value, tuple) else ""


def _half_renewed(case: Case, visits: tuple[Visit, ...]) -> Iterator[Draft]:
    for one in renewals(case, visits):
        says = (
            f"{listing(one.renewed)} {verb(one.renewed, 'serves', 'serve')} for EAP the renewed"
            f" certificate {called(one.newest)} (until {day(one.newest.not_after)}), and"
            f" {listing(one.behind)} still the one before it (until {day(one.ends)})."
        )
        pinned = _pins(case, one.visits)
        draft = compared(case, "eap-half-renewed", one.visits, one.by_leaf, says, pinned)
        yield one.mended(case, draft, "RADIUS")


def _chains(case: Case, visits: tuple[Visit, ...]) -> Iterator[Draft | Note]:
    by_leaf: dict[str, list[Visit]] = defaultdict(list)
    for visit in visits:
        by_leaf[visit.chain[0]].append(visit)
    for some in by_leaf.values():
        by_chain = split(case, tuple(some), lambda visit: intermediates(case, visit))
        if len(by_chain.groups) < 2:
            continue
        nodes = by_chain.outside
        says = (
            f"{listing(nodes)} {verb(nodes, 'serves', 'serve')} the EAP certificate"
            f" {called(case.leaf(some[0]))} with other intermediates than"
            f" {'each other' if by_chain.tie else listing(by_chain.groups[0].nodes)}."
        )
        if all(_anchored(case, visit) for visit in some):
            yield _note("eap-chain-differs", nodes, says)
        else:
            remedy = f"Import the same chain on {listing(nodes)} as on every node."
            draft = compared(case, "eap-chain-differs", tuple(some), by_chain, says, ())
            yield replace(draft, remedy=remedy)


def _note(rule_id: str, nodes: tuple[str, ...], says: str) -> Note:
    return Note(rule_id, Endpoint.EAP, nodes, None, says, BY_ID[rule_id].source)


def compared(
    case: Case,
    rule_id: str,
    visits: tuple[Visit, ...],
    by: Split,
    says: str,
    reacted: tuple[Reacted, ...],
) -> Draft:
    """Return the draft of a comparison: it speaks of the nodes outside the largest group."""
    outside = [visit for visit in visits if visit.nodes[0] in by.outside]
    places: frozenset[Place] = frozenset(place for visit in outside for place in visit.places)
    return Draft(
        rule_id=rule_id,
        nodes=by.outside,
        addresses=tuple(dict.fromkeys(v.asked.address for v in outside if v.asked.address)),
        certificates=tuple(dict.fromkeys(visit.chain[0] for visit in outside)),
        reacted=reacted,
        says=says,
        evidence=limited(tuple(_rows(case, visits, by))),
        places=places,
        questions=frozenset(visit.record.question for visit in visits),
        groups=by.sets,
    )


def _rows(case: Case, visits: tuple[Visit, ...], by: Split) -> Iterator[Evidence]:
    """Yield a row for each group: who, and with what."""
    for group in by.groups:
        first = next(visit for visit in visits if visit.nodes[0] in group.nodes)
        leaf = case.leaf(first)
        value = (
            f"{called(leaf)} by {quoted_name(leaf.issuer)}, from {day(leaf.not_before)} to"
            f" {day(leaf.not_after)}, SHA-256 {leaf.sha256[:16]}..."
        )
        yield Evidence(listing(group.nodes), value, first.record.question)
