"""The types of `probe-report/1`; the Schema is generated from them.

No field has a default: every key is always there. Tokens are plain strings, as a later version may
bring new ones: the Schema names the known ones as examples only.
"""

from enum import Enum
from typing import Annotated

from msgspec import Meta, Struct

from probe.assessment import Basis, Does, Verdict
from probe.observation.model import (
    Aspect,
    Endpoint,
    KeyFamily,
    LookupOutcome,
    Method,
    Outcome,
    Phase,
    TlsVersion,
    TrialKind,
)


def _token(kind: type[Enum], says: str) -> Meta:
    known = [item.word if isinstance(item, Verdict) else str(item.value) for item in kind]
    return Meta(description=says, examples=known)


Time = Annotated[
    str,
    Meta(
        description="RFC 3339, UTC, whole seconds.",
        pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$",
        extra_json_schema={"format": "date-time"},
    ),
]
Digest = Annotated[str, Meta(description="SHA-256 of the DER, in hex.", pattern="^[0-9a-f]{64}$")]
VerdictWord = Annotated[str, _token(Verdict, "Worst first.")]
AspectWord = Annotated[
    str, _token(Aspect, "What a closer look is after; null: the visit as a client makes it.")
]
EndpointWord = Annotated[str, _token(Endpoint, "What a node answers on.")]
MethodWord = Annotated[str, _token(Method, "EAP method by its IANA name.")]
KeyFamilyWord = Annotated[str, _token(KeyFamily, "The kind of key in a certificate.")]
TlsWord = Annotated[str, _token(TlsVersion, "TLS protocol version.")]
OutcomeWord = Annotated[str, _token(Outcome, "How a visit ended.")]
TrialWord = Annotated[str, _token(TrialKind, "What was tried after a visit had failed.")]
PhaseWord = Annotated[str, _token(Phase, "The last phase that was reached.")]
LookupWord = Annotated[str, _token(LookupOutcome, "How a DNS question ended.")]
DoesWord = Annotated[str, _token(Does, "What a client does about it.")]
BasisWord = Annotated[str, _token(Basis, "How the rule's fact is known.")]
PublicWord = Annotated[
    str,
    Meta(description="Whether it chains to a public root.", examples=["yes", "no", "unknown"]),
]
NameKind = Annotated[
    str, Meta(description="Kind of name.", examples=["dns", "ip", "email", "uri", "other"])
]
FormatName = Annotated[str, Meta(pattern="^probe-report/1$")]


class Plan(Struct, frozen=True):
    """The plan that was judged against."""

    name: str
    nodes: int


class RootStore(Struct, frozen=True):
    """A source of roots that was judged with."""

    name: str
    version: str | None
    count: int


class Taken(Struct, frozen=True, rename={"machine": "from"}):
    """When and from where a survey was taken."""

    machine: Annotated[str | None, Meta(description="The machine that asked.")]
    vantage: str | None
    began: Time
    ended: Time


class Asked(Struct, frozen=True):
    """What our hello, or our EAP conversation, offered."""

    server_name: str | None
    method: MethodWord | None
    key_family: KeyFamilyWord | None
    tls: tuple[TlsWord, ...]
    visit: str | None
    aspect: AspectWord | None


class Trial(Struct, frozen=True):
    """What was tried after a visit had failed, to narrow down why."""

    kind: TrialWord
    outcome: OutcomeWord
    detail: str | None
    replied_from: Annotated[
        str | None, Meta(description="Where the reply came from, if not from the address asked.")
    ]


class Attribute(Struct, frozen=True):
    """A RADIUS attribute by its name, and what it says."""

    name: str
    value: str


class Login(Struct, frozen=True):
    """How one complete login ended."""

    sent: Annotated[
        bool, Meta(description="Whether the credential, or a proof made with it, was sent.")
    ]
    accepted: Annotated[bool | None, Meta(description="Accept or reject; null: neither came.")]
    detail: str | None
    inner: Annotated[str | None, Meta(description="The inner method that was used.")]
    attributes: Annotated[
        tuple[Attribute, ...], Meta(description="Of the last reply, in order, without keys.")
    ]
    keys_agree: Annotated[
        bool | None,
        Meta(description="Whether MS-MPPE keys are those derived here; null: nothing to compare."),
    ]
    resumable: Annotated[
        bool | None, Meta(description="Whether the session may be resumed; null: not seen.")
    ]


