"""What one client family has against a served chain: each reason, with the certificate at fault.

The path to a root is one part of it (`path/`), what is published for certificates by their date of
issue the other (`requirements.py`). What the family then does stands in its data; nothing here
knows of nodes that share a cause, or of verdicts. Names are another room's.
"""

from collections.abc import Hashable, Iterator

from probe.certificate.facts import CertFacts
from probe.certificate.timestamps import by_handshake, embedded, stapled
from probe.judge.case import Case, Visit
from probe.judge.clients.reactions import BY_NAME
from probe.judge.path import Explanation, Problem, purpose_of
from probe.judge.requirements import (
    TIMESTAMPS_BESIDE,
    lifetime_days,
    lifetime_limit,
    refused_by_platforms,
    timestamps_needed,
    weak_key,
    weak_signature,
)
from probe.judge.standing import Standing
from probe.judge.trust import AnchorSet
from probe.judge.words import day
from probe.observation.model import Endpoint, Outcome
from probe.records import dataclass

TRUST = frozenset({"self-signed", "private-root", "unknown-root", "chain-incomplete"})
"""Kinds of problem that say where a chain leads: between nodes they are the cluster's rule."""

IN_PLAN = "a root of another world of the plan"
"""Marks an unknown root of an EAP or RadSec chain that the plan knows, though not for that."""

PRIVATELY = "-privately"
"""Ends what is asked of clients where no public CA is behind the certificate: some then look away.
"""

ISSUER_NOT_NAMED = "issuer-not-named"
"""What is asked of clients where an intermediate is missing and the certificate that it issued
names no address to fetch it from (caIssuers; RFC 5280, 4.2.2.1)."""

RENEWAL = "renewal"
"""Marks a root that is winding down, at a leaf that is older than the date."""

_STRICT = "a strict parser refuses"


@dataclass(frozen=True, slots=True)
class Objection:
    """One reason."""

    kind: str
    """The rule that tells it, without the endpoint."""
    asked: str
    """What the client data calls it."""
    certificate: str | None
    """SHA-256 of the certificate at fault."""
    says: str
    key: tuple[str, ...]
    """What sightings of one cause share."""
    clause: str | None = None
    """path-invalid: what of RFC 5280 it breaks."""


def objections(
    case: Case, visit: Visit, family: str, *, trusted: AnchorSet | None = None
) -> tuple[Objection, ...]:
    """Return what a family has against the chain of a visit; `trusted` instead of the audience's
    roots. Each thing that is wrong with a malformed certificate is that one thing."""
    roots = case.anchors_of(visit) if trusted is None else trusted
    # What one family alone has, as its programme's dates, it has against public CAs.
    public = case.standing(visit.chain[0]).standing is Standing.PUBLIC
    alone = family if public else None
    key = objections, looked_at(visit), purpose_of(family), roots.alike, alone
    return case.once(key, lambda: tuple(_objections(case, visit, family, trusted)))


def looked_at(visit: Visit) -> tuple[Hashable, ...]:
    """Return all of a visit that is looked at: nodes that serve one chain alike are objected to
    alike by families that read it alike and have the same roots."""
    record, served = visit.record, visit.record.served
    malformed = record.outcome is Outcome.MALFORMED
    beside = served and (served.timestamps, served.staple)
    return visit.chain, record.endpoint, malformed, beside


def _objections(
    case: Case, visit: Visit, family: str, trusted: AnchorSet | None
) -> Iterator[Objection]:
    explanation = case.explain(visit, family, trusted=trusted)
    broken = malformed(case, visit)
    told = set()
    for problem in explanation.problems:
        if problem.kind == "path-invalid" and problem.certificate in broken:
            told.add(problem.certificate)
            yield _malformed(case, problem.certificate, broken[problem.certificate])
        else:
            yield _of_path(case, visit, explanation, problem)
    for sha256, why in broken.items():
        one = _malformed(case, sha256, why)
        # A library that cannot parse one certificate of the list has none of it; what only a strict
        # parser refuses matters where it is relied on.
        relied_on = sha256 in explanation.path and sha256 != explanation.anchor
        broke = visit.record.outcome is Outcome.MALFORMED
        if sha256 not in told and (one.asked == "malformed" or relied_on or broke):
            yield one
    yield from _of_issue(case, visit, explanation, family)
    if visit.record.endpoint is Endpoint.WEB:
        yield from _of_root(case, visit, explanation, family)


