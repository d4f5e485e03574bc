"""Finds the paths that lead from a served leaf towards a root (RFC 4158), within bounds.

It only follows names and signatures. Whether a path is good is for `examine.py`; so a step with a
bad signature is taken too, where there is no better one, to be named there.
"""

from enum import IntEnum

from probe.certificate.facts import CertFacts, facts_of
from probe.certificate.keys import signed_by
from probe.certificate.pool import Pool
from probe.records import dataclass

LONGEST = 16
"""Certificates of one path, the anchor counted; real ones have two to five, and OpenSSL follows
more than ten."""

STEPS = 200
"""Certificates stepped on in one search, so that a tangle of cross-signatures ends."""

PATHS = 24
"""Paths kept of one search: cross-signing really gives two to four."""

CHECKS = 120
"""Signatures looked at in one search: at a millisecond each, the longest a hostile chain costs."""


class Ends(IntEnum):
    """Where a path ends, best first."""

    TRUSTED = 0
    """At an anchor of the client."""
    ELSEWHERE = 1
    """At an anchor of another world of the plan."""
    NOWHERE = 2


@dataclass(frozen=True, slots=True)
class Candidate:
    """One path, leaf first."""

    certificates: tuple[CertFacts, ...]
    signatures: tuple[bool | None, ...]
    """Whether each certificate but the last was signed with the key of the next one."""
    ends: Ends
    rooted: bool
    """The last certificate is its own issuer (as far as its signature can be checked)."""
    cut: bool
    """The search stopped here at one of its bounds."""


@dataclass(frozen=True, slots=True)
class World:
    """What a search may use."""

    served: Pool
    extra: Pool
    anchors: Pool
    others: Pool


class Search:
    """One search for paths from a leaf."""

    def __init__(self, world: World) -> None:
        self.found: list[Candidate] = []
        self.bounded = False
        """Not every path was tried."""
        self._world = world
        self._steps = 0
        self._checks = 0

    def run(self, leaf: CertFacts, der: bytes) -> None:
        """Find the paths of a leaf; there is always at least one."""
        self._extend([(leaf, der)], [])

    def _extend(self, path: list[tuple[CertFacts, bytes]], signatures: list[bool | None]) -> None:
        top, der = path[-1]
        self._steps += 1
        if len(self.found) >= PATHS:
            self.bounded = True
            return
        if top.sha256 in self._world.anchors:
            self._keep(path, signatures, Ends.TRUSTED)
            return
        ends = Ends.ELSEWHERE if top.sha256 in self._world.others else Ends.NOWHERE
        if len(path) >= LONGEST or self._steps >= STEPS:
            self.bounded = True
            self._keep(path, signatures, ends, cut=True)
            return
        steps = [] if top.self_signed else self._issuers(top, der, path)
        for issuer, issuer_der, signed in steps:
            self._extend([*path, (issuer, issuer_der)], [*signatures, signed])
        if not steps or ends is Ends.ELSEWHERE:
            self._keep(path, signatures, ends, cut=not steps and self._checks >= CHECKS)

    def _keep(
        self,
        path: list[tuple[CertFacts, bytes]],
        signatures: list[bool | None],
        ends: Ends,
        *,
        cut: bool = False,
    ) -> None:
        last, der = path[-1]
        rooted = last.self_issued and signed_by(der, last.spki) is not False
        self.found.append(
            Candidate(tuple(facts for facts, _ in path), tuple(signatures), ends, rooted, cut)
        )

    def _issuers(
        self, subject: CertFacts, der: bytes, path: list[tuple[CertFacts, bytes]]
    ) -> list[tuple[CertFacts, bytes, bool | None]]:
        """Return the certificates that signed this one; else those that claim to."""
        on_path = {(facts.subject_raw, facts.spki) for facts, _ in path}
        signed: list[tuple[CertFacts, bytes, bool | None]] = []
        claimed: list[tuple[CertFacts, bytes, bool | None]] = []
        world = self._world
        for issuer_der in dict.fromkeys(
            candidate
            for pool in (world.anchors, world.served, world.extra, world.others)
            for candidate in pool.named(subject.issuer_raw)
        ):
            issuer = facts_of(issuer_der)
            # RFC 4158, 5.2: the same name and key twice on a path is a loop.
            if (issuer.subject_raw, issuer.spki) in on_path:
                continue
            if self._checks >= CHECKS:
                self.bounded = True
                break
            self._checks += 1
            verified = signed_by(der, issuer.spki)
            if verified:
                signed.append((issuer, issuer_der, verified))
            elif not _another_key(subject, issuer):
                claimed.append((issuer, issuer_der, verified))
        return signed or claimed


def _another_key(subject: CertFacts, issuer: CertFacts) -> bool:
    """Return whether the key identifiers say that this is not the issuer (RFC 5280, 4.2.1.1)."""
    wanted, has = subject.authority_key_id, issuer.subject_key_id
    return wanted is not None and has is not None and wanted != has
