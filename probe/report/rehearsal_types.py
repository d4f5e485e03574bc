"""The types of `probe-rehearsal/1`; the Schema is generated from them, as told in `types.py`."""

from typing import Annotated

from msgspec import Meta, Struct

from probe.rehearsal import Feels, Kind, Span
from probe.report.types import (
    Certificate,
    Digest,
    EndpointWord,
    Finding,
    Plan,
    Taken,
    Time,
    VerdictWord,
)

FeelsWord = Annotated[
    str,
    Meta(
        description="asked: its user is asked whether to trust a certificate that it does not know;"
        " perhaps: known from memory or practice alone.",
        examples=[one.word for one in Feels],
    ),
]
SpanWord = Annotated[
    str,
    Meta(
        description="mended: today, and not after all nodes; between: on the way alone; new: after"
        " all nodes, and not today; stays: today and after all nodes.",
        examples=[one.value for one in Span],
    ),
]
KindWord = Annotated[
    str,
    Meta(
        description="What could be prepared, or done otherwise.",
        examples=[one.value for one in Kind],
    ),
]


class Client(Struct, frozen=True):
    """A client family, set up in one way."""

    client: str
    setup: str | None


class Experience(Struct, frozen=True):
    """What one client meets at one step."""

    client: str
    setup: str | None
    feels: FeelsWord
    nodes: Annotated[
        tuple[str, ...],
        Meta(description="Where; empty where it works, and where nothing is known."),
    ]
    findings: Annotated[tuple[str, ...], Meta(description="Ids of findings of the step.")]
    by_memory: Annotated[
        tuple[str, ...],
        Meta(description="Nodes that show another certificate than the one it accepted."),
    ]


class Step(Struct, frozen=True):
    """One moment of the roll-out."""

    done: Annotated[
        tuple[str, ...], Meta(description="Nodes that have the new certificate; empty: today.")
    ]
    newly: Annotated[tuple[str, ...], Meta(description="Those since the step before.")]
    verdict: VerdictWord
    experiences: tuple[Experience, ...]
    findings: tuple[Finding, ...]


class Trouble(Struct, frozen=True):
    """One thing that is found at some steps."""

    rule: str
    endpoint: EndpointWord
    name: str | None
    verdict: Annotated[VerdictWord, Meta(description="The worst over its steps.")]
    span: SpanWord
    steps: Annotated[tuple[int, ...], Meta(description="Counted from 0, today.")]
    nodes: tuple[str, ...]
    clients: tuple[str, ...]
    brought: Annotated[
        bool, Meta(description="Whether the roll-out brings it, or takes it to further nodes.")
    ]
    says: Annotated[str, Meta(description="As the last step that has it says it.")]
    remedy: str


class Anew(Struct, frozen=True):
    """A client set up by hand whose user is asked about the new certificate."""

    client: str
    setup: str
    feels: FeelsWord
    nodes: tuple[str, ...]
    words: str | None
    why: str
    source: str


class Advice(Struct, frozen=True):
    """A way that was rehearsed too and leaves somebody better off, and nobody worse."""

    kinds: tuple[KindWord, ...]
    says: str
    helps: tuple[Client, ...]
    left: Annotated[tuple[Client, ...], Meta(description="Those of them who still meet something.")]
    later: Annotated[bool, Meta(description="It helps at the next renewal, not at this one.")]
    order: tuple[str, ...]


class Resumption(Struct, frozen=True):
    """What is known of sessions that are resumed."""

    nodes: tuple[str, ...]
    says: tuple[str, ...]
    source: str


class Rehearsal(Struct, frozen=True):
    """A roll-out before it begins."""

    format: Annotated[str, Meta(pattern="^probe-rehearsal/1$")]
    tool: str
    catalogue: str
    plan: Plan
    taken: tuple[Taken, ...]
    known_from: Annotated[str, Meta(description="Where it is known from what nodes serve.")]
    judged_at: Time
    verdict: Annotated[
        VerdictWord,
        Meta(description="The worst that the roll-out brings; what is there today counts not."),
    ]
    interrupted: bool
    leaf: Digest
    chain: tuple[Digest, ...]
    meant_for: tuple[EndpointWord, ...]
    order: tuple[str, ...]
    already: Annotated[tuple[str, ...], Meta(description="Nodes that serve it today.")]
    first: Annotated[tuple[str, ...], Meta(description="What to read first, in sentences.")]
    steps: tuple[Step, ...]
    troubles: Annotated[tuple[Trouble, ...], Meta(description="Worst first.")]
    anew: tuple[Anew, ...]
    advice: tuple[Advice, ...]
    resumption: Resumption | None
    unknown: Annotated[
        tuple[str, ...], Meta(description="What cannot be known, or is taken for granted.")
    ]
    left_behind: Annotated[
        tuple[Finding, ...], Meta(description="What is not replaced though it was to be.")
    ]
    files: Annotated[
        tuple[Finding, ...], Meta(description="What is wrong with the files by themselves.")
    ]
    certificates: dict[Digest, Certificate]
