"""The CA certificates between a server's certificate and its root, and where they are to be had."""

import hashlib
from collections.abc import Mapping

from probe.bundle import Authority, Origin
from probe.certificate.facts import CertFacts, facts_of
from probe.judge.path import Explanation
from probe.judge.trust import AnchorSet
from probe.observation.model import fingerprint


def authorities(
    explanation: Explanation, trusted: AnchorSet, origins: Mapping[str, tuple[bytes, Origin]]
) -> tuple[Authority, ...]:
    """Return the issuers of a path, that of the server's certificate first.

    `origins` says by SHA-256 which certificates are at hand, and from where; `trusted` are the
    roots that nodes have. A certificate that is its own issuer is its own authority.
    """
    path = explanation.path if len(explanation.path) == 1 else explanation.path[1:]
    leaf = facts_of(origins[explanation.path[0]][0])
    found = []
    if len(explanation.path) > 1 or leaf.self_signed:
        found = [_authority(*origins[sha256], trusted) for sha256 in path]
    last = facts_of(origins[explanation.path[-1]][0])
    if explanation.anchor is None and not last.self_issued:
        found.append(Authority(last.issuer, None, None, False, Origin.NOWHERE, False))
    return tuple(found)


def _authority(der: bytes, origin: Origin, trusted: AnchorSet) -> Authority:
    facts = facts_of(der)
    sha1 = hashlib.sha1(der, usedforsecurity=False).hexdigest()
    has = is_anchor(facts, trusted)
    return Authority(facts.subject, fingerprint(der), sha1, facts.self_issued, origin, has)


def is_anchor(facts: CertFacts, trusted: AnchorSet) -> bool:
    """Return whether it is one of these anchors, in whatever certificate they come."""
    return any(facts_of(der).spki == facts.spki for der in trusted.named(facts.subject_raw))


def to_serve(
    explanation: Explanation, origins: Mapping[str, tuple[bytes, Origin]]
) -> tuple[bytes, ...] | None:
    """Return the chain in order, without the root (RFC 9846, 4.4.2; RFC 5216, 5.3); None: a CA
    certificate of it is nowhere."""
    ders = [origins[sha256][0] for sha256 in explanation.path]
    last = facts_of(ders[-1])
    if len(ders) > 1 and last.self_issued:
        return tuple(ders[:-1])
    if explanation.anchor is None and not last.self_issued:
        return None
    return tuple(ders)
