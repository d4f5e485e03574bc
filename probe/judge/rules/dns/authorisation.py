"""Whether CAA records let the CA of a served public certificate issue it again (RFC 8659).

Who asks is a CA, so only what the public sees counts: a resolver of an inner view is not looked at.
The relevant set is the first that is found on the way up from a name; a question on that way that
failed leaves nothing to be claimed.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import datetime

from probe.assessment import Basis, Evidence, Note, Verdict
from probe.judge.caa import Admission, Property, admission, climb, is_wildcard, parse
from probe.judge.case import Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.draft import Draft, limited
from probe.judge.issuers import Authority, authority_of, organisation, stands_under
from probe.judge.names import reference_name
from probe.judge.rules.dns.answers import ABSENT, FAMILIES, NOT_ITS_OWN, expected_in, row, where
from probe.judge.standing import Standing
from probe.judge.words import called, clip, day, listing, verb
from probe.observation.model import Endpoint, Lookup, LookupOutcome
from probe.plan.model import Acceptance, is_outside
from probe.records import dataclass, replace

_RULE = "dns-caa-forbids"

_PUBLIC = "public"

_Asked = tuple[str, str | None, str | None]
"""Resolver, view and vantage."""


@dataclass(frozen=True, slots=True)
class _Found:
    """The relevant record set of a name, as one resolver shows it."""

    lookup: Lookup
    properties: tuple[Property, ...]
    whole: bool
    """Whether every record of it could be read."""

    @property
    def owner(self) -> str:
        """The name that has it: behind an alias the last one (RFC 8659, 3)."""
        return self.lookup.aliases[-1] if self.lookup.aliases else self.lookup.asked.name


@dataclass(frozen=True, slots=True)
class _Objection:
    """Why a set does not let a CA issue."""

    verdict: Verdict
    why: str
    """In a word, for what tells findings apart."""
    says: str
    remedy: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class _Climbed:
    """What is known of the relevant set of one name."""

    found: tuple[_Found, ...] = ()
    """As each resolver that counts shows it."""
    failed: frozenset[str] = frozenset()
    """Questions on the way up that failed, where nothing is known for it."""
    beyond: frozenset[str] = frozenset()
    """Questions that a resolver left to others, where nothing is known of a set for it."""


class Authorisations:
    """What CAA records say of each name, climbed once."""

    def __init__(self, case: Case) -> None:
        self._case = case
        self._sets: dict[_Asked, dict[str, Lookup]] = defaultdict(dict)
        self._giving: set[tuple[_Asked, str]] = set()
        """Who gives addresses of which name: if it declines another type, it is for the type."""
        for lookup in case.survey.lookups:
            asked = lookup.asked
            if lookup.question in case.questions and asked.type == "CAA":
                self._sets[asked.resolver, asked.view, lookup.vantage][asked.name] = lookup
            elif asked.type in FAMILIES and lookup.outcome is LookupOutcome.ANSWERED:
                self._giving.add(((asked.resolver, asked.view, lookup.vantage), asked.name))
        self._known: dict[str, _Climbed] = {}

    def of(self, name: str) -> _Climbed:
        """Return what is known of the relevant set of a name."""
        if name not in self._known:
            self._known[name] = self._climb(name)
        return self._known[name]

    def _climb(self, name: str) -> _Climbed:
        failed: list[Lookup] = []
        beyond: set[str] = set()
        answered = settled = False
        for views in (is_outside, _is_plain):
            found: list[_Found] = []
            complete = False
            for asked, sets in self._sets.items():
                if not views(asked[1]) or name not in sets:
                    continue
                met = _up(sets, name)
                if isinstance(met, _Found):
                    found.append(met)
                elif met is None:
                    answered = True
                    complete = complete or _is_public(asked[1])
                    settled = settled or _is_plain(asked[1])
                elif met.outcome in NOT_ITS_OWN and (
                    met.asked.name != name or (asked, name) in self._giving
                ):
                    beyond.add(met.question)
                elif expected_in(self._case, asked[1], name):
                    failed.append(met)
            if found or complete:
                return _Climbed(tuple(found))
        # Where a resolver without a view tells that there is none, nobody else has to tell it, as
        # what serves guests may well let nothing but addresses through. The public's view does, and
        # answers that fail validation do so for a CA too (BR, 3.2.2.8).
        left = {
            one.question
            for one in failed
            if not settled or _is_public(one.asked.view) or one.outcome is LookupOutcome.INVALID
        }
        return _Climbed((), frozenset(left), frozenset() if answered else frozenset(beyond))


def _is_public(view: str | None) -> bool:
    return (view or "").casefold() == _PUBLIC


def _is_plain(view: str | None) -> bool:
    return view is None


def _up(sets: dict[str, Lookup], name: str) -> _Found | Lookup | None:
    """Return the first set on the way up, or the lookup that stands in the way of knowing it; None:
    there is none."""
    for place in climb(name):
        lookup = sets.get(place)
        if lookup is None:
            return None  # never asked, or without a record: that is told already
        if lookup.outcome is LookupOutcome.ANSWERED and lookup.data:
            read = [parse(text) for text in lookup.data]
            properties = tuple(one for one in read if one is not None)
            return _Found(
                lookup, properties, len(properties) == len(read) and lookup.detail is None
            )
        if lookup.outcome not in ABSENT and lookup.outcome is not LookupOutcome.ANSWERED:
            return lookup
    return None


# ---------------------------------------------------------------- whose certificates


def _public_leaves(case: Case) -> Iterator[tuple[str, list[Visit]]]:
    """Yield each public CA's certificate that clients meet, with the visits that show it."""
    trust = case.plan.trust
    eap = case.eap if trust.public and set(trust.public) <= set(trust.eap) else ()
    by_leaf: dict[str, list[Visit]] = defaultdict(list)
    for visit in (*case.web, *eap):
        if visit.chain and visit.nodes and not visit.behind:
            by_leaf[visit.chain[0]].append(visit)
    for leaf, visits in by_leaf.items():
        readable = case.facts[leaf].readable
        if readable and case.standing(leaf).standing is Standing.PUBLIC:
            yield leaf, visits


