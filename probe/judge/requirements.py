"""What is published for certificates by the date of their issue: lifetime, key, signature, logs.

Numbers and dates only, each with its source; who minds, and what he does about it, is data of the
client families. The day of issue is taken from notBefore, which CAs may date back by up to 48 hours
(CA/Browser Forum TLS Baseline Requirements, "BR", 2.2.6, section 7.1.2.7).
"""

from datetime import UTC, datetime, timedelta

from probe.certificate.facts import CertFacts
from probe.observation.model import KeyFamily
from probe.records import dataclass

_DAY = timedelta(days=1)
_SECOND = timedelta(seconds=1)

_LIMITS = (
    (datetime(2029, 3, 15, tzinfo=UTC), 47),
    (datetime(2027, 3, 15, tzinfo=UTC), 100),
    (datetime(2026, 3, 15, tzinfo=UTC), 200),
    (datetime(2020, 9, 1, tzinfo=UTC), 398),
)
"""BR, 6.3.2: issued from this day on, at most so many days."""

_VALIDATION = {
    datetime(2029, 3, 15, tzinfo=UTC): 10,
    datetime(2027, 3, 15, tzinfo=UTC): 100,
    datetime(2026, 3, 15, tzinfo=UTC): 200,
    datetime(2020, 9, 1, tzinfo=UTC): 398,
}
"""BR, 4.2.1: from this day on, a proof of a domain may be used again for so many days."""

STEPS_SOURCE = "CA/Browser Forum TLS Baseline Requirements 2.2.6, 4.2.1 and 6.3.2"

_PLATFORM_DAYS = 398
_PLATFORM_SINCE = datetime(2020, 9, 1, tzinfo=UTC)
"""What engines themselves check (Apple support 102028; Chromium source, certificate verifier)."""

_OTHER_ROOTS = timedelta(days=825, hours=1)
_OTHER_ROOTS_SINCE = datetime(2019, 7, 1, tzinfo=UTC)
"""Apple support 103769; the hour more is from the Apple Security framework source."""

_FEW_LOGS = timedelta(days=180)
"""Chrome CT Policy; Apple support 103214: longer lifetimes need one timestamp more."""

TIMESTAMPS_BESIDE = 2
"""Chrome CT Policy; Apple support 103214: distinct logs in all, where a timestamp comes by the
handshake or in a stapled OCSP response, whatever the lifetime."""

_RSA_BITS = 2_048
_RSA_FLOOR = 1_024
_CURVES = frozenset({"P-256", "P-384", "P-521"})
"""BR, 6.1.5: RSA of 2048 bits at least, divisible by eight, and these curves; nothing else."""


# ---------------------------------------------------------------- lifetime


def lifetime_days(not_before: datetime, not_after: datetime) -> int:
    """Return the lifetime in days as BR, 1.6.1 and 6.3.2 count: both ends belong to it, a day is
    86,400 seconds, and any excess is one day more."""
    return -(-(not_after - not_before + _SECOND) // _DAY)


def lifetime_limit(not_before: datetime) -> int | None:
    """Return how many days a public leaf issued then may live (BR, 6.3.2); None: not known here.

    What was issued before 2020-09-01 has ended long ago.
    """
    return next((days for since, days in _LIMITS if not_before >= since), None)


def lifetime_steps(after: datetime) -> tuple[tuple[datetime, int, int], ...]:
    """Return the days after a time from which less is allowed, the next one first: the day, the
    most days a public leaf issued from it may live, and those a proof of a domain may be used."""
    return tuple(
        (since, days, _VALIDATION[since]) for since, days in reversed(_LIMITS) if since > after
    )


def refused_by_platforms(not_before: datetime, not_after: datetime) -> bool:
    """Whether engines refuse a public leaf for its lifetime: they check 398 days, and the bare
    difference (Apple Security framework source, TLS server policy)."""
    return not_before >= _PLATFORM_SINCE and not_after - not_before > _PLATFORM_DAYS * _DAY


def too_long_under_other_roots(not_before: datetime, not_after: datetime) -> bool:
    """Whether Apple's browsers refuse a leaf for its lifetime under a root that was added."""
    return not_before >= _OTHER_ROOTS_SINCE and not_after - not_before > _OTHER_ROOTS


# ---------------------------------------------------------------- logs


def timestamps_needed(not_before: datetime, not_after: datetime) -> int:
    """Return how many distinct logs must have seen a public leaf, where it brings the timestamps
    itself (Chrome CT Policy; Apple support 103214)."""
    return 2 if not_after - not_before <= _FEW_LOGS else 3


# ---------------------------------------------------------------- keys and signatures


@dataclass(frozen=True, slots=True)
class Weakness:
    """Something too weak, as client families are asked about it."""

    objection: str
    says: str


def weak_key(facts: CertFacts, *, public: bool) -> Weakness | None:
    """Return what is wrong with a certificate's key; what binds public CAs only, if it is public.

    Kinds of key that nobody lists (Ed25519, say) are no weakness under a private root.
    """
    if facts.key_family is KeyFamily.RSA and facts.key_bits is not None:
        if facts.key_bits < _RSA_FLOOR:
            return Weakness("key-below-1024", f"its key is {facts.key}, far below 2048 bits")
        if facts.key_bits < _RSA_BITS:
            return Weakness("key-below-2048", f"its key is {facts.key}, below 2048 bits")
        if public and facts.key_bits % 8:
            return Weakness("key-odd-size", f"its key is {facts.key}, not divisible by eight")
    elif facts.key_family is KeyFamily.ECDSA and facts.key not in _CURVES:
        return Weakness("key-curve", f"its key is on {facts.key}, not on P-256, P-384 or P-521")
    elif facts.key.startswith("DSA"):
        return Weakness("key-kind", f"its key is {facts.key}, which no client takes any more")
    elif public and facts.key_family is KeyFamily.OTHER and facts.key != "unknown":
        return Weakness("key-kind", f"its key is {facts.key}, which no public CA may certify")
    return None


_WEAK_HASHES = ("sha1", "md5", "md2")


def weak_signature(facts: CertFacts) -> Weakness | None:
    """Return what is wrong with the signature under a certificate (BR, 7.1.3.2.1)."""
    name = facts.signature.lower().replace("-", "")
    if any(weak in name for weak in _WEAK_HASHES):
        return Weakness("signature-weak", f"it is signed with {facts.signature}")
    return None
