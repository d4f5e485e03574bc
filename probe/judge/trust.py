"""Trust anchors: sets of them, found by subject; and whether a certificate leads to a public one."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from probe.plan.model import Roots

Publicity = Literal["yes", "no", "unknown"]


@dataclass(frozen=True, slots=True, eq=False)
class AnchorSet:
    """The trust anchors of one world. Compared by identity: make them with `anchors` only."""

    name: str
    by_sha: dict[str, bytes]
    """SHA-256 -> DER."""
    by_subject: dict[bytes, tuple[bytes, ...]]
    """DER of the subject -> the anchors of that name."""


def anchors(*sources: Roots, name: str = "") -> AnchorSet:
    """Return the anchors of some roots of the plan: `anchors(*plan.trust.web, name="web")`.

    The same roots and name give the same object.
    """
    raise NotImplementedError


def is_public(
    der: bytes, public: AnchorSet, pool: tuple[bytes, ...] = (), private: AnchorSet | None = None
) -> Publicity:
    """Say whether a certificate leads to a public anchor.

    "yes": it is one, or leads to one through certificates of `pool` with good signatures. "no": it
    leads to a self-signed certificate that is none, or to an anchor in `private`. Else "unknown".
    """
    raise NotImplementedError


def publicity(
    certificates: Iterable[bytes], public: AnchorSet, private: AnchorSet | None = None
) -> dict[str, Publicity]:
    """Return `is_public` of each certificate by SHA-256, each other one being the pool."""
    raise NotImplementedError
