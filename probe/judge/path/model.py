"""The answer of the path examination: one chain, one kind of client, every problem."""

from typing import Literal

from probe.judge.names import Match
from probe.records import dataclass

Kind = Literal[
    "self-signed",
    "unknown-root",
    "private-root",
    "chain-incomplete",
    "expired",
    "not-yet-valid",
    "wrong-purpose",
    "name-mismatch",
    "path-invalid",
]
"""private-root only where `others` is given. path-invalid: what else RFC 5280, 6 refuses."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One reason for which a client would not accept the chain."""

    kind: Kind
    certificate: str | None
    """SHA-256 of the certificate at fault."""
    says: str
    """A clause in words, naming the certificate; may hold text off the wire."""
    depth: int | None = None
    """Where the certificate stands on the path: 0 is the leaf."""
    clause: str = ""
    """The rule that is broken: document and section (`clauses.py`)."""


Testimony = Literal["accepts", "refuses", "silent"]
"""silent: the engine could not be asked, as it reads the certificates not at all, or as there is no
name to ask it about."""


@dataclass(frozen=True, slots=True)
class Witness:
    """What an engine that shares no code with this one says of the chain as it was served."""

    engine: str
    version: str
    verdict: Testimony
    says: str
    """Its own words; may hold text off the wire."""
    own_rule: str | None = None
    """It refuses by a rule of its own, beyond RFC 5280: that rule in words."""


@dataclass(frozen=True, slots=True)
class Disagreement:
    """A witness says otherwise than the examination, on something that it could have seen."""

    engine: str
    says: str


@dataclass(frozen=True, slots=True)
class Disorder:
    """Only clients that search for a path find the good one: served in another order, all do."""

    serve: str
    """SHA-256 of the certificate to serve first."""
    before: str
    """SHA-256 of the one that leads clients astray which do not search."""
    engine: str
    """The engine that failed, with its version."""
    says: str
    """What it then says."""


@dataclass(frozen=True, slots=True)
class Remark:
    """Something that path validation does not count, but that some engine may trip over."""

    kind: Literal["anchor-expired", "anchor-not-yet-valid", "search-bounded"]
    certificate: str | None
    says: str


@dataclass(frozen=True, slots=True)
class Explanation:
    """How the best path through a served chain stands."""

    path: tuple[str, ...]
    """SHA-256 of each certificate from the leaf to the anchor, or as far as it leads."""
    anchor: str | None
    """SHA-256 of the anchor that it ends at (of `anchors`, or of `others`)."""
    complete: bool
    """It reaches an anchor of `anchors` with what was served alone."""
    used_extra: tuple[str, ...]
    """Certificates that the path needs and that were not served, leaf side first."""
    problems: tuple[Problem, ...]
    ends_in: str
    """RFC 4514 name in which the path ends: of the anchor, of the last certificate if that is its
    own issuer, else of the issuer that nobody showed."""
    match: Match | None
    """How the leaf covers `name`; None without one."""
    remarks: tuple[Remark, ...] = ()
    witnesses: tuple[Witness, ...] = ()
    """Empty where nobody was asked."""
    disagreements: tuple[Disagreement, ...] = ()
    disorder: Disorder | None = None

    @property
    def good(self) -> bool:
        """Whether there is no problem at all."""
        return not self.problems

    def of_kind(self, *kinds: Kind) -> tuple[Problem, ...]:
        """Return the problems of some kinds."""
        return tuple(problem for problem in self.problems if problem.kind in kinds)
