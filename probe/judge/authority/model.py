"""The answer of one source about one certificate."""

from datetime import datetime, timedelta
from enum import Enum

from probe.records import dataclass

CLOCKS_APART = timedelta(minutes=5)
"""A list that was made for us this second may bear a time in our future: clocks differ."""


class Status(Enum):
    """What is known of a certificate."""

    GOOD = "good"
    REVOKED = "revoked"
    UNKNOWN = "unknown"
    """Nothing, by this source."""


class Why(Enum):
    """Why a source tells nothing."""

    UNREADABLE = "unreadable"
    NOT_ITS = "not its issuer's"
    """It is signed by nobody who may speak of this certificate."""
    STALE = "stale"
    EARLY = "early"
    """It begins in the future."""
    OTHER_TIME = "other time"
    """It was current when it came, and is not at the time that is judged for."""
    SCOPE = "scope"
    """It does not speak of this certificate."""
    UNSUPPORTED = "unsupported"
    """It is of a kind, or has a critical part, that is not processed here."""
    REFUSED = "refused"
    """The responder says that it has no answer."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What one source says of one certificate, as far as it can be relied on."""

    status: Status
    says: str
    """In words; may hold text off the wire."""
    why: Why | None = None
    """UNKNOWN: the reason."""
    since: datetime | None = None
    """REVOKED: since when."""
    reason: str | None = None
    """REVOKED: as RFC 5280, 5.3.1 names it, where it is told."""
    this_update: datetime | None = None
    next_update: datetime | None = None


def unknown(
    why: Why,
    says: str,
    this_update: datetime | None = None,
    next_update: datetime | None = None,
) -> Answer:
    """Return that a source tells nothing."""
    return Answer(Status.UNKNOWN, says, why, this_update=this_update, next_update=next_update)


REASONS = (
    "unspecified",
    "keyCompromise",
    "cACompromise",
    "affiliationChanged",
    "superseded",
    "cessationOfOperation",
    "certificateHold",
    "",  # 7 is not used
    "removeFromCRL",
    "privilegeWithdrawn",
    "aACompromise",
)
"""CRLReason (RFC 5280, 5.3.1)."""


def reason_of(number: int) -> str:
    """Return the name of a CRLReason."""
    named = REASONS[number] if 0 <= number < len(REASONS) else ""
    return named or f"reason {number}"


def currency(
    what: str,
    this_update: datetime,
    next_update: datetime | None,
    *,
    at: datetime,
    came: datetime | None,
) -> Answer | None:
    """Return why something is not current at a time; None if it is.

    `came` is when it came here: what was current then and is not at the time that is judged for
    is nobody's fault.
    """
    dates = this_update, next_update
    begins = this_update - CLOCKS_APART
    was_current = (
        came is not None and begins <= came and (next_update is None or came <= next_update)
    )
    if at < begins:
        if was_current:
            return unknown(Why.OTHER_TIME, f"{what} was made later, {_on(this_update)}", *dates)
        return unknown(Why.EARLY, f"{what} begins in the future, {_on(this_update)}", *dates)
    if next_update is not None and at > next_update:
        if was_current:
            says = f"{what} speaks of the time until {_when(next_update)} only"
            return unknown(Why.OTHER_TIME, says, *dates)
        return unknown(Why.STALE, f"{what} is out of date since {_when(next_update)}", *dates)
    return None


def _when(moment: datetime) -> str:
    return moment.replace(tzinfo=None).isoformat(" ", "minutes") + " UTC"


def _on(moment: datetime) -> str:
    return f"at {_when(moment)}"
