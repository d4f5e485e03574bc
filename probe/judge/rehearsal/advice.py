"""Other ways of the same roll-out, each judged as the one that is meant. One is advised only if it
leaves some client better off at some step, and none worse at any."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from probe.bundle import Authority, Judged
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.names import supplicant_covers
from probe.judge.rehearsal.memory import Changed, Memory, by_hand
from probe.judge.rehearsal.timeline import steps
from probe.judge.rehearsal.way import Way, World
from probe.judge.words import called, listing, quoted_name, verb
from probe.observation.model import Endpoint, fingerprint
from probe.plan.model import Demand, Expects, Matching, Node, Plan, Profile, Roots, Setup
from probe.rehearsal import Advice, Experience, Feels, Kind, Step

_DATES = ("-expired", "-expiring", "-not-yet-valid")
"""What a new certificate like today's would not have."""

_NEW_ROOT = "the new root"

Who = tuple[str, str | None]


@dataclass(frozen=True, slots=True)
class Other:
    """An alternative."""

    kind: Kind
    way: Way
    says: str


def advice(world: World, way: Way, judged: Judged, taken: Sequence[Step]) -> tuple[Advice, ...]:
    """Return what helps, of what could be done otherwise than the way whose steps were taken."""
    if not any(_troubled(step.experiences) for step in taken):
        return tuple(_serve_root(world, way, judged, taken))
    found = [one for other in _others(world, way, judged) if (one := _tried(world, other, taken))]
    # What mends one fault of two helps nobody by itself.
    together = _together(world, way, judged, taken, found)
    like_today = _like_today(world, way, taken)
    order = _other_order(world, way, taken)
    return (
        *found,
        *(one for one in (together, like_today, order) if one is not None),
        *_serve_root(world, way, judged, taken),
    )


def _troubled(experiences: Iterable[Experience]) -> bool:
    return any(one.feels < Feels.UNSEEN for one in experiences)


# ---------------------------------------------------------------- what helps


def _tried(world: World, other: Other, taken: Sequence[Step]) -> Advice | None:
    found = steps(world, other.way, [step.done for step in taken])
    return _compared((other.kind,), other.says, taken, found)


def _compared(
    kinds: tuple[Kind, ...], says: str, taken: Sequence[Step], otherwise: Sequence[Step]
) -> Advice | None:
    """Return the advice if the other way helps somebody and harms nobody.

    Today is as it is: what a plan would say of it after preparations is no gain.
    """
    helps, left = [], []
    for place, first in enumerate(taken[0].experiences):
        pairs = [
            (step.experiences[place], other.experiences[place])
            for step, other in zip(taken[1:], otherwise[1:], strict=True)
        ]
        if any(_harsher(other, one) for one, other in pairs):
            return None
        if any(_harsher(one, other) for one, other in pairs):
            helps.append(first.who)
            if any(other.feels < Feels.UNSEEN for _, other in pairs):
                left.append(first.who)
    return Advice(kinds, says, tuple(helps), tuple(left)) if helps else None


def _harsher(one: Experience, other: Experience) -> bool:
    """Whether a client is worse off: harder, or refused or warned at more nodes.

    Where users are asked is no such count: what is found besides may stand for it or not.
    """
    if one.feels is not other.feels:
        return one.feels < other.feels
    return one.feels <= Feels.WARNED and set(one.nodes) > set(other.nodes)


# ---------------------------------------------------------------- preparations


def _others(world: World, way: Way, judged: Judged) -> Iterator[Other]:
    yield from _roots_first(world, way, judged)
    yield from _common_name(world, way)
    yield from _whole_chain(way, judged)


def _root(judged: Judged) -> Authority | None:
    """Return the root of the chain, if its certificate is at hand."""
    last = judged.authorities[-1] if judged.authorities else None
    return last if last is not None and last.root and last.certificate is not None else None


def _roots_first(world: World, way: Way, judged: Judged) -> Iterator[Other]:
    root = _root(judged)
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


