"""Names that lead to other addresses than the plan's, or not to all of them, in some view or all.

A clean split is healthy: each view gives planned addresses only, what one gives the other does not,
and together they give all. It is looked for in A and AAAA records apart, as a network without IPv6
may well be shown no AAAA.
"""

from collections.abc import Iterator, Sequence
from itertools import combinations

from probe.assessment import Evidence
from probe.judge.case import Case, Visit
from probe.judge.draft import Draft, limited
from probe.judge.rules.dns.absent import is_absent, is_broken
from probe.judge.rules.dns.answers import (
    FAMILIES,
    Answer,
    Planned,
    by_name,
    by_way_of,
    canonical,
    expected_here,
    family_of,
    holder,
    openers,
    places_of,
    planned,
    questions_of,
    resolvers_of,
    rows,
)
from probe.judge.words import called, clip, listing, verb
from probe.observation.model import Aspect


def elsewhere(case: Case, answers: tuple[Answer, ...]) -> Iterator[Draft]:
    """Yield what is wrong with the addresses of each name of which the plan has some."""
    for name, said in by_name(answers):
        of_plan = planned(case, name)
        if of_plan is None or not of_plan.addresses:
            continue
        here = [one for one in said if expected_here(case, one)]
        wrong = [one for one in here if _is_wrong(one, of_plan)]
        mixed = [one for one in here if one not in wrong and one.addresses - of_plan.addresses]
        right = [one for one in here if one.addresses and one.addresses <= of_plan.addresses]
        yield from _wrong(case, name, wrong, here, of_plan)
        if of_plan.any_of:
            mixed = [one for one in mixed if not one.addresses & of_plan.addresses]
        told = [*right, *mixed]
        lacking: list[tuple[str | None, str]] = []
        if not of_plan.any_of and len(told) == len(here) and told:
            # A view that need not have the name may have it all the same.
            found = frozenset[str]().union(*(one.addresses for one in said))
            known = frozenset(FAMILIES).intersection(*(one.known for one in told))
            lacking = of_plan.missing(found, known)
        if mixed or lacking:
            yield _partly(case, name, mixed, told, here, lacking, of_plan)
        nowhere = [one for one in here if is_absent(one) or is_broken(one)]
        bad = [*wrong, *mixed, *(one for one in nowhere if not one.addresses)]
        if right and bad:
            yield _some_views(case, name, right, bad)
        elif not of_plan.any_of:
            yield from _uneven(case, name, right)


def _is_wrong(answer: Answer, of_plan: Planned) -> bool:
    """Whether none of the planned addresses came, though they could have come."""
    families = {family_of(address) for address in of_plan.addresses}
    if not answer.addresses or answer.addresses & of_plan.addresses:
        return False
    return families <= answer.known


def _wrong(
    case: Case, name: str, wrong: list[Answer], here: list[Answer], of_plan: Planned
) -> Iterator[Draft]:
    if not wrong:
        return
    alike: dict[frozenset[str], list[Answer]] = {}
    for answer in wrong:
        alike.setdefault(answer.addresses, []).append(answer)
    last = "or" if of_plan.any_of else "and"
    planned_ones = listing(sorted(of_plan.addresses), last=last)
    wanted = listing(_to_set(of_plan, [one for one in here if one not in wrong]), last=last)
    for found, led in alike.items():
        addresses = tuple(sorted(found))
        places, there = places_of(led), listing(addresses)
        yield Draft(
            rule_id="dns-wrong-address",
            nodes=led[0].nodes,
            name=name,
            addresses=addresses,
            fault=(*addresses, *resolvers_of(led)),
            clients=openers(case, name),
            says=f"{name} leads to {there}{by_way_of(led)}, {verb(places, 'says', 'say')}"
            f" {listing(places)}, and the plan has {planned_ones}.",
            remedy=f"Set the address records of {holder(name, led)} to {wanted}"
            f"{_seen_by(led, here)}, or correct the plan if {there}"
            f" {verb(addresses, 'is', 'are')} right.",
            evidence=limited((*rows(case, led), *_met_there(case, name, found))),
            questions=questions_of(led) | _visits_there(case, name, found),
        )


def _to_set(of_plan: Planned, others: list[Answer]) -> list[str]:
    """Return the addresses that a wrong view should give: what no other one gives, or else all."""
    if of_plan.any_of:
        return sorted(of_plan.addresses)
    given = frozenset[str]().union(*(one.addresses for one in others))
    missing = of_plan.missing(given, frozenset(FAMILIES))
    whole = missing or of_plan.missing(frozenset(), frozenset(FAMILIES))
    return sorted({address for _, address in whole})


def _seen_by(some: list[Answer], every: Sequence[Answer]) -> str:
    """Return in words where to change records, if not every resolver shows them alike."""
    places = places_of(some)
    if len(places) == len(places_of(every)):
        return ""
    return f" as {listing(places)} {verb(places, 'sees', 'see')} it"


