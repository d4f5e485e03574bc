"""Endpoints that showed no certificate: how a visit ended, and at which nodes alike.

What is not reached is not judged further: no certificate rule speaks of it.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator

from probe.assessment import Verdict
from probe.judge.case import Case, Visit
from probe.judge.draft import (
    Draft,
    Sighting,
    addresses_of,
    ending_of,
    name_of,
    nodes_of,
    resting_on,
)
from probe.judge.objections import malformed
from probe.judge.rules.dns.unserved import unserved
from probe.judge.words import clip, listing
from probe.observation.model import Aspect, HandshakeAsk, KeyFamily, Outcome
from probe.plan.model import Acceptance
from probe.records import dataclass, replace

WEB_RULES = {
    Outcome.CLOSED: "web-closed",
    Outcome.CUT_OFF: "web-closed",
    Outcome.SILENT: "web-silent",
    Outcome.UNREACHABLE: "web-silent",
    Outcome.REFUSED: "web-refused",
    Outcome.NOT_TLS: "web-not-tls",
    Outcome.MALFORMED: "web-not-tls",
}

_REMEDIES = {
    ("web-closed", Outcome.CUT_OFF): "Check the log of the web service and what stands before it"
    " (a proxy, a firewall): the port is open, and the connection is cut or stalls.",
    ("web-silent", Outcome.UNREACHABLE): "Check the address in the plan, and the routes from this"
    " machine to it.",
    ("web-not-tls", Outcome.MALFORMED): "Check what answers on this port and what stands before"
    " it, or correct the port in the plan.",
}
"""What to do where the catalogue speaks of another ending of the same rule."""


_REFUSING = (Outcome.REFUSED, Outcome.CUT_OFF, Outcome.CLOSED)
"""Ways to say no to a hello that asks for what a server does not have."""


@dataclass(frozen=True, slots=True)
class _Ending:
    """What makes visits one finding: how they ended, and on how much of the endpoint."""

    rule_id: str
    outcome: Outcome
    alert: str | None
    scope: str | None
    """The virtual service, or the only names of a node that fail; None: all of them."""
    unaddressed: str | None
    """The node of which no address is known: its name's fault, not the endpoint's."""
    other_verdict: Verdict | None
    accepted: Acceptance | None


def unreached_web(case: Case) -> Iterator[Draft]:
    """Yield a draft for each way in which web endpoints showed no certificate."""
    # One family of addresses that is not served, while the other is, is a fault of its own.
    told = {id(one.visit) for one in unserved(case)}
    # Behind a virtual address the node's own visit tells whether its port answers.
    visits = [v for v in case.web if v.nodes and not v.behind and id(v) not in told]
    failing: dict[str, set[str | None]] = defaultdict(set)
    for visit in visits:
        if visit.record.outcome in WEB_RULES and not visit.virtual:
            failing[visit.nodes[0]].add(visit.name)
    own: dict[str, set[str | None]] = defaultdict(set)
    for visit in visits:
        if not visit.virtual:
            own[visit.nodes[0]].add(visit.name)

    def scope(visit: Visit) -> str | None:
        if visit.virtual:
            return visit.name
        node = visit.nodes[0]
        if failing[node] == own[node]:
            return None
        return listing(sorted(filter(None, failing[node])), most=99)

    for ending, sightings in _endings(case, visits, scope).items():
        name = ending.scope if ending.scope in {s.visit.name for s in sightings} else None
        yield _draft(case, ending, sightings, name, _web_says(ending, sightings, name, case))


def unanswered_at_times(case: Case) -> Iterator[Draft]:
    """Yield a draft for each way in which a web endpoint that serves clients did not answer the
    same hello another time, or was thrown by one that asks for one key family alone.

    To refuse that one, or to end it, is no fault: hardly any server has a certificate of each.
    """
    serving = {
        (visit.place, visit.record.nodes)
        for visit in case.asked_of_web
        if visit.aspect is None and visit.record.outcome is Outcome.SERVED
    }
    found: dict[tuple[Outcome, KeyFamily | None, Acceptance | None], list[Sighting]]
    found = defaultdict(list)
    for visit in (*case.aside(Aspect.AGAIN), *case.aside(Aspect.FAMILY)):
        outcome, family = visit.record.outcome, visit.asked.key_family
        thrown = family is None or outcome not in _REFUSING
        served = (visit.place, visit.record.nodes) in serving
        if outcome not in WEB_RULES or not thrown or not served or visit.behind:
            continue
        if visit.nodes and not told_by_certificate(case, visit):
            accepted = case.acceptance(WEB_RULES[outcome], visit.nodes, visit.name)
            found[outcome, family, accepted].append(Sighting(visit, detail=ending_of(visit)))
    for (outcome, family, accepted), sightings in found.items():
        name = name_of(case, sightings)
        when = ", though it answers at other times."
        if family is not None:
            when = f" to clients that take {family.value.upper()} certificates alone."
        ending = _Ending(WEB_RULES[outcome], outcome, None, None, None, None, accepted)
        if family is not None:
            # Our hello offered less than a client's does: it may be about the offer.
            ending = replace(ending, other_verdict=Verdict.UNSEEN)
        says = _web_says(ending, sightings, name, case).removesuffix(".") + when
        draft = _draft(case, ending, sightings, name, says)
        how = family.value if family is not None else "at times"
        yield replace(draft, fault=(*draft.fault, how))


def _endings(
    case: Case, visits: list[Visit], scope: Callable[[Visit], str | None]
) -> dict[_Ending, list[Sighting]]:
    found: dict[_Ending, list[Sighting]] = defaultdict(list)
    for visit in visits:
        rule_id = WEB_RULES.get(visit.record.outcome)
        if rule_id is None or told_by_certificate(case, visit):
            continue
        ending = _Ending(
            rule_id,
            visit.record.outcome,
            visit.record.alert,
            scope(visit),
            visit.nodes[0] if visit.asked.address is None else None,
            _verdict(case, visit),
            case.acceptance(rule_id, visit.nodes, visit.name),
        )
        found[ending].append(Sighting(visit, detail=ending_of(visit)))
    return found


def told_by_certificate(case: Case, visit: Visit) -> bool:
    """Whether the handshake broke at a certificate that came: then that one is the fault."""
    return visit.record.outcome is Outcome.MALFORMED and bool(malformed(case, visit))


def _verdict(case: Case, visit: Visit) -> Verdict | None:
    """Return another verdict than the catalogue's, where this visit gives reason."""
    outcome = visit.record.outcome
    if outcome is Outcome.SILENT and case.answered_before(visit.record.question):
        return Verdict.BLOCKED
    asked, usual = visit.asked, HandshakeAsk(None, 0)
    narrow = asked.key_family is not None or not set(usual.tls) <= set(asked.tls)
    if outcome is Outcome.REFUSED and narrow:
        # Our hello offered less than a client's does: it may be about the offer.
        return Verdict.UNSEEN
    return None


