"""RadSec endpoints: whether peers get a connection, and what the server asks of them.

What is wrong with certificates is said in `radsec_certificate.py`.
"""

from collections import defaultdict
from collections.abc import Iterator

from probe.assessment import Note, Verdict
from probe.judge.case import Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.draft import (
    Draft,
    Sighting,
    addresses_of,
    beside_chains,
    ending_of,
    nodes_of,
    resting_on,
)
from probe.judge.narrowed import OLD, old_versions
from probe.judge.rules.reach import told_by_certificate, where
from probe.judge.words import clip, listing, verb
from probe.observation.model import Aspect, Endpoint, Outcome
from probe.plan.model import Acceptance
from probe.records import dataclass

CLOSED, SILENT, REFUSED = "radsec-closed", "radsec-silent", "radsec-refused"
OLD_TLS = "radsec-old-tls"
UNASKED = "radsec-no-client-certificate-asked"

_RULES = {
    Outcome.CLOSED: CLOSED,
    Outcome.CUT_OFF: CLOSED,
    Outcome.SILENT: SILENT,
    Outcome.UNREACHABLE: SILENT,
    Outcome.REFUSED: REFUSED,
    Outcome.NOT_TLS: REFUSED,
    Outcome.MALFORMED: REFUSED,
}
"""How a handshake without a certificate ended."""

_RULES_INSIDE = {
    Outcome.REFUSED: REFUSED,
    Outcome.CUT_OFF: REFUSED,
    Outcome.SILENT: SILENT,
    Outcome.SECRET_DIFFERS: REFUSED,
    Outcome.MALFORMED: REFUSED,
}
"""The same behind the handshake, where the server has shown its certificate before."""

_SAYS = {
    Outcome.CLOSED: "RadSec is closed at {place}.",
    Outcome.CUT_OFF: "RadSec at {place} breaks off before it shows a certificate.",
    Outcome.SILENT: "Nothing comes back from RadSec at {place}.",
    Outcome.UNREACHABLE: "There is no way from here to RadSec at {place}.",
    Outcome.REFUSED: "RadSec at {place} refuses the handshake{alert}.",
    Outcome.NOT_TLS: "What answers at {place} does not speak TLS.",
    Outcome.MALFORMED: "What answers at {place} breaks the TLS protocol.",
}

_SAYS_INSIDE = {
    Outcome.REFUSED: "RadSec at {place} refuses the plan's certificate{alert}.",
    Outcome.CUT_OFF: "RadSec at {place} ends the connection when it is shown the plan's"
    " certificate.",
    Outcome.SILENT: "RadSec at {place} takes the plan's certificate, and answers nothing inside"
    " TLS.",
    Outcome.SECRET_DIFFERS: "RadSec at {place} signs its replies with another secret than"
    ' "radsec", so peers discard them.',
    Outcome.MALFORMED: "What RadSec at {place} says inside TLS breaks the RADIUS protocol.",
}

_SAYS_AGAIN = {
    Outcome.CLOSED: "RadSec at {place} takes one connection, and is closed to the next one.",
    Outcome.CUT_OFF: "RadSec at {place} shows its certificate once, and breaks off before that in"
    " the next connection.",
    Outcome.SILENT: "RadSec at {place} shows its certificate once, and says nothing to the next"
    " connection.",
    Outcome.UNREACHABLE: "RadSec at {place} takes one connection, and then there is no way there.",
    Outcome.REFUSED: "RadSec at {place} shows its certificate once, and refuses the handshake of"
    " the look inside{alert}.",
    Outcome.NOT_TLS: "RadSec at {place} shows its certificate once, and speaks no TLS in the next"
    " connection.",
    Outcome.MALFORMED: "RadSec at {place} shows its certificate once, and breaks the TLS protocol"
    " in the next connection.",
}
"""The same of the look inside, where it ends before the certificate that came without ours."""

_UNPROVEN = "RadSec at {place} cannot prove that it holds the key of its certificate."

_OUR_CERTIFICATE = (
    "Check that the certificate of the plan is one that the server is to take: its CA,"
)
_OUR_CERTIFICATE += " its dates, and its name among the server's clients."

