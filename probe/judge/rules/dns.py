"""Whether the names of the plan lead where they should, for each resolver and view.

Only what the plan says is held against an answer: split DNS is normal, reverse records, CAA and
DNSSEC are other rules' business, and a missing AAAA is nothing while there is an A.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from ipaddress import ip_address

from probe.assessment import Evidence, Verdict
from probe.judge.case import Case
from probe.judge.draft import Draft, limited
from probe.judge.words import listing, verb
from probe.observation.model import Endpoint, Lookup, LookupOutcome
from probe.plan.model import Audience

GUEST_VIEW = "guest"
"""The view in which names of the staff need not exist."""

_EMPTY = frozenset({LookupOutcome.NO_NAME, LookupOutcome.NO_DATA, LookupOutcome.ALIAS_BROKEN})
"""Answers that say there is no address. An alias that ends nowhere leads to none either."""

_IN_WORDS = {
    LookupOutcome.NO_NAME: "no such name",
    LookupOutcome.NO_DATA: "no such record",
    LookupOutcome.ALIAS_BROKEN: "the alias leads nowhere",
    LookupOutcome.FAILED: "the resolver failed",
    LookupOutcome.INVALID: "DNSSEC validation failed",
}


@dataclass(frozen=True, slots=True)
class _Answer:
    """All that one resolver said of one name."""

    name: str
    resolver: str
    view: str | None
    nodes: tuple[str, ...]
    lookups: tuple[Lookup, ...]

    @property
    def where(self) -> str:
        """The resolver and its view, in words."""
        named = (
            "the system's resolver" if self.resolver == "system" else f"resolver {self.resolver}"
        )
        return named if self.view is None else f"{named} ({self.view} view)"

    @property
    def addresses(self) -> frozenset[str]:
        """Every address in the answers."""
        return frozenset(
            _canonical(text)
            for lookup in self.lookups
            if lookup.outcome is LookupOutcome.ANSWERED
            for text in lookup.data
        )

    @property
    def questions(self) -> frozenset[str]:
        """Ids of the questions answered."""
        return frozenset(lookup.question for lookup in self.lookups)

    def evidence(self) -> Iterator[Evidence]:
        """Yield a row for each question."""
        for lookup in self.lookups:
            value = _IN_WORDS.get(lookup.outcome, lookup.outcome.value)
            if lookup.data:
                value = ", ".join(lookup.data)
            elif lookup.detail:
                value = f"{value}: {lookup.detail}"
            how = "asked for", lookup.asked.type
            yield Evidence(f"{self.name} at {self.where}", value, lookup.question, how)


def names(case: Case) -> Iterator[Draft]:
    """Yield a draft for each cause in the answers of resolvers."""
    answers = tuple(_answers(case))
    yield from _no_answer(case, answers)
    yield from _no_address(case, answers)
    yield from _wrong_address(case, answers)


def _answers(case: Case) -> Iterator[_Answer]:
    found: dict[tuple[str, str, str | None], list[Lookup]] = defaultdict(list)
    nodes: dict[str, set[str]] = defaultdict(set)
    for lookup in case.survey.lookups:
        question = case.questions.get(lookup.question)
        asked = lookup.asked
        if question is not None and asked.type in ("A", "AAAA"):
            found[asked.name, asked.resolver, asked.view].append(lookup)
            nodes[asked.name].update(question.nodes)
    for (name, resolver, view), lookups in found.items():
        yield _Answer(name, resolver, view, case.sort_nodes(nodes[name]), tuple(lookups))


def _audiences(case: Case, name: str) -> frozenset[Audience]:
    """Return who opens a name, as a node's own or as a service."""
    own = {node.host_audience for node in case.hosts.get(name, ())}
    return frozenset(own | {s.audience for s in case.services.get(name, ())})


def _expected_here(case: Case, answer: _Answer) -> bool:
    return answer.view != GUEST_VIEW or Audience.GUESTS in _audiences(case, answer.name)


def _openers(case: Case, name: str) -> tuple[str, ...]:
    """Return the browsers on site that open a name: they feel it most directly."""
    families = [c.family for who in _audiences(case, name) for c in case.browsers(who)]
    return tuple(sorted(set(families)))


def _no_address(case: Case, answers: tuple[_Answer, ...]) -> Iterator[Draft]:
    missing: dict[str, list[_Answer]] = defaultdict(list)
    for answer in answers:
        outcomes = {lookup.outcome for lookup in answer.lookups}
        # Both types must have been answered: half an answer proves no absence.
        both = {lookup.asked.type for lookup in answer.lookups} == {"A", "AAAA"}
        gone = LookupOutcome.NO_NAME in outcomes and outcomes <= _EMPTY
        if _expected_here(case, answer) and outcomes <= _EMPTY and (both or gone):
            missing[answer.name].append(answer)
    for name, silent in missing.items():
        outcomes = {lookup.outcome for answer in silent for lookup in answer.lookups}
        if LookupOutcome.NO_NAME in outcomes:
            why = "does not exist"
        elif LookupOutcome.ALIAS_BROKEN in outcomes:
            why = "is an alias that leads to no address"
        else:
            why = "exists, but has no address"
        where = listing([answer.where for answer in silent])
        nodes = silent[0].nodes
        yield Draft(
            rule_id="dns-no-address",
            nodes=nodes,
            name=name,
            fault=(why, *_resolvers(silent)),
            clients=_openers(case, name),
            says=f"{name} {why}, says {where}.",
            remedy=f"Add the address records of {name} to its zone"
            + _planned_words(case, name)
            + f", as {where} sees it.",
            evidence=limited(tuple(row for answer in silent for row in answer.evidence())),
            questions=_questions(silent),
        )


