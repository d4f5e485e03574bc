"""The types of `probe-due/1`; the Schema is generated from them, as told in `types.py`."""

from typing import Annotated

from msgspec import Meta, Struct

from probe.due import Role, Stage
from probe.report.types import (
    Certificate,
    Digest,
    EndpointWord,
    Name,
    Plan,
    PublicWord,
    Taken,
    Time,
    VerdictWord,
)

StageWord = Annotated[
    str,
    Meta(
        description="due: inside the plan's window; unknown: its dates cannot be read.",
        examples=[stage.value for stage in Stage],
    ),
]
RoleWord = Annotated[
    str,
    Meta(
        description="A server's own certificate, or a CA's that one leads to.",
        examples=[role.value for role in Role],
    ),
]


class Renewal(Struct, frozen=True):
    """One certificate that is to be renewed once, wherever it is."""

    certificate: Digest
    role: RoleWord
    stage: StageWord
    ends: Annotated[Time | None, Meta(description="Its last second of validity.")]
    renew: Annotated[Time | None, Meta(description="When the plan's window begins.")]
    days: Annotated[
        int | None, Meta(description="Whole days left; ended: those since, as a negative number.")
    ]
    endpoints: tuple[EndpointWord, ...]
    nodes: tuple[str, ...]
    opened: Annotated[tuple[str, ...], Meta(description="web: the names it was served for.")]
    names: tuple[Name, ...]
    issuer: str | None
    served: Annotated[bool, Meta(description="false: a root of the plan that nobody sends.")]
    public: PublicWord
    successor_days: Annotated[
        int | None,
        Meta(
            description="What a public successor may live at most, issued when it is to be renewed."
        ),
    ]


class Step(Struct, frozen=True, rename={"since": "from"}):
    """From a day on, public CAs issue for less."""

    since: Time
    days: Annotated[int, Meta(description="The most that a server certificate may live.")]
    validation_days: Annotated[
        int, Meta(description="How long a proof that one owns a domain may be used again.")
    ]
    source: str


class Due(Struct, frozen=True):
    """What ends when."""

    format: Annotated[str, Meta(pattern="^probe-due/1$")]
    tool: str
    plan: Plan
    taken: tuple[Taken, ...]
    judged_at: Time
    verdict: VerdictWord
    complete: bool
    interrupted: bool
    unseen: Annotated[
        tuple[str, ...], Meta(description="Ids of questions to places that showed no certificate.")
    ]
    renewals: Annotated[tuple[Renewal, ...], Meta(description="What ends first comes first.")]
    steps: tuple[Step, ...]
    certificates: dict[Digest, Certificate]
