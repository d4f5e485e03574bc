"""What is wrong with a served chain, on the web and on EAP endpoints alike.

Each chain is explained to each client family on site. What they object to is gathered by cause, so
that nodes with one cause make one draft; the sentences stand in `certificate_words.py`.

Names are not judged here: each world has its own rules for them.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime

from probe.assessment import Verdict
from probe.certificate.facts import CertFacts
from probe.judge.case import REFERENCE, Case, Visit
from probe.judge.clients.reactions import Reacted, react, worst
from probe.judge.draft import Draft, Sighting, name_of, nodes_of, resting_on
from probe.judge.objections import RENEWAL, TRUST, Objection, looked_at, objections
from probe.judge.override import hardened
from probe.judge.rules.certificate_words import PATH_SAYINGS, Said, Sentence
from probe.judge.rules.issue_words import ISSUE_SAYINGS, public_marks
from probe.judge.strict import no_way_out
from probe.judge.trust import AnchorSet
from probe.judge.words import called, day, listing
from probe.observation.model import Aspect, Endpoint, KeyFamily
from probe.plan.model import Acceptance, Client
from probe.records import dataclass

_SAYINGS: Mapping[str, Callable[[Case, Said], Sentence]] = {**PATH_SAYINGS, **ISSUE_SAYINGS}

_TOLD_BY_KEY = (TRUST - {"self-signed"}) | {"anchor-expiring", "root-winding-down", "path-invalid"}
"""Kinds whose finding is told from one like it by what it leads to, and not by a certificate."""


@dataclass(frozen=True, slots=True)
class Cause:
    """What makes two sightings one finding."""

    kind: str
    """The rule's id without the endpoint."""
    key: tuple[str, ...]
    accepted: Acceptance | None


def showing(case: Case, endpoint: Endpoint) -> tuple[Visit, ...]:
    """Return the visits of clients that showed a chain.

    Behind a virtual address clients meet what the address shows, not the node's own.
    """
    return case.once(
        (showing, endpoint),
        lambda: tuple(v for v in case.visits(endpoint) if v.chain and v.nodes and not v.behind),
    )


def readable(case: Case, endpoint: Endpoint) -> tuple[Visit, ...]:
    """Return those of them whose leaf can be read."""
    return case.once(
        (readable, endpoint),
        lambda: tuple(v for v in showing(case, endpoint) if case.leaf(v).readable),
    )


def certificates(case: Case, endpoint: Endpoint) -> Iterator[Draft]:
    """Yield a draft for each cause on one kind of endpoint."""
    causes: dict[Cause, list[Sighting]] = defaultdict(list)
    for visit in showing(case, endpoint):
        for kind, key, sighting in (*objected(case, visit), *soon(case, visit)):
            rule_id = f"{endpoint.value}-{kind}"
            accepted = case.acceptance(rule_id, visit.nodes, visit.name)
            causes[Cause(kind, key, accepted)].append(sighting)
    for cause, sightings in causes.items():
        yield _draft(case, endpoint, cause, sightings)


def _draft(case: Case, endpoint: Endpoint, cause: Cause, sightings: list[Sighting]) -> Draft:
    nodes = nodes_of(case, sightings)
    name = name_of(case, sightings) if endpoint is Endpoint.WEB else None
    at_fault = tuple(dict.fromkeys(s.certificate for s in sightings if s.certificate in case.facts))
    leaves = tuple(dict.fromkeys(s.visit.chain[0] for s in sightings))
    beside = beside_another(case, (sighting.visit for sighting in sightings))
    clauses = frozenset(s.clause for s in sightings if s.clause)
    about = Said(endpoint, nodes, name, at_fault, leaves, cause.key, beside, clauses)
    said = _SAYINGS[cause.kind](case, about)
    marks = public_marks(case, about) if cause.kind == "unknown-root" else ""
    due = _due(case, cause, leaves)
    nobody_minds = worst(one for each in sightings for one in each.reacted) is None
    draft = Draft(
        rule_id=f"{endpoint.value}-{cause.kind}",
        nodes=nodes,
        name=name,
        certificates=at_fault or leaves,
        fault=cause.key if cause.kind in _TOLD_BY_KEY else (),
        # An end that nobody on site minds blocks nobody.
        verdict_at_best=_at_best(cause, due, nobody_minds=nobody_minds),
        due=due,
        says=said.says + marks,
        remedy=said.remedy,
        accepted=cause.accepted,
    )
    return resting_on(draft, sightings)


def beside_another(case: Case, visits: Iterable[Visit]) -> KeyFamily | None:
    """Return the key family of what is shown, where clients that offer every family are served
    another one there; None elsewhere: then nobody has to be told of families."""
    families = {
        case.leaf(visit).key_family if visit.aspect is Aspect.FAMILY else None for visit in visits
    }
    return families.pop() if len(families) == 1 else None


def _due(case: Case, cause: Cause, leaves: tuple[str, ...]) -> datetime | None:
    """Return when it begins to be felt; None: now, or never."""
    match cause.kind:
        case "anchor-expiring":
            ending: tuple[str, ...] = cause.key
        case "expiring":
            ending = leaves
        case "root-winding-down" if RENEWAL in cause.key:
            ending = leaves
        case _:
            return None
    known = [case.certificate(sha256) for sha256 in ending]
    return min((one.not_after for one in known if one and one.not_after), default=None)


def _at_best(cause: Cause, due: datetime | None, *, nobody_minds: bool) -> Verdict | None:
    if due is None:
        return None
    if cause.kind == "root-winding-down":
        return Verdict.DUE
    return Verdict.ADVISED if nobody_minds else None


