"""Resolvers that gave no usable answer: one finding for one cause, whatever types it met."""

from collections import defaultdict
from collections.abc import Iterable, Iterator

from probe.assessment import Verdict
from probe.judge.case import Case
from probe.judge.draft import Draft, limited
from probe.judge.rules.dns.answers import (
    BAD,
    FAMILIES,
    NOT_ITS_OWN,
    Answer,
    expected_here,
    expected_in,
    family_of,
    planned,
    row,
    view_of,
    where,
)
from probe.judge.words import clip, listing, verb
from probe.observation.model import Lookup, LookupOutcome, Question
from probe.plan.model import is_outside
from probe.records import dataclass, field

_KINDS = {
    "CAA": "CAA records",
    "TLSA": "TLSA records",
    "PTR": "reverse records (PTR)",
}

_BESIDE = "names that nobody planned"


@dataclass(slots=True)
class _Failure:
    """What one resolver failed at in one way."""

    outcome: LookupOutcome
    names: dict[str, None] = field(default_factory=dict)
    """Names whose addresses it did not give."""
    lookups: list[Lookup] = field(default_factory=list)
    further: list[tuple[str, Lookup]] = field(default_factory=list)
    """The same for other types, with what they are called."""


def no_answer(case: Case, answers: tuple[Answer, ...], needed: frozenset[str]) -> Iterator[Draft]:
    """Yield a draft for each way in which resolvers failed.

    `needed` are the questions about CAA records whose answers would have told something: where no
    public CA is behind a certificate, nobody has to know them.
    """
    failures: dict[tuple[LookupOutcome, str], _Failure] = {}
    answering = frozenset(answer.where for answer in answers if not answer.outcomes <= BAD)
    giving = frozenset((answer.where, answer.name) for answer in answers if answer.addresses)
    for answer in answers:
        # A view that need not have a name may say of it what it likes, if it answers about others.
        if answer.where in answering and not expected_here(case, answer):
            continue
        for lookup in answer.lookups:
            if lookup.outcome in BAD and not _needless(case, answer, lookup):
                key = lookup.outcome, answer.where
                found = failures.setdefault(key, _Failure(lookup.outcome))
                found.names[answer.name] = None
                found.lookups.append(lookup)
    for kind, lookup in _further(case, needed):
        if where(case, lookup) in answering and not _matters(case, lookup, giving):
            continue
        key = lookup.outcome, where(case, lookup)
        failures.setdefault(key, _Failure(lookup.outcome)).further.append((kind, lookup))
    # Resolvers that fail alike for the same names share the cause: the zone's own servers.
    causes: dict[tuple[LookupOutcome, frozenset[str]], list[_Failure]] = defaultdict(list)
    for (outcome, _), failure in failures.items():
        about = frozenset(failure.names) or frozenset(
            _about(case, lookup) for _, lookup in failure.further
        )
        causes[outcome, about].append(failure)
    for (outcome, _), alike in causes.items():
        if alike[0].names:
            yield _addresses(case, outcome, alike, answering)
        else:
            yield _others(case, outcome, alike)


def _further(case: Case, needed: frozenset[str]) -> Iterator[tuple[str, Lookup]]:
    """Yield what failed of the questions about other records than the addresses of names."""
    broken = {
        (lookup.asked.name, lookup.asked.resolver, lookup.asked.view)
        for lookup in case.survey.lookups
        if lookup.outcome is LookupOutcome.ALIAS_BROKEN and lookup.asked.type in FAMILIES
    }
    for lookup in case.survey.lookups:
        question = case.questions.get(lookup.question)
        kind = _kind(question) if question is not None else None
        if kind is None:
            continue
        failed = lookup.outcome in BAD
        if lookup.outcome is LookupOutcome.ALIAS_BROKEN and lookup.asked.type == "CAA":
            # A CA cannot go on there either; the alias itself is told where addresses are.
            asked = lookup.asked
            failed = (asked.name, asked.resolver, asked.view) not in broken
        if failed and (lookup.asked.type != "CAA" or lookup.question in needed):
            yield kind, lookup


