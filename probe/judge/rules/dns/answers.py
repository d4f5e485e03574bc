"""What each resolver said of the addresses of each name of the plan, and what the plan says.

Only the plan is held against an answer: split DNS is normal, and a missing AAAA is nothing while
there is an A.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from functools import lru_cache

from probe.assessment import Evidence
from probe.judge.case import Case
from probe.judge.words import clip, listing
from probe.observation.model import Endpoint, Lookup, LookupOutcome, Question
from probe.plan.addresses import parsed
from probe.plan.model import Audience, is_guests, is_outside
from probe.records import dataclass

FAMILIES = ("A", "AAAA")
"""Record types that lead to an address (RFC 1035, 3.4.1; RFC 3596, 2.1)."""

ABSENT = frozenset({LookupOutcome.NO_NAME, LookupOutcome.NO_DATA})
"""Answers that say that there are no records."""

BAD = frozenset(LookupOutcome) - ABSENT - {LookupOutcome.ANSWERED, LookupOutcome.ALIAS_BROKEN}
"""Endings after which nothing is known of the records."""

NOT_ITS_OWN = frozenset({LookupOutcome.REFUSED, LookupOutcome.LAME})
"""What a server that knows its own zones only says of others (those above them, reverse ones), and
a simple one of types that it does not know."""

_SYSTEM = "system"

_IN_WORDS = {
    LookupOutcome.NO_NAME: "no such name",
    LookupOutcome.NO_DATA: "no such record",
    LookupOutcome.ALIAS_BROKEN: "the alias leads nowhere",
    LookupOutcome.FAILED: "the resolver failed",
    LookupOutcome.INVALID: "DNSSEC validation failed",
}


@dataclass(frozen=True, slots=True)
class Answer:
    """All that one resolver said of the addresses of one name, asked from one place."""

    name: str
    where: str
    """The resolver and its view, in words."""
    resolver: str
    """The same in one word, for what tells findings apart."""
    view: str | None
    nodes: tuple[str, ...]
    lookups: tuple[Lookup, ...]
    addresses: frozenset[str]
    known: frozenset[str]
    """The record types that were answered, be it that there are none."""

    @property
    def outcomes(self) -> frozenset[LookupOutcome]:
        """How the questions ended."""
        return frozenset(lookup.outcome for lookup in self.lookups)

    @property
    def questions(self) -> frozenset[str]:
        """Ids of the questions answered."""
        return frozenset(lookup.question for lookup in self.lookups)

    @property
    def declined(self) -> frozenset[str]:
        """The record types that were declined by who gives addresses of the other type.

        Whoever knows the name and does not answer that type has none of it for its clients
        (RFC 4074, 4.3).
        """
        bad = {one.asked.type for one in self.lookups if one.outcome in NOT_ITS_OWN}
        return frozenset(bad) if self.addresses else frozenset()

    def of_family(self, family: str) -> frozenset[str]:
        """Return the addresses of one record type."""
        return frozenset(one for one in self.addresses if family_of(one) == family)


def answers_of(case: Case) -> tuple[Answer, ...]:
    """Return what was said of each name, in the order asked."""
    found: dict[tuple[str, str, str | None, str | None], list[Lookup]] = defaultdict(list)
    nodes: dict[str, set[str]] = defaultdict(set)
    for lookup in case.survey.lookups:
        question = case.questions.get(lookup.question)
        asked = lookup.asked
        if question is not None and about_name(question, lookup):
            found[asked.name, asked.resolver, asked.view, lookup.vantage].append(lookup)
            nodes[asked.name].update(question.nodes)
    several = several_places(case)
    return tuple(
        Answer(
            name,
            where(case, lookups[0]),
            f"{resolver}@{view or ''}" + (f"@{vantage}" if several else ""),
            view_of(lookups[0]),
            case.sort_nodes(nodes[name]),
            tuple(lookups),
            addresses_in(lookups),
            frozenset(
                one.asked.type
                for one in lookups
                if one.outcome in ABSENT or one.outcome is LookupOutcome.ANSWERED
            ),
        )
        for (name, resolver, view, vantage), lookups in found.items()
    )


def about_name(question: Question, lookup: Lookup) -> bool:
    """Whether a record tells the addresses of a name of the plan.

    Of other questions too there are records of addresses: of what a reverse name leads to, and of a
    name beside the plan's.
    """
    asked = question.lookup
    if asked is None or asked.type not in FAMILIES or asked.name.startswith("*."):
        return False
    return lookup.asked.type in FAMILIES and lookup.asked.name == asked.name


def view_of(lookup: Lookup) -> str | None:
    """Return the view that was asked: among guests the machine's own resolver is a guest's."""
    asked = lookup.asked
    if asked.view is None and asked.resolver == _SYSTEM and is_guests(lookup.vantage):
        return "guest"
    return asked.view


def several_places(case: Case) -> bool:
    """Whether surveys from several places are judged together."""
    return len({taken.vantage for taken in case.survey.taken}) > 1


def where(case: Case, lookup: Lookup) -> str:
    """Return the resolver that was asked, in words."""
    asked = lookup.asked
    named = "the system's resolver" if asked.resolver == _SYSTEM else f"resolver {asked.resolver}"
    if asked.view is not None:
        named = f"{named} ({asked.view} view)"
    if lookup.vantage is not None and several_places(case):
        named = f"{named}, asked from {lookup.vantage}"
    return named


def addresses_in(lookups: Iterable[Lookup]) -> frozenset[str]:
    """Return every address that these lookups gave."""
    return frozenset(
        canonical(text)
        for lookup in lookups
        if lookup.outcome is LookupOutcome.ANSWERED and lookup.asked.type in FAMILIES
        for text in lookup.data
    )


def row(case: Case, lookup: Lookup) -> Evidence:
    """Return what was said to one question."""
    value = _IN_WORDS.get(lookup.outcome, lookup.outcome.value)
    if lookup.data:
        value = ", ".join(clip(text) for text in lookup.data)
    if lookup.aliases:
        value = f"{value}, by way of {clip(', '.join(lookup.aliases))}"
    if lookup.detail:
        value = f"{value}: {lookup.detail}"
    name = lookup.asked.name
    how = "asked for", lookup.asked.type
    return Evidence(f"{name} at {where(case, lookup)}", value, lookup.question, how)


def rows(case: Case, answers: Iterable[Answer]) -> tuple[Evidence, ...]:
    """Return a row for each question about these names."""
    return tuple(row(case, lookup) for answer in answers for lookup in answer.lookups)


def questions_of(answers: Iterable[Answer]) -> frozenset[str]:
    """Return the ids of all questions of these answers."""
    return frozenset(question for answer in answers for question in answer.questions)


def places_of(answers: Iterable[Answer]) -> list[str]:
    """Return the resolvers of these answers in words, each once."""
    return list(dict.fromkeys(answer.where for answer in answers))


def resolvers_of(answers: Iterable[Answer]) -> tuple[str, ...]:
    """Return the resolvers of these answers, for what tells findings apart."""
    return tuple(sorted({answer.resolver for answer in answers}))


def ends_of(answers: Iterable[Answer]) -> list[str]:
    """Return the names behind the aliases of these answers, each once: these hold the records."""
    lookups = [lookup for answer in answers for lookup in answer.lookups if lookup.aliases]
    return list(dict.fromkeys(lookup.aliases[-1] for lookup in lookups))


def holder(name: str, answers: Iterable[Answer]) -> str:
    """Return in words which name holds the records of these answers to a question about a name.

    Beside an alias no other record may stand (RFC 1034, 3.6.2).
    """
    ends = ends_of(answers)
    if not ends:
        return name
    return f"{listing([clip(end) for end in ends])} (or let {name} be another alias)"


def by_way_of(answers: Iterable[Answer]) -> str:
    """Return in words that a name is an alias; nothing if it is none."""
    ends = ends_of(answers)
    return f" as an alias of {listing([clip(end) for end in ends])}" if ends else ""


@lru_cache(maxsize=65_536)
def canonical(address: str) -> str:
    """Return an address in one spelling; what is none as it is."""
    known = parsed(address)
    return address if known is None else str(known)


def family_of(address: str) -> str:
    """Return the record type that gives such an address."""
    return "AAAA" if ":" in address else "A"


# ---------------------------------------------------------------- what the plan says


def audiences(case: Case, name: str) -> frozenset[Audience]:
    """Return who opens a name, as a node's own or as a service."""
    own = {node.host_audience for node in case.hosts.get(name, ())}
    return frozenset(own | {s.audience for s in case.services.get(name, ())})


