"""What a rule hands over: a draft of a finding, before folding, acceptances and order."""

import hashlib
from collections.abc import Iterable, Sequence
from datetime import datetime

from probe.assessment import Evidence, Verdict
from probe.judge.case import Case, Place, Visit
from probe.judge.catalogue import BY_ID, Rule
from probe.judge.clients.reactions import Reacted, worst
from probe.judge.words import clip
from probe.observation.model import Aspect, Endpoint
from probe.plan.model import Acceptance
from probe.records import dataclass, replace

_EVIDENCE = 12
"""Facts told of one finding: enough to check it, and 400 equal nodes stay readable. One that was
met in several ways is one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """One cause, and every node that it is seen at."""

    rule_id: str
    nodes: tuple[str, ...]
    """In the order of the plan."""
    says: str
    at_endpoint: Endpoint | None = None
    """Where it is put right, of a rule that speaks of several endpoints; None: as its rule says."""
    name: str | None = None
    addresses: tuple[str, ...] = ()
    certificates: tuple[str, ...] = ()
    """Those at fault."""
    fault: tuple[str, ...] = ()
    """The facts at fault that tell this finding from one like it; empty: the certificates."""
    accepted: Acceptance | None = None
    reacted: tuple[Reacted, ...] = ()
    clients: tuple[str, ...] = ()
    """Families that feel it although no reaction of theirs is known."""
    verdict_at_best: Verdict | None = None
    """Instead of the catalogue's floor."""
    due: datetime | None = None
    evidence: tuple[Evidence, ...] = ()
    remedy: str | None = None
    """None: the catalogue's."""
    replaces: frozenset[str] = frozenset()
    """Certificates that the remedy puts others in place of: whatever else is wrong with one of
    them, nothing better can be done about it."""
    places: frozenset[Place] = frozenset()
    questions: frozenset[str] = frozenset()
    """Ids of the questions whose answers show it."""
    groups: tuple[frozenset[str], ...] = ()
    """Of a comparison: the nodes of each group, largest first."""

    @property
    def rule(self) -> Rule:
        """Its rule in the catalogue."""
        return BY_ID[self.rule_id]

    @property
    def endpoint(self) -> Endpoint:
        """Where it is put right."""
        return self.rule.endpoint if self.at_endpoint is None else self.at_endpoint

    @property
    def verdict(self) -> Verdict:
        """The worst reaction on site, or the floor where that is worse or nobody reacts."""
        floor = self.rule.floor if self.verdict_at_best is None else self.verdict_at_best
        reacted = worst(self.reacted) if self.rule.by_clients else None
        return min((v for v in (floor, reacted) if v is not None), default=Verdict.ADVISED)

    @property
    def id(self) -> str:
        """The same in every run that sees the same fault at the same place."""
        parts = [
            self.rule_id,
            self.endpoint.value,
            sorted(self.nodes),
            self.name,
            sorted(self.fault or self.certificates),
        ]
        import json  # noqa: PLC0415  # a healthy cluster has no draft

        digest = hashlib.sha256(json.dumps(parts).encode()).hexdigest()
        return f"{self.rule_id}-{digest[:12]}"


@dataclass(frozen=True, slots=True)
class Sighting:
    """One visit that shows a fault, and at which certificate."""

    visit: Visit
    certificate: str | None = None
    reacted: tuple[Reacted, ...] = ()
    detail: str = ""
    """What exactly is seen, in words."""
    clause: str | None = None
    """What it breaks, where that decides what to do about it."""


def name_of(case: Case, sightings: Iterable[Sighting]) -> str | None:
    """Return the name that a fault of an endpoint is about, or None where it is about them all.

    None if at each node every name that was asked there shows it: then the endpoint is at fault,
    whatever is opened. The name, if it shows under one name only. None again under several.
    """
    shown: dict[str, set[str | None]] = {}
    for sighting in sightings:
        for node in sighting.visit.nodes:
            shown.setdefault(node, set()).add(sighting.visit.name)
    names = set().union(*shown.values()) if shown else set()
    if len(names) == 1 and any(case.opened.get(node, set()) - shown[node] for node in shown):
        return next(iter(names))
    return None


def nodes_of(case: Case, sightings: Iterable[Sighting]) -> tuple[str, ...]:
    """Return the nodes that sightings speak of."""
    return case.sort_nodes(node for sighting in sightings for node in sighting.visit.nodes)


def addresses_of(sightings: Iterable[Sighting]) -> tuple[str, ...]:
    """Return the addresses visited, each once, in the order met."""
    found = (sighting.visit.asked.address for sighting in sightings)
    return tuple(dict.fromkeys(address for address in found if address is not None))


def ending_of(visit: Visit) -> str:
    """Return in words how a visit ended that has shown no chain."""
    return clip(visit.record.detail or visit.record.outcome.value)


def resting_on(draft: Draft, sightings: Sequence[Sighting]) -> Draft:
    """Return a draft with all that follows from the sightings which it rests on."""
    return replace(
        draft,
        addresses=addresses_of(sightings),
        reacted=tuple(dict.fromkeys(one for each in sightings for one in each.reacted)),
        evidence=_evidence(sightings),
        places=frozenset(place for each in sightings for place in each.visit.places),
        questions=frozenset(each.visit.record.question for each in sightings),
    )


def beside_chains(draft: Draft, sightings: Sequence[Sighting]) -> Draft:
    """Return the same where no certificate that is served there is at fault."""
    return replace(resting_on(draft, sightings), places=frozenset())


def _evidence(sightings: Iterable[Sighting]) -> tuple[Evidence, ...]:
    """Return a row for each sighting, the first ones if there are many."""
    rows = []
    for sighting in sightings:
        asked = sighting.visit.asked
        where = " and ".join(sighting.visit.nodes) if len(sighting.visit.nodes) < 3 else "service"
        address = asked.address or "no address"
        # A host that was named by its address is not at itself.
        outside = sighting.visit.aspect is Aspect.CANARY  # it speaks of no node in particular
        place = address if outside or where == address else f"{where} at {address}"
        what = f"{place}, port {asked.port}"
        how = None
        if sighting.visit.name:
            how = "opened as", sighting.visit.name
        elif asked.aspect is Aspect.INSIDE:
            how = "with", "the plan's certificate"
        elif sighting.visit.way is not None:
            how = "in", sighting.visit.way
        rows.append(Evidence(what, sighting.detail, sighting.visit.record.question, how))
    return limited(tuple(dict.fromkeys(rows)))


def limited(rows: tuple[Evidence, ...]) -> tuple[Evidence, ...]:
    """Return the rows of the first facts, and how many there are besides."""
    facts = list(dict.fromkeys((row.what, row.value) for row in rows))
    if len(facts) <= _EVIDENCE:
        return rows
    first = frozenset(facts[:_EVIDENCE])
    told = tuple(row for row in rows if (row.what, row.value) in first)
    rest = Evidence("besides", f"{len(rows) - len(told)} more answers like these", None)
    return (*told, rest)
