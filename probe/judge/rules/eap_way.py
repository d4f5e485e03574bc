"""The way to a RADIUS server and back: replies from elsewhere, large packets that are lost, and
balancers that split a conversation. What was tried after a failure shows them."""

from collections import defaultdict
from collections.abc import Callable, Iterator

from probe.judge.case import Case, Visit
from probe.judge.draft import Draft, Sighting, nodes_of, resting_on
from probe.judge.narrowed import Narrowing, Why, narrowing_of
from probe.judge.rules.eap_tried import in_words
from probe.judge.rules.reach import where
from probe.judge.words import clip, listing, verb
from probe.observation.model import Aspect
from probe.plan.model import Acceptance

_RULES = {
    Why.ELSEWHERE: "eap-reply-elsewhere",
    Why.LOST: "eap-fragments-lost",
    Why.SPLIT: "eap-balancer-splits",
}


def the_way(case: Case) -> Iterator[Draft]:
    """Yield a draft for each cause on the way to RADIUS servers, nodes of one cause together."""
    narrowing = narrowing_of(case)
    found: dict[tuple[Why, str | None, Acceptance | None], list[Sighting]] = defaultdict(list)
    for visit in case.asked_of_eap:
        why = narrowing.why(visit)
        if why not in _RULES or not visit.nodes or visit.aspect is Aspect.UNSIGNED:
            continue
        service = visit.service.name if visit.virtual and visit.service else None
        accepted = case.acceptance(_RULES[why], visit.nodes, None)
        found[why, service, accepted].append(Sighting(visit, detail=_detail(narrowing, visit)))
    for (why, _, accepted), sightings in found.items():
        says, remedy = _SAYING[why](case, narrowing, sightings)
        draft = Draft(
            rule_id=_RULES[why],
            nodes=nodes_of(case, sightings),
            fault=_fault(narrowing, why, sightings),
            says=says,
            remedy=remedy,
            accepted=accepted,
        )
        yield resting_on(draft, sightings)


def _detail(narrowing: Narrowing, visit: Visit) -> str:
    record = visit.record
    ended = clip(record.detail or record.outcome.value)
    if record.round_trips:
        trips = "round trip" if record.round_trips == 1 else "round trips"
        ended = f"{ended}, after {record.round_trips} {trips}"
    return "; ".join((ended, *in_words(narrowing.tried(visit))))


def _fault(narrowing: Narrowing, why: Why, sightings: list[Sighting]) -> tuple[str, ...]:
    at = sorted({sighting.visit.asked.address or "" for sighting in sightings})
    if why is not Why.ELSEWHERE:
        return tuple(at)
    return (*at, *sorted({narrowing.elsewhere(each.visit) or "" for each in sightings}))


def _elsewhere(case: Case, narrowing: Narrowing, sightings: list[Sighting]) -> tuple[str, str]:
    nodes, place = where(case, sightings)
    pairs = dict.fromkeys(
        f"{clip(narrowing.elsewhere(each.visit) or '')} instead of {each.visit.asked.address}"
        for each in sightings
    )
    return (
        f"RADIUS at {place} replies from another address than it is asked at"
        f" ({listing(list(pairs))}): access points drop such replies.",
        f"Have the RADIUS service on {listing(nodes)} reply from the address that it was asked at"
        " (bind it to that address), or give access points the address that it replies from.",
    )


def _lost(case: Case, _narrowing: Narrowing, sightings: list[Sighting]) -> tuple[str, str]:
    nodes, place = where(case, sightings)
    return (
        f"RADIUS at {place} is heard as long as packets are small, and large ones are lost on the"
        " way: no certificate gets through.",
        f"Let UDP fragments pass everywhere between here and {listing(nodes)} (firewalls, tunnels),"
        f" or have {verb(nodes, 'it', 'them')} cut EAP into smaller fragments.",
    )


def _split(case: Case, _narrowing: Narrowing, sightings: list[Sighting]) -> tuple[str, str]:
    nodes, place = where(case, sightings)
    return (
        f"Conversations with RADIUS at {place} break in their midst, and {listing(nodes)}"
        f" {verb(nodes, 'carries', 'carry')} them through by {verb(nodes, 'its', 'their')} own"
        f" {verb(nodes, 'address', 'addresses')}: one conversation is spread over several nodes.",
        "Have the balancer keep all packets of one client at one node (by source address, or by"
        f" Calling-Station-Id), so that {listing(nodes)} {verb(nodes, 'sees', 'see')} whole"
        " conversations.",
    )


_SAYING: dict[Why, Callable[[Case, Narrowing, list[Sighting]], tuple[str, str]]] = {
    Why.ELSEWHERE: _elsewhere,
    Why.LOST: _lost,
    Why.SPLIT: _split,
}