class Radsec(Struct, frozen=True):
    """What a RadSec server showed beside its chain."""

    certificate_asked: Annotated[
        bool | None,
        Meta(description="Whether it demands a certificate of its peers; null: not seen."),
    ]
    alpn: Annotated[str | None, Meta(description="The protocol that it chose (RFC 9765).")]
    status_reply: Annotated[
        str | None, Meta(description="What answered Status-Server inside TLS; null: nothing.")
    ]
    eap_outcome: Annotated[
        OutcomeWord | None,
        Meta(description="How the EAP conversation inside TLS ended; null: none was held."),
    ]
    eap_detail: str | None
    eap_tls: TlsWord | None
    eap_chain: Annotated[tuple[Digest, ...], Meta(description="What the EAP server behind showed.")]


class Visited(Struct, frozen=True):
    """One question to an endpoint that does TLS and what came of it; null: nobody answered it."""

    id: str
    endpoint: EndpointWord
    address: str | None
    port: int
    name: str | None
    asked: Asked
    outcome: OutcomeWord | None
    phase: PhaseWord | None
    detail: str | None
    alert: str | None
    method: MethodWord | None
    tls: TlsWord | None
    cipher: str | None
    key_family: KeyFamilyWord | None
    key_proven: bool | None
    chain: tuple[Digest, ...]
    round_trips: int | None
    seconds: float | None
    proposed: Annotated[
        tuple[str, ...], Meta(description="EAP methods that the server proposed, in order.")
    ]
    client_authorities: Annotated[
        tuple[str, ...] | None,
        Meta(
            description="CA names in CertificateRequest, as RFC 4514 writes them; none: any; null:"
            " no such request was seen."
        ),
    ]
    trials: tuple[Trial, ...]
    login: Login | None
    radsec: Radsec | None


class Looked(Struct, frozen=True):
    """One DNS question and what came of it; null: it was not seen through."""

    resolver: str
    view: str | None
    name: str
    type: str
    outcome: LookupWord | None
    aliases: tuple[str, ...]
    data: tuple[str, ...]
    ttl: int | None
    dnssec: str | None
    detail: str | None


class Node(Struct, frozen=True):
    """One node of the plan. What speaks of several nodes stands at the first of them."""

    name: str
    verdict: VerdictWord
    endpoints: tuple[Visited, ...]
    lookups: tuple[Looked, ...]
    verdicts: Annotated[
        dict[EndpointWord, VerdictWord],
        Meta(description="For each kind of endpoint that was asked about, or has a finding."),
    ]


class Name(Struct, frozen=True):
    """One subject alternative name."""

    type: NameKind
    value: str


class Certificate(Struct, frozen=True):
    """What one certificate says; null: it could not be read."""

    subject: str | None
    issuer: str | None
    serial: str | None
    names: tuple[Name, ...]
    not_before: Time | None
    not_after: Time | None
    key: str | None
    signature: str | None
    public: PublicWord
    oddities: tuple[str, ...]
    pem: str


class Reaction(Struct, frozen=True):
    """What one client family, set up in one way, does about a finding."""

    client: str
    setup: str | None
    reaction: DoesWord
    words: str | None


class Folded(Struct, frozen=True):
    """A finding that another one explains."""

    id: str
    rule: str
    says: str
    nodes: tuple[str, ...]


class Accepted(Struct, frozen=True):
    """That the plan takes a finding as known."""

    reason: str
    until: Time
    expired: bool


class Evidence(Struct, frozen=True):
    """One fact that a finding rests on."""

    what: str
    value: str
    observation: Annotated[str | None, Meta(description="Id of a question.")]


class Finding(Struct, frozen=True):
    """Something wrong, where it is to be put right."""

    id: str
    rule: str
    verdict: VerdictWord
    endpoint: EndpointWord
    nodes: tuple[str, ...]
    name: str | None
    addresses: tuple[str, ...]
    certificates: tuple[Digest, ...]
    clients: tuple[str, ...]
    reactions: tuple[Reaction, ...]
    due: Time | None
    folded: tuple[Folded, ...]
    accepted: Accepted | None
    says: str
    evidence: tuple[Evidence, ...]
    remedy: str
    source: str
    basis: BasisWord