def expected_here(case: Case, answer: Answer) -> bool:
    """Whether the name has to be there for whoever asks that resolver."""
    return expected_in(case, answer.view, answer.name)


def expected_in(case: Case, view: str | None, name: str) -> bool:
    """Whether whoever asks in a view has to find a name, or what guests open below it."""
    return not is_outside(view) or any(
        opened == name or opened.endswith(f".{name}") for opened in case.opened_by_guests
    )


def openers(case: Case, name: str) -> tuple[str, ...]:
    """Return the browsers on site that open a name: they feel it most directly."""
    families = [c.family for who in audiences(case, name) for c in case.browsers(who)]
    return tuple(sorted(set(families)))


Wanted = tuple[str | None, tuple[frozenset[str], ...]]
"""Node (None: a virtual address) and sets of addresses, of which one has to be there whole."""


@dataclass(frozen=True, slots=True)
class Planned:
    """Which addresses a name may lead to, and which must be among them."""

    addresses: frozenset[str]
    """Any of these may be in an answer."""
    wanted: tuple[Wanted, ...]
    any_of: bool
    """Some of the addresses are enough."""

    def missing(self, found: frozenset[str], known: frozenset[str]) -> list[tuple[str | None, str]]:
        """Return each (node, address) that is in no answer, though records of its type are known.

        An address of which nothing is known is not missing.
        """
        lacking: list[tuple[str | None, str]] = []
        for node, sets in self.wanted:
            least = min((one - found for one in sets), key=lambda rest: (len(rest), sorted(rest)))
            lacking += [(node, one) for one in sorted(least) if family_of(one) in known]
        return lacking


