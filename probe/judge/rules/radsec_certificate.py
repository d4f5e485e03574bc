"""What is wrong with the certificates of RadSec endpoints, for peers that trust the plan's RadSec
roots alone and know the server by the plan's names.

Peers are of no known kind, so nobody's reaction is asked for: the verdicts are the catalogue's. The
twelve rules are fewer than there are faults, so some of them tell several.
"""

from collections import defaultdict
from collections.abc import Iterator

from probe.assessment import Note, Verdict
from probe.judge.case import REFERENCE, Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.draft import Draft, Sighting, nodes_of, resting_on
from probe.judge.objections import TRUST, objections
from probe.judge.realms import peers_cover, realms_of
from probe.judge.rules.certificate_words import PATH_SAYINGS, Said, leaf, serving
from probe.judge.rules.issue_words import ISSUE_SAYINGS
from probe.judge.words import day, listing
from probe.observation.model import Endpoint
from probe.plan.model import Acceptance
from probe.records import dataclass

MISMATCH = "radsec-name-mismatch"
UNKNOWN_ROOT = "radsec-unknown-root"

_RULES = {
    "self-signed": UNKNOWN_ROOT,
    "unknown-root": UNKNOWN_ROOT,
    "path-invalid": UNKNOWN_ROOT,
    "malformed": UNKNOWN_ROOT,
    "chain-incomplete": "radsec-chain-incomplete",
    "expired": "radsec-expired",
    "not-yet-valid": "radsec-expired",
    "expiring": "radsec-expiring",
    "wrong-purpose": "radsec-wrong-purpose",
    "weak-key": "radsec-weak-key",
    "weak-signature": "radsec-weak-key",
}
"""By kind of fault: the rule that tells it. What no path leads over ends at no root."""

_TOLD_BY_KEY = TRUST | {"path-invalid"}
"""Kinds that are told from one like them by what they lead to."""

_STRICTLY = "malformed-strictly"

_SAYINGS = {**PATH_SAYINGS, **ISSUE_SAYINGS}


@dataclass(frozen=True, slots=True)
class _Cause:
    kind: str
    key: tuple[str, ...]
    verdict: Verdict | None
    accepted: Acceptance | None


def certificates(case: Case) -> Iterator[Draft]:
    """Yield a draft for each cause."""
    causes: dict[_Cause, list[Sighting]] = defaultdict(list)
    for visit in _showing_radsec(case):
        for kind, key, verdict, sighting in (*_objected(case, visit), *_soon(case, visit)):
            accepted = case.acceptance(_RULES[kind], visit.nodes, None)
            causes[_Cause(kind, key, verdict, accepted)].append(sighting)
    for cause, sightings in causes.items():
        yield _draft(case, cause, sightings)


def _showing_radsec(case: Case) -> Iterator[Visit]:
    return (visit for visit in case.radsec if visit.chain and visit.nodes)


_Fault = tuple[str, tuple[str, ...], Verdict | None, Sighting]
"""Kind, what sightings of one cause share, another verdict than the catalogue's, and where."""


def _objected(case: Case, visit: Visit) -> Iterator[_Fault]:
    judged = case.has_radsec_roots(visit)
    nowhere = False
    for one in objections(case, visit, REFERENCE[Endpoint.RADSEC]):
        if one.kind in _RULES and (judged or one.kind not in TRUST):
            if _RULES[one.kind] == UNKNOWN_ROOT and nowhere:
                continue  # a certificate of the right CA mends whatever else breaks the path
            nowhere = nowhere or one.kind in TRUST
            milder = Verdict.ADVISED if one.asked == _STRICTLY else None
            sighting = Sighting(visit, one.certificate, (), one.says, one.clause)
            yield one.kind, one.key, milder, sighting


def _soon(case: Case, visit: Visit) -> Iterator[_Fault]:
    facts = case.leaf(visit)
    window = case.window(facts)
    if window is None or facts.not_after is None or facts.not_before is None:
        return
    if facts.not_before <= case.at <= facts.not_after <= case.at + window:
        ends = day(facts.not_after)
        sighting = Sighting(visit, facts.sha256, (), f"it ends on {ends}")
        yield "expiring", (facts.issuer, ends), None, sighting