def malformed(case: Case, visit: Visit) -> dict[str, str]:
    """Return the served certificates that engines refuse to parse, and why: what and where."""
    found = {}
    for sha256 in visit.chain:
        facts = case.facts[sha256]
        refusals = [oddity for oddity in facts.oddities if oddity.startswith(_STRICT)]
        if not facts.readable or facts.damaged or refusals:
            named = [o for o in facts.oddities if not o.startswith(_STRICT)] or refusals
            found[sha256] = "; ".join(named[:3])
    return found


def _malformed(case: Case, sha256: str, why: str) -> Objection:
    facts = case.facts[sha256]
    wholly = not facts.readable or bool(facts.damaged)
    if wholly:
        return Objection("malformed", "malformed", sha256, why, (sha256,))
    return Objection("malformed", "malformed-strictly", sha256, why, (facts.issuer, why))


def _of_path(case: Case, visit: Visit, explanation: Explanation, problem: Problem) -> Objection:
    kind = str(problem.kind)
    key = _key(case, visit, kind, problem, explanation)
    if kind == "private-root" and visit.record.endpoint is not Endpoint.WEB:
        kind, key = "unknown-root", (explanation.ends_in, IN_PLAN)
    says = f"{problem.says} ({problem.clause})" if kind == "path-invalid" else problem.says
    asked = kind
    if kind == "chain-incomplete" and visit.record.endpoint is Endpoint.WEB:
        # Who fetches what is missing can do so only where the certificate says from where.
        served = [sha256 for sha256 in explanation.path if sha256 in visit.chain]
        last = case.facts[served[-1] if served else visit.chain[0]]
        asked = kind if last.issuer_addresses else ISSUER_NOT_NAMED
    return Objection(kind, asked, problem.certificate, says, key, problem.clause)


def _key(
    case: Case, visit: Visit, kind: str, problem: Problem, explanation: Explanation
) -> tuple[str, ...]:
    """Return what sightings of one cause share."""
    leaf = case.leaf(visit)
    at_leaf = problem.certificate == visit.chain[0]
    match kind:
        case "self-signed":
            return ("self-signed",)
        case "private-root" | "unknown-root":
            return (explanation.ends_in,)
        case "chain-incomplete":
            return explanation.used_extra or (leaf.issuer, leaf.authority_key_id or "")
        # Certificates that one CA issued to end (or begin) on one day are one renewal.
        case "expired" if at_leaf:
            return leaf.issuer, day(leaf.not_after)
        case "not-yet-valid" if at_leaf:
            return leaf.issuer, day(leaf.not_before)
        case "wrong-purpose" if at_leaf:
            return leaf.issuer, *(leaf.extended_key_usage or ()), *(leaf.key_usage or ())
        # What one CA puts into its certificates, or may not issue, is at fault in each of them.
        case "path-invalid" if at_leaf and leaf.readable:
            return leaf.issuer, problem.clause
        case _:
            return (problem.certificate or explanation.ends_in,)


# ---------------------------------------------------------------- by date of issue


def _of_issue(
    case: Case, visit: Visit, explanation: Explanation, family: str
) -> Iterator[Objection]:
    # What is one family's alone comes of public CAs' certificates only: else it is shared.
    public = case.standing(visit.chain[0]).standing is Standing.PUBLIC
    for facts in _below_root(case, explanation):
        yield from _weakness(visit, facts, public=public)
    if public and visit.record.endpoint is Endpoint.WEB:
        yield from _lifetime(case.leaf(visit))
        yield from _timestamps(case, visit, family)


def _below_root(case: Case, explanation: Explanation) -> Iterator[CertFacts]:
    """Yield the certificates of the path whose keys and signatures a client relies on: not those
    of a root, which is trusted as it stands."""
    for depth, sha256 in enumerate(explanation.path):
        facts = case.facts.get(sha256)
        root = sha256 == explanation.anchor or (facts is not None and facts.self_signed)
        if facts is not None and facts.readable and (depth == 0 or not root):
            yield facts


