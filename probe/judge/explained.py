"""Remembers each distinct chain's examination, so that equal nodes cost nothing."""

from datetime import datetime

from probe.certificate.facts import facts_of
from probe.judge.path import Explanation, explain_path, purpose_of
from probe.judge.path.purpose import Reading, reading
from probe.judge.trust import AnchorSet

_REMEMBERED = 10_000
"""Examinations kept; beyond it the memory is emptied, as a watch may run for months."""

_Key = tuple[
    tuple[bytes, ...],
    str | None,
    AnchorSet,
    Reading,
    datetime,
    tuple[bytes, ...],
    AnchorSet | None,
]


class Explained:
    """A memory of `explain_path`: same arguments, same answer. May outlive one judgement.

    Families that read alike what the leaf is for share an answer, and so do anchor sets of the
    same roots.
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
        """Return what `explain_path` returns for these arguments. Raises ValueError as it does."""
        if not chain_der:
            raise ValueError("a chain needs a certificate")
        read = reading(facts_of(chain_der[0]), purpose_of(family))
        key = (chain_der, name, anchors.alike, read, at, extra, others)
        known = self._known.get(key)
        if known is None:
            known = explain_path(
                chain_der,
                name=name,
                anchors=anchors.alike,
                family=family,
                at=at,
                extra=extra,
                others=others,
            )
            if len(self._known) >= _REMEMBERED:
                self._known.clear()
            self._known[key] = known
        return known