def _needless(case: Case, answer: Answer, lookup: Lookup) -> bool:
    """Whether a type was declined by who gives the name's addresses, and the plan has none of it:
    simple servers know A records and nothing else."""
    of_plan = planned(case, answer.name)
    wanted = of_plan.addresses if of_plan is not None else frozenset[str]()
    kind = lookup.asked.type
    return kind in answer.declined and not any(family_of(one) == kind for one in wanted)


def _matters(case: Case, lookup: Lookup, giving: frozenset[tuple[str, str]]) -> bool:
    """Whether whoever asks in that view has to know the records.

    `giving`: resolvers with the names of which they give addresses.
    """
    name, view = lookup.asked.name, view_of(lookup)
    question = case.questions[lookup.question]
    if question.lookup is not None and question.lookup.type == "PTR":
        # Reverse zones are for who administers, and often of another server.
        return not is_outside(view) and lookup.outcome not in NOT_ITS_OWN
    while name.startswith("_"):
        name = name.partition(".")[2]
    if lookup.outcome in NOT_ITS_OWN and (where(case, lookup), name) in giving:
        # Declined by who knows the name: of that type it has nothing for its clients.
        return False
    if question.lookup is not None and question.lookup.name.startswith("*."):
        if lookup.outcome in NOT_ITS_OWN:
            return False  # a simple server's way to say that it does not know the name, or the type
        name = question.lookup.name.removeprefix("*.")
    return expected_in(case, view, name)


def _kind(question: Question) -> str | None:
    asked = question.lookup
    if asked is None:
        return None
    if asked.name.startswith("*."):
        return _BESIDE
    return _KINDS.get(asked.type)


def _places(case: Case, alike: Iterable[_Failure]) -> list[str]:
    lookups = (one for f in alike for one in (*f.lookups, *(other for _, other in f.further)))
    return list(dict.fromkeys(where(case, lookup) for lookup in lookups))


def _resolvers(lookups: Iterable[Lookup]) -> tuple[str, ...]:
    return tuple(sorted({f"{one.asked.resolver}@{one.asked.view or ''}" for one in lookups}))


def _about(case: Case, lookup: Lookup) -> str:
    """Return the name that a question was about; of a label drawn at random the star."""
    asked = case.questions[lookup.question].lookup
    beside = asked is not None and asked.name.startswith("*.")
    return asked.name if asked is not None and beside else lookup.asked.name


def _addresses(
    case: Case, outcome: LookupOutcome, alike: list[_Failure], answering: frozenset[str]
) -> Draft:
    about = sorted(alike[0].names)
    lookups = [lookup for failure in alike for lookup in failure.lookups]
    others = [lookup for failure in alike for _, lookup in failure.further]
    places = _places(case, alike)
    what = listing(about)
    types = {lookup.asked.type for lookup in (*lookups, *others)}
    if len(types) == 1:
        what = f"{types.pop()} records of {what}"
    details = {lookup.detail for lookup in lookups}
    detail = details.pop() if len(details) == 1 else None
    says, remedy = _words(outcome, places, what, detail, alive=answering.issuperset(places))
    return Draft(
        rule_id="dns-no-answer",
        nodes=_nodes(case, lookups),
        name=about[0] if len(about) == 1 else None,
        fault=(outcome.value, *_resolvers(lookups)),
        verdict_at_best=Verdict.BLOCKED if outcome is LookupOutcome.INVALID else None,
        says=says,
        remedy=remedy,
        evidence=limited(tuple(row(case, lookup) for lookup in (*lookups, *others))),
        questions=frozenset(lookup.question for lookup in (*lookups, *others)),
    )


