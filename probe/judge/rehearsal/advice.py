"""Other ways of the same roll-out, each judged as the one that is meant. One is advised only if it
leaves some client better off at some step, and none worse at any."""

from collections.abc import Iterable, Iterator, Sequence

from probe.bundle import Judged
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.rehearsal.memory import Changed, Memory, by_hand
from probe.judge.rehearsal.preparations import Other, preparations, prepared, root_of
from probe.judge.rehearsal.timeline import steps
from probe.judge.rehearsal.way import Way, World
from probe.judge.words import called, listing, quoted_name, verb
from probe.observation.model import Endpoint, fingerprint
from probe.plan.model import Setup
from probe.records import replace
from probe.rehearsal import Advice, Experience, Feels, Kind, Step

_DATES = ("-expired", "-expiring", "-not-yet-valid")
"""What a new certificate like today's would not have."""

_JUDGED = 5
"""Steps of an alternative that are judged: each costs as much as judging a sweep."""


def advice(world: World, way: Way, judged: Judged, taken: Sequence[Step]) -> tuple[Advice, ...]:
    """Return what helps, of what could be done otherwise than the way whose steps were taken.

    Where there are many steps, the two at each end and one in the middle are enough to compare.
    """
    if len(taken) > _JUDGED:
        last = len(taken) - 1
        taken = [taken[place] for place in (0, 1, last // 2, last - 1, last)]
    if not any(_troubled(step.experiences) for step in taken):
        return tuple(_serve_root(world, way, judged, taken))
    found = [
        one for other in preparations(world, way, judged) if (one := _tried(world, other, taken))
    ]
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


def _together(
    world: World, way: Way, judged: Judged, taken: Sequence[Step], found: Sequence[Advice]
) -> Advice | None:
    """Return all preparations at once, where they help whom none of them helps by itself."""
    others = prepared(world, way, judged)
    if len(others) < 2:
        return None
    tried = _compared(
        tuple(other.kind for other in others),
        " ".join(other.says for other in others),
        taken,
        steps(world, others[-1].way, [step.done for step in taken]),
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
        # One that is not mended gains nothing by its place.
        return max(_weight(today, node) - _weight(last, node), 0)

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
    root = root_of(judged)
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
