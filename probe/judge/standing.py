"""Whether a certificate is a public CA's: three values, and how that is known.

What binds public CAs binds nobody else (CA/Browser Forum TLS Baseline Requirements, 1.1), so this
is asked before any such rule speaks. It ends in the public set, by name and key of the anchor; or
it only looks as if it did, as public CAs leave marks of their own; or it is private or unknown.
"""

from collections.abc import Iterable
from enum import Enum

from probe.certificate.der import DerError
from probe.certificate.extensions import CERTIFICATE_POLICIES, certificate_policies
from probe.certificate.facts import CertFacts, facts_of
from probe.certificate.pool import Pool
from probe.certificate.timestamps import embedded
from probe.judge.trust import AnchorSet, anchors, leads
from probe.plan.model import Roots
from probe.records import dataclass

_FORUM_POLICIES = frozenset({"2.23.140.1.1", "2.23.140.1.2.1", "2.23.140.1.2.2", "2.23.140.1.2.3"})
"""Policies that public CAs state (BR, 7.1.6.1), the first for extended validation."""


class Standing(Enum):
    """What kind of CA stands behind a certificate."""

    PUBLIC = "public"
    """It ends in the public set."""
    LOOKS_PUBLIC = "looks public"
    """It has marks of a public CA, and its root is not in the set: the set may be out of date."""
    OTHER = "private or unknown"


@dataclass(frozen=True, slots=True)
class Known:
    """The standing of one certificate."""

    standing: Standing
    store: str | None = None
    """PUBLIC: the set that holds the anchor, with its version where it has one."""
    versioned: bool = False
    """PUBLIC: the set is a root programme's as published, and no file of the plan's own."""
    marks: tuple[str, ...] = ()
    """LOOKS_PUBLIC: what makes it look so, in words."""


class Standings:
    """The standing of each certificate, told once.

    `public` are the sets called public, `planned` every anchor of the plan: a certificate that
    leads to one of the others is theirs, whatever marks it has. `pool` is what may stand between.
    """

    def __init__(self, public: Iterable[Roots], planned: AnchorSet, pool: Pool) -> None:
        self._public = [(source, anchors(source, name="public")) for source in public]
        self._planned = planned
        self._pool = pool
        self._known: dict[bytes, Known] = {}

    def of(self, der: bytes) -> Known:
        """Return the standing of a certificate."""
        known = self._known.get(der)
        if known is None:
            known = self._known[der] = self._found(der)
        return known

    def _found(self, der: bytes) -> Known:
        for source, roots in self._public:
            if leads(der, roots, self._pool) == "yes":
                store = f"{source.name} {source.version or ''}".strip()
                return Known(Standing.PUBLIC, store, source.version is not None)
        marks = tuple(_marks(facts_of(der)))
        if marks and leads(der, self._planned, self._pool) == "yes":
            marks = ()
        return Known(Standing.LOOKS_PUBLIC if marks else Standing.OTHER, marks=marks)


def _marks(facts: CertFacts) -> Iterable[str]:
    if embedded(facts).timestamps:
        yield "embedded timestamps"
    policies = stated_policies(facts) & _FORUM_POLICIES
    if policies:
        yield f"the policy {min(policies)}"


def stated_policies(facts: CertFacts) -> frozenset[str]:
    """Return the policies that a certificate states, as OIDs; none where they cannot be read."""
    for extension in facts.extensions:
        if extension.oid == CERTIFICATE_POLICIES:
            try:
                return frozenset(certificate_policies(extension.value))
            except DerError:
                return frozenset()
    return frozenset()
