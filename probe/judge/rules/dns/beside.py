"""What is worth knowing of names and changes no verdict: reverse records, and wildcards."""

from collections import defaultdict
from collections.abc import Iterator
from ipaddress import ip_address

from probe.assessment import Note
from probe.judge.case import Case
from probe.judge.catalogue import BY_ID
from probe.judge.rules.dns.answers import (
    ABSENT,
    BAD,
    FAMILIES,
    Answer,
    addresses_in,
    canonical,
    family_of,
)
from probe.judge.words import clip, listing, verb
from probe.observation.model import Endpoint, Lookup, LookupOutcome

_WILDCARD = "dns-wildcard-answer"

_REVERSE = "dns-reverse-differs"

_Flaw = tuple[str, str, str]
"""A verb for one address and for several, and what follows."""


# ---------------------------------------------------------------- reverse records


def reverse_differs(case: Case) -> Iterator[Note]:
    """Yield one note for all addresses of nodes that do not lead back to their names.

    One resolver that leads back is enough: reverse zones of inner addresses are inner ones.
    """
    by_address: dict[str, list[Lookup]] = defaultdict(list)
    nodes: dict[str, set[str]] = defaultdict(set)
    targets: dict[tuple[str, str], list[Lookup]] = defaultdict(list)
    for lookup in case.survey.lookups:
        question = case.questions.get(lookup.question)
        if question is None or question.lookup is None or question.lookup.type != "PTR":
            continue
        if lookup.asked.type == "PTR":
            by_address[lookup.asked.name].append(lookup)
            nodes[lookup.asked.name].update(question.nodes)
        else:
            targets[lookup.question, lookup.asked.name].append(lookup)
    wrong: dict[str, _Flaw] = {}
    for name, lookups in by_address.items():
        told = [lookup for lookup in lookups if lookup.outcome not in BAD]
        flaws = [_flaw(case, lookup, nodes[name], targets) for lookup in told]
        if flaws and None not in flaws:
            wrong[name] = next(flaw for flaw in flaws if flaw is not None)
    if not wrong:
        return
    affected = case.sort_nodes(node for name in wrong for node in nodes[name])
    alike: dict[_Flaw, list[str]] = defaultdict(list)
    for name, flaw in wrong.items():
        alike[flaw].append(_address(name))
    says = listing(
        [f"{listing(some)} {verb(some, *flaw[:2])} {flaw[2]}" for flaw, some in alike.items()]
    )
    yield Note(
        _REVERSE,
        Endpoint.DNS,
        affected,
        None,
        f"Reverse records of {listing(affected)}: {says}.",
        BY_ID[_REVERSE].source,
    )


def _flaw(
    case: Case,
    lookup: Lookup,
    nodes: set[str],
    targets: dict[tuple[str, str], list[Lookup]],
) -> _Flaw | None:
    """Return what is wrong with one reverse answer; None: nothing that is known."""
    if lookup.outcome is not LookupOutcome.ANSWERED:
        return "has", "have", "none"
    address = _address(lookup.asked.name)
    own = {case.host(node) for node in nodes if node in case.nodes}
    own |= {one.name for one in case.plan.services if set(one.nodes) & nodes}
    mine = [target for target in lookup.data if target.lower() in own]
    if not mine:
        return "names", "name", listing([clip(target) for target in lookup.data])
    for target in mine:
        forward = targets.get((lookup.question, target), [])
        of_type = [one for one in forward if one.asked.type == family_of(address)]
        known = [one for one in of_type if one.outcome not in BAD]
        if not known or canonical(address) in addresses_in(known):
            return None
    return "names", "name", f"{listing(mine)}, which does not have this address"


def _address(reverse: str) -> str:
    """Return the address of a reverse name (RFC 1035, 3.5; RFC 3596, 2.5); else the name."""
    labels = reverse.lower().removesuffix(".").split(".")
    try:
        if labels[-2:] == ["in-addr", "arpa"]:
            return str(ip_address(".".join(labels[-3::-1])))
        if labels[-2:] == ["ip6", "arpa"]:
            digits = "".join(labels[-3::-1])
            return str(ip_address(":".join(digits[at : at + 4] for at in range(0, 32, 4))))
    except ValueError:
        pass
    return reverse


# ---------------------------------------------------------------- wildcards


def wildcard_answer(case: Case, answers: tuple[Answer, ...]) -> Iterator[Note]:
    """Yield a note for the names of each domain that get the answer of any other name there."""
    siblings: dict[tuple[str, str, str | None, str | None], list[Lookup]] = defaultdict(list)
    for lookup in case.survey.lookups:
        question = case.questions.get(lookup.question)
        asked = question.lookup if question is not None else None
        if asked is not None and asked.name.startswith("*.") and lookup.asked.type in FAMILIES:
            key = asked.name.removeprefix("*."), asked.resolver, asked.view, lookup.vantage
            siblings[key].append(lookup)
    alike: dict[str, dict[str, Answer]] = defaultdict(dict)
    for answer in answers:
        parent = answer.name.partition(".")[2]
        first = answer.lookups[0]
        beside = siblings.get((parent, first.asked.resolver, first.asked.view, first.vantage), [])
        if _same(answer, beside):
            alike[parent].setdefault(answer.name, answer)
    for parent, by_name in alike.items():
        names = list(by_name)
        nodes = case.sort_nodes(node for answer in by_name.values() for node in answer.nodes)
        places = list(dict.fromkeys(answer.where for answer in by_name.values()))
        yield Note(
            _WILDCARD,
            Endpoint.DNS,
            nodes,
            names[0] if len(names) == 1 else None,
            f"{listing(names)} {verb(names, 'gets', 'get')} the answer of any other name below"
            f" {parent}, says {listing(places)}: through a wildcard record, it seems.",
            BY_ID[_WILDCARD].source,
        )


def _same(answer: Answer, beside: list[Lookup]) -> bool:
    known = {
        one.asked.type
        for one in beside
        if one.outcome in ABSENT or one.outcome is LookupOutcome.ANSWERED
    }
    both = known == set(FAMILIES) == answer.known
    return both and bool(answer.addresses) and addresses_in(beside) == answer.addresses
