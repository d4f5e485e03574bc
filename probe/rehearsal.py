"""A roll-out that has not begun: what clients would meet at each step of it. Values alone.

Made by the job and the judge, shown by the reports, which compute nothing.
"""

from collections.abc import Mapping
from enum import Enum, IntEnum

from probe.assessment import Assessment, Finding, Verdict
from probe.bundle import Judged
from probe.observation.model import Endpoint, Survey
from probe.records import dataclass


class Feels(IntEnum):
    """What the users of a client meet at one step, worst first: a smaller number is worse."""

    BLOCKED = 0
    """It refuses."""
    WARNED = 1
    """It shows a warning, or asks, though it was given what to expect."""
    ASKED = 2
    """Set up by hand: its user is asked whether to trust a certificate that it does not know."""
    PERHAPS = 3
    """It may mind: that is known from memory or practice alone."""
    UNSEEN = 4
    """Nothing was served where it goes, so nothing is known."""
    WORKS = 5
    """It gets on, as far as is known."""

    @property
    def word(self) -> str:
        """The word that the document has for it."""
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class Experience:
    """What one client meets at one step."""

    client: str
    setup: str | None
    """"profile" or "by-hand" for supplicants; None for browsers and nodes."""
    feels: Feels
    nodes: tuple[str, ...] = ()
    """Where it meets that, in plan order; empty: where it works, and where nothing is known."""
    findings: tuple[str, ...] = ()
    """Ids of the findings of the step that say so; none: what it remembers says so."""
    by_memory: tuple[str, ...] = ()
    """The nodes at which it meets another certificate than the one it accepted."""

    @property
    def who(self) -> tuple[str, str | None]:
        """Which client it is."""
        return self.client, self.setup


@dataclass(frozen=True, slots=True)
class Step:
    """One moment of the roll-out."""

    done: tuple[str, ...]
    """The nodes that have the new certificate, in the order of the roll-out; empty: today."""
    newly: tuple[str, ...]
    """Those that got it since the step before."""
    verdict: Verdict
    findings: tuple[Finding, ...]
    experiences: tuple[Experience, ...]
    """One for each client, always in the same order."""


class Span(Enum):
    """When in the roll-out something is found."""

    MENDED = "mended"
    """Today, and not after all nodes."""
    BETWEEN = "between"
    """Neither today nor after all nodes."""
    NEW = "new"
    """Not today, and after all nodes."""
    STAYS = "stays"
    """Today and after all nodes."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that is found at some steps, whichever nodes it is about at each."""

    rule: str
    endpoint: Endpoint
    name: str | None
    verdict: Verdict
    """The worst over its steps."""
    span: Span
    steps: tuple[int, ...]
    """Which steps have it, counted from 0, today."""
    nodes: tuple[str, ...]
    """All that it is about at any step, in plan order."""
    clients: tuple[str, ...]
    says: str
    """As the last step that has it says it."""
    remedy: str
    grows: bool
    """Whether the roll-out brings it, or takes it to nodes that do not have it today."""


@dataclass(frozen=True, slots=True)
class Anew:
    """A client set up by hand whose user is asked about the new certificate."""

    client: str
    setup: str
    feels: Feels
    """`ASKED`; `BLOCKED` where the certificate lets nobody accept it; `PERHAPS` from memory."""
    nodes: tuple[str, ...]
    words: str | None
    """What its user then sees, where that is known."""
    why: str
    """A clause: what it remembers, and what it meets."""
    source: str


class Kind(Enum):
    """What could be prepared, or done otherwise."""

    ROOTS_FIRST = "roots-first"
    """The new root goes into profiles beside the old one, before the first node."""
    COMMON_NAME = "common-name"
    """The certificate gets a name that supplicants expect, or they are told to expect its own."""
    WHOLE_CHAIN = "whole-chain"
    """The CA certificates that are missing in the files are imported too."""
    LIKE_TODAY = "like-today"
    """It is issued by the CA of today's certificate and with its names."""
    SERVE_ROOT = "serve-root"
    """The root is served with the chain."""
    ORDER = "order"
    """The nodes are taken in another order."""


@dataclass(frozen=True, slots=True)
class Advice:
    """A way that was rehearsed too and leaves somebody better off, and nobody worse."""

    kinds: tuple[Kind, ...]
    """Several: none of them helps these clients by itself."""
    says: str
    """What to do, in sentences."""
    helps: tuple[tuple[str, str | None], ...]
    """Clients with their setups."""
    left: tuple[tuple[str, str | None], ...]
    """Those of them who still meet something then."""
    later: bool = False
    """It helps at the next renewal, not at this one."""
    order: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Resumption:
    """What is known of sessions that are resumed, whose clients are shown no certificate."""

    nodes: tuple[str, ...]
    """Those that were seen to offer it over EAP under TLS 1.2, in plan order."""
    says: tuple[str, ...]
    """A sentence each."""
    source: str


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """The answer of `probe bundle --rehearse`."""

    first: tuple[str, ...]
    """What is to be read first, a sentence each."""
    bundle: Judged
    """The files by themselves."""
    survey: Survey
    """What the nodes serve today."""
    known_from: str
    """Where that is known from, in words."""
    today: Assessment
    endpoints: tuple[Endpoint, ...]
    """What the certificate is meant for."""
    order: tuple[str, ...]
    """The nodes in the order in which they get it."""
    already: tuple[str, ...]
    """Nodes that it is meant for and that serve it today."""
    steps: tuple[Step, ...]
    """Today first, after all nodes last; in a large cluster some steps are of several nodes."""
    troubles: tuple[Trouble, ...]
    """Worst first, then in the order of the catalogue."""
    anew: tuple[Anew, ...]
    advice: tuple[Advice, ...]
    resumption: Resumption | None
    """None: it is not meant for EAP."""
    unknown: tuple[str, ...]
    """What a rehearsal cannot know here, a sentence each."""
    left_behind: tuple[Finding, ...]
    """What a look with `--expect` would say in the end of what is not replaced."""
    blocking: tuple[Finding, ...]
    """What is wrong with the files by themselves."""
    verdict: Verdict
    """The worst that the roll-out brings, or that is found of the new certificates in the end; what
    else is there today and stays does not count. Where some node shows no certificate, so that
    nothing can be foretold there, it is unseen at least."""

    @property
    def titles(self) -> Mapping[str, str]:
        """What client families are called in words."""
        return self.today.client_titles
