"""Preparations of a roll-out, each as the way that it would be with them."""

from collections.abc import Iterable, Iterator

from probe.bundle import Authority, Judged
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.names import supplicant_covers
from probe.judge.rehearsal.way import Way, World
from probe.judge.words import called, listing, quoted_name, verb
from probe.observation.model import Endpoint, fingerprint
from probe.plan.model import Demand, Expects, Matching, Node, Plan, Profile, Roots
from probe.records import dataclass, replace
from probe.rehearsal import Kind

_NEW_ROOT = "the new root"


@dataclass(frozen=True, slots=True)
class Other:
    """An alternative."""

    kind: Kind
    way: Way
    says: str


def preparations(world: World, way: Way, judged: Judged) -> Iterator[Other]:
    """Yield each preparation that there is something to prepare for."""
    yield from _roots_first(world, way, judged)
    yield from _common_name(world, way)
    yield from _whole_chain(way, judged)


def root_of(judged: Judged) -> Authority | None:
    """Return the root of the chain, if its certificate is at hand."""
    last = judged.authorities[-1] if judged.authorities else None
    return last if last is not None and last.root and last.certificate is not None else None


def _roots_first(world: World, way: Way, judged: Judged) -> Iterator[Other]:
    root = root_of(judged)
    if root is None or root.certificate is None:
        return
    der = judged.certificates[root.certificate]
    name = quoted_name(root.subject)
    plan = way.plan
    whose = []
    if Endpoint.EAP in world.endpoints:
        plan = _with_eap_root(plan, der)
        whose.append("supplicant profiles")
    if Endpoint.WEB in world.endpoints and not _has(plan.trust.staff, der):
        plan = replace(plan, trust=replace(plan.trust, staff=(*plan.trust.staff, _roots(der))))
        whose.append("the organisation's devices")
    if plan == way.plan:
        return
    says = (
        f"Put the root {name} into {listing(whose)} beside the one that is there, and wait until"
        " all have it, before the first node gets the certificate."
    )
    yield Other(Kind.ROOTS_FIRST, replace(way, plan=plan), says)


def _with_eap_root(plan: Plan, der: bytes) -> Plan:
    trust = plan.trust
    if not _has(trust.eap, der):
        trust = replace(trust, eap=(*trust.eap, _roots(der)))
    profiles = tuple(
        replace(one, expects=tuple(_with_anchor(expects, der) for expects in one.expects))
        for one in plan.profiles
    )
    return replace(plan, trust=trust, profiles=profiles)


def _with_anchor(expects: Expects, der: bytes) -> Expects:
    named = expects.anchors or expects.thumbprints
    if not named or der in expects.anchors or fingerprint(der) in expects.thumbprints:
        return expects
    return replace(expects, anchors=(*expects.anchors, der))


def _roots(der: bytes) -> Roots:
    return Roots(_NEW_ROOT, None, (der,))


def _has(sources: Iterable[Roots], der: bytes) -> bool:
    return any(der in source.certificates for source in sources)


def _common_name(world: World, way: Way) -> Iterator[Other]:
    """Yield the way in which supplicants expect a name that the certificate has: whichever of both
    is altered, the name that is looked for is there."""
    if Endpoint.EAP not in world.endpoints:
        return
    leaf = facts_of(way.chain[0])
    own = next((n.value for n in leaf.names if n.type == "dns" and "*" not in n.value), None)
    if own is None:
        return
    lacking = dict.fromkeys(name for node in way.plan.nodes for name in _not_covered(node, leaf))
    demanded = dict.fromkeys(
        name
        for profile in way.plan.profiles
        for expects in profile.expects
        for demand in expects.demands
        for name, _ in demand.names
        if not supplicant_covers(leaf, (name,), profile.family).covered
    )
    wanted = list(dict.fromkeys((*lacking, *demanded)))
    if not wanted:
        return
    plan = replace(
        way.plan,
        nodes=tuple(_expecting(node, leaf, own) for node in way.plan.nodes),
        profiles=tuple(_profile_expecting(one, own) for one in way.plan.profiles),
    )
    says = (
        f"Have the certificate issued with the name {listing(wanted, last='or')}, one common name"
        f" in the certificates of all nodes; or have every profile expect {own} too before the"
        " first node gets it."
    )
    yield Other(Kind.COMMON_NAME, replace(way, plan=plan), says)


def _not_covered(node: Node, leaf: CertFacts) -> tuple[str, ...]:
    if node.eap is None or not node.eap.expected_names:
        return ()
    expected = node.eap.expected_names
    return () if supplicant_covers(leaf, expected, "linux-eap").covered else expected


def _expecting(node: Node, leaf: CertFacts, own: str) -> Node:
    if node.eap is None or not _not_covered(node, leaf):
        return node
    return replace(node, eap=replace(node.eap, expected_names=(*node.eap.expected_names, own)))


def _profile_expecting(profile: Profile, own: str) -> Profile:
    def too(demand: Demand) -> Demand:
        return replace(demand, names=(*demand.names, (own, Matching.EXACT)))

    return replace(
        profile,
        expects=tuple(
            replace(one, demands=tuple(too(demand) for demand in one.demands))
            for one in profile.expects
        ),
    )


def _whole_chain(way: Way, judged: Judged) -> Iterator[Other]:
    whole = judged.to_serve
    missing = [der for der in whole or () if der not in way.chain]
    if whole is None or not missing:
        return
    root = tuple(der for der in way.chain[1:] if facts_of(der).self_signed and der not in whole)
    names = [called(facts_of(der)) for der in missing]
    says = (
        f"Import {listing(names)} with the certificate: the files lack"
        f" {verb(names, 'it', 'them')} (--write-chain writes the chain as it is to be served)."
    )
    yield Other(Kind.WHOLE_CHAIN, replace(way, chain=(*whole, *root)), says)


def prepared(world: World, way: Way, judged: Judged) -> tuple[Other, ...]:
    """Return all of them, each on top of the one before: the last is the way with all."""
    found: list[Other] = []
    found += _roots_first(world, way, judged)
    found += _common_name(world, found[-1].way if found else way)
    found += _whole_chain(found[-1].way if found else way, judged)
    return tuple(found)
