"""Explains one served chain for one kind of client: every problem of its best path, in words."""

from datetime import datetime

from probe.judge.path.model import Explanation, Problem, Remark
from probe.judge.trust import AnchorSet

__all__ = ["Explanation", "Problem", "Remark", "explain_path"]


def explain_path(
    chain_der: tuple[bytes, ...],
    *,
    name: str | None,
    anchors: AnchorSet,
    family: str,
    at: datetime,
    extra: tuple[bytes, ...] = (),
    others: AnchorSet | None = None,
) -> Explanation:
    """Explain a served chain (leaf first) as a client of `family` sees it at a time.

    `name` is what the client opens, None if no name is checked. `extra` are certificates known
    from elsewhere: a path that needs one is chain-incomplete. `others` are anchors of the plan's
    other worlds: a path that ends at one of them only is a private-root.
    Raises ValueError for an empty chain or a naive time.
    """
    raise NotImplementedError
