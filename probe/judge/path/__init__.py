"""Explains one served chain for one kind of client: every problem of its best path, in words.

Best is the path that ends at an anchor, and of these the one with the fewest problems: clients that
search take it, and a chain with one good path is good.
"""

from collections.abc import Iterator
from datetime import datetime
from functools import lru_cache

from probe.certificate.facts import facts_of
from probe.certificate.pool import Pool
from probe.judge.names import Match, covers
from probe.judge.path import clauses
from probe.judge.path.build import Candidate, Ends, Search, World
from probe.judge.path.examine import path_problems, remarks
from probe.judge.path.model import Explanation, Problem, Remark
from probe.judge.path.policies import UNCONSTRAINED, PolicySettings
from probe.judge.path.purpose import Purpose, purpose_of
from probe.judge.path.reconcile import Examined, Reconciled, reconcile
from probe.judge.trust import AnchorSet
from probe.limits import DEFAULT
from probe.records import replace

__all__ = ["Explanation", "Problem", "Purpose", "Remark", "explain_path", "purpose_of"]

_NOTHING = AnchorSet("", ())


def explain_path(  # noqa: PLR0913  # keyword-only, and each is an input of its own
    chain_der: tuple[bytes, ...],
    *,
    name: str | None,
    anchors: AnchorSet,
    family: str,
    at: datetime,
    extra: tuple[bytes, ...] = (),
    others: AnchorSet | None = None,
    policies: PolicySettings = UNCONSTRAINED,
) -> Explanation:
    """Explain a served chain (leaf first) as a client of `family` sees it at a time.

    `name` is what the client opens, None if no name is checked. `extra` are certificates known
    from elsewhere: a path that needs one is chain-incomplete. `others` are anchors of the plan's
    other worlds: a path that ends at one of them only is a private-root. `policies` are the inputs
    of RFC 5280, 6.1.1 (c), (e)-(g), which nobody sets on the web or in EAP.
    Raises ValueError for an empty chain or a naive time.
    """
    if not chain_der or at.tzinfo is None:
        raise ValueError("a chain needs a certificate, and a time needs a zone")
    served = Pool(chain_der[: DEFAULT.chain_certificates])
    elsewhere = others or _NOTHING
    search = Search(World(served, _pool(extra), anchors, elsewhere))
    leaf = facts_of(chain_der[0])
    search.run(leaf, chain_der[0])
    match = covers(leaf, name) if name is not None and leaf.readable else None

    purpose = purpose_of(family)
    judged = [_judge(candidate, served, purpose, at, policies) for candidate in search.found]
    best = min(judged, key=_Judged.rank)
    last = best.candidate.certificates[-1]
    anchored = best.candidate.ends is not Ends.NOWHERE
    depths = {facts.sha256: depth for depth, facts in enumerate(best.candidate.certificates)}
    problems = tuple(
        replace(problem, depth=depths.get(problem.certificate or ""))
        for problem in (*best.problems, *_mismatch(leaf.sha256, match))
    )
    said = list(remarks(best.candidate, at))
    if search.bounded:
        said.append(
            Remark("search-bounded", None, "there are more paths than are tried; one was chosen")
        )
    examined = Examined(best.candidate.certificates, best.candidate.ends is Ends.TRUSTED, problems)
    # No witness can be given other policy settings than those of the web.
    heard = (
        reconcile(
            examined, chain_der[: DEFAULT.chain_certificates], anchors=anchors, at=at, name=name
        )
        if policies == UNCONSTRAINED
        else Reconciled((), (), None)
    )
    return Explanation(
        path=tuple(facts.sha256 for facts in best.candidate.certificates),
        anchor=last.sha256 if anchored else None,
        complete=best.candidate.ends is Ends.TRUSTED and not best.used_extra,
        used_extra=best.used_extra,
        problems=problems,
        ends_in=last.subject if anchored or best.candidate.rooted else last.issuer,
        match=match,
        remarks=tuple(said),
        witnesses=heard.witnesses,
        disagreements=heard.disagreements,
        disorder=heard.disorder,
    )


