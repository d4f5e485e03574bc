"""The types of `probe-past/1`; the Schema is generated from them, as told in `types.py`."""

from typing import Annotated

from msgspec import Meta, Struct

from probe.report.types import Certificate, Change, Digest, EndpointWord, Time


class PlanKept(Struct, frozen=True):
    """The plan of a run."""

    name: str
    digest: Annotated[str | None, Meta(description="SHA-256 of the plan file.")]


class Run(Struct, frozen=True, rename={"machine": "from"}):
    """One run; runs are numbered in the order in which they were kept, whatever the clock said."""

    id: int
    plan: PlanKept
    began: Time
    ended: Time
    machine: Annotated[str | None, Meta(description="The machine that asked.")]
    vantage: str | None
    tool: str
    interrupted: bool
    questions: int
    unseen: Annotated[int, Meta(description="Questions that nobody answered.")]
    nodes: tuple[str, ...]
    endpoints: tuple[EndpointWord, ...]
    clock_back: Annotated[
        bool, Meta(description="It ended before the run that was kept before it: a clock was set.")
    ]


class Between(Struct, frozen=True):
    """What is not the same in two runs, as far as both asked the same."""

    earlier: int
    later: int
    compared: Annotated[int, Meta(description="Questions that both have an answer to.")]
    changes: tuple[Change, ...]


class Sighting(Struct, frozen=True):
    """Where one certificate was served, since when and until when, as far as is known."""

    certificate: Digest
    plan: str
    endpoint: EndpointWord
    place: Annotated[str, Meta(description="A node, or an address with several nodes behind it.")]
    first: Time
    last: Time


class Past(Struct, frozen=True):
    """What the history tells."""

    format: Annotated[str, Meta(pattern="^probe-past/1$")]
    tool: str
    plan: Annotated[str | None, Meta(description="The plan that it is confined to, by name.")]
    forgotten: Annotated[int | None, Meta(description="Runs that were pruned; null: not asked to.")]
    runs: Annotated[tuple[Run, ...], Meta(description="The latest first.")]
    between: Annotated[Between | None, Meta(description="null: there are no two to compare.")]
    sightings: Annotated[
        tuple[Sighting, ...], Meta(description="The certificate that was seen last first.")
    ]
    certificates: dict[Digest, Certificate]
