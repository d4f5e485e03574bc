"""RADIUS servers that showed no certificate: how a conversation ended, and what is known of why.

What was tried afterwards, and what the other visits show, narrows it down (`probe.judge.narrowed`).
Where that is a rule of its own, it is told there and not here.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterator

from probe.assessment import Note, Verdict
from probe.judge.case import Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.draft import Draft, Sighting, addresses_of, nodes_of, resting_on
from probe.judge.narrowed import Narrowing, Why, narrowing_of
from probe.judge.rules.eap_reach_words import BEFORE_THE_HELLO, Ending, remedy, says
from probe.judge.rules.eap_tried import in_words
from probe.judge.rules.methods import needed, refused_by_some
from probe.judge.rules.reach import told_by_certificate
from probe.judge.words import clip, listing, verb
from probe.observation.model import Aspect, Endpoint, Outcome

EAP_RULES = {
    Outcome.CLOSED: "eap-closed",
    Outcome.SILENT: "eap-silent",
    Outcome.UNREACHABLE: "eap-silent",
    Outcome.SECRET_DIFFERS: "eap-secret-differs",
    Outcome.REJECTED: "eap-rejected-early",
    Outcome.METHOD_REFUSED: "eap-method-refused",
    Outcome.REFUSED: "eap-refused",
    Outcome.CUT_OFF: "eap-refused",
    Outcome.NOT_TLS: "eap-refused",
    Outcome.MALFORMED: "eap-refused",
}

_OTHERS = frozenset({Why.ELSEWHERE, Why.LOST, Why.LONG, Why.SPLIT, Why.OLD})
"""What other rules tell."""

_IDENTITY_FACTS = ("Error-Cause", "Reply-Message")

_NOBODY_THERE = frozenset(
    {Outcome.SILENT, Outcome.UNREACHABLE, Outcome.CLOSED, Outcome.SECRET_DIFFERS, Outcome.NOT_ASKED}
)
"""Endings without a reply that verifies."""


class _Servers:
    """What other conversations with the same servers show."""

    def __init__(self, case: Case, *, before: bool) -> None:
        """`before`: whether what they did in the earlier survey counts."""
        asked = case.asked_of_eap
        again = [v for v in asked if before and case.answered_before(v.record.question)]
        self.before: frozenset[Hashable] = frozenset(visit.server for visit in again)
        """Those that answered this machine in the earlier survey, in any method."""
        # What was not sent, as another visit had failed, tells nothing of its own.
        spoken = [v for v in asked if v.record.outcome not in _NOBODY_THERE and v.record.radius]
        self.answering: frozenset[Hashable] = frozenset(visit.server for visit in spoken)
        """Those that answer this machine now."""
        self._plainly = frozenset(
            (v.server, v.record.outcome)
            for v in asked
            if v.aspect is None and v.asked.visit is None
        )

    def context(self, visit: Visit) -> str | None:
        """Return the plan's visit, if requests in the plan's own context do not end as it does."""
        alike = (visit.server, visit.record.outcome) in self._plainly
        return None if alike else visit.asked.visit


def unreached_eap(case: Case) -> Iterator[Draft | Note]:
    """Yield a draft for each way in which EAP endpoints showed no certificate."""
    narrowing = narrowing_of(case)
    visits = [visit for visit in case.eap if visit.nodes]
    servers = _Servers(case, before=True)
    elsewhere = refused_by_some(case)
    agreed = {_server(visit) for visit in visits if visit.chain}
    # A server that agrees to one method of the plan and not to another serves its clients, unless
    # the plan says who needs that one.
    refused = []
    told: dict[Ending, list[Sighting]] = defaultdict(list)
    for visit in visits:
        why = narrowing.why(visit)
        if why in _OTHERS:
            continue
        if visit.record.outcome is Outcome.METHOD_REFUSED and _server(visit) in agreed:
            # What other nodes agree to is told by the rule that compares them.
            methods = visit.asked.methods
            if any(set(visit.nodes) <= elsewhere.get(m, frozenset()) for m in methods):
                continue
            if not any(needed(case, method) for method in methods):
                refused.append(visit)
                continue
        ending = _ending(case, visit, why, servers)
        if ending is not None:
            told[ending].append(_sighting(case, narrowing, visit, servers))
    for ending, sightings in told.items():
        yield _draft(case, ending, sightings)
    yield from _refused_methods(case, refused)


def unanswered_at_times(case: Case) -> Iterator[Draft | Note]:
    """Yield what is to be said of servers that serve supplicants and failed a further question.

    To refuse a hello that asks for one key family, or for an old version, is no fault; what ends
    before the hello has nothing to do with it.
    """
    narrowing = narrowing_of(case)
    serving = {
        (visit.place, visit.record.nodes)
        for visit in case.asked_of_eap
        if visit.aspect is None and visit.record.outcome is Outcome.SERVED
    }
    told: dict[Ending, list[Sighting]] = defaultdict(list)
    rejected: set[str] = set()
    servers = _Servers(case, before=False)  # they answer now too, at other times
    for visit in case.asked_of_eap:
        outcome, aspect = visit.record.outcome, visit.aspect
        known = (visit.place, visit.record.nodes) in serving and bool(visit.nodes)
        if not known or aspect not in (Aspect.AGAIN, Aspect.FAMILY, Aspect.OLD_VERSION):
            continue
        if outcome is Outcome.REJECTED:
            rejected.update(visit.nodes)
            continue
        thrown = outcome in (Outcome.MALFORMED, Outcome.NOT_TLS) and aspect is Aspect.FAMILY
        if aspect is not Aspect.AGAIN and not thrown and outcome not in BEFORE_THE_HELLO:
            continue
        why = narrowing.why(visit)
        ending = None
        if why not in _OTHERS:
            ending = _ending(case, visit, why, servers, at_times=True)
        if ending is not None:
            told[ending].append(_sighting(case, narrowing, visit, servers))
    for ending, sightings in told.items():
        yield _draft(case, ending, sightings)
    if rejected:
        nodes = case.sort_nodes(rejected)
        yield Note(
            "eap-rejected-early",
            Endpoint.EAP,
            nodes,
            None,
            f"{listing(nodes)} {verb(nodes, 'rejects', 'reject')} some further requests before TLS"
            " begins, and carried others through: a policy that knows some identities only, or one"
            " that suppresses clients which fail repeatedly.",
            BY_ID["eap-rejected-early"].source,
        )


def _refused_methods(case: Case, refused: list[Visit]) -> Iterator[Note]:
    by_methods: dict[tuple[str, ...], list[Visit]] = defaultdict(list)
    for visit in refused:
        by_methods[tuple(method.value for method in visit.asked.methods)].append(visit)
    for methods, some in by_methods.items():
        nodes = case.sort_nodes(node for visit in some for node in visit.nodes)
        yield Note(
            "eap-method-refused",
            Endpoint.EAP,
            nodes,
            None,
            f"{listing(nodes)} {verb(nodes, 'does', 'do')} not agree to"
            f" {listing(methods, last='or')}, and {verb(nodes, 'serves', 'serve')} clients of"
            " another method of the plan.",
            BY_ID["eap-method-refused"].source,
        )


def _ending(
    case: Case,
    visit: Visit,
    why: Why | None,
    servers: _Servers,
    *,
    at_times: bool = False,
) -> Ending | None:
    outcome = Outcome.SECRET_DIFFERS if why is Why.SECRET else visit.record.outcome
    rule_id = EAP_RULES.get(outcome)
    if rule_id is None or told_by_certificate(case, visit):
        return None
    verdict = None
    if outcome is Outcome.SILENT and visit.server in servers.before:
        verdict = Verdict.BLOCKED
    elif why is Why.OFFER or (at_times and visit.aspect is not Aspect.AGAIN):
        # Our hello offered less than a client's does, or it was no client's at all.
        verdict = Verdict.UNSEEN
    elif at_times and outcome is Outcome.METHOD_REFUSED:
        verdict = Verdict.UNSEEN
    return Ending(
        rule_id,
        outcome,
        visit.record.alert,
        visit.service.name if visit.virtual and visit.service else None,
        servers.context(visit),
        visit.nodes[0] if visit.asked.address is None else None,
        why,
        verdict,
        case.acceptance(rule_id, visit.nodes, visit.name),
        at_times,
        answering=outcome is Outcome.SILENT and visit.server in servers.answering,
    )


def _sighting(case: Case, narrowing: Narrowing, visit: Visit, servers: _Servers) -> Sighting:
    record = visit.record
    told = [clip(record.detail or record.outcome.value)]
    radius = record.radius
    if radius is not None:
        told += [f"{n}: {clip(v)}" for n, v in radius.attributes if n in _IDENTITY_FACTS]
        if record.outcome is Outcome.REJECTED and radius.sent:
            # Servers choose policies by these: one that is missing or wrong may be the reason.
            told.append("sent: " + ", ".join(f"{name}={value}" for name, value in radius.sent))
    if record.outcome not in (Outcome.REJECTED, Outcome.METHOD_REFUSED):
        told += in_words(narrowing.tried(visit))
    if record.outcome in (Outcome.SILENT, Outcome.UNREACHABLE) and not visit.virtual:
        told += _beside(case, visit)
    if visit.server in servers.before:
        told.append("it answered this machine in the earlier survey")
    return Sighting(visit, detail="; ".join(told))


def _beside(case: Case, visit: Visit) -> Iterator[str]:
    """Yield what else is known of a machine that is silent."""
    unheard = (Outcome.SILENT, Outcome.UNREACHABLE, Outcome.NOT_ASKED)
    web = [
        one for one in case.asked_of_web if not one.virtual and set(one.nodes) == set(visit.nodes)
    ]
    if any(one.record.outcome not in unheard for one in web):
        yield "its HTTPS port answers: the machine is up"
    elif web:
        yield "nothing comes back from its HTTPS port either"


def _draft(case: Case, ending: Ending, sightings: list[Sighting]) -> Draft:
    told = [ending.outcome.value, ending.alert or "", *addresses_of(sightings)]
    if ending.why is Why.KNOWN or ending.why is Why.OFFER:
        told.append(ending.why.name)
    draft = Draft(
        rule_id=ending.rule_id,
        nodes=nodes_of(case, sightings),
        fault=(*told, "at times") if ending.at_times else tuple(told),
        verdict_at_best=ending.other_verdict,
        says=says(case, ending, sightings),
        remedy=remedy(case, ending, sightings),
        accepted=ending.accepted,
    )
    return resting_on(draft, sightings)


def _server(visit: Visit) -> tuple[str | None, int, tuple[str, ...], str | None]:
    return visit.asked.address, visit.asked.port, visit.nodes, visit.asked.visit
