"""One handshake record together with what the plan says of the place it speaks of."""

from collections import defaultdict
from collections.abc import Hashable, Iterator

from probe.observation.model import Aspect, Endpoint, Handshake, HandshakeAsk, Method
from probe.plan.model import Audience, Service
from probe.records import dataclass

_FACES = frozenset({Aspect.FAMILY, Aspect.AGAIN})
"""Further questions whose answers some client meets: one that wants the other kind of key, or that
comes a little later."""

Place = tuple[Endpoint, str, tuple[str, ...]]
"""Endpoint, node and served chain (empty: nothing was served): what a finding speaks of."""


@dataclass(frozen=True, slots=True)
class Visit:
    """One handshake record and what the plan says of the place it speaks of."""

    record: Handshake
    service: Service | None
    nodes: tuple[str, ...]
    """The nodes it speaks of: of a virtual address, those that serve the same chain themselves,
    or else all that stand behind it."""
    virtual: bool
    """It went to a service's virtual address."""
    behind: bool
    """It went to one node for a name that clients open at a virtual address only."""
    name: str | None
    """web: the name that clients open."""
    audience: Audience
    own: bool
    """web: the name is the node's own."""
    chain: tuple[str, ...]
    """What was served: SHA-256 of each certificate; empty if nothing was."""
    asked: HandshakeAsk
    """What was asked: the record's own, at hand as it is read again and again."""
    aspect: Aspect | None
    """What a further question was after; None: the visit as a client makes it."""

    @property
    def meeting(self) -> Hashable:
        """What is met, and by whom: on the web and in EAP this is all that counts of a chain's path
        and of who objects to it, so that it is looked at once for all nodes that are alike.
        Not of RadSec, where each node has its own roots."""
        assert self.record.endpoint is not Endpoint.RADSEC  # noqa: S101  # see above
        return self.chain, self.record.endpoint, self.audience, self.own

    @property
    def place(self) -> Hashable:
        """Where it went, and by which name; eap: in which method and context."""
        asked = self.asked
        return asked.address, asked.port, self.name, asked.methods[:1], asked.visit

    @property
    def server(self) -> Hashable:
        """The server that it went to, as it is reached from one place."""
        return self.asked.address, self.asked.port, self.record.nodes, self.record.vantage

    @property
    def method(self) -> Method | None:
        """eap: the method that was agreed, or else the first that it asked for."""
        seen = self.record.eap
        if seen is not None and seen.method is not None:
            return seen.method
        return next(iter(self.asked.methods), None)

    @property
    def way(self) -> str | None:
        """eap: the method, and the visit of the plan if it was not in the plan's own context."""
        if self.method is None or self.asked.visit is None:
            return self.method
        return f'{self.method} (visit "{self.asked.visit}")'

    @property
    def face(self) -> tuple[tuple[str, ...], bool | None]:
        """What a client judges by: the chain, and whether its key was proven."""
        return self.chain, self.record.served.key_proven if self.record.served else None

    @property
    def places(self) -> frozenset[Place]:
        """What a finding that rests on this visit speaks of."""
        return frozenset((self.record.endpoint, node, self.chain) for node in self.nodes)


def met(asked: tuple[Visit, ...]) -> Iterator[Visit]:
    """Yield the visits that show what clients meet.

    Of the further questions these are the answers that the visit itself has not shown already: the
    certificate of the other key family, another one at another time.
    """
    shown: dict[Hashable, set[object]] = defaultdict(set)
    for visit in asked:
        if visit.aspect is None:
            shown[visit.place].add(visit.face)
    for visit in asked:
        if visit.aspect is None:
            yield visit
        elif visit.aspect in _FACES and visit.chain and visit.face not in shown[visit.place]:
            shown[visit.place].add(visit.face)
            yield visit