def _draft(
    case: Case, ending: _Ending, sightings: list[Sighting], name: str | None, says: str
) -> Draft:
    draft = Draft(
        rule_id=ending.rule_id,
        nodes=nodes_of(case, sightings),
        name=name,
        fault=(ending.outcome.value, ending.alert or "", *addresses_of(sightings)),
        verdict_at_best=ending.other_verdict,
        says=says,
        remedy=_REMEDIES.get((ending.rule_id, ending.outcome)),
        accepted=ending.accepted,
    )
    return resting_on(draft, sightings)


def where(case: Case, sightings: list[Sighting]) -> tuple[tuple[str, ...], str]:
    """Return the nodes and "port 443 of quay1 and quay2"."""
    nodes = nodes_of(case, sightings)
    text = f"{ports_of(sightings)} of {listing(nodes)}"
    if all(sighting.visit.virtual for sighting in sightings):
        addresses = addresses_of(sightings)
        text = f"{ports_of(sightings)} of the virtual address {listing(addresses)}"
    return nodes, text


def ports_of(sightings: Iterable[Sighting]) -> str:
    """Return "port 443", or "ports 443 and 8443"."""
    ports = [str(port) for port in sorted({each.visit.asked.port for each in sightings})]
    return f"{'port' if len(ports) == 1 else 'ports'} {listing(ports)}"


def _web_says(ending: _Ending, sightings: list[Sighting], name: str | None, case: Case) -> str:
    _, place = where(case, sightings)
    opened = f" for {name}" if name else ""
    match ending.outcome:
        case Outcome.CLOSED:
            return f"HTTPS is closed at {place}{opened}."
        case Outcome.CUT_OFF:
            # It was closed, or it came to a standstill and time ran out: the evidence tells.
            return f"HTTPS at {place} breaks off{opened} before it shows a certificate."
        case Outcome.SILENT:
            return f"Nothing comes back from HTTPS at {place}{opened}."
        case Outcome.UNREACHABLE:
            return f"There is no way from here to HTTPS at {place}{opened}."
        case Outcome.REFUSED:
            alert = f" with the alert {clip(ending.alert)}" if ending.alert else ""
            return f"HTTPS at {place} refuses the handshake{opened}{alert}."
        case Outcome.NOT_TLS:
            return f"What answers at {place}{opened} does not speak TLS."
        case _:
            return f"What answers at {place}{opened} breaks the TLS protocol."