def _others(case: Case, outcome: LookupOutcome, alike: list[_Failure]) -> Draft:
    lookups = [lookup for failure in alike for _, lookup in failure.further]
    kinds = list(dict.fromkeys(kind for failure in alike for kind, _ in failure.further))
    about = list(dict.fromkeys(_about(case, lookup) for lookup in lookups))
    nodes = _nodes(case, lookups)
    places = _places(case, alike)
    start = listing(places)
    ways = {
        LookupOutcome.INVALID: (
            "says that DNSSEC validation fails",
            "say that DNSSEC validation fails",
        ),
        LookupOutcome.REFUSED: ("refuses to answer", "refuse to answer"),
        LookupOutcome.SILENT: ("gives no answer", "give no answer"),
        LookupOutcome.LAME: ("does not know whom to ask", "do not know whom to ask"),
        LookupOutcome.MALFORMED: ("gives no usable answer", "give no usable answer"),
        LookupOutcome.ALIAS_BROKEN: (
            "meets an alias that leads nowhere",
            "meet an alias that leads nowhere",
        ),
    }
    one, several = ways.get(outcome, ("fails", "fail"))
    what = f"{listing(kinds)} of {listing(about)}"
    return Draft(
        rule_id="dns-no-answer",
        nodes=nodes,
        name=about[0].removeprefix("*.") if len(about) == 1 else None,
        fault=(outcome.value, *kinds, *_resolvers(lookups)),
        verdict_at_best=Verdict.UNSEEN,
        says=f"{start[0].upper()}{start[1:]} {verb(places, one, several)} when asked for {what},"
        " so nothing is known of them.",
        remedy=f"Check that {start} and the name servers of the zone answer questions about {what},"
        " be it that there are none.",
        evidence=limited(tuple(row(case, lookup) for lookup in lookups)),
        questions=frozenset(lookup.question for lookup in lookups),
    )


def _nodes(case: Case, lookups: Iterable[Lookup]) -> tuple[str, ...]:
    return case.sort_nodes(
        node for lookup in lookups for node in case.questions[lookup.question].nodes
    )


def _words(
    outcome: LookupOutcome, places: list[str], about: str, detail: str | None, *, alive: bool
) -> tuple[str, str]:
    """Return what is to be said and done. `alive`: they answer other questions about addresses."""
    where = listing(places)
    start = where[0].upper() + where[1:]
    match outcome:
        case LookupOutcome.INVALID:
            return (
                f"DNSSEC validation of {about} fails, {verb(places, 'says', 'say')} {where}:"
                " clients of validating resolvers get no address.",
                f"Sign the zone of {about} again, and check its DS records in the parent zone.",
            )
        case LookupOutcome.REFUSED:
            says = f"{start} {verb(places, 'refuses', 'refuse')} to answer this machine about"
            remedy = f"Allow this machine at {where}, or ask from where its clients are."
        case LookupOutcome.SILENT:
            says = f"{start} gave no answer about"
            remedy = f"Check {where}: that {_it(places)}, and that firewalls let this machine reach"
            remedy += f" {verb(places, 'it', 'them')}."
        case LookupOutcome.LAME:
            return (
                f"{start} {verb(places, 'does', 'do')} not serve the zone of {about} and"
                f" {verb(places, 'asks', 'ask')} nobody else.",
                f"Name a resolver in the plan that clients use, or delegate the zone to {where}.",
            )
        case LookupOutcome.MALFORMED:
            return (
                f"{start} {verb(places, 'answers', 'answer')} about {about} with something that is"
                " no DNS message.",
                f"Check what listens at {where}, and what stands in between.",
            )
        case _:
            why = f": {clip(detail)}" if detail else ""
            return (
                f"{start} {verb(places, 'fails', 'fail')} to resolve {about}{why}.",
                f"Check {where}: {verb(places, 'its log', 'their logs')}, and that"
                f" {verb(places, 'it reaches', 'they reach')} the name servers of the zone.",
            )
    if alive:
        remedy = (
            f"Check why {where} {verb(places, 'answers', 'answer')} other questions and not those"
            f" about {about}: the name servers of the zone, and what filters in between."
        )
    return f"{says} {about}.", remedy


def _it(places: list[str]) -> str:
    return verb(places, "it runs", "they run")