def _together(
    world: World, way: Way, judged: Judged, taken: Sequence[Step], found: Sequence[Advice]
) -> Advice | None:
    """Return all preparations at once, where they help whom none of them helps by itself."""
    both, kinds, says = way, [], []
    for make in (_roots_first, _common_name, _whole_chain):
        others = (
            _whole_chain(both, judged)
            if make is _whole_chain
            else _common_name(world, both)
            if make is _common_name
            else _roots_first(world, both, judged)
        )
        for other in others:
            both = other.way
            kinds.append(other.kind)
            says.append(other.says)
    if len(kinds) < 2:
        return None
    tried = _compared(
        tuple(kinds), " ".join(says), taken, steps(world, both, [step.done for step in taken])
    )
    if tried is None:
        return None
    spared = {who for one in found for who in one.helps if who not in one.left}
    gained = set(tried.helps) - set(tried.left) - spared
    return tried if gained else None


# ---------------------------------------------------------------- another certificate


def _like_today(world: World, way: Way, taken: Sequence[Step]) -> Advice | None:
    """Return the advice to have it issued as today's is, where that spares somebody something.

    Judged is today's certificate in its place: what clients say of that they would say of another
    one of the same CA, names and kind of key, dates aside.
    """
    old = _served_today(world, way)
    new = facts_of(way.chain[0])
    if old is None or old.sha256 == new.sha256:
        return None
    differs = list(_differences(old, new))
    if not differs:
        return None
    chains = {
        record.served.chain
        for record in world.seen.handshakes
        if record.endpoint is Endpoint.EAP and record.served and record.served.chain
    }
    memory = Memory(way.plan, world.seen.certificates, world.at)
    minding = frozenset(
        client.family
        for client in by_hand(way.plan)
        if any(memory.felt(client, Changed(chain, chain)) for chain in chains)
    )
    stays = [_as_today(step, taken[0], minding) for step in taken]
    tried = _compared((Kind.LIKE_TODAY,), "", taken, stays)
    if tried is None:
        return None
    says = f"Have it issued as today's certificate {called(old)} is: {listing(differs)}."
    return replace(tried, says=says)


def _as_today(step: Step, today: Step, minding: frozenset[str]) -> Step:
    """Return a step at which nothing but the certificate itself has changed. `minding` are clients
    that, set up by hand, remember that and mind every other one."""
    dated = {f.id for f in today.findings if f.rule.endswith(_DATES)}
    experiences = []
    for now, then in zip(today.experiences, step.experiences, strict=True):
        own = now
        if now.findings and dated.issuperset(now.findings):
            own = replace(now, feels=Feels.WORKS, nodes=(), findings=())
        if then.setup == Setup.BY_HAND.value and then.client in minding:
            own = min(own, then, key=lambda one: one.feels)
        experiences.append(own)
    return replace(step, experiences=tuple(experiences))


def _served_today(world: World, way: Way) -> CertFacts | None:
    """Return the certificate that most visits of the nodes show; None where each of the endpoints
    that it is for has its own."""
    found = {endpoint: _most_served(world, way, endpoint) for endpoint in world.endpoints}
    (leaf, *others) = set(found.values())
    return None if others or leaf is None else facts_of(world.seen.certificates[leaf])


def _most_served(world: World, way: Way, endpoint: Endpoint) -> str | None:
    family = facts_of(way.chain[0]).key_family
    counts: dict[tuple[bool, str], int] = {}
    for record in world.seen.handshakes:
        its_own = record.endpoint is endpoint and set(record.nodes) <= set(way.order)
        if its_own and record.served and record.served.chain:
            leaf = record.served.chain[0]
            # Of two kinds of key, the one that is replaced.
            alike = facts_of(world.seen.certificates[leaf]).key_family is family
            counts[alike, leaf] = counts.get((alike, leaf), 0) + 1
    if not counts:
        return None
    return max(counts, key=lambda one: (one[0], counts[one], one[1]))[1]


