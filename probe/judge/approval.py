"""Whether a server may be given a test credential: by the chains that it has shown, and by no more.

What is asked is what a careful supplicant asks that has the plan's expected names and roots. A
credential is lost once it is sent, so that here, and nowhere else, what is not known to be good
counts as bad: a plan without expected names approves of nobody, and neither does a chain over which
two engines disagree. What the plan accepts as known makes nothing better.
"""

from collections.abc import Iterable, Iterator
from datetime import datetime

from probe.assessment import Verdict
from probe.judge.case import Case
from probe.judge.draft import Draft
from probe.judge.names import supplicant_covers
from probe.judge.rules import ALL
from probe.judge.visit import Visit
from probe.judge.words import clip
from probe.observation.model import Aspect, Endpoint, HandshakeAsk, Survey
from probe.plan.model import Client, Plan, Setup
from probe.records import dataclass, replace

_CLIENT = Client("linux-eap", Setup.PROFILE)
"""Its rules are those of the standards (`REFERENCE`)."""

_LOOKED = (None, Aspect.FAMILY, Aspect.AGAIN)
"""Visits that show what a login meets."""

_WEAK = frozenset({"eap-weak-key", "eap-weak-signature"})
"""Somebody else may have the key, or a certificate like it, whatever supplicants make of that."""

_REASONS = 3
"""Reasons that are told: the first ones are the worst."""

Chain = tuple[str, ...]
"""SHA-256 of each certificate, in the order served."""


@dataclass(frozen=True, slots=True)
class Approval:
    """Which chains the credential may be sent to, at one address."""

    chains: frozenset[Chain]
    """Exactly these, octet for octet, and only with the key proven."""
    why_not: str | None
    """Why a chain that was seen there is not among them; None: all are."""


def approve(plan: Plan, seen: Survey, *, node: str, asked: HandshakeAsk, at: datetime) -> Approval:
    """Return which chains of a node's RADIUS address are good enough for a credential.

    `asked` says the address and port; `at` is to be the time at which it is sent.
    """
    case = Case(replace(plan, clients=(_CLIENT,), profiles=()), seen, at=at)
    shown: dict[Chain, list[Visit]] = {}
    for visit in case.asked_of_eap:
        if _is_there(visit, node, asked) and visit.chain:
            shown.setdefault(visit.chain, []).append(visit)
    drafts = [
        said
        for rule in ALL
        for said in rule(case)
        if isinstance(said, Draft) and said.rule.endpoint is Endpoint.EAP and node in said.nodes
    ]
    against = {chain: _against(case, visits, drafts) for chain, visits in shown.items()}
    reasons = dict.fromkeys(reason for found in against.values() for reason in found)
    if not shown:
        reasons = dict.fromkeys(["no certificate was seen there that could be judged"])
    return Approval(
        frozenset(chain for chain, found in against.items() if not found),
        "; ".join(tuple(reasons)[:_REASONS]) or None,
    )


def _is_there(visit: Visit, node: str, asked: HandshakeAsk) -> bool:
    return (
        node in visit.nodes
        and not visit.virtual
        and (visit.asked.address, visit.asked.port) == (asked.address, asked.port)
        and visit.asked.visit is None
        and visit.aspect in _LOOKED
    )


def _against(case: Case, visits: list[Visit], drafts: Iterable[Draft]) -> tuple[str, ...]:
    """Return what speaks against a chain that these visits have shown."""
    found = tuple(_by_itself(case, visits))
    if found:
        return found  # the rules would only repeat it
    questions = {visit.record.question for visit in visits}
    return tuple(
        f"{draft.rule_id}: {clip(draft.says)}"
        for draft in drafts
        # Worse is smaller.
        if (draft.verdict <= Verdict.WARNED or draft.rule_id in _WEAK)
        and draft.questions & questions
    )


def _by_itself(case: Case, visits: list[Visit]) -> Iterator[str]:
    proofs = [visit.record.served.key_proven for visit in visits if visit.record.served]
    if False in proofs or True not in proofs:
        yield "the server has not proven that it holds the certificate's key"
    visit = visits[0]
    explanation = case.explain(visit, _CLIENT.family)
    for problem in explanation.problems:
        yield clip(problem.says)
    if explanation.good and not explanation.complete:
        yield "the chain leads to no root of trust.eap"
    for other in explanation.disagreements:
        yield clip(f"{other.engine} says otherwise of the chain: {other.says}")
    yield from _names(case, visit)


def _names(case: Case, visit: Visit) -> Iterator[str]:
    eap = case.nodes[visit.nodes[0]].eap
    expected = eap.expected_names if eap is not None else ()
    leaf = case.leaf(visit)
    if not expected:
        yield "the plan expects no name (eap.expected_names), so that any certificate would do"
    elif not leaf.readable:
        yield "the certificate cannot be read"
    else:
        match = supplicant_covers(leaf, expected, _CLIENT.family)
        if not match.covered:
            yield clip(match.why)
