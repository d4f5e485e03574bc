"""Remembers each distinct chain's examination, so that equal nodes cost nothing."""

from datetime import datetime

from probe.judge.path import Explanation, Purpose, explain_path, purpose_of
from probe.judge.trust import AnchorSet

_REMEMBERED = 10_000
"""Examinations kept; beyond it the memory is emptied, as a watch may run for months."""

_Key = tuple[
    tuple[bytes, ...],
    str | None,
    AnchorSet,
    Purpose,
    datetime,
    tuple[bytes, ...],
    AnchorSet | None,
]


class Explained:
    """A memory of `explain_path`: same arguments, same answer. May outlive one judgement.

    Families that read purposes alike share an answer. Anchor sets are told apart by identity.
    """

    def __init__(self) -> None:
        self._known: dict[_Key, Explanation] = {}

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
        key = (chain_der, name, anchors, purpose_of(family), at, extra, others)
        known = self._known.get(key)
        if known is None:
            known = explain_path(
                chain_der,
                name=name,
                anchors=anchors,
                family=family,
                at=at,
                extra=extra,
                others=others,
            )
            if len(self._known) >= _REMEMBERED:
                self._known.clear()
            self._known[key] = known
        return known