_REMEDIES = {
    (CLOSED, Outcome.CUT_OFF): "Check the log of the RadSec service and what stands before it: the"
    " port is open, and the connection is cut or stalls.",
    (SILENT, Outcome.UNREACHABLE): "Check the address in the plan, and the routes from this machine"
    " to it.",
    (REFUSED, Outcome.NOT_TLS): "Check what answers on this port, or correct the port in the plan.",
}
_REMEDIES_INSIDE = {
    Outcome.REFUSED: _OUR_CERTIFICATE,
    Outcome.CUT_OFF: _OUR_CERTIFICATE,
    Outcome.SILENT: "Check that the server knows this machine as a client, and that it answers"
    " Status-Server.",
    Outcome.SECRET_DIFFERS: 'Set the secret of RadSec clients to "radsec" on the server.',
    Outcome.MALFORMED: "Check what takes the connections behind TLS.",
}

_AGAIN = (
    "Look into the log of the RadSec service for the second connection: it may take few at a time,"
    " or speak RADIUS/1.1 alone (RFC 9765), which is not spoken here."
)

_MAYBE_OURS = frozenset({Outcome.REFUSED, Outcome.CUT_OFF})
"""Endings that may be the fault of the plan's certificate: of other peers nothing is said."""


@dataclass(frozen=True, slots=True)
class _Ending:
    """What makes visits one finding."""

    rule_id: str
    says: str
    remedy: str | None
    outcome: Outcome
    alert: str | None
    verdict: Verdict | None
    unaddressed: str | None
    """The node of which no address is known: its name's fault, not the endpoint's."""
    accepted: Acceptance | None


def unreached(case: Case) -> Iterator[Draft]:
    """Yield a draft for each way in which a RadSec endpoint gave no connection."""
    found: dict[_Ending, list[Sighting]] = defaultdict(list)
    # What breaks at the certificate breaks with ours too, and is told by the handshake alone.
    broken = {visit.server for visit in case.asked_of_radsec if _at_fault(case, visit)}
    shown = {visit.server for visit in case.radsec if visit.chain}
    for visit in case.asked_of_radsec:
        if visit.aspect is Aspect.INSIDE and visit.server in broken:
            continue
        endings = _endings(case, visit, again=visit.server in shown)
        for ending in endings if visit.nodes else ():
            found[ending].append(Sighting(visit, detail=_detail(visit)))
    for ending, sightings in found.items():
        _, place = where(case, sightings)
        alert = f" with the alert {clip(ending.alert)}" if ending.alert else ""
        draft = Draft(
            rule_id=ending.rule_id,
            nodes=nodes_of(case, sightings),
            fault=(ending.outcome.value, ending.alert or "", *addresses_of(sightings)),
            verdict_at_best=ending.verdict,
            says=ending.says.format(place=place, alert=alert),
            remedy=ending.remedy,
            accepted=ending.accepted,
        )
        yield resting_on(draft, sightings)


def _detail(visit: Visit) -> str:
    """How it ended, and, if at the plan's certificate, whose certificates the server asks for."""
    record = visit.record
    detail = ending_of(visit)
    named = record.radsec.client_authorities if record.radsec else None
    if visit.aspect is Aspect.INSIDE and record.outcome in _MAYBE_OURS and named:
        detail += f"; it asks for certificates of {listing([clip(name) for name in named])}"
    return detail


def _at_fault(case: Case, visit: Visit) -> bool:
    """Whether the handshake alone went wrong over the certificate or its key."""
    return visit.aspect is None and (_unproven(visit) or told_by_certificate(case, visit))


def _unproven(visit: Visit) -> bool:
    served = visit.record.served
    return served is not None and served.key_proven is False


def _endings(case: Case, visit: Visit, *, again: bool) -> Iterator[_Ending]:
    """`again`: the server has shown its certificate in the handshake alone."""
    outcome = visit.record.outcome
    if visit.aspect is None and _unproven(visit):
        yield _ending(case, visit, REFUSED, _UNPROVEN, "Import the certificate with its own key.")
    elif visit.aspect is None and outcome in _RULES and not told_by_certificate(case, visit):
        rule_id = _RULES[outcome]
        before = outcome is Outcome.SILENT and case.answered_before(visit.record.question)
        worse = Verdict.BLOCKED if before else None
        remedy = _REMEDIES.get((rule_id, outcome))
        yield _ending(case, visit, rule_id, _SAYS[outcome], remedy, worse)
    elif visit.aspect is Aspect.INSIDE and outcome in _RULES_INSIDE and visit.chain:
        better = Verdict.UNSEEN if outcome in _MAYBE_OURS else None
        says, remedy = _SAYS_INSIDE[outcome], _REMEDIES_INSIDE[outcome]
        yield _ending(case, visit, _RULES_INSIDE[outcome], says, remedy, better)
    elif visit.aspect is Aspect.INSIDE and again and not visit.chain and outcome in _RULES:
        says = _SAYS_AGAIN[outcome]
        yield _ending(case, visit, _RULES[outcome], says, _AGAIN, Verdict.UNSEEN)


