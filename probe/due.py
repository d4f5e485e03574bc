"""What ends when, as values: each certificate that was seen, where it is, and the coming rules.

Made by the judge, shown by the reports, which compute nothing.
"""

from collections.abc import Mapping
from datetime import datetime
from enum import Enum

from probe.assessment import Verdict
from probe.certificate.facts import CertFacts
from probe.observation.model import Endpoint, Survey
from probe.records import dataclass


class Stage(Enum):
    """How far a certificate is from its end."""

    ENDED = "ended"
    DUE = "due"
    """Inside the plan's window."""
    LATER = "later"
    UNKNOWN = "unknown"
    """Its dates cannot be read."""


class Role(Enum):
    """What a certificate is there for."""

    SERVER = "server"
    """A server's own."""
    AUTHORITY = "authority"
    """A CA's: served with a server's, or a root that one leads to."""


@dataclass(frozen=True, slots=True)
class Renewal:
    """One certificate that is to be renewed once, wherever it is."""

    certificate: str
    """SHA-256."""
    role: Role
    stage: Stage
    ends: datetime | None
    """Its last second of validity."""
    renew: datetime | None
    """When the plan's window begins: the day to renew."""
    days: int | None
    """Whole days that are left; once it has ended, those since, as a negative number."""
    endpoints: tuple[Endpoint, ...]
    nodes: tuple[str, ...]
    """In plan order."""
    opened: tuple[str, ...]
    """web: the names it was served for."""
    served: bool
    """False: a root of the plan that nobody sends."""
    public: str
    """"yes", "no" or "unknown": whether it chains to a public root."""
    successor_days: int | None
    """A public CA's server certificate: what its successor may live at most, if it is issued when
    it is to be renewed (today, where that is past)."""
    counts: bool
    """Whether a chain leads over it. What is sent beside the path may end without harm."""


@dataclass(frozen=True, slots=True)
class Step:
    """From a day on, public CAs issue for less."""

    since: datetime
    days: int
    """The most that a server certificate issued from then on may live."""
    validation_days: int
    """How long a proof that one owns a domain may be used again."""
    source: str


@dataclass(frozen=True, slots=True)
class Due:
    """The answer of `probe due`."""

    plan_name: str
    planned: int
    """Nodes of the whole plan."""
    nodes: tuple[str, ...]
    """Those that were looked at, in plan order."""
    judged_at: datetime
    survey: Survey
    unseen: tuple[str, ...]
    """Ids of questions to places that showed no certificate."""
    complete: bool
    verdict: Verdict
    renewals: tuple[Renewal, ...]
    """What ends first comes first; unreadable dates last."""
    steps: tuple[Step, ...]
    """Those after `judged_at`."""
    certificates: Mapping[str, bytes]
    facts: Mapping[str, CertFacts]