class Note(Struct, frozen=True):
    """A fact worth knowing that changes no verdict."""

    rule: str
    endpoint: EndpointWord
    nodes: tuple[str, ...]
    name: str | None
    says: str
    source: str


ChangeWord = Annotated[
    str,
    Meta(
        description="What is not as it was.",
        examples=["certificate", "chain", "tls", "served", "not-served", "answer"],
    ),
]


class Change(Struct, frozen=True):
    """Something that is not as it was seen before."""

    endpoint: EndpointWord
    nodes: tuple[str, ...]
    names: tuple[str, ...]
    what: ChangeWord
    before: Annotated[
        tuple[str, ...], Meta(description="SHA-256 of certificates, or what else it was, in words.")
    ]
    after: tuple[str, ...]
    says: str


class Altered(Struct, frozen=True):
    """A finding that was there before with another verdict, or at other nodes."""

    id: str
    was: VerdictWord
    nodes: Annotated[tuple[str, ...], Meta(description="Where it was before.")]


class Since(Struct, frozen=True):
    """What is not as it was the last time that the same was asked from here."""

    last: Time
    oldest: Time
    compared: int
    changes: tuple[Change, ...]
    appeared: Annotated[tuple[str, ...], Meta(description="Ids of findings.")]
    gone: tuple[Folded, ...]
    altered: tuple[Altered, ...]


class ExpectedAt(Struct, frozen=True):
    """How one node stands to a certificate that was to be imported."""

    node: str
    endpoint: EndpointWord
    stage: Annotated[
        str,
        Meta(
            description="How far the import has come there.",
            examples=["served", "partly", "elsewhere", "not-served", "unseen"],
        ),
    ]
    certificates: Annotated[
        tuple[Digest, ...], Meta(description="The servers' certificates that are served there.")
    ]


class Expectation(Struct, frozen=True):
    """A certificate that was to be imported, and where it has arrived."""

    title: str
    certificate: Annotated[
        Digest | None,
        Meta(description="null: a SHA-1 fingerprint was given, and nobody serves it."),
    ]
    not_after: Time | None
    chain_known: bool
    fulfilled: Annotated[bool, Meta(description="Whether all is as it was expected.")]
    at: tuple[ExpectedAt, ...]


class Step(Struct, frozen=True):
    """One thing that a client looks at in its decision."""

    about: Annotated[
        str,
        Meta(description='"roots", "path", "name", or a rule.', examples=["roots", "path", "name"]),
    ]
    says: str
    reaction: Annotated[DoesWord | None, Meta(description="null: not known to mind.")]
    words: str | None
    verdict: Annotated[VerdictWord | None, Meta(description="null: the client gets on.")]
    source: str | None
    basis: BasisWord | None


class Decision(Struct, frozen=True):
    """How a client family decides about one endpoint, step by step."""

    setup: str | None
    endpoint: EndpointWord
    address: str | None
    port: int
    opened: Annotated[
        tuple[str, ...], Meta(description="web: the names opened there; eap: the methods.")
    ]
    verdict: VerdictWord
    steps: tuple[Step, ...]


class Decided(Struct, frozen=True):
    """How one client family decides at one node."""

    node: str
    client: str
    decisions: tuple[Decision, ...]


class Report(Struct, frozen=True):
    """The result of one judgement, whole."""

    format: FormatName
    tool: str
    catalogue: str
    plan: Plan
    roots: tuple[RootStore, ...]
    taken: tuple[Taken, ...]
    judged_at: Time
    verdict: VerdictWord
    complete: bool
    interrupted: bool
    unseen: tuple[str, ...]
    nodes: tuple[Node, ...]
    certificates: dict[Digest, Certificate]
    findings: tuple[Finding, ...]
    notes: tuple[Note, ...]
    since: Annotated[
        Since | None, Meta(description="null: no earlier run is known to compare with.")
    ]
    expected: Annotated[
        tuple[Expectation, ...], Meta(description="What was to be imported, if somebody said so.")
    ]
    decided: Annotated[
        Decided | None,
        Meta(description="What one client family decides; null: none was to be explained."),
    ]
