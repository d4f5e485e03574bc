"""What somebody saw, and what comes of it: complaint and answer as values. Nothing is judged here.

Made by the command and by the judge (`probe/judge/complaint/`), shown by the reports, which compute
nothing.
"""

from datetime import date, datetime
from enum import Enum

from probe.assessment import Assessment, Evidence, Verdict
from probe.observation.model import Endpoint
from probe.records import dataclass

# ---------------------------------------------------------------- what was told


@dataclass(frozen=True, slots=True)
class Shown:
    """What the person reads off the certificate on the screen; None: not told."""

    name: str | None = None
    issuer: str | None = None
    expiry: date | None = None
    """The day on which it ends. A device shows its own zone's: a day to either side counts."""
    fingerprint: str | None = None
    """SHA-1 (40) or SHA-256 (64) as lower-case hex digits, nothing between them."""

    @property
    def told(self) -> bool:
        """Whether anything was told."""
        return any((self.name, self.issuer, self.expiry, self.fingerprint))


@dataclass(frozen=True, slots=True)
class LogAlert:
    """TLS alerts of one kind in a server's log."""

    alert: str
    """IANA description, such as "unknown_ca"."""
    received: bool
    """True: the server received it, so that it speaks of the server's certificate; False: the
    server sent it, and it speaks of the client's certificate or of the parameters."""
    times: int = 1
    first: datetime | None = None
    last: datetime | None = None
    """None: the lines have no time that could be read."""


@dataclass(frozen=True, slots=True)
class Complaint:
    """What is known of a complaint. Everything may be missing."""

    saw: tuple[str, ...] = ()
    """Words or codes as they were told, unaltered."""
    clients: tuple[str, ...] = ()
    """Client families, or plain words such as "iPhone", as they were told."""
    page: str | None = None
    """The name of the page that was opened."""
    wifi: bool | None = None
    """True: while joining Wi-Fi (or a wired port with 802.1X); False: certainly not; None: not
    told."""
    site: str | None = None
    nodes: tuple[str, ...] = ()
    """Nodes by name, host name or address, as they were told."""
    when: datetime | None = None
    shown: Shown = Shown()
    log: tuple[LogAlert, ...] = ()

    @property
    def told(self) -> bool:
        """Whether it says anything that a cause could be looked for by."""
        return bool(self.saw or self.log or self.page or self.wifi or self.shown.told)


# ---------------------------------------------------------------- what comes of it


@dataclass(frozen=True, slots=True)
class Words:
    """Published words or a code, with the causes that are known for it."""

    family: str
    """As the table has it: "browser-chromium", "tls-alert", ..."""
    words: str
    code: str | None
    """Its number as it is usually written; None: it has none."""
    causes: tuple[str, ...]
    """Best guesses first, in words."""
    rules: tuple[str, ...]
    """Best guesses first; empty: the cause lies with the client's certificate, account or policy,
    and not with what the server shows."""
    source: str


@dataclass(frozen=True, slots=True)
class Heard:
    """What was made of one text that was told."""

    said: str
    """Unaltered; escape it where it is shown."""
    known: tuple[Words, ...]
    unspecific: bool = False
    """It is too short or too general to tell causes apart, so that nothing was made of it."""
    nearest: tuple[str, ...] = ()
    """Known words that are like it, where it is not known itself."""
    partly: bool = False
    """Only a part of the known words was told: it is taken for them."""