def planned(case: Case, name: str) -> Planned | None:
    """Return what the plan says of a name's addresses; None: it takes them from DNS.

    Nodes that were not asked have their addresses too; whether those are missing is not asked.
    """
    anywhere = case.planned_addresses.get(name)
    if anywhere is None:
        return None
    services = case.services.get(name, ())
    virtual: list[Wanted] = [
        (None, (_canonical(service.addresses),)) for service in services if service.addresses
    ]
    of_node: dict[str, list[frozenset[str]]] = defaultdict(list)
    for node in case.hosts.get(name, ()):
        of_node[node.name].append(_canonical(node.addresses or ()))
    for service in services:
        for member in () if service.addresses else service.nodes:
            node = case.nodes[member]
            web = service.endpoint is Endpoint.WEB
            places = (node.web_addresses() if web else node.eap_addresses()) or ()
            # Behind a name may be the node itself, or the interface that answers for it.
            of_node[member] += [_canonical(places), _canonical(node.addresses or places)]
    return Planned(
        _canonical(anywhere),
        (*virtual, *((node, tuple(sets)) for node, sets in of_node.items())),
        any(service.any_of for service in services),
    )


def _canonical(addresses: Iterable[str]) -> frozenset[str]:
    return frozenset(canonical(address) for address in addresses)


def by_name(answers: Iterable[Answer]) -> Iterator[tuple[str, tuple[Answer, ...]]]:
    """Yield each name with all that was said of it."""
    found: dict[str, list[Answer]] = defaultdict(list)
    for answer in answers:
        found[answer.name].append(answer)
    for name, said in found.items():
        yield name, tuple(said)