def _weakness(visit: Visit, facts: CertFacts, *, public: bool) -> Iterator[Objection]:
    at_leaf = facts.sha256 == visit.chain[0]
    private = "" if public else PRIVATELY
    key = weak_key(facts, public=public)
    if key is not None:
        cause = (facts.issuer, facts.key) if at_leaf else (facts.sha256,)
        yield Objection("weak-key", key.objection + private, facts.sha256, key.says, cause)
    signature = weak_signature(facts)
    if signature is not None and not facts.self_signed:
        cause = (facts.issuer, facts.signature) if at_leaf else (facts.sha256,)
        yield Objection(
            "weak-signature", signature.objection + private, facts.sha256, signature.says, cause
        )


def _lifetime(leaf: CertFacts) -> Iterator[Objection]:
    if leaf.not_before is None or leaf.not_after is None:
        return
    limit = lifetime_limit(leaf.not_before)
    days = lifetime_days(leaf.not_before, leaf.not_after)
    if limit is None or days <= limit:
        return
    platforms = refused_by_platforms(leaf.not_before, leaf.not_after)
    yield Objection(
        "lifetime-too-long",
        "lifetime-over-398" if platforms else "lifetime-over-requirements",
        leaf.sha256,
        f"it lives for {days} days; issued on {day(leaf.not_before)} it may live for {limit}",
        (leaf.issuer, str(days), str(limit)),
    )


def timestamps_came(case: Case, visit: Visit) -> bool | None:
    """Whether a leaf came with timestamps in any way; None: the handshake was not asked for them.

    Surveys of a time before there were further questions know of those in the certificate alone.
    """
    served = visit.record.served
    if embedded(case.leaf(visit)).present:
        return True
    if served is not None and (served.timestamps or stapled(served.staple).present):
        return True
    return False if case.looked_closely else None


def _timestamps(case: Case, visit: Visit, family: str) -> Iterator[Objection]:
    """Timestamps in the certificate count by its lifetime; where one comes by the handshake or in
    a staple, two in all are enough (Chrome CT Policy; Apple support 103214)."""
    leaf, served = case.leaf(visit), visit.record.served
    came = timestamps_came(case, visit)
    # Under a root that no programme is known to have, nobody is known to demand any.
    wanted = came or (came is False and case.standing(leaf.sha256).versioned)
    if leaf.not_before is None or leaf.not_after is None or served is None or not wanted:
        return
    inside = embedded(leaf)
    needed = timestamps_needed(leaf.not_before, leaf.not_after)
    beside = by_handshake(served.timestamps).logs
    in_staple = stapled(served.staple).logs
    counts = BY_NAME[family].counts_stapled
    beside |= in_staple if counts else frozenset()
    logs = inside.logs | beside
    if len(inside.logs) >= needed or (beside and len(logs) >= TIMESTAMPS_BESIDE):
        return
    count = len(logs)
    says = f"it brings timestamps of {count} {'log' if count == 1 else 'logs'}, and needs {needed}"
    says += " for its lifetime"
    if in_staple and not counts:
        says += f" (those of its staple do not count for {BY_NAME[family].title})"
    if inside.trouble:
        says += f" (its list cannot be read to the end: {inside.trouble})"
    yield Objection(
        "too-few-timestamps",
        "too-few-timestamps",
        leaf.sha256,
        says,
        (leaf.issuer, str(count), str(needed)),
    )


# ---------------------------------------------------------------- dated distrust


def _of_root(
    case: Case, visit: Visit, explanation: Explanation, family: str
) -> Iterator[Objection]:
    """Yield that the family's root programme has set the root a date. Without a timestamp in the
    leaf nothing is said: the date is held against the first log that saw it."""
    leaf = case.leaf(visit)
    if explanation.anchor is None or case.standing(leaf.sha256).standing is not Standing.PUBLIC:
        return
    ending = BY_NAME[family].winding_down.get(explanation.ends_in)
    seen = embedded(leaf).earliest
    if ending is None or seen is None:
        return
    if seen > ending:
        yield Objection(
            "root-winding-down",
            "root-distrusted",
            leaf.sha256,
            f"the first log saw it on {day(seen)}; under this root {family} trusts what was seen"
            f" until {day(ending)}",
            (explanation.ends_in,),
        )
    else:
        yield Objection(
            "root-winding-down",
            "root-winding-down",
            leaf.sha256,
            f"{family} trusts nothing under this root that logs saw after {day(ending)}",
            (explanation.ends_in, RENEWAL),
        )
