"""Names that lead to no address at all: they are not there, or an alias ends nowhere."""

from collections.abc import Iterator

from probe.assessment import Verdict
from probe.judge.case import Case
from probe.judge.draft import Draft, limited
from probe.judge.rules.dns.answers import (
    ABSENT,
    FAMILIES,
    Answer,
    by_name,
    by_way_of,
    ends_of,
    expected_here,
    openers,
    places_of,
    planned,
    questions_of,
    resolvers_of,
    rows,
)
from probe.judge.words import clip, listing, verb
from probe.observation.model import LookupOutcome


def is_absent(answer: Answer) -> bool:
    """Whether a resolver says that a name has no address."""
    if not answer.outcomes <= ABSENT:
        return False
    # Both types must have been answered: half an answer proves no absence. A name that does not
    # exist has no record of any type (RFC 8020, 2).
    return answer.known == set(FAMILIES) or LookupOutcome.NO_NAME in answer.outcomes


def is_broken(answer: Answer) -> bool:
    """Whether a resolver says that a name is an alias that leads nowhere."""
    return LookupOutcome.ALIAS_BROKEN in answer.outcomes


def no_address(case: Case, answers: tuple[Answer, ...]) -> Iterator[Draft]:
    """Yield a draft for each name that has no address where it ought to."""
    for name, said in by_name(answers):
        silent = [one for one in said if is_absent(one) and expected_here(case, one)]
        if not silent:
            continue
        gone = any(LookupOutcome.NO_NAME in one.outcomes for one in silent)
        why = "does not exist" if gone else "exists, but has no address"
        where, ends = listing(places_of(silent)), ends_of(silent)
        sees = verb(places_of(silent), "sees", "see")
        remedy = (
            f"Add the address records of {name} to its zone{_wanted(case, name)},"
            f" as {where} {sees} it."
        )
        if ends and not gone:
            # Beside an alias no other record may stand (RFC 1034, 3.6.2).
            why = f"leads{by_way_of(silent)} to a name that exists, but has no address"
            remedy = (
                f"Give {listing([clip(end) for end in ends])} address records"
                f"{_wanted(case, name)}, or let {name} be an alias of a name that has some, as"
                f" {where} {sees} it."
            )
        short = ""
        if "." not in name:
            short = ", asked for as it stands: a name of one label, without any search suffix"
            remedy = (
                f"Name {name} in full in the plan, with its domain: clients complete a short name"
                " by search suffixes of their own, and certificates are issued for full names."
            )
        yield Draft(
            rule_id="dns-no-address",
            nodes=silent[0].nodes,
            name=name,
            fault=(why, *resolvers_of(silent)),
            clients=openers(case, name),
            says=f"{name} {why}{short}, {verb(places_of(silent), 'says', 'say')} {where}.",
            remedy=remedy,
            evidence=limited(rows(case, silent)),
            questions=questions_of(silent),
        )


def broken_alias(case: Case, answers: tuple[Answer, ...]) -> Iterator[Draft]:
    """Yield a draft for each name whose alias leads nowhere, for both record types together."""
    for name, said in by_name(answers):
        broken = [one for one in said if is_broken(one) and expected_here(case, one)]
        if not broken:
            continue
        # Where records of one type come, the alias is right for them: only some clients give up.
        reached = all(one.addresses for one in broken)
        lookups = [lookup for one in broken for lookup in one.lookups]
        targets = list(dict.fromkeys(alias for one in lookups for alias in one.aliases[-1:]))
        where = listing(places_of(broken))
        # The first one is what the zone has for the name; the last may be the name itself again.
        first = list(dict.fromkeys(alias for one in lookups for alias in one.aliases[:1]))
        to = f" of {listing([clip(alias) for alias in first])}" if first else ""
        types = sorted(
            {one.asked.type for one in lookups if one.outcome is LookupOutcome.ALIAS_BROKEN}
        )
        half = f" for {listing(types)} records, though not for others" if reached else ""
        yield Draft(
            rule_id="dns-broken-alias",
            nodes=broken[0].nodes,
            name=name,
            fault=(*targets, *resolvers_of(broken)),
            clients=openers(case, name),
            verdict_at_best=Verdict.ADVISED if reached else None,
            says=f"{name} is an alias{to} that leads to no address{half},"
            f" {verb(places_of(broken), 'says', 'say')} {where}.",
            remedy=f"Let the alias of {name} point to a name that exists, or give {name} address"
            f" records of its own{_wanted(case, name)}, as {where}"
            f" {verb(places_of(broken), 'sees', 'see')} it.",
            evidence=limited(rows(case, broken)),
            questions=questions_of(broken),
        )


def _wanted(case: Case, name: str) -> str:
    found = planned(case, name)
    return f" ({listing(sorted(found.addresses))})" if found and found.addresses else ""