@lru_cache(maxsize=16)
def _pool(extra: tuple[bytes, ...]) -> Pool:
    return Pool(extra)


class _Judged:
    """A candidate with all that is wrong with it."""

    def __init__(
        self,
        candidate: Candidate,
        used_extra: tuple[str, ...],
        problems: tuple[Problem, ...],
        at: datetime,
    ) -> None:
        self.candidate = candidate
        self.used_extra = used_extra
        self.problems = problems
        self.at = at

    def rank(self) -> tuple[int, int, int, int, int]:
        """Order candidates, best first. Of paths to nowhere the longer one explains more."""
        length = len(self.candidate.certificates)
        return (
            self.candidate.ends,
            len(self.problems),
            len(self.used_extra),
            sum(1 for _ in remarks(self.candidate, self.at)),
            -length if self.candidate.ends is Ends.NOWHERE else length,
        )


def _judge(
    candidate: Candidate, served: Pool, purpose: Purpose, at: datetime, policies: PolicySettings
) -> _Judged:
    path = candidate.certificates
    reaches = candidate.ends is not Ends.NOWHERE
    last = len(path) - 1
    used_extra = tuple(
        facts.sha256
        for depth, facts in enumerate(path)
        if facts.sha256 not in served
        and depth > 0
        # A root need not be sent, be it trusted or not.
        and not (depth == last and (reaches or candidate.rooted))
    )
    problems = (
        *_end(candidate),
        *_gaps(candidate, used_extra),
        *path_problems(candidate, purpose, at, policies),
    )
    return _Judged(candidate, used_extra, problems, at)


def _end(candidate: Candidate) -> Iterator[Problem]:
    path = candidate.certificates
    leaf, last = path[0], path[-1]
    if candidate.ends is Ends.TRUSTED or not leaf.readable:
        return
    if candidate.ends is Ends.ELSEWHERE:
        yield Problem(
            "private-root",
            last.sha256,
            f"it leads to the root {last.subject}, which this client does not have",
            clause=clauses.ANCHORED,
        )
    elif candidate.cut:
        yield Problem(
            "path-invalid",
            last.sha256,
            f"the path was followed up to {last.subject} and no further: it is longer, or has more "
            "branches, than a client follows",
            clause=clauses.SEARCH,
        )
    elif last is leaf and candidate.rooted:
        says = f"{leaf.subject} is its own issuer"
        yield Problem("self-signed", leaf.sha256, says, clause=clauses.ANCHORED)
    elif last is leaf:
        yield Problem(
            "chain-incomplete",
            leaf.sha256,
            f"its issuer {leaf.issuer} is not served, and is no trusted root",
            clause=clauses.CHAINING,
        )
    elif candidate.rooted:
        says = f"it ends in the root {last.subject}, which is not trusted"
        yield Problem("unknown-root", last.sha256, says, clause=clauses.ANCHORED)
    else:
        yield Problem(
            "unknown-root",
            last.sha256,
            f"it ends in {last.subject}, whose issuer {last.issuer} is neither served nor trusted",
            clause=clauses.ANCHORED,
        )


def _gaps(candidate: Candidate, used_extra: tuple[str, ...]) -> Iterator[Problem]:
    if not used_extra:
        return
    missing = " and ".join(
        facts.subject for facts in candidate.certificates if facts.sha256 in used_extra
    )
    says = f"{missing} belongs between and is not served"
    yield Problem("chain-incomplete", used_extra[0], says, clause=clauses.CHAINING)


def _mismatch(leaf: str, match: Match | None) -> Iterator[Problem]:
    if match is not None and not match.covered:
        yield Problem("name-mismatch", leaf, match.why, clause=clauses.NAME)
