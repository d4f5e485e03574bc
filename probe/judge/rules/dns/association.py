"""Whether DNSSEC-secure TLSA records match what is served (RFC 6698; RFC 7671)."""

from collections import defaultdict
from collections.abc import Iterator
from hashlib import sha256

from probe.assessment import Evidence, Verdict
from probe.judge.case import Case, Visit
from probe.judge.draft import Draft, limited
from probe.judge.rules.dns.answers import row
from probe.judge.tlsa import AUTHORITIES, Association, owner, parse
from probe.judge.words import called, listing, verb
from probe.observation.model import Lookup, LookupOutcome
from probe.plan.model import Acceptance
from probe.records import dataclass, field, replace

_RULE = "dns-tlsa-mismatch"

_SECURE = "secure"

_Key = tuple[str, tuple[str, ...], bool, Acceptance | None]
"""The certificate, the records, whether these are known whole, and what is accepted."""


@dataclass(slots=True)
class _Mismatch:
    visits: list[Visit] = field(default_factory=list)
    lookups: dict[str, Lookup] = field(default_factory=dict)

    def take(self, other: "_Mismatch") -> None:
        self.visits += other.visits
        self.lookups.update(other.lookups)


def association(case: Case) -> Iterator[Draft]:
    """Yield a draft for certificates that no secure record of their names matches.

    One certificate under several records, and several under the same records, are one cause.
    """
    records = _records(case)
    found: dict[_Key, _Mismatch] = defaultdict(_Mismatch)
    for visit in case.web if records else ():
        if not visit.chain or not visit.nodes or visit.behind or visit.name is None:
            continue
        for lookup, usable in records.get(owner(visit.name, visit.asked.port), ()):
            if any(_matches(case, visit, one) for one in usable):
                continue
            # Of a set that is not known whole, another record may match.
            accepted = case.acceptance(_RULE, visit.nodes, visit.name)
            mismatch = found[visit.chain[0], lookup.data, lookup.detail is None, accepted]
            mismatch.visits.append(visit)
            mismatch.lookups[lookup.question] = lookup
    for (_, _, whole, accepted), mismatch in _joined(found):
        yield replace(_draft(case, mismatch, whole=whole), accepted=accepted)


def _joined(found: dict[_Key, _Mismatch]) -> Iterator[tuple[_Key, _Mismatch]]:
    """Yield the mismatches that have a certificate or records in common as one."""
    first: dict[object, _Key] = {}
    joined: dict[_Key, _Mismatch] = {}
    for key, mismatch in found.items():
        leaf, data, *rest = key
        facts = (("leaf", leaf, *rest), ("data", data, *rest))
        above = list(dict.fromkeys(first[fact] for fact in facts if fact in first))
        if not above:
            joined[key] = mismatch
            above = [key]
        else:
            joined[above[0]].take(mismatch)
        for other in above[1:]:
            joined[above[0]].take(joined.pop(other))
            first = {fact: above[0] if one == other else one for fact, one in first.items()}
        first.update((fact, above[0]) for fact in facts)
    yield from joined.items()


def _records(case: Case) -> dict[str, list[tuple[Lookup, list[Association]]]]:
    """Return the usable records of each place, by each resolver that says that they are secure."""
    found: dict[str, list[tuple[Lookup, list[Association]]]] = defaultdict(list)
    for lookup in case.survey.lookups:
        secure = lookup.dnssec == _SECURE and lookup.outcome is LookupOutcome.ANSWERED
        if secure and lookup.asked.type == "TLSA" and lookup.question in case.questions:
            usable = [one for one in map(parse, lookup.data) if one is not None]
            if usable:
                found[lookup.asked.name].append((lookup, usable))
    return found


def _matches(case: Case, visit: Visit, one: Association) -> bool:
    return any(
        one.matches(der, facts.spki)
        for sha in _named_by(case, visit, one)
        if (facts := case.certificate(sha)) is not None and (der := _der(case, sha)) is not None
    )


def _named_by(case: Case, visit: Visit, one: Association) -> tuple[str, ...]:
    """Return the certificates of which a record may speak, by its usage (RFC 6698, 2.1.1)."""
    leaf, *served = visit.chain
    if one.usage not in AUTHORITIES:
        return (leaf,)
    path = case.reference(visit).path[1:]
    own = (leaf,) if case.facts[leaf].self_signed else ()
    return tuple(dict.fromkeys((*served, *path, *own)))


def _der(case: Case, sha: str) -> bytes | None:
    return case.survey.certificates.get(sha) or case.everywhere.by_sha.get(sha)


def _draft(case: Case, mismatch: _Mismatch, *, whole: bool) -> Draft:
    nodes = case.sort_nodes(node for visit in mismatch.visits for node in visit.nodes)
    lookups = list(mismatch.lookups.values())
    owners = list(dict.fromkeys(lookup.asked.name for lookup in lookups))
    names = list(dict.fromkeys(visit.name for visit in mismatch.visits if visit.name))
    leaves = list(dict.fromkeys(visit.chain[0] for visit in mismatch.visits))
    calls = list(dict.fromkeys(called(case.facts[leaf]) for leaf in leaves))
    wanted = [f"'TLSA 3 1 1 {sha256(case.facts[leaf].spki).hexdigest()}'" for leaf in leaves]
    visits = {(visit.nodes, visit.asked.address): visit for visit in mismatch.visits}
    served = tuple(
        Evidence(
            f"{listing(visit.nodes)} at {visit.asked.address}, port {visit.asked.port}",
            f"the certificate {called(case.leaf(visit))}",
            visit.record.question,
        )
        for visit in visits.values()
    )
    certificates = f"{verb(leaves, 'certificate', 'certificates')} {listing(calls)}"
    says = (
        f"The signed TLSA records of {listing(owners)} do not match the {certificates} that"
        f" {listing(nodes)} {verb(nodes, 'serves', 'serve')}"
    )
    return Draft(
        rule_id=_RULE,
        nodes=nodes,
        name=names[0] if len(names) == 1 else None,
        certificates=tuple(leaves),
        verdict_at_best=None if whole else Verdict.UNSEEN,
        says=says + ("." if whole else ", as far as they could be read."),
        remedy=f"Add {listing(wanted)} at {listing(owners)} for the {certificates} of"
        f" {listing(nodes)}, or import there what the records stand for.",
        evidence=limited((*(row(case, lookup) for lookup in lookups), *served)),
        places=frozenset(place for visit in mismatch.visits for place in visit.places),
        questions=frozenset(
            (*mismatch.lookups, *(visit.record.question for visit in mismatch.visits))
        ),
    )
