"""By what a rule shows."""

from enum import Enum


class Kind(Enum):
    """By what a rule shows."""

    REACH = "reach"
    """Whether anything is served at all."""
    CERTIFICATE = "certificate"
    """What is served."""
    COMPARED = "compared"
    """What several nodes serve."""
    NAMES = "names"
    """What resolvers say."""
    AUTHORITY = "authority"
    """What CAs say of certificates."""
    CLOSE = "close"
    """What only a close look brings: staples and timestamps."""
    CLOCK = "clock"
    ASKED = "asked"
    """Which certificates servers ask clients for."""
    CLIENT_LIST = "client-list"
    """What the CAs of clients' certificates publish."""


_KINDS = {
    "closed": Kind.REACH,
    "silent": Kind.REACH,
    "refused": Kind.REACH,
    "not-tls": Kind.REACH,
    "old-tls": Kind.REACH,
    "secret-differs": Kind.REACH,
    "rejected-early": Kind.REACH,
    "method-refused": Kind.REACH,
    "fragments-lost": Kind.REACH,
    "reply-elsewhere": Kind.REACH,
    "balancer-splits": Kind.REACH,
    "leaf-differs": Kind.COMPARED,
    "root-differs": Kind.COMPARED,
    "chain-differs": Kind.COMPARED,
    "half-renewed": Kind.COMPARED,
    "methods-differ": Kind.COMPARED,
    "join-untrusted": Kind.COMPARED,
    "revoked": Kind.AUTHORITY,
    "revocation-unknown": Kind.AUTHORITY,
    "staple-missing": Kind.CLOSE,
    "staple-bad": Kind.CLOSE,
    "too-few-timestamps": Kind.CLOSE,
    "clock-off": Kind.CLOCK,
    "client-authority-missing": Kind.ASKED,
    "client-authorities-differ": Kind.ASKED,
    "client-crl-stale": Kind.CLIENT_LIST,
    "client-ca-expiring": Kind.CLIENT_LIST,
}


def kind_of(rule: str) -> Kind:
    """Return by what a rule shows."""
    room, _, tail = rule.partition("-")
    return Kind.NAMES if room == "dns" else _KINDS.get(tail, Kind.CERTIFICATE)
