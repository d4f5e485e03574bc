"""The judge's answer: the one value that every report renders. Reports compute nothing."""

from collections.abc import Mapping
from datetime import datetime
from enum import Enum, IntEnum

from probe.certificate.facts import CertFacts
from probe.observation.model import Endpoint, Survey, Trial
from probe.records import dataclass, field


class Verdict(IntEnum):
    """How bad it is, worst first: a smaller number is worse."""

    BLOCKED = 0
    """A client family that checks properly cannot get on."""
    WARNED = 1
    """Its user is shown a warning."""
    DUE = 2
    """Will be blocked or warned on a known date inside the warning window."""
    UNSEEN = 3
    """Asked and not observed, so nothing is claimed."""
    ADVISED = 4
    """Works today, against a published rule or common practice."""
    SOUND = 5

    def __init__(self, _number: int) -> None:
        self.word = self.name.lower()
        """The verdict as it is written everywhere: lower case."""


class Basis(Enum):
    """How a rule's fact is known."""

    PUBLISHED = "published"
    MEASURED = "measured"
    COMMON_PRACTICE = "common-practice"
    MEMORY = "memory"


class Does(Enum):
    """What a client does about an objection."""

    REFUSES = "refuses"
    WARNS = "warns"
    CONTINUES = "continues"


@dataclass(frozen=True, slots=True)
class Reaction:
    """What one client family, set up in one way, does about a finding."""

    client: str
    setup: str | None
    """"profile" or "by-hand" for supplicants; None for browsers and nodes."""
    does: Does
    words: str | None
    """What its user then sees, where that is known."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """One fact that a finding rests on."""

    what: str
    value: str
    observation: str | None
    """Id of the question whose answer shows it."""
    how: tuple[str, str] | None = None
    """In which way it was asked there, and in which of them: ("opened as", a name), ("in", a
    method). Facts that differ in the latter alone are one to a reader."""

    @property
    def where(self) -> str:
        """What it is about, with the way in which it was asked."""
        return self.what if self.how is None else f"{self.what}, {' '.join(self.how)}"


@dataclass(frozen=True, slots=True)
class Folded:
    """A finding that another one explains."""

    id: str
    rule: str
    says: str
    nodes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Accepted:
    """That the plan takes a finding as known."""

    reason: str
    until: datetime
    expired: bool


@dataclass(frozen=True, slots=True)
class Finding:
    """Something wrong, where it is to be put right."""

    id: str
    rule: str
    verdict: Verdict
    endpoint: Endpoint
    nodes: tuple[str, ...]
    name: str | None
    addresses: tuple[str, ...]
    certificates: tuple[str, ...]
    clients: tuple[str, ...]
    """Client families that feel it."""
    reactions: tuple[Reaction, ...]
    due: datetime | None
    folded: tuple[Folded, ...]
    accepted: Accepted | None
    says: str
    """One sentence."""
    evidence: tuple[Evidence, ...]
    remedy: str
    source: str
    basis: Basis

    @property
    def counts(self) -> bool:
        """Whether it counts for verdicts and the exit status: an accepted one does not, unless it
        blocks somebody or its acceptance has run out."""
        return self.accepted is None or self.accepted.expired or self.verdict is Verdict.BLOCKED


@dataclass(frozen=True, slots=True)
class Note:
    """A fact worth knowing that changes no verdict."""

    rule: str
    endpoint: Endpoint
    nodes: tuple[str, ...]
    name: str | None
    says: str
    source: str


@dataclass(frozen=True, slots=True)
class NodeVerdict:
    """One node of the plan and how it stands."""

    name: str
    verdict: Verdict
    endpoints: tuple[tuple[Endpoint, Verdict], ...] = ()
    """The same for each kind of endpoint that was asked about there, or has a finding."""


@dataclass(frozen=True, slots=True)
class ServedChain:
    """One distinct chain on one kind of endpoint, and who serves it."""

    endpoint: Endpoint
    chain: tuple[str, ...]
    nodes: tuple[str, ...]
    names: tuple[str, ...]
    """web: the names it was served for."""
    methods: tuple[str, ...]
    """eap: the methods it was served in."""
    verdict: Verdict
    """The worst of the findings that speak of this chain's certificates on these nodes."""
    findings: tuple[str, ...]
    """Their ids."""
    ends_in: str | None
    """The root it leads to, in words, or None where it leads nowhere known."""
    apart: bool
    """Whether these nodes stand apart from the larger rest on the same endpoint."""
    missing: tuple[str, ...] = ()
    """The names (RFC 4514) of CA certificates that are not served though the way to the root leads
    over them."""
    lacking: tuple[str, ...] = ()
    """SHA-256 of these, in the same order, where they are known from elsewhere; else empty."""


