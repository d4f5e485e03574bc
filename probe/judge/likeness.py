"""Like with like: which visits may be compared across nodes, and which nodes stand outside.

Only what was asked alike is compared: the same endpoint and name, method, visit and key family
offered. A hello that offers every family is answered by each server as it likes, and a client meets
just that at one node and the next.
"""

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterator

from probe.judge.case import Case, Visit
from probe.observation.model import Aspect, Endpoint, KeyFamily
from probe.records import dataclass


@dataclass(frozen=True, slots=True)
class Likeness:
    """What visits have in common that may be compared."""

    endpoint: Endpoint
    name: str | None
    """web: the service name; None for each node's own name, and for EAP."""
    method: str | None
    visit: str | None
    key_family: KeyFamily | None
    """None: every family was offered."""


@dataclass(frozen=True, slots=True)
class Group:
    """Nodes that show the same."""

    value: Hashable
    nodes: tuple[str, ...]
    """In the order of the plan."""


@dataclass(frozen=True, slots=True)
class Split:
    """Nodes divided by what they show, the largest group first."""

    groups: tuple[Group, ...]
    outside: tuple[str, ...]
    """Those outside the largest group; all of them on a tie."""
    tie: bool

    @property
    def sets(self) -> tuple[frozenset[str], ...]:
        """The nodes of each group."""
        return tuple(frozenset(group.nodes) for group in self.groups)


def comparable(case: Case, endpoint: Endpoint) -> Iterator[tuple[Likeness, tuple[Visit, ...]]]:
    """Yield visits that may be compared. Virtual addresses tell nothing of a single node."""
    found: dict[Likeness, list[Visit]] = defaultdict(list)
    for visit in case.visits(endpoint):
        if not visit.chain or visit.virtual or len(visit.nodes) != 1:
            continue
        if visit.aspect is Aspect.AGAIN:
            continue  # one node at two times is no comparison of nodes
        seen = visit.record.eap
        method = seen.method if seen and seen.method else next(iter(visit.asked.methods), None)
        like = Likeness(
            endpoint,
            visit.service.name if visit.service and not visit.own else None,
            method.value if method else None,
            visit.asked.visit,
            visit.asked.key_family,
        )
        found[like].append(visit)
    for like, visits in found.items():
        yield like, tuple(visits)


def split(case: Case, visits: tuple[Visit, ...], value: Callable[[Visit], Hashable]) -> Split:
    """Divide the nodes of some visits by a value."""
    by_value: dict[Hashable, set[str]] = defaultdict(set)
    for visit in visits:
        by_value[value(visit)].update(visit.nodes)
    groups = [Group(key, case.sort_nodes(nodes)) for key, nodes in by_value.items()]
    groups.sort(key=lambda group: (-len(group.nodes), case.node_order[group.nodes[0]]))
    tie = len(groups) > 1 and len(groups[0].nodes) == len(groups[1].nodes)
    outside = groups if tie else groups[1:]
    return Split(
        tuple(groups), case.sort_nodes(node for group in outside for node in group.nodes), tie
    )


def intermediates(case: Case, visit: Visit) -> frozenset[str]:
    """Return what is served between leaf and root: a root may be sent or not."""
    return frozenset(sha256 for sha256 in visit.chain[1:] if not case.facts[sha256].self_signed)
