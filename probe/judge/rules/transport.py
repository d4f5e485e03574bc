"""Strict transport: a note for names whose warnings cannot be clicked away.

What that does to verdicts is done where clients react (`probe.judge.strict`).
"""

from collections import defaultdict
from collections.abc import Iterator

from probe.assessment import Note
from probe.judge.case import Case
from probe.judge.strict import Policy, holder
from probe.judge.words import listing, verb
from probe.observation.model import Endpoint

HSTS = "web-hsts"
_SOURCE = "RFC 6797, 8.4 and 12.1"
_DAY = 86_400


def strict_transport(case: Case) -> Iterator[Note]:
    """Yield a note for each name that asks for strict transport; nodes' own names together."""
    found: dict[tuple[str, str | None, Policy], dict[str, tuple[str, ...]]] = defaultdict(dict)
    for visit in case.web:
        by = holder(case.strict, visit.name)
        if by is None or visit.name is None or by not in case.strict or not visit.nodes:
            continue
        name = None if visit.own else visit.name
        parent = by if by != visit.name else ""
        key = parent, name, case.strict[by]
        known = found[key].get(visit.name, ())
        found[key][visit.name] = case.sort_nodes((*known, *visit.nodes))
    for (parent, name, policy), opened in found.items():
        nodes = case.sort_nodes(node for some in opened.values() for node in some)
        names = sorted(opened)
        asks = verb(names, "asks", "ask")
        why = f" ({parent} asks it for every name below)" if parent else ""
        says = (
            f"{listing(names)} {asks} browsers for strict transport{why}, for {_age(policy)} from"
            " each visit: whoever was there before cannot click a warning away."
        )
        yield Note(HSTS, Endpoint.WEB, nodes, name, says, _SOURCE)


def _age(policy: Policy) -> str:
    days = policy.seconds // _DAY
    if days:
        return f"{days} {'day' if days == 1 else 'days'}"
    return f"{policy.seconds} seconds"