def _differences(old: CertFacts, new: CertFacts) -> Iterator[str]:
    if old.issuer_raw != new.issuer_raw:
        yield f"by the CA {quoted_name(old.issuer)}"
    lost = [n.value for n in old.names if n not in new.names]
    if lost:
        yield f"with the {verb(lost, 'name', 'names')} {listing(lost)}"
    if old.key_family is not new.key_family:
        yield f"with a key of the kind {old.key}"


# ---------------------------------------------------------------- order, and the next time


def _other_order(world: World, way: Way, taken: Sequence[Step]) -> Advice | None:
    """Return the order in which nodes that the certificate mends come first, if fewer are troubled
    on the way than in the order that is meant."""
    if len(taken) < 3:
        return None
    today, last = taken[0], taken[-1]

    def gain(node: str) -> int:
        return _weight(today, node) - _weight(last, node)

    # Sorting is stable: nodes that gain alike stay in the order that was meant.
    order = tuple(sorted(way.order, key=gain, reverse=True))
    if order == way.order:
        return None
    counts = [len(step.done) for step in taken]
    other = replace(way, order=order)
    found = steps(world, other, [order[:count] for count in counts])
    if sum(map(_sum, found)) >= sum(map(_sum, taken)):
        return None
    helps = tuple(
        first.who
        for place, first in enumerate(today.experiences)
        if _sum_of(found, place) < _sum_of(taken, place)
    )
    if any(
        _sum_of(found, place) > _sum_of(taken, place) for place in range(len(today.experiences))
    ):
        return None
    says = f"Take the nodes in the order {', '.join(order[:12])}: those that it mends come first."
    if len(order) > 12:
        says = (
            f"Begin with {', '.join(order[:8])}: those that it mends come first; the whole order"
            " is in the JSON document."
        )
    return Advice((Kind.ORDER,), says, helps, (), order=order)


def _weight(step: Step, node: str) -> int:
    return sum(_HARD[one.feels] for one in step.experiences if node in one.nodes)


_HARD = {
    Feels.BLOCKED: 100,
    Feels.WARNED: 1,
    Feels.ASKED: 0,
    Feels.PERHAPS: 0,
    Feels.UNSEEN: 0,
    Feels.WORKS: 0,
}
"""How much worse is one thing than another; only the order of the sums matters."""


def _sum(step: Step) -> int:
    return sum(_HARD[one.feels] * len(one.nodes) for one in step.experiences)


def _sum_of(found: Sequence[Step], place: int) -> int:
    return sum(
        _HARD[step.experiences[place].feels] * len(step.experiences[place].nodes) for step in found
    )


def _serve_root(world: World, way: Way, judged: Judged, taken: Sequence[Step]) -> Iterator[Advice]:
    """Yield the advice to serve the root too: whoever accepts a certificate by hand then may
    remember the root, and is not asked at the next renewal under it."""
    root = _root(judged)
    if Endpoint.EAP not in world.endpoints or root is None or root.certificate is None:
        return
    der = judged.certificates[root.certificate]
    if der in way.chain:
        return
    whole = replace(way, chain=(*way.chain, der))
    survey = world.after(whole, way.order)
    memory = Memory(way.plan, survey.certificates | {root.certificate: der}, world.at)
    bare = tuple(fingerprint(one) for one in way.chain)
    full = (*bare, root.certificate)
    helps = tuple(
        (client.family, "by-hand")
        for client in by_hand(way.plan)
        if memory.felt(client, Changed(bare, bare)) and not memory.felt(client, Changed(full, full))
    )
    if not helps:
        return
    last = steps(world, whole, [(), way.order])[-1]
    pairs = zip(taken[-1].experiences, last.experiences, strict=True)
    if any(_harsher(other, one) for one, other in pairs):
        return
    says = (
        f"Serve the root {quoted_name(root.subject)} with the chain: those who accept this"
        " certificate by hand then remember the root, and the next renewal under it asks them"
        " nothing. Those who accepted today's certificate gain nothing this time."
    )
    yield Advice((Kind.SERVE_ROOT,), says, helps, (), later=True)
