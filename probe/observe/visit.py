"""What one visit of an endpoint showed, and how the network's refusals are told apart."""

import errno
import os
from dataclasses import dataclass

from probe.observation.model import EapSeen, Outcome, Phase, RadiusSeen, Served


@dataclass(frozen=True, slots=True)
class VisitSeen:
    """`Handshake` without the question. Texts are as long as they came."""

    outcome: Outcome
    phase: Phase
    seconds: float
    detail: str | None = None
    alert: str | None = None
    round_trips: int | None = None
    served: Served | None = None
    certificates: tuple[bytes, ...] = ()
    """DER, in the order served."""
    eap: EapSeen | None = None
    radius: RadiusSeen | None = None
    source: str | None = None


def network_outcome(error: OSError) -> tuple[Outcome, str]:
    """Return what an error of the socket means, and in words.

    Everything but a refusal and a time-out is on this side of the server: no route, no address
    of that family, a local filter.
    """
    if error.errno == errno.ECONNREFUSED:
        return Outcome.CLOSED, "the port is closed"
    if error.errno == errno.ETIMEDOUT:
        return Outcome.SILENT, "nothing came back"
    # The event loop replaces the system's words by its own.
    return Outcome.UNREACHABLE, os.strerror(error.errno) if error.errno else str(error)
