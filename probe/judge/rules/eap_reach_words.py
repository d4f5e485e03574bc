"""RADIUS servers that showed no certificate, in words: what is seen, and what to do about it."""

from probe.assessment import Verdict
from probe.judge.case import Case, Visit
from probe.judge.draft import Sighting, addresses_of, nodes_of
from probe.judge.narrowed import Why
from probe.judge.rules.eap_tried import client_entry, secrets
from probe.judge.rules.reach import ports_of, where
from probe.judge.words import clip, listing, verb
from probe.observation.model import Aspect, Outcome
from probe.plan.model import Acceptance
from probe.records import dataclass

BEFORE_THE_HELLO = frozenset(
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


@dataclass(frozen=True, slots=True)
class Ending:
    """What makes visits one finding."""

    rule_id: str
    outcome: Outcome
    alert: str | None
    service: str | None
    """The virtual service; None: nodes by themselves."""
    context: str | None
    """The visit of the plan that alone ends so; None: requests in the plan's own context do."""
    unaddressed: str | None
    """The node of which no address is known: its name's fault, not the endpoint's."""
    why: Why | None
    other_verdict: Verdict | None
    accepted: Acceptance | None
    at_times: bool = False
    """Another conversation with the same server went through."""
    answering: bool = False
    """The same server answers other requests of this machine, so it knows it and its secret."""


def remedy(case: Case, ending: Ending, sightings: list[Sighting]) -> str | None:
    """Return what to do about it."""
    if ending.service is not None and _served_by_themselves(case, sightings):
        return _of_the_balancer(case, ending, sightings)
    return _of_the_server(case, ending, sightings)


def _served_by_themselves(case: Case, sightings: list[Sighting]) -> bool:
    """Whether every node that was asked by its own address showed its certificate there."""
    own = {node for v in case.eap if v.chain and not v.virtual for node in v.nodes}
    return set(nodes_of(case, sightings)) <= own


def _of_the_balancer(case: Case, ending: Ending, sightings: list[Sighting]) -> str:
    """Return what to do where nodes serve clients by their own addresses, and not by a virtual
    one."""
    nodes = nodes_of(case, sightings)
    names, at = listing(nodes), listing(addresses_of(sightings))
    ports = ports_of(sightings)
    answer = f"{verb(nodes, 'answers', 'answer')} by {verb(nodes, 'its', 'their')} own"
    answer += f" {verb(nodes, 'address', 'addresses')}"
    unasked = [node for node in _behind(case, sightings) if node not in nodes]
    others = f", and at {listing(unasked)} behind it (probe cluster asks all)" if unasked else ""
    match ending.outcome:
        case Outcome.CLOSED | Outcome.UNREACHABLE:
            return (
                f"Have the balancer at {at} pass UDP {ports} on to {names}, which {answer}, or"
                " correct the service's address and port in the plan."
            )
        case Outcome.SILENT:
            return (
                f"See that the balancer at {at} passes UDP {ports} on to {names}, which"
                f" {answer}, and that what it sends from is a RADIUS client there, with the same"
                " secret."
            )
        case _:
            return (
                f"Look at the balancer at {at}, which has to keep all packets of one conversation"
                f" at one node{others}: {names} {answer}."
            )


def _behind(case: Case, sightings: list[Sighting]) -> tuple[str, ...]:
    services = [each.visit.service for each in sightings if each.visit.service is not None]
    return tuple(dict.fromkeys(node for one in services for node in case.behind(one)))


def _of_the_server(case: Case, ending: Ending, sightings: list[Sighting]) -> str | None:
    nodes = listing(nodes_of(case, sightings))
    match ending.outcome:
        case Outcome.UNREACHABLE:
            return "Check the address in the plan, and the routes from this machine to it."
        case Outcome.SILENT if ending.answering:
            return (
                f"Look at the RADIUS log of {nodes} for requests of {_identity(case, sightings)}"
                f"{_context(ending)} from this machine: the server answers others of it, so the"
                " client entry and the secret are right, and it drops these (a policy, a limit on"
                " clients that fail, an attribute that it wants)."
            )
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
                f"Check the TLS versions, ciphers and groups of the RADIUS service on {nodes}: it"
                " refuses a hello as clients of today offer it first (TLS 1.2 and 1.3, signed key"
                " exchange over X25519, P-256 or P-384), and takes one that offers more. Clients"
                " that offer that too get on."
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
                f"Let the policy of {nodes} carry {_identity(case, sightings)}{_context(ending)},"
                " with the attributes that were sent, as far as TLS."
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
    """Return as whom these visits came: visits of the plan and repeats have users of their own."""
    found = [user for each in sightings if (user := _user(case, each.visit))]
    return listing(list(dict.fromkeys(found))) or "the plan's identity"


def _user(case: Case, visit: Visit) -> str | None:
    sent = dict(visit.record.radius.sent) if visit.record.radius is not None else {}
    eap = case.nodes[visit.nodes[0]].eap if visit.nodes else None
    return sent.get("User-Name") or (eap.identity if eap is not None else None)


def _context(ending: Ending) -> str:
    return f' in the visit "{ending.context}"' if ending.context is not None else ""


def says(case: Case, ending: Ending, sightings: list[Sighting]) -> str:
    """Return the finding's sentence."""
    said = _said(case, ending, sightings)
    if not ending.at_times:
        return f"{said}."
    aspects = {sighting.visit.aspect for sighting in sightings}
    families = {
        s.visit.asked.key_family.value.upper() for s in sightings if s.visit.asked.key_family
    }
    if aspects == {Aspect.FAMILY} and ending.outcome not in BEFORE_THE_HELLO:
        takers = f"clients that take {listing(sorted(families), last='or')} certificates alone"
        return f"{said} to {takers}."
    return f"{said}, though it answers at other times."


def _said(case: Case, ending: Ending, sightings: list[Sighting]) -> str:
    _, place = where(case, sightings)
    if ending.context is not None:
        place = f'{place} (visit "{ending.context}")'
    offered = _methods(sightings, last="or")
    match ending.outcome:
        case Outcome.CLOSED:
            return f"RADIUS is closed at {place}"
        case Outcome.SILENT if ending.context is not None and ending.answering:
            return f"Nothing comes back from RADIUS at {place}, though it answers other requests"
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