@dataclass(frozen=True, slots=True)
class NotServed:
    """Visits of one kind of endpoint that ended without a chain in the same way."""

    endpoint: Endpoint
    outcome: str
    nodes: tuple[str, ...]
    verdict: Verdict
    findings: tuple[str, ...]
    apart: bool = False
    """Whether other nodes did serve on the same endpoint."""


@dataclass(frozen=True, slots=True)
class MethodSeen:
    """How one EAP method went at one address."""

    method: str
    outcome: str
    round_trips: int | None
    largest_fragment: int | None
    """Octets of TLS data in the longest fragment that the server sent; None: it sent none."""


@dataclass(frozen=True, slots=True)
class EapLook:
    """What a closer look at one RADIUS address showed, beside its chains."""

    nodes: tuple[str, ...]
    service: str | None
    """The virtual address's name; None: a node's own address."""
    address: str | None
    port: int
    proposed: tuple[str, ...] = ()
    """Methods that the server proposes by itself, first things first."""
    methods: tuple[MethodSeen, ...] = ()
    """The visits of supplicants in the plan's own request context, in the order asked."""
    versions: tuple[str, ...] = ()
    """TLS versions that were agreed, oldest first."""
    versions_refused: tuple[str, ...] = ()
    """Versions that were asked for by themselves and refused."""
    families: tuple[tuple[str, tuple[str, ...]], ...] = ()
    """Key families with the TLS versions under which their certificate was shown; none: refused."""
    repeats: int = 0
    """Further visits that asked the same and were served."""
    repeats_alike: bool = True
    """Whether they all showed the chain of the first visit."""
    client_authorities: tuple[str, ...] | None = None
    """CAs whose certificates the server asks EAP-TLS clients for; empty: any; None: not seen."""
    resumption: tuple[str, ...] = ()
    trials: tuple[Trial, ...] = ()
    """What was tried after a visit had failed."""


@dataclass(frozen=True, slots=True)
class RadsecLook:
    """What a closer look at one RadSec address showed, beside its chain."""

    nodes: tuple[str, ...]
    address: str | None
    port: int
    certificate_asked: bool | None
    """Whether it demands a certificate of its peers; None: not seen."""
    client_authorities: tuple[str, ...] | None
    """CAs whose certificates it asks them for; empty: any; None: not seen."""
    alpn: str | None
    """The protocol that it chose of those of RFC 9765; None: none."""
    versions: tuple[str, ...]
    """TLS versions that it agreed to, by their tokens, oldest first. TLS 1.2 is not tried alone."""
    versions_refused: tuple[str, ...]
    inside: str | None
    """How the visit with the plan's certificate ended, as an outcome; None: there was none, or it
    did not get that far."""
    status_reply: str | None
    """What answered Status-Server inside."""
    eap: MethodSeen | None
    """The EAP conversation inside; None: none was held."""
    eap_leaf: str | None
    """SHA-256 of the certificate that the EAP server behind showed first."""
    eap_elsewhere: bool | None
    """Whether a node shows that very certificate for EAP by UDP; None: nothing to compare."""


@dataclass(frozen=True, slots=True)
class Felt:
    """Who is blocked or warned now, and where; families that share all of it are one entry."""

    verdict: Verdict
    """`BLOCKED` or `WARNED`, never another."""
    endpoint: Endpoint
    clients: tuple[str, ...]
    """Client families; empty where the finding rests on no client's rule (a closed port): anyone
    who comes there."""
    nodes: tuple[str, ...]
    names: tuple[str, ...]
    """The names that were opened, where the findings are about names."""
    findings: tuple[str, ...]
    """Ids of the findings that say so, worst first."""


