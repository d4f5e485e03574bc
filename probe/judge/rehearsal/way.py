"""One way in which a certificate may come to the nodes: which chain, by which plan, in which order.

Alternatives are ways too, so each is judged as the one that is meant.
"""

from collections.abc import Sequence
from datetime import datetime

from probe.assessment import Assessment
from probe.judge.assess import judge
from probe.judge.explained import Explained
from probe.judge.rehearse import swap
from probe.limits import REHEARSAL_STEPS
from probe.observation.model import Endpoint, Survey
from probe.plan.model import Plan
from probe.records import dataclass


@dataclass(frozen=True, slots=True)
class Way:
    """What is to be judged."""

    plan: Plan
    chain: tuple[bytes, ...]
    """DER, as it is to be served."""
    order: tuple[str, ...]


class World:
    """What stays the same whichever way is taken."""

    def __init__(
        self,
        seen: Survey,
        endpoints: frozenset[Endpoint],
        names: frozenset[str] | None,
        at: datetime,
    ) -> None:
        self.seen, self.endpoints, self.names, self.at = seen, endpoints, names, at
        self._memory = Explained()

    def after(self, way: Way, done: Sequence[str]) -> Survey:
        """Return what the nodes would show once some of them are done."""
        if not done:
            return self.seen
        return swap(self.seen, way.chain, done, only=self.endpoints, names=self.names)

    def judged(self, plan: Plan, then: Survey) -> Assessment:
        """Return what is to be said of such a survey."""
        return judge(plan, then, at=self.at, memory=self._memory)


def stops(order: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    """Return the nodes that are done at each step, none first and all last.

    Node by node, unless the cluster is large: then the first two and the last two nodes are steps
    of their own, and those between come in equal groups.
    """
    count = len(order)
    if count <= REHEARSAL_STEPS:
        at = set(range(count + 1))
    else:
        inner = REHEARSAL_STEPS - 4
        at = {0, 1, 2, count - 1, count}
        at |= {2 + (count - 3) * step // inner for step in range(1, inner)}
    return tuple(tuple(order[:done]) for done in sorted(at))
