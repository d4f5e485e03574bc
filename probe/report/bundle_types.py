"""The types of `probe-bundle/1`; the Schema is generated from them, as told in `types.py`."""

from typing import Annotated

from msgspec import Meta, Struct

from probe.bundle import Origin
from probe.certificate.container import Kind, Trouble
from probe.report.types import (
    Certificate,
    Digest,
    EndpointWord,
    Finding,
    Name,
    Note,
    Plan,
    RootStore,
    Time,
    VerdictWord,
)

KindWord = Annotated[
    str,
    Meta(description="The form of a file, by its content.", examples=[kind.value for kind in Kind]),
]
TroubleWord = Annotated[
    str,
    Meta(description="Why it could not be read.", examples=[one.value for one in Trouble]),
]
OriginWord = Annotated[
    str,
    Meta(description="Where a certificate is to be had.", examples=[one.value for one in Origin]),
]


class Problem(Struct, frozen=True):
    """One thing that could not be read."""

    trouble: TroubleWord
    says: str


class File(Struct, frozen=True):
    """One file, beside its contents."""

    name: str
    kind: KindWord | None
    encryption: Annotated[tuple[str, ...], Meta(description="Schemes by their standards' names.")]
    mac: str | None
    iterations: int | None
    old: Annotated[tuple[str, ...], Meta(description="Schemes that are deprecated.")]
    newer: Annotated[
        tuple[str, ...], Meta(description="Schemes that some servers do not read yet.")
    ]
    problems: tuple[Problem, ...]


class Request(Struct, frozen=True):
    """A certificate request."""

    subject: str
    names: tuple[Name, ...]
    key: str | None
    signature: str
    signed: Annotated[bool | None, Meta(description="By the key that it names; null: untried.")]
    matches: Annotated[
        bool | None, Meta(description="The certificate has its key; null: there is none.")
    ]
    oddities: tuple[str, ...]


class World(Struct, frozen=True):
    """An endpoint that the certificate may be meant for."""

    endpoint: EndpointWord
    meant: bool
    why: str


class SameKey(Struct, frozen=True):
    """A certificate that is served and has the same key."""

    certificate: Digest
    endpoint: EndpointWord
    nodes: tuple[str, ...]


class Key(Struct, frozen=True):
    """The key, beside those that are served."""

    kind: str
    present: Annotated[bool, Meta(description="Whether a private key is in the files.")]
    fits: Annotated[bool | None, Meta(description="Shown by signing; null: none, or untried.")]
    reused: Annotated[bool | None, Meta(description="null: nothing is known of what is served.")]
    known_from: str | None
    served: tuple[SameKey, ...]
    asked_again: Annotated[
        tuple[str, ...],
        Meta(description="Client families that remember the certificate that is served now."),
    ]
    says: tuple[str, ...]


class Covered(Struct, frozen=True):
    """A name of the plan."""

    endpoint: EndpointWord
    name: str
    nodes: tuple[str, ...]
    wanted: Annotated[bool, Meta(description="Whether the certificate is meant to cover it.")]
    covered: bool
    by: Annotated[str | None, Meta(description="The certificate's entry that does.")]
    why: str


class Entries(Struct, frozen=True):
    """What would cover all that is wanted; empty where all of it is covered."""

    names: Annotated[tuple[str, ...], Meta(description="Each in full.")]
    fewest: Annotated[tuple[str, ...], Meta(description="With wildcards where they save names.")]


class Authority(Struct, frozen=True, rename={"origin": "from"}):
    """A CA certificate that a node must have before it takes the bundle."""

    subject: str
    certificate: Digest | None
    sha1: Annotated[str, Meta(pattern="^[0-9a-f]{40}$")] | None
    root: bool
    origin: OriginWord
    trusted: Annotated[bool, Meta(description="Whether nodes have it, by the plan.")]


class Bundle(Struct, frozen=True):
    """What is to be imported, and what would hold were it installed."""

    format: Annotated[str, Meta(pattern="^probe-bundle/1$")]
    tool: str
    catalogue: str
    plan: Annotated[Plan | None, Meta(description="null: judged by defaults.")]
    roots: tuple[RootStore, ...]
    judged_at: Time
    verdict: VerdictWord
    files: tuple[File, ...]
    request: Request | None
    leaf: Annotated[Digest | None, Meta(description="The server's certificate.")]
    chain: Annotated[tuple[Digest, ...], Meta(description="In the files, in order, leaf first.")]
    in_order: Annotated[bool, Meta(description="Whether the files have the chain in its order.")]
    others: Annotated[tuple[Digest, ...], Meta(description="Further servers' certificates.")]
    surplus: Annotated[tuple[Digest, ...], Meta(description="Certificates of no chain.")]
    key: Key | None
    meant_for: tuple[World, ...]
    nodes: tuple[str, ...]
    nodes_why: Annotated[str | None, Meta(description="Why these nodes, where they are not all.")]
    coverage: tuple[Covered, ...]
    would_cover: Entries
    authorities: Annotated[
        tuple[Authority, ...], Meta(description="The issuer of the leaf first, the root last.")
    ]
    certificates: dict[Digest, Certificate]
    findings: tuple[Finding, ...]
    notes: tuple[Note, ...]