def _partly(
    case: Case,
    name: str,
    mixed: list[Answer],
    told: list[Answer],
    every: list[Answer],
    lacking: list[tuple[str | None, str]],
    of_plan: Planned,
) -> Draft:
    found = frozenset[str]().union(*(one.addresses for one in mixed))
    foreign = tuple(sorted(found - of_plan.addresses))
    missing = tuple(address for _, address in lacking)
    says, remedy = [], []
    if foreign:
        here, tell = listing(places_of(mixed)), verb(places_of(mixed), "says", "say")
        beside = "besides the plan's addresses" if found & of_plan.addresses else "as well"
        says.append(f"leads to {listing(foreign)} {beside}{by_way_of(mixed)}, {tell} {here}")
        remedy.append(
            f"take {listing(foreign)} out of the address records of {holder(name, mixed)}"
            f"{_seen_by(mixed, every)}"
        )
    if missing:
        of = {node: [a for n, a in lacking if n == node] for node, _ in lacking}
        words = listing(
            [listing(some) + (f" of {node}" if node else "") for node, some in of.items()]
        )
        places = places_of(told)
        says.append(f"does not lead to {words}, {verb(places, 'says', 'say')} {listing(places)}")
        remedy.append(f"add {words} to the address records of {holder(name, told)}")
    concerned = mixed or told
    behind = {node for node, _ in lacking if node is not None}
    nodes = concerned[0].nodes
    if not foreign and behind:
        nodes = case.sort_nodes(behind)
    first = listing(remedy)
    enough = ', or that some of them are enough (answers = "any-of")'
    if not case.services.get(name):
        enough = ""  # a node's own name has no such key
    return Draft(
        rule_id="dns-partly-wrong",
        nodes=nodes,
        name=name,
        addresses=foreign or missing,
        fault=(*foreign, "missing", *missing, *resolvers_of(concerned)),
        clients=openers(case, name),
        says=f"{name} {listing(says)}.",
        remedy=f"{first[0].upper()}{first[1:]}, or correct the plan: its addresses{enough}.",
        evidence=limited((*rows(case, concerned), *_met_there(case, name, frozenset(foreign)))),
        questions=questions_of(concerned) | _visits_there(case, name, frozenset(foreign)),
    )


# ---------------------------------------------------------------- views


def _some_views(case: Case, name: str, right: list[Answer], bad: list[Answer]) -> Draft:
    """Return that one view is right and another is not: it goes under what is wrong there."""
    good, wrong = listing(places_of(right)), listing(places_of(bad))
    return Draft(
        rule_id="dns-views-differ",
        nodes=bad[0].nodes,
        name=name,
        fault=(*resolvers_of(right), "against", *resolvers_of(bad)),
        clients=openers(case, name),
        says=f"{name} leads where the plan has it by {good}, and not by {wrong}.",
        remedy=f"Bring the zone of {name} that {wrong} {verb(places_of(bad), 'shows', 'show')} in"
        f" line with what {good} {verb(places_of(right), 'shows', 'show')}.",
        evidence=limited(rows(case, [*right, *bad])),
        questions=questions_of([*right, *bad]),
    )


def _uneven(case: Case, name: str, right: list[Answer]) -> Iterator[Draft]:
    if len(right) < 2:
        return
    lacking: dict[int, set[str]] = {}
    having: set[int] = set()
    for family in FAMILIES:
        alike: dict[frozenset[str], list[int]] = {}
        for place, answer in enumerate(right):
            alike.setdefault(answer.of_family(family), []).append(place)
        for (left, ones), (rest, others) in combinations(alike.items(), 2):
            if not left & rest:
                continue  # a clean split, or a network that is shown none of the kind
            for places, lack, giving in ((ones, rest - left, others), (others, left - rest, ones)):
                if lack:
                    having.update(giving)
                    for place in places:
                        lacking.setdefault(place, set()).update(lack)
    if not lacking:
        return
    without = [right[place] for place in sorted(lacking)]
    missing = sorted(set().union(*lacking.values()))
    givers = [right[place] for place in sorted(having) if place not in lacking]
    words = listing(
        [
            f"{right[place].where} lacks {listing(sorted(lacking[place]))}"
            for place in sorted(lacking)
        ]
    )
    by = f", which {listing(places_of(givers))} {verb(places_of(givers), 'gives', 'give')}"
    behind = [node for node in right[0].nodes if set(missing) & set(_all_addresses(case, node))]
    yield Draft(
        rule_id="dns-views-differ",
        nodes=case.sort_nodes(behind) or right[0].nodes,
        name=name,
        addresses=tuple(missing),
        fault=(*missing, *resolvers_of(without)),
        clients=openers(case, name),
        says=f"Of the plan's addresses of {name} {words}{by if givers else ''}.",
        remedy=f"Add {listing(missing)} to the address records of {holder(name, without)} as"
        f" {listing(places_of(without))} {verb(places_of(without), 'sees', 'see')} it, or split the"
        " views cleanly.",
        evidence=limited(rows(case, right)),
        questions=questions_of(right),
    )


def _all_addresses(case: Case, node: str) -> Iterator[str]:
    of = case.nodes[node]
    for some in (of.addresses, of.web_addresses(), of.eap_addresses()):
        yield from (canonical(address) for address in some or ())


# ---------------------------------------------------------------- what stands there


def _led(case: Case, name: str, addresses: frozenset[str]) -> list[Visit]:
    return [
        visit
        for visit in case.aside(Aspect.LED)
        if visit.name == name and canonical(visit.asked.address or "") in addresses
    ]


def _visits_there(case: Case, name: str, addresses: frozenset[str]) -> frozenset[str]:
    return frozenset(visit.record.question for visit in _led(case, name, addresses))


def _met_there(case: Case, name: str, addresses: frozenset[str]) -> Sequence[Evidence]:
    """Return what the visits of these addresses met."""
    return [
        Evidence(
            f"{visit.asked.address}, port {visit.asked.port}",
            _met(case, visit),
            visit.record.question,
            ("opened as", name),
        )
        for visit in _led(case, name, addresses)
    ]


def _met(case: Case, visit: Visit) -> str:
    if not visit.chain:
        return clip(visit.record.detail or visit.record.outcome.value)
    leaf = case.leaf(visit)
    flaws = []
    if not leaf.readable or not case.covers(visit, visit.name).covered:
        flaws.append("does not have the name")
    if not case.reference(visit).good:
        flaws.append("is not trusted here")
    return f"serves the certificate {called(leaf)}" + (f", which {listing(flaws)}" if flaws else "")