Watcher = tuple[str, tuple[Client, ...], AnchorSet | None]
"""A family, its clients on site, and its roots (None: those of the audience)."""


def watchers(case: Case, visit: Visit) -> tuple[Watcher, ...]:
    """Return each family that meets a visit's chain.

    Where no family of that world is on site, the standards' own reading, which nobody feels.
    """
    return case.once((watchers, visit.meeting), lambda: tuple(_watchers(case, visit)))


def _watchers(case: Case, visit: Visit) -> tuple[Watcher, ...]:
    found: list[Watcher] = []
    families = case.families(visit.record.endpoint, visit.audience)
    for family, plain, with_profiles in families or ((REFERENCE[visit.record.endpoint], (), ()),):
        if plain or not with_profiles:
            found.append((family, plain, None))
        for client in with_profiles:
            found += [(family, (client,), some) for some in case.trusted_by(visit, client)]
    if visit.own:
        found += [(client.family, (client,), case.node_anchors) for client in case.other_nodes]
    return tuple(found)


def soon(case: Case, visit: Visit) -> Iterator[tuple[str, tuple[str, ...], Sighting]]:
    """Yield what ends soon: the leaf, and CA certificates of the path that it leads by."""
    leaf = case.leaf(visit)
    expiring, ending = case.once_met(_ending, visit)
    if expiring:
        says = f"it ends on {day(leaf.not_after)}"
        sighting = Sighting(visit, leaf.sha256, _minded(case, visit), says)
        yield "expiring", (leaf.issuer, day(leaf.not_after)), sighting
    if ending:
        # One hierarchy of CAs that ends is one cause, the root first: all hangs from it.
        says = listing([f"{called(facts)} ends on {day(end)}" for facts, end in reversed(ending)])
        key = tuple(facts.sha256 for facts, _ in reversed(ending))
        says = f"the CA certificate {says}"
        yield "anchor-expiring", key, Sighting(visit, key[0], _minded(case, visit), says)


def _ending(case: Case, visit: Visit) -> tuple[bool, tuple[tuple[CertFacts, datetime], ...]]:
    """Return whether the leaf ends soon, and the CA certificates that do; nothing of a leaf whose
    dates cannot be read."""
    leaf = case.leaf(visit)
    window = case.window(leaf)
    if window is None or leaf.not_after is None or leaf.not_before is None:
        return False, ()
    return (
        leaf.not_before <= case.at <= leaf.not_after <= case.at + window,
        tuple(
            (facts, end)
            for facts, end in authorities(case, visit)
            if case.at <= end <= case.anchor_horizon
        ),
    )


def _minded(case: Case, visit: Visit) -> tuple[Reacted, ...]:
    """Return what those who meet a visit's chain will do when it has ended."""
    reacted: list[Reacted] = []
    for _, clients, _ in watchers(case, visit):
        reacted += react(clients, "expired")
    return no_way_out(case.strict, visit.name, tuple(dict.fromkeys(reacted)))


def authorities(case: Case, visit: Visit) -> tuple[tuple[CertFacts, datetime], ...]:
    """Return the CA certificates of the path that a chain leads by, the root with them, and their
    ends; none where it leads to no root."""
    return case.once_met(_authorities, visit)


def _authorities(case: Case, visit: Visit) -> tuple[tuple[CertFacts, datetime], ...]:
    explanation = case.reference(visit)
    found: list[tuple[CertFacts, datetime]] = []
    for sha256 in explanation.path[1:] if explanation.anchor is not None else ():
        facts = case.certificate(sha256)
        # An anchor may be older than the extension that makes a CA (version 1).
        is_ca = facts is not None and (facts.is_ca or sha256 == explanation.anchor)
        if facts is not None and is_ca and facts.not_after is not None:
            found.append((facts, facts.not_after))
    return tuple(found)


def objected(case: Case, visit: Visit) -> Iterator[tuple[str, tuple[str, ...], Sighting]]:
    """Yield (kind, key, sighting) for each thing that any watcher objects to."""
    found: dict[tuple[str, str | None, str], list[Reacted]] = defaultdict(list)
    keys: dict[tuple[str, str | None, str], tuple[tuple[str, ...], str | None]] = {}
    for clients, one in _objecting(case, visit):
        keys[one.kind, one.certificate, one.says] = one.key, one.clause
        reacted = hardened(react(clients, one.asked), case.leaf(visit), first=True)
        reacted = no_way_out(case.strict, visit.name, reacted)
        found[one.kind, one.certificate, one.says] += reacted
    for (kind, certificate, says), all_reacted in found.items():
        key, clause = keys[kind, certificate, says]
        sighting = Sighting(visit, certificate, tuple(dict.fromkeys(all_reacted)), says, clause)
        yield kind, key, sighting
    leaf = case.leaf(visit)
    absent = leaf.readable and leaf.extended_key_usage is None
    if visit.record.endpoint is Endpoint.EAP and absent:
        # RFC 5216, 5.3 takes an absent one; some published requirements do not (facts D1, D11).
        reacted = react(case.supplicants, "purpose-absent")
        if reacted:
            says = "it has no extended key usage"
            sighting = Sighting(visit, leaf.sha256, reacted, says)
            yield "wrong-purpose", ("absent", leaf.issuer), sighting


def _objecting(case: Case, visit: Visit) -> tuple[tuple[tuple[Client, ...], Objection], ...]:
    """Return each objection with the clients who have it; a profile's own roots are told by a rule
    of their own."""
    return case.once(
        (_objecting, visit.meeting, looked_at(visit)),
        lambda: tuple(
            (clients, one)
            for family, clients, trusted in watchers(case, visit)
            for one in objections(case, visit, family, trusted=trusted)
            if trusted is None or one.kind not in TRUST
        ),
    )
