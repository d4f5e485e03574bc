"""Which names a certificate covers: RFC 9525 for servers, and each supplicant's own rules for EAP."""

from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address

from probe.certificate.facts import CertFacts


@dataclass(frozen=True, slots=True)
class Match:
    """Whether a certificate covers a name, and why."""

    covered: bool
    by: str | None
    """The entry of the certificate that covers it."""
    why: str
    """In words: what matched, or which label or rule failed and which names are covered instead."""
    common_name_only: bool = False
    """Not covered, but the name stands in the subject's common name."""
    by_wildcard: bool = False
    """Covered by a wildcard entry; or not covered, though a wildcard entry would cover it if this
    client took wildcards."""
    depends: str | None = None
    """In words: on which version of the client the answer depends."""


def dns_name_matches(pattern: str, reference: str) -> bool:
    """Return whether a presented dNSName covers a reference name (RFC 9525, 6.3)."""
    raise NotImplementedError


def covers(facts: CertFacts, reference: str | IPv4Address | IPv6Address) -> Match:
    """Say whether a certificate covers a name or address that a client opens (RFC 9525, 6)."""
    raise NotImplementedError


def supplicant_covers(facts: CertFacts, expected: tuple[str, ...], family: str) -> Match:
    """Say whether an EAP certificate covers any name that a supplicant's profile expects."""
    raise NotImplementedError
