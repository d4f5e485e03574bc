"""Trust anchors: sets of them, found by subject; and which certificates lead to a public one.

An anchor is a name and a key (RFC 5280, 6.1.1 (d)); the certificate that carries them is a package.
"""

from collections.abc import Iterable
from copy import copy
from functools import lru_cache
from typing import Literal

from probe.certificate.facts import CertFacts, facts_of
from probe.certificate.keys import signed_by
from probe.certificate.pool import Pool
from probe.plan.model import Roots

Publicity = Literal["yes", "no", "unknown"]

_WALK = 64
"""Certificates looked at on the way to a root: real hierarchies are three or four deep."""


_NAMESAKES = 8
"""Certificates of one name that are tried as an issuer: CAs that are cross-signed have two to four,
and whoever serves hundreds of one name must not make every pair of them cost a check."""


class AnchorSet(Pool):
    """The trust anchors of one world. Compared by identity: make them with `anchors` only."""

    __slots__ = ("alike", "name")

    def __init__(self, name: str, certificates: Iterable[bytes]) -> None:
        super().__init__(certificates)
        self.name = name
        self.alike: AnchorSet = self
        """The set of the same roots that stands for all of them, whatever their names: what an
        examination found by one of them is so by each."""

    def named_anew(self, name: str) -> "AnchorSet":
        """Return the same anchors by another name."""
        other = copy(self)
        other.name = name
        return other

    def __repr__(self) -> str:
        return f"AnchorSet({self.name!r}, {len(self.by_sha)} anchors)"


@lru_cache(maxsize=64)
def anchors(*sources: Roots, name: str = "") -> AnchorSet:
    """Return the anchors of some roots of the plan: `anchors(*plan.trust.web, name="web")`.

    The same roots and name give the same object.
    """
    if name:
        return anchors(*sources).named_anew(name)
    return AnchorSet("", (der for source in sources for der in source.certificates))


def publicity(
    certificates: Iterable[bytes], public: AnchorSet, private: AnchorSet | None = None
) -> dict[str, Publicity]:
    """Return where each certificate leads, by SHA-256, all of them together being the pool."""
    ders = tuple(certificates)
    pool = Pool(ders)
    return {facts_of(der).sha256: leads(der, public, pool, private) for der in ders}


def leads(der: bytes, public: AnchorSet, pool: Pool, private: AnchorSet | None = None) -> Publicity:
    """Say whether a certificate leads to a public anchor.

    "yes": it is one, or leads to one through certificates of `pool` with good signatures. "no": it
    leads to a self-signed certificate that is none, or to an anchor in `private`. Else "unknown".
    """
    answer: Publicity = "unknown"
    waiting, seen = [der], {der}
    while waiting and len(seen) <= _WALK:
        current = waiting.pop()
        facts = facts_of(current)
        if not facts.readable:
            continue
        if _is_anchor(facts, public) or _issuers(current, facts, public):
            return "yes"
        if facts.self_signed or (
            private is not None
            and (facts.sha256 in private or bool(_issuers(current, facts, private)))
        ):
            answer = "no"
        for issuer in _issuers(current, facts, pool):
            if issuer not in seen:
                seen.add(issuer)
                waiting.append(issuer)
    return answer


def _is_anchor(facts: CertFacts, anchors: AnchorSet) -> bool:
    """Whether it has name and key of an anchor, in whatever certificate they come."""
    return facts.sha256 in anchors or any(
        facts_of(anchor).spki == facts.spki
        for anchor in anchors.named(facts.subject_raw)[:_NAMESAKES]
    )


def _issuers(der: bytes, facts: CertFacts, pool: Pool) -> list[bytes]:
    return [
        candidate
        for candidate in pool.named(facts.issuer_raw)[:_NAMESAKES]
        if signed_by(der, facts_of(candidate).spki)
    ]
