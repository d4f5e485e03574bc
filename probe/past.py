"""What the history tells, as values: runs, where certificates were seen, what changed between two.

Made by the history and the judge, shown by the reports, which compute nothing.
"""

from collections.abc import Mapping
from datetime import datetime

from probe.assessment import Change
from probe.certificate.facts import CertFacts
from probe.observation.model import Endpoint
from probe.records import dataclass


@dataclass(frozen=True, slots=True)
class Run:
    """One run as the history keeps it."""

    id: int
    """Runs are numbered in the order in which they were kept, whatever the clock said."""
    plan: str
    digest: str | None
    """SHA-256 of the plan file."""
    began: datetime
    ended: datetime
    machine: str | None
    vantage: str | None
    tool: str
    interrupted: bool
    questions: int
    unseen: int
    """Questions that nobody answered."""
    nodes: tuple[str, ...]
    endpoints: tuple[Endpoint, ...]
    clock_back: bool = False
    """It began before the run ended that was kept before it: a clock was set back."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """Where one certificate was served, since when and until when, as far as is known."""

    plan: str
    certificate: str
    """SHA-256."""
    endpoint: Endpoint
    place: str
    """The node; the address where several nodes stand behind one."""
    first: datetime
    last: datetime


@dataclass(frozen=True, slots=True)
class Between:
    """What is not the same in two runs, as far as both asked the same."""

    earlier: int
    later: int
    compared: int
    """Questions that both have an answer to."""
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Past:
    """The answer of `probe past`."""

    plan: str | None
    """The plan that it is confined to."""
    runs: tuple[Run, ...]
    """The latest first."""
    between: Between | None
    """None: there are no two runs to compare."""
    sightings: tuple[Sighting, ...]
    """Those of one certificate together; the certificate that was seen last comes first."""
    certificates: Mapping[str, bytes]
    facts: Mapping[str, CertFacts]
    forgotten: int | None = None
    """Runs that were forgotten on demand."""
