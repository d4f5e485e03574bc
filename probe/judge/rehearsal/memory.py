"""What clients that were set up by hand remember, and what they do when they meet another
certificate: whoever accepted what a node serves today knows that and nothing else."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime

from probe.assessment import Basis, Verdict
from probe.certificate.facts import facts_of
from probe.judge.case import REFERENCE
from probe.judge.clients.reactions import Reacted, on_site, react
from probe.judge.override import hardened
from probe.judge.path import explain_path
from probe.judge.trust import anchors
from probe.judge.words import quoted_name
from probe.observation.model import Aspect, Endpoint, Survey
from probe.plan.model import Client, Plan, Setup
from probe.records import dataclass
from probe.rehearsal import Anew, Feels

_NOT_MET = frozenset({Aspect.FAMILY, Aspect.OLD_VERSION, Aspect.UNSIGNED, Aspect.LOGIN})
"""Visits that no supplicant makes like this."""

_FELT = {Verdict.BLOCKED: Feels.BLOCKED, Verdict.WARNED: Feels.ASKED}


@dataclass(frozen=True, slots=True)
class Changed:
    """A chain that somebody accepted, and the one that comes in its place."""

    before: tuple[str, ...]
    after: tuple[str, ...]


Changes = Mapping[str, tuple[Changed, ...]]
"""By node, in the order met: of two that are felt alike the first is told."""


def changes(today: Survey, then: Survey) -> Changes:
    """Return by node where it would show supplicants another certificate than today."""
    before = {
        (r.question, r.asked.address): r.served.chain
        for r in today.handshakes
        if r.served is not None and r.served.chain and _is_met(r.endpoint, r.asked.aspect)
    }
    found: dict[str, dict[Changed, None]] = defaultdict(dict)
    for record in then.handshakes:
        was = before.get((record.question, record.asked.address))
        now = record.served.chain if record.served is not None else ()
        if was and now and was[0] != now[0]:
            for node in record.nodes:
                found[node][Changed(was, now)] = None
    return {node: tuple(of) for node, of in found.items()}


def _is_met(endpoint: Endpoint, aspect: Aspect | None) -> bool:
    return endpoint is Endpoint.EAP and aspect not in _NOT_MET


def by_hand(plan: Plan) -> tuple[Client, ...]:
    """Return the supplicants on site that were set up by hand."""
    return tuple(c for c in on_site(plan.clients, "eap") if c.setup is Setup.BY_HAND)


class Memory:
    """Knows the roots, and so which chains lead to the same one."""

    def __init__(self, plan: Plan, certificates: dict[str, bytes], at: datetime) -> None:
        trust = plan.trust
        roots = (*trust.public, *trust.web, *trust.staff, *trust.eap, *trust.node)
        self._pool = certificates
        # A root that is served, and that the plan does not have, tells chains apart as well.
        self._anchors = anchors(*dict.fromkeys(roots), name="plan")
        self._extra = tuple(der for der in certificates.values() if facts_of(der).is_ca)
        self._at = at
        self._ends: dict[tuple[str, ...], tuple[str | None, str]] = {}

    def felt(self, client: Client, change: Changed) -> tuple[Feels, Reacted] | None:
        """Return what a client does about a change; None: it goes on, or nothing is known."""
        objections = ["leaf-differs"]
        if self.carries_root(change.before):
            # It may remember the root, and then minds another root alone.
            objections = ["leaf-differs-with-root"]
            if self._root(change.before) != self._root(change.after):
                objections.append("root-differs")
        leaf = facts_of(self._pool[change.after[0]])
        worst: tuple[Feels, Reacted] | None = None
        for objection in objections:
            for one in hardened(react((client,), objection), leaf, first=False):
                verdict = one.known.verdict
                if verdict is None:
                    continue
                feels = _FELT.get(verdict, Feels.PERHAPS)
                if worst is None or feels < worst[0]:
                    worst = feels, one
        return worst

    def carries_root(self, chain: Sequence[str]) -> bool:
        """Whether a chain is served with its root."""
        return any(facts_of(self._pool[sha256]).self_signed for sha256 in chain[1:])

    def why(self, client: Client, change: Changed) -> str:
        """Return what a client remembers and what it meets, as a clause."""
        if client.family == "android-eap" and self.carries_root(change.before):
            (_, before), (_, after) = self._root(change.before), self._root(change.after)
            return (
                f"the root that was accepted is {quoted_name(before)}, and this certificate leads"
                f" to {quoted_name(after)}"
            )
        return "what was accepted is the server's own certificate, and the new one is another"

    def _root(self, chain: tuple[str, ...]) -> tuple[str | None, str]:
        if chain not in self._ends:
            explained = explain_path(
                tuple(self._pool[sha256] for sha256 in chain),
                name=None,
                anchors=self._anchors,
                family=REFERENCE[Endpoint.EAP],
                at=self._at,
                extra=self._extra,
            )
            self._ends[chain] = explained.anchor, explained.ends_in
        return self._ends[chain]


def anew(
    plan: Plan, memory: Memory, today: Survey, then: Survey, nodes: Collection[str]
) -> Iterator[Anew]:
    """Yield who is asked about the certificate that nodes serve in the end, and has accepted the
    one of today."""
    changed = changes(today, then)
    for client in by_hand(plan):
        where: list[str] = []
        worst: tuple[Feels, Reacted, Changed] | None = None
        for node in nodes:
            for change in changed.get(node, ()):
                felt = memory.felt(client, change)
                if felt is None:
                    continue
                where.append(node)
                if worst is None or felt[0] < worst[0]:
                    worst = (*felt, change)
        if worst is None:
            continue
        feels, reacted, change = worst
        recalled = reacted.known.basis in (Basis.MEMORY, Basis.COMMON_PRACTICE)
        source = reacted.known.source + (" (from memory)" if recalled else "")
        order = [node.name for node in plan.nodes]
        yield Anew(
            client.family,
            Setup.BY_HAND.value,
            feels,
            tuple(sorted(set(where), key=order.index)),
            reacted.known.words,
            memory.why(client, change),
            source,
        )
