"""Remembers each distinct chain's examination, so that equal nodes cost nothing."""

from datetime import datetime

from probe.judge.path import Explanation
from probe.judge.trust import AnchorSet


class Explained:
    """A memory of `explain_path`: same arguments, same answer. May outlive one judgement."""

    def explain(
        self,
        chain_der: tuple[bytes, ...],
        *,
        name: str | None,
        anchors: AnchorSet,
        family: str,
        at: datetime,
        extra: tuple[bytes, ...] = (),
        others: AnchorSet | None = None,
    ) -> Explanation:
        """Return what `explain_path` returns for these arguments."""
        raise NotImplementedError
