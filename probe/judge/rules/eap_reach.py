"""RADIUS servers that showed no certificate: how a conversation ended, and what is known of why.

What was tried afterwards, and what the other visits show, narrows it down (`probe.judge.narrowed`).
Where that is a rule of its own, it is told there and not here.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterator
from dataclasses import dataclass

from probe.assessment import Note, Verdict
from probe.judge.case import Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.draft import Draft, Sighting, addresses_of, nodes_of, resting_on
from probe.judge.narrowed import Narrowing, Why
from probe.judge.rules.eap_tried import client_entry, in_words, secrets
from probe.judge.rules.methods import refused_by_some
from probe.judge.rules.reach import told_by_certificate, where
from probe.judge.words import clip, listing, verb
from probe.observation.model import Aspect, Endpoint, Outcome
from probe.plan.model import Acceptance

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

_BEFORE_THE_HELLO = frozenset(
    {
        Outcome.SILENT,
        Outcome.UNREACHABLE,
        Outcome.CLOSED,
        Outcome.SECRET_DIFFERS,
        Outcome.METHOD_REFUSED,
    }
)
"""Endings that no hello has anything to do with."""

_NOT_PASSED_ON = (
    ("Error-Cause", "Proxy-Request-Not-Routable"),
    ("Error-Cause", "Proxy-Processing-Error"),
)
"""What proxies say (RFC 5176, 3.6), by the names of the dictionary."""

_IDENTITY_FACTS = ("Error-Cause", "Reply-Message")


@dataclass(frozen=True, slots=True)
class _Ending:
    """What makes visits one finding."""

    rule_id: str
    outcome: Outcome
    alert: str | None
    service: str | None
    """The virtual service; None: nodes by themselves."""
    unaddressed: str | None
    """The node of which no address is known: its name's fault, not the endpoint's."""
    why: Why | None
    other_verdict: Verdict | None
    accepted: Acceptance | None
    at_times: bool = False
    """Another conversation with the same server went through."""


def unreached_eap(case: Case) -> Iterator[Draft | Note]:
    """Yield a draft for each way in which EAP endpoints showed no certificate."""
    narrowing = Narrowing(case)
    visits = [visit for visit in case.eap if visit.nodes]
    before = _answered_before(case)
    agreed = {_server(visit) for visit in visits if visit.chain}
    # A server that agrees to one method of the plan and not to another serves its clients.
    refused = []
    told: dict[_Ending, list[Sighting]] = defaultdict(list)
    for visit in visits:
        why = narrowing.why(visit)
        if why in _OTHERS:
            continue
        if visit.record.outcome is Outcome.METHOD_REFUSED and _server(visit) in agreed:
            refused.append(visit)
            continue
        ending = _ending(case, visit, why, before=before)
        if ending is not None:
            told[ending].append(_sighting(case, narrowing, visit, before=before))
    for ending, sightings in told.items():
        yield _draft(case, ending, sightings)
    yield from _refused_methods(case, refused)


def unanswered_at_times(case: Case) -> Iterator[Draft | Note]:
    """Yield what is to be said of servers that serve supplicants and failed a further question.

    To refuse a hello that asks for one key family, or for an old version, is no fault; what ends
    before the hello has nothing to do with it.
    """
    narrowing = Narrowing(case)
    serving = {
        (visit.place, visit.record.nodes)
        for visit in case.asked_of_eap
        if visit.aspect is None and visit.record.outcome is Outcome.SERVED
    }
    told: dict[_Ending, list[Sighting]] = defaultdict(list)
    rejected: set[str] = set()
    before: frozenset[Hashable] = frozenset()  # it answers now too, at other times
    for visit in case.asked_of_eap:
        outcome, aspect = visit.record.outcome, visit.aspect
        known = (visit.place, visit.record.nodes) in serving and bool(visit.nodes)
        if not known or aspect not in (Aspect.AGAIN, Aspect.FAMILY, Aspect.OLD_VERSION):
            continue
        if outcome is Outcome.REJECTED:
            rejected.update(visit.nodes)
            continue
        thrown = outcome in (Outcome.MALFORMED, Outcome.NOT_TLS) and aspect is Aspect.FAMILY
        if aspect is not Aspect.AGAIN and not thrown and outcome not in _BEFORE_THE_HELLO:
            continue
        why = narrowing.why(visit)
        ending = None
        if why not in _OTHERS:
            ending = _ending(case, visit, why, before=before, at_times=True)
        if ending is not None:
            told[ending].append(_sighting(case, narrowing, visit, before=before))
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
    elsewhere = refused_by_some(case)
    by_methods: dict[tuple[str, ...], list[Visit]] = defaultdict(list)
    for visit in refused:
        # What other nodes agree to is told by the rule that compares them.
        told = [m for m in visit.asked.methods if set(visit.nodes) <= elsewhere.get(m, frozenset())]
        if not told:
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


def _answered_before(case: Case) -> frozenset[Hashable]:
    """Return the servers that answered this machine in the earlier survey, in any method."""
    asked = [visit for visit in case.asked_of_eap if case.answered_before(visit.record.question)]
    return frozenset(visit.server for visit in asked)


def _ending(
    case: Case,
    visit: Visit,
    why: Why | None,
    *,
    before: frozenset[Hashable],
    at_times: bool = False,
) -> _Ending | None:
    outcome = Outcome.SECRET_DIFFERS if why is Why.SECRET else visit.record.outcome
    rule_id = EAP_RULES.get(outcome)
    if rule_id is None or told_by_certificate(case, visit):
        return None
    verdict = None
    if outcome is Outcome.SILENT and visit.server in before:
        verdict = Verdict.BLOCKED
    elif why is Why.OFFER or (at_times and visit.aspect is not Aspect.AGAIN):
        # Our hello offered less than a client's does, or it was no client's at all.
        verdict = Verdict.UNSEEN
    elif at_times and outcome is Outcome.METHOD_REFUSED:
        verdict = Verdict.UNSEEN
    return _Ending(
        rule_id,
        outcome,
        visit.record.alert,
        visit.service.name if visit.virtual and visit.service else None,
        visit.nodes[0] if visit.asked.address is None else None,
        why,
        verdict,
        case.acceptance(rule_id, visit.nodes, visit.name),
        at_times,
    )


def _sighting(
    case: Case, narrowing: Narrowing, visit: Visit, *, before: frozenset[Hashable]
) -> Sighting:
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
    if visit.server in before:
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


def _draft(case: Case, ending: _Ending, sightings: list[Sighting]) -> Draft:
    told = [ending.outcome.value, ending.alert or "", *addresses_of(sightings)]
    if ending.why is Why.KNOWN or ending.why is Why.OFFER:
        told.append(ending.why.name)
    draft = Draft(
        rule_id=ending.rule_id,
        nodes=nodes_of(case, sightings),
        fault=(*told, "at times") if ending.at_times else tuple(told),
        verdict_at_best=ending.other_verdict,
        says=_says(case, ending, sightings),
        remedy=_remedy(case, ending, sightings),
        accepted=ending.accepted,
    )
    return resting_on(draft, sightings)


def _server(visit: Visit) -> tuple[str | None, int, tuple[str, ...], str | None]:
    return visit.asked.address, visit.asked.port, visit.nodes, visit.asked.visit


# ---------------------------------------------------------------- in words


def _remedy(case: Case, ending: _Ending, sightings: list[Sighting]) -> str | None:
    nodes = listing(nodes_of(case, sightings))
    match ending.outcome:
        case Outcome.UNREACHABLE:
            return "Check the address in the plan, and the routes from this machine to it."
        case Outcome.SILENT if ending.why is Why.KNOWN:
            return (
                f"Look at the RADIUS log of {nodes} for requests of {_identity(case, sightings)}"
                " from this machine: the server runs, knows it and has its secret, and drops the"
                " request for EAP (a policy, EAP that is off, an attribute that it wants)."
            )
        case Outcome.SILENT:
            return client_entry(case, sightings)
        case Outcome.CUT_OFF:
            return (
                f"Check the log of the RADIUS server on {nodes}; if nothing is wrong there, check"
                " that large UDP packets, which travel in fragments, get through."
            )
        case Outcome.REFUSED if ending.why is Why.OFFER:
            return (
                f"Check the TLS versions and ciphers of the RADIUS service on {nodes}: it refuses"
                " a hello of TLS 1.2 and 1.3, and takes one that offers more."
            )
        case Outcome.CLOSED:
            return f"Start the RADIUS service on {nodes}, and check the port in the plan."
        case Outcome.SECRET_DIFFERS:
            kept = secrets(case, sightings)
            said = f", which the plan has {kept}" if kept else ""
            return f"Set the same secret for this machine on {nodes} and here{said}."
        case Outcome.REJECTED if _not_passed_on(sightings):
            return (
                f"Look at the realms and proxies of {nodes}: the request of"
                f" {_identity(case, sightings)} is passed on, and does not arrive where it belongs."
            )
        case Outcome.REJECTED:
            return (
                f"Let the policy of {nodes} carry {_identity(case, sightings)}, with the attributes"
                " that were sent, as far as TLS."
            )
        case Outcome.METHOD_REFUSED:
            return (
                f"Allow {_methods(sightings, last='and')} in the EAP settings of {nodes}, or"
                " correct the methods in the plan."
            )
        case _:
            return (
                f"Check the EAP certificate and key of {nodes}, its TLS versions and ciphers, and"
                " the RADIUS log there."
            )


def _not_passed_on(sightings: list[Sighting]) -> bool:
    """Whether every server says that it is a proxy that could not pass the request on."""
    seen = [each.visit.record.radius for each in sightings]
    return all(
        radius is not None and any(pair in _NOT_PASSED_ON for pair in radius.attributes)
        for radius in seen
    )


def _methods(sightings: list[Sighting], *, last: str) -> str:
    methods = dict.fromkeys(m.value for each in sightings for m in each.visit.asked.methods)
    return listing(list(methods), last=last)


def _identity(case: Case, sightings: list[Sighting]) -> str:
    found = {
        eap.identity
        for node in nodes_of(case, sightings)
        if (eap := case.nodes[node].eap) is not None
    }
    return found.pop() if len(found) == 1 else "the plan's identity"


def _says(case: Case, ending: _Ending, sightings: list[Sighting]) -> str:
    said = _said(case, ending, sightings)
    if not ending.at_times:
        return f"{said}."
    aspects = {sighting.visit.aspect for sighting in sightings}
    families = {
        s.visit.asked.key_family.value.upper() for s in sightings if s.visit.asked.key_family
    }
    if aspects == {Aspect.FAMILY} and ending.outcome not in _BEFORE_THE_HELLO:
        takers = f"clients that take {listing(sorted(families), last='or')} certificates alone"
        return f"{said} to {takers}."
    return f"{said}, though it answers at other times."


def _said(case: Case, ending: _Ending, sightings: list[Sighting]) -> str:
    _, place = where(case, sightings)
    offered = _methods(sightings, last="or")
    match ending.outcome:
        case Outcome.CLOSED:
            return f"RADIUS is closed at {place}"
        case Outcome.SILENT if ending.why is Why.KNOWN:
            return (
                f"Nothing comes back for EAP from RADIUS at {place}, though Status-Server is"
                " answered"
            )
        case Outcome.SILENT:
            return f"Nothing comes back from RADIUS at {place}"
        case Outcome.UNREACHABLE:
            return f"There is no way from here to RADIUS at {place}"
        case Outcome.SECRET_DIFFERS:
            return f"Replies from RADIUS at {place} do not verify with the plan's shared secret"
        case Outcome.REJECTED:
            who = _identity(case, sightings)
            identity = f" of {who}" if "@" in who else ""
            return f"RADIUS at {place} rejects the request{identity} before TLS begins"
        case Outcome.METHOD_REFUSED:
            seen = [each.visit.record.eap for each in sightings]
            proposed = dict.fromkeys(text for eap in seen if eap for text in eap.proposed)
            instead = listing([clip(text) for text in proposed])
            ends = f", and proposes {instead}" if instead else ""
            return f"RADIUS at {place} does not agree to {offered}{ends}"
        case Outcome.REFUSED:
            alert = f" with the alert {clip(ending.alert)}" if ending.alert else ""
            return f"RADIUS at {place} ends {offered}{alert} before it shows a certificate"
        case Outcome.CUT_OFF:
            return f"RADIUS at {place} falls silent in {offered} before it shows a certificate"
        case _:
            return f"RADIUS at {place} answers {offered} with something that breaks the protocol"
