"""Whose lists are to be believed: the issuer's own, and those of another key of the same CA.

A CA may sign its lists with another key than its certificates, or change its key (RFC 5280, 6.3.3
(f)): the certificate of that key then has the CA's name, leads to the same anchors, and must not
have been revoked itself.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime

from probe.certificate.facts import CertFacts, facts_of
from probe.certificate.keys import signed_by
from probe.certificate.naming import canonical
from probe.certificate.pool import Pool
from probe.judge.authority.crl import check_list, read_list
from probe.judge.authority.model import Answer, Status
from probe.judge.trust import AnchorSet, leads
from probe.records import dataclass

_NAMESAKES = 8
"""Certificates of one name that are looked at; a CA has one to three."""
_DEEP = 3
"""Signers of signers that are followed."""


@dataclass(frozen=True, slots=True)
class Body:
    """Something that may be a list, and when it came (None: not known)."""

    octets: bytes
    came: datetime | None = None


def overall(answers: Iterable[Answer]) -> Status:
    """Return what several sources make together: one that has it as revoked is enough, and else
    one that calls it good."""
    found = {answer.status for answer in answers}
    for status in (Status.REVOKED, Status.GOOD):
        if status in found:
            return status
    return Status.UNKNOWN


class Lists:
    """All lists at hand, and all certificates."""

    def __init__(
        self, bodies: Iterable[Body], pool: Pool, anchors: AnchorSet, *, at: datetime
    ) -> None:
        self._pool = pool
        self._anchors = anchors
        self._at = at
        self._by_issuer: dict[bytes, list[Body]] = {}
        for body in bodies:
            listed = read_list(body.octets)
            if not isinstance(listed, str):
                self._by_issuer.setdefault(canonical(listed.issuer_raw), []).append(body)
        self._signers: dict[str, tuple[CertFacts, ...]] = {}

    def of(self, issuer_name: bytes) -> Sequence[Body]:
        """Return the lists of a CA by its name (DER)."""
        return self._by_issuer.get(canonical(issuer_name), ())

    def check(self, body: Body, subject: CertFacts, issuer: CertFacts) -> Answer:
        """Return what one list says of a certificate of that issuer."""
        return check_list(body.octets, subject, self.signers(issuer), at=self._at, came=body.came)

    def status(self, subject: CertFacts, issuer: CertFacts, *, deep: int = _DEEP) -> Status:
        """Return what all lists of the issuer make together."""
        signers = self.signers(issuer, deep=deep)
        return overall(
            check_list(body.octets, subject, signers, at=self._at, came=body.came)
            for body in self.of(subject.issuer_raw)
        )

    def signers(self, issuer: CertFacts, *, deep: int = _DEEP) -> tuple[CertFacts, ...]:
        """Return the certificates whose keys may sign the issuer's lists, its own first."""
        known = self._signers.get(issuer.sha256)
        if known is None:
            others = tuple(self._others(issuer, deep)) if deep else ()
            known = (issuer, *others)
            if deep == _DEEP:
                self._signers[issuer.sha256] = known
        return known

    def _others(self, issuer: CertFacts, deep: int) -> Iterable[CertFacts]:
        for der in self._pool.named(issuer.subject_raw)[:_NAMESAKES]:
            facts = facts_of(der)
            if facts.spki == issuer.spki or not self._is_current(facts):
                continue
            if leads(der, self._anchors, self._pool) != "yes":
                continue
            above = self._issuer_of(der, facts)
            if above is None or self.status(facts, above, deep=deep - 1) is not Status.REVOKED:
                yield facts

    def _is_current(self, facts: CertFacts) -> bool:
        return (
            facts.not_before is not None
            and facts.not_after is not None
            and facts.not_before <= self._at <= facts.not_after
        )

    def _issuer_of(self, der: bytes, facts: CertFacts) -> CertFacts | None:
        for pool in (self._anchors, self._pool):
            for candidate in pool.named(facts.issuer_raw)[:_NAMESAKES]:
                above = facts_of(candidate)
                if signed_by(der, above.spki):
                    return above
        return None
