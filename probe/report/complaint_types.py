"""The types of `probe-complaint/1`; the Schema is generated from them, as told in `types.py`."""

from typing import Annotated

from msgspec import Meta, Struct

from probe.complaint import Source, Standing, Whose
from probe.report.types import (
    Certificate,
    Digest,
    EndpointWord,
    Evidence,
    Finding,
    Plan,
    Taken,
    Time,
    VerdictWord,
)

SourceWord = Annotated[
    str,
    Meta(
        description="Where what is known was taken from.",
        examples=[source.value for source in Source],
    ),
]
StandingWord = Annotated[
    str,
    Meta(
        description="What was found out about a cause.",
        examples=[standing.value for standing in Standing],
    ),
]
WhoseWord = Annotated[
    str,
    Meta(
        description="unknown: somebody else's server, until it is shown otherwise.",
        examples=[whose.value for whose in Whose],
    ),
]
Day = Annotated[str, Meta(description="A date, as it was shown.", pattern=r"^\d{4}-\d\d-\d\d$")]


class Shown(Struct, frozen=True):
    """What was read off the certificate on the screen."""

    name: str | None
    issuer: str | None
    expiry: Day | None
    fingerprint: Annotated[str | None, Meta(description="SHA-1 or SHA-256, in hex.")]


class Alerts(Struct, frozen=True):
    """TLS alerts of one kind in a server's log."""

    alert: Annotated[str, Meta(description="Its IANA description.")]
    received: Annotated[
        bool,
        Meta(description="true: it speaks of the server's certificate; false: the server sent it."),
    ]
    times: int
    first: Time | None
    last: Time | None


class Told(Struct, frozen=True):
    """What was told of the complaint."""

    saw: tuple[str, ...]
    clients: tuple[str, ...]
    page: str | None
    wifi: bool | None
    site: str | None
    nodes: tuple[str, ...]
    when: Time | None
    shown: Shown
    alerts: tuple[Alerts, ...]


class Words(Struct, frozen=True):
    """Published words or a code."""

    family: str
    words: str
    code: str | None
    rules: Annotated[
        tuple[str, ...],
        Meta(description="Empty: the cause lies with the client's certificate, account or policy."),
    ]
    source: str


class Heard(Struct, frozen=True):
    """What was made of one text that was told."""

    said: str
    known: tuple[Words, ...]
    partly: Annotated[
        bool, Meta(description="Only a part of the known words was told, or they were misspelled.")
    ]
    unspecific: Annotated[bool, Meta(description="Too general to tell causes apart.")]
    nearest: tuple[str, ...]


class Cause(Struct, frozen=True):
    """One cause that those words may have."""

    rule: str
    standing: StandingWord
    says: str
    verdict: VerdictWord | None
    endpoint: EndpointWord | None
    nodes: tuple[str, ...]
    name: str | None
    clients: tuple[str, ...]
    evidence: tuple[Evidence, ...]
    decides: Annotated[str | None, Meta(description="possible: what would decide it.")]
    remedy: str | None
    source: str | None
    finding: Annotated[str | None, Meta(description="Id of the finding that confirms it.")]
    then: Annotated[
        bool, Meta(description="Found as of the time of the complaint, and not found now.")
    ]
    fixed_since: Annotated[Time | None, Meta(description="By when it was seen to be gone.")]
    came_and_went: Annotated[str | None, Meta(description="Why it is not always met.")]


class Also(Struct, frozen=True):
    """A finding that is not the cause."""

    finding: str
    rule: str
    verdict: VerdictWord
    nodes: tuple[str, ...]
    says: str
    elsewhere: Annotated[
        bool, Meta(description="They may mean it, and it is where this person cannot have been.")
    ]


class ClientSide(Struct, frozen=True):
    """A cause that nothing on the wire can show, and the question to ask."""

    cause: str
    question: str


class Recognised(Struct, frozen=True):
    """What became of the certificate that was shown."""

    whose: WhoseWord
    says: str
    certificates: tuple[Digest, ...]
    nodes: Annotated[tuple[str, ...], Meta(description="Where they are served now.")]


class Advice(Struct, frozen=True):
    """What to tell the person."""

    sentences: tuple[str, ...]
    safe: Annotated[bool, Meta(description="Whether it is safe to go on.")]
    why: str


class Complaint(Struct, frozen=True):
    """The answer to a complaint."""

    format: Annotated[str, Meta(pattern="^probe-complaint/1$")]
    tool: str
    catalogue: str
    plan: Plan
    source: SourceWord
    taken: tuple[Taken, ...]
    judged_at: Time
    then_judged_at: Annotated[
        Time | None,
        Meta(
            description="The time of the complaint, if what earlier runs saw was judged as of it."
        ),
    ]
    verdict: VerdictWord
    complete: bool
    interrupted: bool
    unseen: Annotated[tuple[str, ...], Meta(description="Ids of questions without an answer.")]
    first: Annotated[str, Meta(description="The answer in one sentence.")]
    told: Told
    heard: tuple[Heard, ...]
    clients: Annotated[
        tuple[str, ...], Meta(description="Client families it was taken to be; empty: any.")
    ]
    nodes: Annotated[tuple[str, ...], Meta(description="Those that this person can have met.")]
    nodes_why: str
    endpoints: tuple[EndpointWord, ...]
    causes: Annotated[
        tuple[Cause, ...], Meta(description="Confirmed, possible, ruled out; best guesses first.")
    ]
    also: tuple[Also, ...]
    client_side: tuple[ClientSide, ...]
    contradictions: tuple[str, ...]
    recognised: Recognised
    advice: Advice
    findings: Annotated[
        tuple[Finding, ...], Meta(description="Those that causes and `also` speak of.")
    ]
    certificates: Annotated[
        dict[Digest, Certificate],
        Meta(
            description="Those that the findings and `recognised` speak of, where they were seen."
        ),
    ]
