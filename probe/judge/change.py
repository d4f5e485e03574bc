"""What is not as it was seen before. Pure: two surveys in, the differences out.

Like is compared with like: an answer with the earlier answer to the very same question. A question
that was put only once says nothing of a change.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Hashable, Iterable, Iterator, Mapping
from typing import TypeVar

from probe.assessment import Altered, Assessment, Change, Finding, Folded, Since
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.assess import judge
from probe.judge.import_rules import IMPORTS
from probe.judge.words import called, clip, day, listing, verb
from probe.observation.model import (
    Aspect,
    Endpoint,
    Handshake,
    KeyFamily,
    Lookup,
    LookupOutcome,
    Survey,
)
from probe.plan.model import Plan
from probe.records import dataclass, replace

_COMPARED = (None, Aspect.FAMILY)
"""Visits as clients make them, and those for the other kind of key."""

_BY_CHANCE = frozenset({"PTR"})
"""Record types whose names are asked as an earlier answer gives them: no two runs need agree."""

_OF_CHAINS = frozenset({"certificate", "chain"})

_OF_IMPORTS = frozenset(rule.id for rule in IMPORTS)

_OVER = {Endpoint.WEB: "HTTPS", Endpoint.EAP: "EAP", Endpoint.RADSEC: "RadSec"}


_Record = TypeVar("_Record", Lookup, Handshake)


def since(plan: Plan, last: Survey, seen: Survey, now: Assessment) -> Since:
    """Return what is new, gone or changed since an earlier survey of the same plan.

    `now` is what is judged of `seen`. The earlier survey is judged by the same plan and rules, as
    of its own end, so that only what was seen, and time, makes a difference.
    """
    ends = [taken.ended for taken in last.taken]
    then = judge(plan, last, at=max(ends))
    compared, differing = changes(last, seen, rotating=rotating_names(plan))
    appeared, gone, altered = _findings(then, now, frozenset(seen.unobserved()))
    return Since(max(ends), min(ends), compared, differing, appeared, gone, altered)


def rotating_names(plan: Plan) -> frozenset[str]:
    """Return the names whose addresses need not be the same in two answers."""
    return frozenset(service.name for service in plan.services if service.any_of)


# ---------------------------------------------------------------- what was seen


def changes(
    before: Survey, after: Survey, *, rotating: Collection[str] = ()
) -> tuple[int, tuple[Change, ...]]:
    """Return how many answers were compared, and where they differ; in the order of the questions.

    `rotating` are names whose addresses are expected to change from one answer to the next.
    """
    pool = before.certificates | after.certificates
    facts = {sha256: facts_of(der) for sha256, der in pool.items()}
    nodes = {question.id: question.nodes for question in after.questions}
    found: list[Change | _Visited] = []
    compared = 0
    for earlier, later in _pairs(before.lookups, after.lookups, _name):
        if later.asked.name not in rotating and later.asked.type not in _BY_CHANCE:
            compared += 1
            found += _of_lookups(earlier, later, nodes.get(later.question, ()))
    visits: list[_Visited] = []
    for was, now in _pairs(before.handshakes, after.handshakes, _address):
        if now.asked.aspect in _COMPARED:
            compared += 1
            visits += _of_visits(was, now)
    usual = {visit.essence for visit in visits if visit.family is None}
    found += (visit for visit in visits if visit.family is None or _is_more(visit, usual))
    return compared, tuple(_merged(found, facts))


def _pairs(
    before: Iterable[_Record], after: Iterable[_Record], place: Callable[[_Record], Hashable]
) -> Iterator[tuple[_Record, _Record]]:
    """Yield the answers to one question at one place. Of several, as of surveys that were merged,
    the last counts."""
    earlier = {(record.question, place(record)): record for record in before}
    for key, record in {(record.question, place(record)): record for record in after}.items():
        if key in earlier:
            yield earlier[key], record


def _name(record: Lookup) -> Hashable:
    # In place of a star each run has a label of its own.
    return record.asked.type, record.asked.resolver


def _address(record: Handshake) -> Hashable:
    return record.asked.address


@dataclass(frozen=True, slots=True)
class _Visited:
    """A change of what one visit showed; those that differ in place alone are told together."""

    endpoint: Endpoint
    nodes: tuple[str, ...]
    name: str | None
    what: str
    before: tuple[str, ...]
    after: tuple[str, ...]
    family: KeyFamily | None
    """The kind of key that was asked for; None: every kind."""

    @property
    def essence(self) -> Hashable:
        """What is told once, by whichever hello it showed."""
        chains = (self.before, self.after) if self.what in _OF_CHAINS else ()
        return self.endpoint, self.nodes, self.name, self.what, chains


def _is_more(visit: _Visited, usual: Collection[Hashable]) -> bool:
    """Whether what clients of one kind of key meet tells more than what all others do. How such a
    hello is refused tells nothing: hardly any server has a certificate of each kind."""
    return visit.what in (*_OF_CHAINS, "served", "not-served") and visit.essence not in usual


def _of_visits(was: Handshake, now: Handshake) -> Iterator[_Visited]:
    def differs(what: str, before: tuple[str, ...], after: tuple[str, ...]) -> _Visited:
        asked = now.asked
        return _Visited(now.endpoint, now.nodes, asked.name, what, before, after, asked.key_family)

    earlier = was.served.chain if was.served else ()
    later = now.served.chain if now.served else ()
    if not (earlier and later):
        usual = now.asked.aspect is None and was.outcome is not now.outcome
        if earlier or later or usual:
            what = "served" if later else "not-served"
            yield differs(what, earlier[:1] or (was.outcome,), later[:1] or (now.outcome,))
        return
    if earlier[0] != later[0]:
        yield differs("certificate", earlier[:1], later[:1])
    elif earlier != later:
        yield differs("chain", earlier[1:], later[1:])
    tls = (was.served and was.served.tls, now.served and now.served.tls)
    if tls[0] and tls[1] and tls[0] is not tls[1] and was.asked.tls == now.asked.tls:
        yield differs("tls", (tls[0].value,), (tls[1].value,))


def _of_lookups(was: Lookup, now: Lookup, nodes: tuple[str, ...]) -> Iterator[Change]:
    before, after = _answer(was), _answer(now)
    if before != after:
        asked = now.asked
        says = (
            f"{asked.type} of {clip(asked.name)} is {listing(after)} by {asked.resolver},"
            f" before {listing(before)}."
        )
        yield Change(Endpoint.DNS, nodes, (asked.name,), "answer", before, after, says)


def _answer(lookup: Lookup) -> tuple[str, ...]:
    if lookup.outcome is LookupOutcome.ANSWERED:
        return tuple(clip(text) for text in lookup.data)
    return (lookup.outcome.value,)


def _merged(found: Iterable[Change | _Visited], facts: Mapping[str, CertFacts]) -> Iterator[Change]:
    alike: dict[_Visited, list[_Visited]] = defaultdict(list)
    changed: list[Change | _Visited] = []
    for one in found:
        if isinstance(one, Change):
            changed.append(one)
            continue
        key = replace(one, nodes=(), name=None)
        if key not in alike:
            changed.append(key)
        alike[key].append(one)
    for entry in changed:
        if isinstance(entry, Change):
            yield entry
            continue
        nodes = tuple(dict.fromkeys(node for one in alike[entry] for node in one.nodes))
        names = tuple(dict.fromkeys(one.name for one in alike[entry] if one.name is not None))
        says = _says(entry, nodes, facts)
        yield Change(entry.endpoint, nodes, names, entry.what, entry.before, entry.after, says)


def _says(change: _Visited, nodes: tuple[str, ...], facts: Mapping[str, CertFacts]) -> str:
    over = _OVER.get(change.endpoint, change.endpoint.value)
    where, serve = listing(nodes), verb(nodes, "serves", "serve")
    if change.family is not None:
        over += f" to clients that take {change.family.value.upper()} alone"
    match change.what:
        case "certificate":
            old, new = facts[change.before[0]], facts[change.after[0]]
            name = "one" if called(old) == called(new) else called(old)
            return (
                f"{where} {serve} over {over} the certificate {called(new)} until"
                f" {day(new.not_after)}, in place of {name} until {day(old.not_after)}."
            )
        case "chain":
            before, after = (
                listing([called(facts[sha256]) for sha256 in chain]) or "none"
                for chain in (change.before, change.after)
            )
            return (
                f"{where} {serve} over {over} the same certificate with other CA certificates:"
                f" {after}; before {before}."
            )
        case "tls":
            speak = verb(nodes, "agrees", "agree")
            return (
                f"{where} {speak} over {over} to {change.after[0]}, before to {change.before[0]}."
            )
        case "served":
            return f"{where} {serve} a certificate over {over}; before: {change.before[0]}."
        case _:
            known = change.before[0] in facts
            before = "a certificate was served" if known else change.before[0]
            show = verb(nodes, "shows", "show")
            return (
                f"{where} {show} no certificate over {over}: {change.after[0]}; before: {before}."
            )


# ---------------------------------------------------------------- what was found


def _findings(
    then: Assessment, now: Assessment, unobserved: Collection[str]
) -> tuple[tuple[str, ...], tuple[Folded, ...], tuple[Altered, ...]]:
    """Return the findings that appeared, those that are gone, and those that are otherwise now.

    What rests on a question that is without an answer now, as where a run was interrupted, may be
    as it was: nothing is told of it.
    """

    def rests_on_it(finding: Finding) -> bool:
        return any(one.observation in unobserved for one in finding.evidence)

    before = {finding.id: finding for finding in then.findings if finding.counts}
    # What was imported is known of now alone, and how far it has come is told by itself.
    after = {
        finding.id: finding
        for finding in now.findings
        if finding.counts and finding.rule not in _OF_IMPORTS
    }
    # What another finding explains is there, too: it neither came nor went.
    was_there = before.keys() | {one.id for finding in then.findings for one in finding.folded}
    is_there = after.keys() | {one.id for finding in now.findings for one in finding.folded}
    appeared = [finding for finding in after.values() if finding.id not in was_there]
    gone = [finding for finding in before.values() if finding.id not in is_there]
    altered = [
        Altered(finding.id, before[finding.id].verdict, before[finding.id].nodes)
        for finding in after.values()
        if finding.id in before and before[finding.id].verdict is not finding.verdict
    ]
    for finding in tuple(appeared):
        # An id holds the nodes: the same at other nodes is no other fault.
        moved = next((one for one in gone if _moved(one, finding)), None)
        if moved is not None:
            appeared.remove(finding)
            gone.remove(moved)
            if not rests_on_it(moved):
                altered.append(Altered(finding.id, moved.verdict, moved.nodes))
    order = {id_: place for place, id_ in enumerate(after)}
    return (
        tuple(finding.id for finding in appeared),
        tuple(
            Folded(one.id, one.rule, one.says, one.nodes) for one in gone if not rests_on_it(one)
        ),
        tuple(sorted(altered, key=lambda one: order[one.id])),
    )


def _moved(before: Finding, after: Finding) -> bool:
    alike = (before.rule, before.endpoint, before.name) == (after.rule, after.endpoint, after.name)
    shared = frozenset(before.nodes) & frozenset(after.nodes)
    return alike and bool(shared) and before.nodes != after.nodes
