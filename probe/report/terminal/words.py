"""How things are called, listed, numbered and dated. Everything returned is safe to show."""

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from probe.assessment import Basis, Does, Verdict
from probe.observation.model import Endpoint, LookupOutcome, Outcome
from probe.report.escape import visible

LISTED = 4
"""Items that a list names before it says how many more there are."""

NAMED = 2
"""Items that are still named when a list is cut."""

_ENDPOINTS = {
    Endpoint.DNS: "DNS",
    Endpoint.WEB: "web",
    Endpoint.EAP: "EAP",
    Endpoint.RADSEC: "RadSec",
    Endpoint.CLUSTER: "cluster",
    Endpoint.BUNDLE: "bundle",
}

_OUTCOMES = {
    Outcome.REFUSED: "said no before a certificate was seen",
    Outcome.CLOSED: "the port is closed",
    Outcome.UNREACHABLE: "there is no way to it from here",
    Outcome.SILENT: "nothing came back",
    Outcome.NOT_TLS: "something answered that is not TLS",
    Outcome.REJECTED: "rejected before TLS began",
    Outcome.METHOD_REFUSED: "no EAP method was agreed",
    Outcome.SECRET_DIFFERS: "the reply does not verify with our secret",
    Outcome.MALFORMED: "what came back breaks the protocol",
    Outcome.CUT_OFF: "broke off without a word",
    Outcome.NOT_ASKED: "was not asked",
}

_LOOKUP_OUTCOMES = {
    LookupOutcome.NO_NAME: "no such name",
    LookupOutcome.NO_DATA: "no such record",
    LookupOutcome.FAILED: "the resolver failed",
    LookupOutcome.INVALID: "DNSSEC validation failed",
    LookupOutcome.REFUSED: "the resolver refuses to answer this machine",
    LookupOutcome.SILENT: "nothing came back",
    LookupOutcome.LAME: "the resolver does not know it and asks nobody",
    LookupOutcome.ALIAS_BROKEN: "the alias leads nowhere",
    LookupOutcome.MALFORMED: "what came back makes no sense",
}

_DOES = {Does.REFUSES: "blocked", Does.WARNS: "warned", Does.CONTINUES: "not held up"}
"""What a client family's reaction is for its users."""

_NUMBERED = re.compile(r"(.*?)([0-9]{1,9})([^0-9]*)")


def endpoint(kind: Endpoint) -> str:
    """Return what an endpoint is called; one of a later version by its token."""
    return _ENDPOINTS.get(kind) or visible(kind.value)


def outcome(token: str) -> str:
    """Return how a visit without a chain ended, in words."""
    return _OUTCOMES.get(Outcome(token)) or visible(token)


def lookup_outcome(token: str) -> str:
    """Return how a DNS question without an answer ended, in words."""
    return _LOOKUP_OUTCOMES.get(LookupOutcome(token)) or visible(token)


def does(what: Does) -> str:
    """Return what becomes of the users of a client family that does so."""
    return _DOES[what]


def verdict(of: Verdict, due: datetime | None = None) -> str:
    """Return the verdict's word, with the day from which it holds where that is known."""
    return of.word if due is None else f"{of.word} {day(due)}"


def plural(number: int, one: str, several: str | None = None) -> str:
    """Return "1 node", "4 nodes"."""
    return f"{number} {one}" if number == 1 else f"{number} {several or one + 's'}"


def day(moment: datetime | None) -> str:
    """Return the date in UTC; "unknown" without one."""
    return "unknown" if moment is None else moment.astimezone(UTC).date().isoformat()


def time(moment: datetime) -> str:
    """Return date and time in UTC, to the second."""
    return moment.astimezone(UTC).replace(microsecond=0, tzinfo=None).isoformat(" ") + " UTC"


def span(began: datetime, ended: datetime) -> str:
    """Return "2026-11-25 14:47:08 to 14:47:10 UTC"; the second date only where it differs."""
    first, last = time(began).removesuffix(" UTC"), time(ended)
    if first == last.removesuffix(" UTC"):
        return last
    return f"{first} to {last.removeprefix(first[:11])}"


def all_of(items: Sequence[str]) -> str:
    """Return every item: "a, b and c"."""
    shown = [visible(item) for item in items]
    if len(shown) < 2:
        return "".join(shown)
    return f"{', '.join(shown[:-1])} and {shown[-1]}"


def some_of(items: Sequence[str], listed: int = LISTED) -> str:
    """Return the items, cut with their number where there are many: "a, b and 7 more"."""
    if len(items) <= listed:
        return all_of(items)
    named = ", ".join(visible(item) for item in items[:NAMED])
    return f"{named} and {len(items) - NAMED} more"


def nodes(names: Sequence[str], plan: Sequence[str], listed: int | None = LISTED) -> str:
    """Return nodes in plan order as briefly as is true.

    "quay1 to quay4" only for a real run: neighbours in the plan that are numbered in steps of one.
    Many runs are cut with the number of nodes that are left out; `listed` None: never.
    """
    if len(names) > 2 and len(names) == len(plan) and set(names) == set(plan):
        return f"all {len(plan)} nodes"
    place = {name: number for number, name in enumerate(plan)}
    ordered = sorted(names, key=lambda name: place.get(name, len(place)))
    runs = list(_runs(ordered, place))
    if listed is None or len(runs) <= listed:
        return all_of([_run(run) for run in runs])
    named = [_run(run) for run in runs[:NAMED]]
    return f"{', '.join(named)} and {sum(len(run) for run in runs[NAMED:])} more"


def _runs(ordered: Sequence[str], place: dict[str, int]) -> Iterable[list[str]]:
    """Yield runs of three or more, and every other name by itself."""
    run: list[str] = []
    for name in ordered:
        if run and not (
            place.get(name) == place.get(run[-1], len(place)) + 1 and _follows(run[-1], name)
        ):
            yield from [run] if len(run) > 2 else [[item] for item in run]
            run = []
        run.append(name)
    yield from [run] if len(run) > 2 else [[item] for item in run]


def _follows(earlier: str, later: str) -> bool:
    first, second = _NUMBERED.fullmatch(earlier), _NUMBERED.fullmatch(later)
    if first is None or second is None:
        return False
    return (first[1], first[3]) == (second[1], second[3]) and int(second[2]) == int(first[2]) + 1


def _run(run: Sequence[str]) -> str:
    return visible(run[0]) if len(run) == 1 else f"{visible(run[0])} to {visible(run[-1])}"


def basis(of: Basis) -> str:
    """Return how a rule's fact is known, in words."""
    return of.value.replace("-", " ")


def setup(token: str) -> str:
    """Return how a supplicant was set up, in words."""
    return {"profile": "by profile", "by-hand": "by hand"}.get(token) or visible(token)