def _names(case: Case, leaf: str) -> Iterator[tuple[str, str]]:
    """Yield each name of a certificate, with the name at which its record set is looked for."""
    for entry in dict.fromkeys(name.value for name in case.facts[leaf].names if name.type == "dns"):
        place = reference_name(entry.removeprefix("*."))
        if place is not None:
            yield entry, place


def needed(case: Case, known: Authorisations) -> frozenset[str]:
    """Return the questions whose failure leaves it open whether a public CA may issue."""
    return frozenset(
        question
        for leaf, _ in _public_leaves(case)
        for _, place in _names(case, leaf)
        for question in known.of(place).failed
    )


def left_to_others(case: Case, known: Authorisations) -> Iterator[Note]:
    """Yield a note where nobody told whether there are CAA records above what a server knows."""
    nodes: dict[str, set[str]] = defaultdict(set)
    for leaf, visits in _public_leaves(case):
        for _, place in _names(case, leaf):
            for question in known.of(place).beyond:
                nodes[question].update(node for visit in visits for node in visit.nodes)
    lookups = [lookup for lookup in case.survey.lookups if lookup.question in nodes]
    if lookups:
        places = list(dict.fromkeys(lookup.asked.name for lookup in lookups))
        servers = list(dict.fromkeys(where(case, lookup) for lookup in lookups))
        start = listing(servers)
        yield Note(
            _RULE,
            Endpoint.DNS,
            case.sort_nodes(node for some in nodes.values() for node in some),
            None,
            f"{start[0].upper()}{start[1:]} {verb(servers, 'declines', 'decline')} to tell, and"
            f" nobody else told, whether {listing(places)} {verb(places, 'has', 'have')} CAA"
            " records.",
            BY_ID[_RULE].source,
        )


# ---------------------------------------------------------------- the rule


@dataclass(slots=True)
class _Cause:
    found: _Found
    objection: _Objection
    names: dict[str, None]
    leaves: dict[str, list[Visit]]
    """Each certificate with the visits that show it."""


def authorisation(case: Case, known: Authorisations) -> Iterator[Draft]:
    """Yield a draft for each CAA record set that does not admit the CA of what is served."""
    causes: dict[tuple[str, tuple[str, ...], str, Acceptance | None], _Cause] = {}
    for leaf, visits in _public_leaves(case):
        by_acceptance: dict[Acceptance | None, list[Visit]] = defaultdict(list)
        for visit in visits:
            by_acceptance[case.acceptance(_RULE, visit.nodes, visit.name)].append(visit)
        for entry, place in _names(case, leaf):
            objection, found = _mildest(case, leaf, visits[0], entry, known.of(place).found)
            if objection is None or found is None:
                continue
            for accepted, some in by_acceptance.items():
                key = found.owner, found.lookup.data, objection.why, accepted
                cause = causes.setdefault(key, _Cause(found, objection, {}, {}))
                cause.names[entry] = None
                cause.leaves.setdefault(leaf, some)
    for (*_, accepted), cause in causes.items():
        yield replace(_draft(case, cause), accepted=accepted)


def _mildest(
    case: Case, leaf: str, visit: Visit, entry: str, sets: Iterable[_Found]
) -> tuple[_Objection | None, _Found | None]:
    """Return the least that any resolver gives reason to say: a CA may see it as that one does."""
    mildest: tuple[_Objection | None, _Found | None] = None, None
    for found in sets:
        objection = _object(case, leaf, visit, entry, found)
        if objection is None:
            return None, None
        if mildest[0] is None or objection.verdict > mildest[0].verdict:
            mildest = objection, found
    return mildest


