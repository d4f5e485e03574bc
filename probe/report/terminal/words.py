"""How things are called, listed, numbered and dated. Everything returned is safe to show."""

from collections.abc import Sequence
from datetime import UTC, datetime

from probe.assessment import Basis, Does, Verdict
from probe.observation.model import Endpoint, LookupOutcome, Outcome
from probe.observation.runs import counts_on, runs
from probe.report.escape import visible

LISTED = 4
"""Items that a list names before it says how many more there are."""

NAMED = 2
"""Items that are still named when a list is cut."""

MANY = 8
"""Nodes from which on their number says more than some of their names."""

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


def origin(vantage: str | None, machine: str | None) -> str:
    """Return from where was looked: "from head office (on lighthouse)"; "" if nothing is known."""
    on = f"on {visible(machine)}" if machine else ""
    if not vantage:
        return on
    return f"from {visible(vantage)}" + (f" ({on})" if on else "")


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
    "all 40 nodes but quay7" where that is shorter. Many runs are cut, and told with their number:
    "20 of 40 nodes (quay1, quay3 and 18 more)"; `listed` None: never.
    """
    if len(names) > 2 and len(names) == len(plan) and set(names) == set(plan):
        return f"all {len(plan)} nodes"
    found = _in_runs(names, plan)
    if listed is None:
        return all_of([_run(run) for run in found])
    others = [name for name in plan if name not in frozenset(names)]
    if len(names) >= MANY and 0 < len(others) <= NAMED and len(found) > len(others):
        return f"all {len(plan)} nodes but {all_of(others)}"
    if len(found) <= listed:
        return all_of([_run(run) for run in found])
    some = f"{_cut(found)} and {sum(len(run) for run in found[NAMED:])} more"
    return f"{len(names)} of {len(plan)} nodes ({some})" if len(names) >= MANY else some


def places(names: Sequence[str]) -> str:
    """Return places of which it is not known what else there is, as briefly as is true."""
    found = _in_runs(names, names)
    if len(found) <= LISTED:
        return all_of([_run(run) for run in found])
    return f"{_cut(found)} and {sum(len(run) for run in found[NAMED:])} more"


def more(number: int, what: str = "") -> str:
    """Return the line that stands for what is left out: "and 7 more, in the JSON document"."""
    return f"and {number} more{what and ' '}{what}, in the JSON document"


def _in_runs(names: Sequence[str], plan: Sequence[str]) -> list[tuple[str, ...]]:
    """Return runs of neighbours in the plan, and every other name by itself."""
    place = {name: number for number, name in enumerate(plan)}
    ordered = sorted(names, key=lambda name: place.get(name, len(place)))

    def follows(earlier: str, later: str) -> bool:
        beside = place.get(later) == place.get(earlier, len(place)) + 1
        return beside and counts_on(earlier, later)

    return list(runs(ordered, follows))


def _cut(found: Sequence[Sequence[str]]) -> str:
    return ", ".join(_run(run) for run in found[:NAMED])


def _run(run: Sequence[str]) -> str:
    return visible(run[0]) if len(run) == 1 else f"{visible(run[0])} to {visible(run[-1])}"


def basis(of: Basis) -> str:
    """Return how a rule's fact is known, in words."""
    return of.value.replace("-", " ")


def setup(token: str) -> str:
    """Return how a supplicant was set up, in words."""
    return {"profile": "by profile", "by-hand": "by hand"}.get(token) or visible(token)