@dataclass(frozen=True, slots=True)
class Apart:
    """Nodes that differ from the rest of the cluster, and from it in the same way."""

    nodes: tuple[str, ...]
    verdict: Verdict
    """The worst of `findings`; `SOUND` where they differ and it harms nobody."""
    other_chain: tuple[Endpoint, ...]
    """Endpoints on which they serve another chain than the larger rest."""
    not_served: tuple[Endpoint, ...]
    """Endpoints on which they served nothing while others did."""
    findings: tuple[str, ...]
    """Ids of the findings that name these nodes and no more than half of the cluster: where most
    share a fault, it is not what sets them apart."""


@dataclass(frozen=True, slots=True)
class Headline:
    """What is to be read first. Only findings that count (`Finding.counts`) speak here."""

    felt: tuple[Felt, ...] = ()
    """Worst first, then as the findings are ordered; empty: nobody is known to feel anything."""
    apart: tuple[Apart, ...] = ()
    """Worst first, then in plan order; each node once, and only nodes that stand apart."""
    first: str | None = None
    """Id of the finding to begin with; None: nothing has to be done."""
    before: tuple[str, ...] = ()
    """Ids of findings about this machine, to be said before any other: what else is said of dates
    or of trust may be owed to them."""
    no_change: tuple[str, ...] = ()
    """Client families on site that nothing here blocks or warns, now or on a day that is known. Who
    met no server, may have met what could not be seen, or is blocked in some places or settings, is
    not among them."""


@dataclass(frozen=True, slots=True)
class RootStore:
    """A source of roots that was judged with."""

    name: str
    version: str | None
    count: int


@dataclass(frozen=True, slots=True)
class Part:
    """That only a part of the plan was looked at: the assessment says nothing of the rest."""

    nodes: int
    """Nodes of the whole plan; the assessment has those that were looked at."""
    asked: tuple[Endpoint, ...]
    """Kinds of endpoint that were asked at them."""
    left_out: tuple[Endpoint, ...]
    """Kinds that they have in the plan too, and that were not asked."""


@dataclass(frozen=True, slots=True)
class Change:
    """Something that is not as it was seen before."""

    endpoint: Endpoint
    nodes: tuple[str, ...]
    names: tuple[str, ...]
    """The names that were opened, or looked up."""
    what: str
    """"certificate", "chain", "tls", "served", "not-served" or "answer"."""
    before: tuple[str, ...]
    """SHA-256 of the certificates that were served; of what else it was, the words."""
    after: tuple[str, ...]
    says: str
    """One sentence."""


@dataclass(frozen=True, slots=True)
class Altered:
    """A finding that was there before, and is worse now, or milder, or at other nodes."""

    id: str
    """Of the finding as it is now."""
    was: Verdict
    nodes: tuple[str, ...]
    """Where it was before."""


@dataclass(frozen=True, slots=True)
class Since:
    """What is new, gone or changed since the last time that the same was asked from here."""

    last: datetime
    """When that was: the end of the latest run that is compared with."""
    oldest: datetime
    """The end of the oldest one: runs that asked some of it only are compared in that."""
    compared: int
    """Questions that have an answer now and had one then."""
    changes: tuple[Change, ...]
    appeared: tuple[str, ...]
    """Ids of findings that were none then."""
    gone: tuple[Folded, ...]
    """Findings that were there then."""
    altered: tuple[Altered, ...]

    @property
    def nothing(self) -> bool:
        """Whether all is as it was."""
        return not (self.changes or self.appeared or self.gone or self.altered)


class Stage(Enum):
    """How far an import has come at one node."""

    SERVED = "served"
    """What is served is what was expected."""
    PARTLY = "partly"
    """It is served, and beside it what it was to replace, or with another chain."""
    ELSEWHERE = "elsewhere"
    """It is served on the node's other endpoint, and not on the one that it is meant for."""
    NOT_SERVED = "not-served"
    """Something else is served."""
    UNSEEN = "unseen"
    """Nothing was served, so nothing is known."""