def _draft(case: Case, cause: _Cause, sightings: list[Sighting]) -> Draft:
    said = _said(case, sightings, cause.key)
    sentence = _SAYINGS[cause.kind](case, said)
    ends = [case.facts[sha256].not_after for sha256 in said.leaves]
    due = min((end for end in ends if end is not None), default=None)
    draft = Draft(
        rule_id=_RULES[cause.kind],
        nodes=said.nodes,
        certificates=said.at_fault or said.leaves,
        fault=cause.key if cause.kind in _TOLD_BY_KEY else (),
        verdict_at_best=cause.verdict,
        due=due if cause.kind == "expiring" else None,
        says=sentence.says,
        remedy=sentence.remedy,
        accepted=cause.accepted,
    )
    return resting_on(draft, sightings)


def _said(case: Case, sightings: list[Sighting], key: tuple[str, ...]) -> Said:
    return Said(
        Endpoint.RADSEC,
        nodes_of(case, sightings),
        None,
        tuple(dict.fromkeys(s.certificate for s in sightings if s.certificate in case.facts)),
        tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings)),
        key,
        clauses=frozenset(s.clause for s in sightings if s.clause),
    )


def names(case: Case) -> Iterator[Draft]:
    """Yield a draft for certificates that hold none of the names by which peers know the server.

    Nodes that are known by the same names are one; and so are those known by their own.
    """
    found: dict[tuple[tuple[str, ...], bool, Acceptance | None], list[Sighting]] = defaultdict(list)
    for visit in _showing_radsec(case):
        planned = case.radsec_names(visit)
        facts = case.leaf(visit)
        match = peers_cover(facts, planned or (case.host(visit.nodes[0]),))
        if facts.readable and not match.covered:
            accepted = case.acceptance(MISMATCH, visit.nodes, None)
            sighting = Sighting(visit, facts.sha256, (), match.why)
            found[planned, match.common_name_only, accepted].append(sighting)
    for (planned, by_subject, accepted), sightings in found.items():
        said = _said(case, sightings, ())
        own = "their own names" if len(said.nodes) > 1 else case.host(said.nodes[0])
        wanted = listing(planned, last="or") if planned else own
        by_realm = any(realms_of(case.facts[sha256]) for sha256 in said.leaves)
        form = "a realm (NAIRealm)" if by_realm else "a DNS name"
        hold = "which does not hold" if len(said.leaves) == 1 else "which do not hold"
        says = f"{serving(said)} {leaf(case, said)}, {hold} {wanted}."
        if by_subject:
            holds = "holds" if len(said.leaves) == 1 else "hold"
            says = (
                f"{serving(said)} {leaf(case, said)}, which {holds} its name in the subject alone:"
                " peers by RFC 6614 look there where there is no other name, and those by RFC 9525"
                " do not."
            )
        draft = Draft(
            rule_id=MISMATCH,
            nodes=said.nodes,
            certificates=said.leaves,
            verdict_at_best=Verdict.ADVISED if by_subject else None,
            says=says,
            remedy=f"Have it issued again with {wanted} as {form}, import it on"
            f" {listing(said.nodes)}, then restart the RadSec service there; or correct"
            " radsec.names in the plan.",
            accepted=accepted,
        )
        yield resting_on(draft, sightings)


def no_roots(case: Case) -> Iterator[Note]:
    """Yield a note where the plan has no roots to judge a RadSec chain by."""
    without = [visit for visit in _showing_radsec(case) if not case.has_radsec_roots(visit)]
    nodes = case.sort_nodes(node for visit in without for node in visit.nodes)
    if nodes:
        says = (
            f"The plan names no roots for RadSec on {listing(nodes)} (radsec.roots), so nothing is"
            " said of where the chains lead."
        )
        yield Note(UNKNOWN_ROOT, Endpoint.RADSEC, nodes, None, says, BY_ID[UNKNOWN_ROOT].source)
