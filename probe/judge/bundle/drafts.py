"""What the rules on files look at, and what they hand over."""

from collections.abc import Iterable

from probe.bundle import Authority, Coverage, Entries, Offered
from probe.certificate.facts import CertFacts
from probe.judge.bundle.meant import Meant
from probe.judge.case import Case, Visit
from probe.judge.draft import Draft
from probe.records import dataclass, replace

NO_ENTRIES = Entries()


@dataclass(frozen=True, slots=True)
class Looked:
    """What was found out of the files, for the rules."""

    offered: Offered
    of: Meant
    leaf: CertFacts | None
    """Of the server's certificate, or of what a request asks for; None: neither is there."""
    coverage: tuple[Coverage, ...] = ()
    entries: Entries = NO_ENTRIES
    authorities: tuple[Authority, ...] = ()

    @property
    def has_certificate(self) -> bool:
        """Whether there is a server's certificate."""
        return bool(self.offered.chain)


def of_leaf(
    looked: Looked,
    rule_id: str,
    *,
    says: str,
    fault: tuple[str, ...] = (),
    name: str | None = None,
    remedy: str | None = None,
) -> Draft:
    """Return a draft about the server's certificate; `fault` tells it from one like it."""
    certificates: tuple[str, ...] = ()
    if looked.leaf is not None and looked.has_certificate:
        certificates = (looked.leaf.sha256,)
    return Draft(
        rule_id=rule_id,
        nodes=(),
        name=name,
        certificates=certificates,
        says=says,
        fault=(*fault, *certificates) if fault else (),
        remedy=remedy,
    )


def served(case: Case, draft: Draft, visits: Iterable[Visit]) -> Draft:
    """Return a draft that explains what other rules say of these visits, at their nodes."""
    shown = [visit for visit in visits if visit.chain]
    return replace(
        draft,
        nodes=case.sort_nodes(node for visit in shown for node in visit.nodes),
        places=frozenset(place for visit in shown for place in visit.places),
        questions=frozenset(visit.record.question for visit in shown),
    )