@dataclass(frozen=True, slots=True)
class ExpectedAt:
    """How one node stands to what was expected of it."""

    node: str
    endpoint: Endpoint
    stage: Stage
    certificates: tuple[str, ...]
    """SHA-256 of the servers' certificates that are served there, in the order met."""


@dataclass(frozen=True, slots=True)
class Expectation:
    """One certificate that was to be imported, and where it has arrived."""

    title: str
    """What it is called: its name, or the fingerprint that was given."""
    certificate: str | None
    """Its SHA-256; None: a fingerprint of another kind was given, and nobody serves it."""
    until: datetime | None
    """When it ends, where that is known."""
    chain_known: bool
    """Whether the chain that should come with it is known."""
    at: tuple[ExpectedAt, ...]
    """In the order of the plan, web before EAP; empty: what it is meant for was not asked."""

    @property
    def fulfilled(self) -> bool:
        """Whether all is as it was expected."""
        return bool(self.at) and all(one.stage is Stage.SERVED for one in self.at)


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that a client looks at in its decision."""

    about: str
    """"roots", "path", "name", or the rule that speaks."""
    says: str
    """What is seen there."""
    does: Does | None = None
    """What the client then does; None: nothing is known that it would mind."""
    words: str | None = None
    """What its user then sees, where that is known."""
    verdict: Verdict | None = None
    """What that makes of it; None: the client gets on."""
    source: str | None = None
    basis: Basis | None = None


@dataclass(frozen=True, slots=True)
class Decision:
    """How one client decides about one endpoint, step by step."""

    client: str
    setup: str | None
    endpoint: Endpoint
    node: str
    address: str | None
    port: int
    opened: tuple[str, ...]
    """web: the names that it opens there; eap: the methods."""
    steps: tuple[Step, ...]
    verdict: Verdict
    """`SOUND`: it gets on, as far as is known."""


@dataclass(frozen=True, slots=True)
class Decided:
    """The decisions of one client family at one node: what somebody asked to have explained."""

    node: str
    client: str
    decisions: tuple[Decision, ...]
    """In the order asked; empty: it opens nothing there that was asked for."""


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything that reports render."""

    plan_name: str
    catalogue: str
    """Version of the rules that judged."""
    roots: tuple[RootStore, ...]
    judged_at: datetime
    verdict: Verdict
    complete: bool
    survey: Survey
    facts: dict[str, CertFacts]
    """Facts of every certificate in the survey, by SHA-256."""
    public: dict[str, str]
    """By SHA-256: "yes", "no" or "unknown": whether it chains to a public root."""
    nodes: tuple[NodeVerdict, ...]
    findings: tuple[Finding, ...]
    """Worst first, then catalogue order, then first node."""
    notes: tuple[Note, ...]
    served: tuple[ServedChain, ...]
    not_served: tuple[NotServed, ...]
    unseen: tuple[str, ...]
    """Ids of questions that nobody answered."""
    eap_looks: tuple[EapLook, ...] = ()
    radsec_looks: tuple[RadsecLook, ...] = ()
    """Empty: nobody looked closer."""
    headline: Headline = Headline()
    client_titles: Mapping[str, str] = field(default_factory=dict)
    """What a client family is called in words, by family; one without a title is shown by id."""
    part: Part | None = None
    """None: all of the plan was looked at."""
    visits_left_out: tuple[str, ...] = ()
    """Request contexts of the plan (`[[eap.visit]]`) in which EAP was not asked."""
    since: Since | None = None
    """None: no earlier run is known to compare with."""
    expected: tuple[Expectation, ...] = ()
    """What was to be imported, if somebody said so."""
    fetched_from: Mapping[str, str] = field(default_factory=dict)
    """By SHA-256: the address (caIssuers) at which a certificate was found that nobody served."""
    decided: Decided | None = None
    """None: no client family was to be explained."""

    @property
    def planned(self) -> int:
        """Nodes of the plan, looked at or not."""
        return self.part.nodes if self.part is not None else len(self.nodes)