class Standing(Enum):
    """What was found out about a cause."""

    CONFIRMED = "confirmed"
    """The judge found it where this person can have met it."""
    POSSIBLE = "possible"
    """Neither found nor excluded."""
    RULED_OUT = "ruled-out"
    """What would show it was looked at everywhere where the person can have met it."""


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause that the words may have, and what was found out."""

    rule: str
    standing: Standing
    says: str
    """One sentence."""
    verdict: Verdict | None = None
    """confirmed: of the finding."""
    endpoint: Endpoint | None = None
    nodes: tuple[str, ...] = ()
    """confirmed: where it is found, of those that this person can have met; possible: of which
    nothing is known; ruled out: those that were looked at."""
    name: str | None = None
    clients: tuple[str, ...] = ()
    """Client families that feel it."""
    evidence: tuple[Evidence, ...] = ()
    decides: str | None = None
    """possible: what would decide it."""
    remedy: str | None = None
    source: str | None = None
    finding: str | None = None
    """Id of the finding in the assessment, or in that of then."""
    then: bool = False
    """It was found as of the time of the complaint, and is not found now."""
    fixed_since: datetime | None = None
    """`then`: by when it was seen to be gone."""
    came_and_went: str | None = None
    """confirmed at some of the nodes: why it is not always met."""


@dataclass(frozen=True, slots=True)
class AlsoFound:
    """A finding that is not the cause of this complaint."""

    finding: str
    rule: str
    verdict: Verdict
    nodes: tuple[str, ...]
    says: str
    elsewhere: bool = False
    """Those words may mean it; but it is at a node, a page or an endpoint that this person cannot
    have met."""


@dataclass(frozen=True, slots=True)
class ClientSide:
    """A cause that nothing on the wire can show, with the one question to ask."""

    cause: str
    question: str


class Whose(Enum):
    """Whose certificate was shown."""

    OURS = "ours"
    """By its fingerprint it is one of those that the plan's servers show or have shown, or a root
    of the plan's own."""
    FITS = "fits"
    """What was told of it is true of one of ours, and anybody can write the same into another."""
    UNKNOWN = "unknown"
    """It is none that is known: somebody else's server, until it is shown otherwise."""
    NOT_TOLD = "not-told"


@dataclass(frozen=True, slots=True)
class Recognised:
    """What became of the certificate that was shown."""

    whose: Whose
    says: str
    """One sentence."""
    certificates: tuple[str, ...] = ()
    """SHA-256 of those of ours that it is or fits."""
    nodes: tuple[str, ...] = ()
    """Where they are served now."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What to tell the person."""

    sentences: tuple[str, str]
    """Two plain sentences."""
    safe: bool
    """Whether it is safe to go on."""
    why: str
    """Why it is, or is not; one sentence."""


class Source(Enum):
    """Where what is known was taken from."""

    NETWORK = "network"
    """The servers were asked."""
    SAVED = "saved"
    """Saved surveys."""
    HISTORY = "history"
    """What earlier runs have seen: nobody was asked, as no secret could be read."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer of `probe complaint`."""

    first: str
    """The first line: one sentence."""
    complaint: Complaint
    heard: tuple[Heard, ...]
    families: tuple[str, ...]
    """Client families that it was taken to be, told or out of the words; empty: any."""
    nodes: tuple[str, ...]
    """The nodes that this person can have met, in the order in which they are met where that is
    known, else in plan order."""
    why_nodes: str
    """Why these nodes; one sentence."""
    endpoints: tuple[Endpoint, ...]
    """Where it can have happened: web, EAP, RadSec."""
    causes: tuple[Cause, ...]
    """Confirmed, then possible, then ruled out; within each, the best guesses first."""
    also: tuple[AlsoFound, ...]
    client_side: tuple[ClientSide, ...]
    contradictions: tuple[str, ...]
    recognised: Recognised
    advice: Advice
    assessment: Assessment
    then: Assessment | None
    """Judged as of the time of the complaint, out of the history; None: not told, or not known."""
    verdict: Verdict
    """For the exit status: the worst of the confirmed causes that hold now; `UNSEEN` if none is
    confirmed and something is possible, or was not seen; else `SOUND`."""
    source: Source = Source.NETWORK

    def of(self, standing: Standing) -> tuple[Cause, ...]:
        """Return the causes of one standing."""
        return tuple(cause for cause in self.causes if cause.standing is standing)
