"""One handshake record together with what the plan says of the place it speaks of."""

from dataclasses import dataclass

from probe.observation.model import Aspect, Endpoint, Handshake, HandshakeAsk
from probe.plan.model import Audience, Service

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

    @property
    def asked(self) -> HandshakeAsk:
        """What was asked."""
        return self.record.asked

    @property
    def aspect(self) -> Aspect | None:
        """web: what a further question was after; None: the visit as a client makes it."""
        return self.record.asked.aspect

    @property
    def place(self) -> tuple[str | None, int, str | None]:
        """Where it went, and by which name."""
        return self.asked.address, self.asked.port, self.name

    @property
    def chain(self) -> tuple[str, ...]:
        """What was served: SHA-256 of each certificate; empty if nothing was."""
        return self.record.served.chain if self.record.served else ()

    @property
    def face(self) -> tuple[tuple[str, ...], bool | None]:
        """What a client judges by: the chain, and whether its key was proven."""
        return self.chain, self.record.served.key_proven if self.record.served else None

    @property
    def places(self) -> frozenset[Place]:
        """What a finding that rests on this visit speaks of."""
        return frozenset((self.record.endpoint, node, self.chain) for node in self.nodes)