def _wrong_address(case: Case, answers: tuple[_Answer, ...]) -> Iterator[Draft]:
    wrong: dict[tuple[str, frozenset[str]], list[_Answer]] = defaultdict(list)
    for answer in answers:
        planned = _planned(case, answer.name)
        found = answer.addresses
        if planned and found and not found & planned and _expected_here(case, answer):
            wrong[answer.name, found].append(answer)
    for (name, found), led in wrong.items():
        addresses = tuple(sorted(found))
        where = listing([answer.where for answer in led])
        planned = _planned(case, name) or frozenset()
        wanted = listing(sorted(planned), last="or")
        yield Draft(
            rule_id="dns-wrong-address",
            nodes=led[0].nodes,
            name=name,
            addresses=addresses,
            fault=(*addresses, *_resolvers(led)),
            clients=_openers(case, name),
            says=f"{name} leads to {listing(addresses)}, says {where}, and the plan has {wanted}.",
            remedy=f"Set the address records of {name} to {wanted}, or correct the plan if"
            f" {listing(addresses)} {verb(addresses, 'is', 'are')} right.",
            evidence=limited(tuple(row for answer in led for row in answer.evidence())),
            questions=_questions(led),
        )


def _no_answer(case: Case, answers: tuple[_Answer, ...]) -> Iterator[Draft]:
    by_resolver: dict[tuple[LookupOutcome, str], list[_Answer]] = defaultdict(list)
    for answer in answers:
        bad = {lookup.outcome for lookup in answer.lookups} - _EMPTY - {LookupOutcome.ANSWERED}
        for outcome in sorted(bad):
            by_resolver[outcome, answer.where].append(answer)
    # Resolvers that fail alike for the same names share the cause: the zone's own servers.
    causes: dict[tuple[LookupOutcome, frozenset[str]], list[_Answer]] = defaultdict(list)
    for (outcome, _), failed in by_resolver.items():
        causes[outcome, frozenset(answer.name for answer in failed)] += failed
    for (outcome, failed_names), failed in causes.items():
        where = listing(list(dict.fromkeys(answer.where for answer in failed)))
        about = sorted(failed_names)
        rows = tuple(
            row
            for answer in failed
            for row, lookup in zip(answer.evidence(), answer.lookups, strict=True)
            if lookup.outcome is outcome
        )
        says, remedy = _failure(outcome, where, listing(about))
        yield Draft(
            rule_id="dns-no-answer",
            nodes=case.sort_nodes(node for answer in failed for node in answer.nodes),
            name=about[0] if len(about) == 1 else None,
            fault=(outcome.value, *_resolvers(failed)),
            verdict_at_best=Verdict.BLOCKED if outcome is LookupOutcome.INVALID else None,
            says=says,
            remedy=remedy,
            evidence=limited(rows),
            questions=frozenset(
                lookup.question
                for answer in failed
                for lookup in answer.lookups
                if lookup.outcome is outcome
            ),
        )


def _failure(outcome: LookupOutcome, where: str, about: str) -> tuple[str, str]:
    start = where[0].upper() + where[1:]
    match outcome:
        case LookupOutcome.INVALID:
            return (
                f"DNSSEC validation of {about} fails, says {where}: clients of validating"
                " resolvers get no address.",
                f"Sign the zone of {about} again, and check its DS records in the parent zone.",
            )
        case LookupOutcome.REFUSED:
            return (
                f"{start} refuses to answer this machine about {about}.",
                f"Allow this machine at {where}, or ask from where its clients are.",
            )
        case LookupOutcome.SILENT:
            return (
                f"{start} gave no answer about {about}.",
                f"Check {where}: that it runs, and that firewalls let this machine reach it.",
            )
        case LookupOutcome.LAME:
            return (
                f"{start} does not serve the zone of {about} and asks nobody else.",
                f"Name a resolver in the plan that clients use, or delegate the zone to {where}.",
            )
        case LookupOutcome.MALFORMED:
            return (
                f"{start} answers about {about} with something that is no DNS message.",
                f"Check what listens at {where}, and what stands in between.",
            )
        case _:
            return (
                f"{start} fails to resolve {about}.",
                f"Check {where}: its log, and that it reaches the name servers of the zone.",
            )


def _planned(case: Case, name: str) -> frozenset[str] | None:
    """Return the addresses that a name may lead to; None: the plan takes them from DNS."""
    found: set[str] = set()
    for node in case.hosts.get(name, ()):
        if node.addresses is None:
            return None
        found.update(node.addresses)
    for service in case.services.get(name, ()):
        found.update(service.addresses)
        for member in () if service.addresses else service.nodes:
            node = case.nodes[member]
            if service.endpoint is Endpoint.WEB:
                places = node.web_addresses()
            else:
                places = node.eap_addresses()
            if places is None:
                return None
            # Behind a name may be the node itself, or the interface that answers for it.
            found.update(places)
            found.update(node.addresses or ())
    return frozenset(_canonical(address) for address in found)


def _planned_words(case: Case, name: str) -> str:
    planned = _planned(case, name)
    return f" ({listing(sorted(planned))})" if planned else ""


def _canonical(address: str) -> str:
    try:
        return str(ip_address(address))
    except ValueError:
        return address


def _resolvers(answers: list[_Answer]) -> tuple[str, ...]:
    return tuple(sorted({f"{answer.resolver}@{answer.view or ''}" for answer in answers}))


def _questions(answers: list[_Answer]) -> frozenset[str]:
    return frozenset(question for answer in answers for question in answer.questions)