def _ending(
    case: Case,
    visit: Visit,
    rule_id: str,
    says: str,
    remedy: str | None,
    verdict: Verdict | None = None,
) -> _Ending:
    return _Ending(
        rule_id,
        says,
        remedy,
        visit.record.outcome,
        visit.record.alert,
        verdict,
        visit.nodes[0] if visit.asked.address is None else None,
        case.acceptance(rule_id, visit.nodes, None),
    )


def old_tls(case: Case) -> Iterator[Draft]:
    """Yield a draft for nodes that speak TLS 1.0 or 1.1 besides, and one for those that speak
    nothing newer (RFC 8996)."""
    newer = {
        visit.server
        for visit in case.asked_of_radsec
        if visit.record.served is not None and visit.record.served.tls not in (None, *OLD)
    }
    found: dict[tuple[bool, Acceptance | None], list[Sighting]] = defaultdict(list)
    for visit in case.aside(Aspect.OLD_VERSION, Endpoint.RADSEC):
        if visit.nodes and visit.record.outcome is Outcome.SERVED:
            accepted = case.acceptance(OLD_TLS, visit.nodes, None)
            says = f"it agrees to {old_versions([visit])}"
            found[visit.server not in newer, accepted].append(Sighting(visit, detail=says))
    for (only, accepted), sightings in found.items():
        yield _old(case, sightings, accepted, only=only)


def _old(
    case: Case, sightings: list[Sighting], accepted: Acceptance | None, *, only: bool
) -> Draft:
    nodes = nodes_of(case, sightings)
    versions = old_versions([sighting.visit for sighting in sightings])
    speak = verb(nodes, "speaks", "speak")
    settings = f"in the TLS settings of the RadSec service on {listing(nodes)}"
    says = f"{listing(nodes)} still {speak} {versions} over RadSec, beside what is newer."
    remedy = f"Turn {versions} off {settings}."
    if only:
        says = f"{listing(nodes)} {speak} nothing newer than {versions} over RadSec."
        remedy = f"Turn TLS 1.2 and 1.3 on {settings}, and {versions} off."
    draft = Draft(
        rule_id=OLD_TLS,
        nodes=nodes,
        fault=("nothing newer" if only else "old too", *addresses_of(sightings)),
        verdict_at_best=Verdict.BLOCKED if only else None,
        says=says,
        remedy=remedy,
        accepted=accepted,
    )
    return beside_chains(draft, sightings)


def no_certificate_asked(case: Case) -> Iterator[Draft]:
    """Yield a draft for nodes that let peers in without a certificate."""
    found: dict[Acceptance | None, list[Sighting]] = defaultdict(list)
    for visit in case.radsec:
        seen = visit.record.radsec
        if visit.nodes and seen is not None and seen.certificate_asked is False:
            accepted = case.acceptance(UNASKED, visit.nodes, None)
            says = "no CertificateRequest came with the certificate"
            found[accepted].append(Sighting(visit, detail=says))
    for accepted, sightings in found.items():
        nodes = nodes_of(case, sightings)
        draft = Draft(
            rule_id=UNASKED,
            nodes=nodes,
            fault=addresses_of(sightings),
            says=f"{listing(nodes)} {verb(nodes, 'asks', 'ask')} RadSec peers for no certificate.",
            accepted=accepted,
        )
        yield beside_chains(draft, sightings)


def no_sign_of_life(case: Case) -> Iterator[Note]:
    """Yield a note for servers that answer inside TLS, but not the request by which peers tell
    whether they live."""
    quiet = [
        Sighting(visit)
        for visit in case.aside(Aspect.INSIDE, Endpoint.RADSEC)
        if visit.record.outcome is Outcome.SERVED
        and visit.record.radsec is not None
        and visit.record.radsec.status_reply is None
    ]
    nodes = nodes_of(case, quiet)
    if nodes:
        leave = verb(nodes, "leaves", "leave")
        says = (
            f"{listing(nodes)} {leave} Status-Server unanswered inside TLS: peers that watch their"
            " connections by it take them for dead and open them again and again."
        )
        yield Note(SILENT, Endpoint.RADSEC, nodes, None, says, BY_ID[SILENT].source)
