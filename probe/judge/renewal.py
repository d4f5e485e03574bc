"""A renewal that reached some nodes only: certificates of the same names and CA, one newer."""

from collections import defaultdict
from collections.abc import Hashable, Iterator
from datetime import UTC, datetime, timedelta

from probe.certificate.facts import CertFacts
from probe.judge.case import Case, Visit
from probe.judge.draft import Draft
from probe.judge.likeness import Split, split
from probe.judge.words import listing, verb
from probe.records import dataclass, replace

_SUPERSEDED_BY = timedelta(days=1)
"""A certificate that begins so much later than one of the same names and CA replaces it; nodes that
get one each on the same day do not."""


@dataclass(frozen=True, slots=True)
class Renewal:
    """One certificate, those that it replaces, and who serves which."""

    visits: tuple[Visit, ...]
    by_leaf: Split
    newest: CertFacts
    older: tuple[CertFacts, ...]
    renewed: tuple[str, ...]
    behind: tuple[str, ...]
    ends: datetime
    """When the first of the older ones does."""

    def mended(self, case: Case, draft: Draft, service: str) -> Draft:
        """Return a draft that says what to import where; `service` is "web" or "RADIUS"."""
        newest = self.newest
        valid = _valid(case, newest)
        return replace(
            draft,
            remedy=f"Import the certificate that {listing(self.renewed)}"
            f" {verb(self.renewed, 'has', 'have')} (SHA-256 {newest.sha256[:16]}...) on"
            f" {listing(self.behind)}, then restart the {service} service there.",
            # One that is not valid yet, or no longer, helps nobody.
            replaces=frozenset(leaf.sha256 for leaf in self.older if valid),
        )


def renewals(case: Case, visits: tuple[Visit, ...]) -> Iterator[Renewal]:
    """Yield each renewal among visits that may be compared, where some nodes were left out."""
    alike: dict[Hashable, list[Visit]] = defaultdict(list)
    names: dict[str, frozenset[str]] = {}
    for visit in visits:
        leaf = case.leaf(visit)
        if leaf.sha256 not in names:
            names[leaf.sha256] = frozenset(name.value.lower() for name in leaf.names)
        alike[names[leaf.sha256], leaf.common_name, leaf.issuer_raw].append(visit)
    for some in alike.values():
        leaves = {leaf.sha256: leaf for leaf in map(case.leaf, some)}
        if len(leaves) < 2:
            continue
        by_leaf = split(case, tuple(some), lambda visit: visit.chain[0])
        newest = max(leaves.values(), key=_begins)
        older = [leaf for leaf in leaves.values() if _superseded(case, leaf, newest, by_leaf)]
        ends = min((leaf.not_after for leaf in older if leaf.not_after), default=None)
        if ends is None:
            continue
        behind = (node for visit in some if case.leaf(visit) in older for node in visit.nodes)
        renewed = (node for visit in some if case.leaf(visit) is newest for node in visit.nodes)
        yield Renewal(
            tuple(some),
            by_leaf,
            newest,
            tuple(older),
            case.sort_nodes(renewed),
            case.sort_nodes(behind),
            ends,
        )


def _valid(case: Case, leaf: CertFacts) -> bool:
    if leaf.not_before is None or leaf.not_after is None:
        return False
    return leaf.not_before <= case.at <= leaf.not_after


def _begins(leaf: CertFacts) -> tuple[datetime, str]:
    return leaf.not_before or datetime.min.replace(tzinfo=UTC), leaf.sha256


def _superseded(case: Case, leaf: CertFacts, newest: CertFacts, by_leaf: Split) -> bool:
    """Whether a certificate was replaced by the newest one, and not merely issued beside it.

    Nodes that have a certificate each, with the same names in all, renew each at its own time: that
    one is younger than another says nothing until the older one's renewal is due.
    """
    if leaf.not_before is None or leaf.not_after is None or newest.not_before is None:
        return False
    if newest.not_before - leaf.not_before < _SUPERSEDED_BY:
        return False
    shared = any(len(group.nodes) > 1 for group in by_leaf.groups)
    overdue = case.at >= leaf.not_after - (leaf.not_after - leaf.not_before) / 3
    return shared or overdue