def _object(case: Case, leaf: str, visit: Visit, entry: str, found: _Found) -> _Objection | None:
    said = admission(found.properties, wildcard=is_wildcard(entry))
    owner = clip(found.owner)
    facts = case.facts[leaf]
    above = [case.certificate(sha256) for sha256 in case.reference(visit).path[1:]]
    of = organisation(facts.issuer_raw)
    own = authority_of(of)
    chain = [facts, *(one for one in above if one is not None)]
    admitted = listing(sorted(said.issuers), last="or")
    if said.unknown:
        tags = listing([f'"{clip(tag)}"' for tag in said.unknown])
        return _Objection(
            Verdict.DUE,
            "critical",
            f"hold the critical {verb(said.unknown, 'property', 'properties')} {tags}, which no CA"
            " knows, so that none may issue",
            f"Take the critical {tags} out of the CAA records of {owner}",
        )
    if not found.whole and not said.admits(own.every if own else ()):
        return _Objection(
            Verdict.UNSEEN,
            "not whole",
            "could not all be read, so that it is not known whether they admit the CA",
            f"Look at the CAA records of {owner} for one that is not written as it should be",
        )
    if said.nobody:
        return _Objection(
            Verdict.DUE,
            "nobody",
            "admit no CA at all",
            _add(own, said, owner, of),
        )
    if said.doubtful and said.admits(own.every if own else said.issuers):
        tags = listing([f'"{clip(tag)}"' for tag in said.doubtful])
        return _Objection(
            Verdict.UNSEEN,
            "doubtful",
            f"hold the critical {verb(said.doubtful, 'property', 'properties')} {tags}, and it is"
            " not known here whether the CA knows that",
            f"Ask the CA whether it knows {tags}, or take the critical flag away from it in the CAA"
            f" records of {owner}",
        )
    if not said.restricted:
        return None
    if own is not None:
        if said.admits(own.every):
            return None
        return _Objection(
            Verdict.ADVISED if own.basis is Basis.MEMORY else Verdict.DUE,
            f"not {of}",
            f"admit {admitted}, and not {clip(of or '')}",
            _add(own, said, owner, of),
            own.source,
        )
    others = [authority_of(organisation(one.issuer_raw)) for one in chain]
    if any(other and said.admits(other.every) for other in others):
        return None
    if stands_under(chain, said.issuers):
        return None
    who = clip(of) if of else "the CA"
    return _Objection(
        Verdict.UNSEEN,
        f"unknown {of or ''}",
        f"admit {admitted}, and it is not known here whether {who} is among those",
        f"Look up in the practice statement of {who} by which issuer domain names it is admitted,"
        f" and that one of them is in the CAA records of {owner}",
    )


def _add(own: Authority | None, said: Admission, owner: str, of: str | None) -> str:
    if own is None:
        named = clip(of or "the CA")
        return (
            f"Add '{said.tag}' with the issuer domain name of {named} to the CAA records of {owner}"
        )
    return f"Add '0 {said.tag} \"{own.identifiers[0]}\"' to the CAA records of {owner}"


def _draft(case: Case, cause: _Cause) -> Draft:
    visits = [visit for some in cause.leaves.values() for visit in some]
    nodes = case.sort_nodes(node for visit in visits for node in visit.nodes)
    leaves = tuple(cause.leaves)
    first = case.facts[leaves[0]]
    names = list(cause.names)
    owner = clip(cause.found.owner)
    objection = cause.objection
    ends = min((end for sha in leaves if (end := case.facts[sha].not_after)), default=None)
    claims = objection.verdict is not Verdict.UNSEEN
    such = "the certificate" if len(leaves) == 1 else "certificates such as"
    about = "" if names == [owner] else f", which count for {listing(names)},"
    says = f"The CAA records of {owner}{about} {objection.says}" + (
        f": {such} {called(first)} of {listing(nodes)} cannot be renewed." if claims else "."
    )
    draft = Draft(
        rule_id=_RULE,
        nodes=nodes,
        name=names[0].removeprefix("*.") if len(names) == 1 else None,
        certificates=leaves,
        fault=(owner, objection.why, *cause.found.lookup.data),
        verdict_at_best=objection.verdict,
        due=ends if objection.verdict is Verdict.DUE else None,
        says=says,
        remedy=f"{objection.remedy}, before {such} {called(first)} of {listing(nodes)}"
        f" {verb(leaves, 'is', 'are')} renewed{_by(ends)}.",
        evidence=limited((row(case, cause.found.lookup), *_certificates(case, cause))),
        questions=frozenset(
            (cause.found.lookup.question, *(visit.record.question for visit in visits))
        ),
    )
    if objection.source:
        known = Evidence("issuer domain names of the CA", objection.source, None)
        draft = replace(draft, evidence=(*draft.evidence, known))
    return draft


def _by(ends: datetime | None) -> str:
    return f" by {day(ends)}" if ends else ""


def _certificates(case: Case, cause: _Cause) -> Iterator[Evidence]:
    """Yield each certificate once, with where it is served."""
    for leaf, visits in cause.leaves.items():
        facts = case.facts[leaf]
        nodes = case.sort_nodes(node for visit in visits for node in visit.nodes)
        kind = "HTTPS" if visits[0].record.endpoint is Endpoint.WEB else "EAP"
        yield Evidence(
            f"{kind} of {listing(nodes)}",
            f"the certificate {called(facts)}, which ends on {day(facts.not_after)}",
            visits[0].record.question,
        )
