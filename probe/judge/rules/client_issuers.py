"""The CAs of the clients' own certificates: that they end, and that their lists are out of date.

Servers that check lists refuse every client certificate of a CA whose list they cannot rely on
(RFC 5216, 5.4; RFC 5280, 6.3.3). What is seen here was seen from this machine, and not from them.
"""

from collections.abc import Iterator
from datetime import datetime

from probe.assessment import Evidence, Verdict
from probe.certificate.facts import CertFacts, facts_of
from probe.certificate.keys import signed_by
from probe.judge.authority.crl import read_list, signer_of
from probe.judge.authority.model import Answer, Status, Why, currency
from probe.judge.case import Case
from probe.judge.draft import Draft
from probe.judge.words import called, day, listing, minute, verb
from probe.observation.model import Fetch, FetchKind, Method
from probe.records import dataclass

_CRL = "eap-client-crl-stale"
_END = "eap-client-ca-expiring"

_LATE = 20
"""A list is replaced some time before its end: by default one CA does it for the last tenth, at
most twelve hours. Where a twentieth is left, the next one is late."""


@dataclass(frozen=True, slots=True)
class _Listed:
    """One list that matters to servers, and how it stands."""

    url: str
    late: Answer | None
    due: datetime | None
    fetch: Fetch


def client_issuers(case: Case) -> Iterator[Draft]:
    """Yield what is wrong with the CAs of client certificates, at the nodes that take them."""
    speaking = {node for visit in case.eap for node in visit.nodes}
    nodes = tuple(
        name
        for name in case.sort_nodes(speaking)
        if (eap := case.nodes[name].eap) is not None and Method.EAP_TLS in eap.methods
    )
    if not nodes:
        return
    given = tuple(
        dict.fromkeys(
            der for source in case.plan.trust.client_issuers for der in source.certificates
        )
    )
    for der in given:
        facts = facts_of(der)
        if facts.readable:
            yield from _ending(case, facts, nodes)
            yield from _lists(case, der, facts, nodes)


# ---------------------------------------------------------------- their end


def _ending(case: Case, issuer: CertFacts, nodes: tuple[str, ...]) -> Iterator[Draft]:
    end = issuer.not_after
    if end is None or end > case.anchor_horizon:
        return
    over = end < case.at
    ends = "ended" if over else "ends"
    taken = "no longer takes" if len(nodes) == 1 else "no longer take"
    yield Draft(
        rule_id=_END,
        nodes=nodes,
        certificates=(issuer.sha256,) if issuer.sha256 in case.facts else (),
        fault=(issuer.sha256,),
        verdict_at_best=Verdict.BLOCKED if over else Verdict.DUE,
        due=None if over else end,
        says=f"The CA {called(issuer)} of the clients' own certificates {ends} on {day(end)}: from"
        f" then on {listing(nodes)} {taken} any of them.",
        remedy=f"Give {listing(nodes)} the CA's next certificate, and have clients' certificates"
        " issued by it, before that day.",
        evidence=(
            Evidence("trust.client_issuers", f"{called(issuer)}: it {ends} {minute(end)}", None),
        ),
    )


# ---------------------------------------------------------------- their lists


def _lists(case: Case, der: bytes, issuer: CertFacts, nodes: tuple[str, ...]) -> Iterator[Draft]:
    above = _above(case, der, issuer)
    for listed in (*_own(case, issuer), *_of_above(case, issuer, above)):
        clients = tuple(dict.fromkeys(client.family for client in case.supplicants))
        draft = _draft(issuer, listed, nodes, clients)
        if draft is not None:
            yield draft
    yield from _unseen(case, issuer, above, nodes)


def _above(case: Case, der: bytes, issuer: CertFacts) -> CertFacts | None:
    if issuer.self_issued:
        return None
    found = case.authorities.pool.named(issuer.issuer_raw)
    return next((one for one in map(facts_of, found) if signed_by(der, one.spki)), None)


def _own(case: Case, issuer: CertFacts) -> Iterator[_Listed]:
    """Yield the lists of the CA itself, where a served certificate of the same CA named them."""
    yield from _signed_by(case, (issuer,), None)


def _of_above(case: Case, issuer: CertFacts, above: CertFacts | None) -> Iterator[_Listed]:
    """Yield the lists that the CA's own certificate names."""
    if above is not None:
        yield from _signed_by(case, case.authorities.lists.signers(above), issuer)


def _signed_by(
    case: Case, signers: tuple[CertFacts, ...], subject: CertFacts | None
) -> Iterator[_Listed]:
    for fetch in case.survey.fetches:
        body = case.survey.bodies.get(fetch.body or "")
        if fetch.kind is not FetchKind.CRL or body is None:
            continue
        if subject is not None and fetch.url not in subject.crl_addresses:
            continue
        listed = read_list(body)
        if isinstance(listed, str) or signer_of(body, signers) is None:
            continue
        begins, ends = listed.this_update, listed.next_update
        late = currency("the list", begins, ends, at=case.at, came=fetch.at)
        near = None
        if late is None and ends is not None and (ends - case.at) * _LATE <= ends - begins:
            near = ends
        yield _Listed(fetch.url, late, near, fetch)


def _draft(
    issuer: CertFacts, listed: _Listed, nodes: tuple[str, ...], clients: tuple[str, ...]
) -> Draft | None:
    if listed.due is not None:
        state = f"ends {minute(listed.due)}, and its successor is not there yet"
    elif listed.late is not None and listed.late.why in (Why.STALE, Why.EARLY):
        state = listed.late.says.removeprefix("the list ")
    else:
        return None
    where = f"{listing(nodes)} {verb(nodes, 'checks', 'check')} it"
    they = verb(nodes, "it refuses", "they refuse")
    return Draft(
        rule_id=_CRL,
        nodes=nodes,
        fault=(listed.url,),
        verdict_at_best=Verdict.DUE if listed.due is not None else Verdict.BLOCKED,
        due=listed.due,
        says=f"The list of revoked certificates at {listed.url}, for the CA {called(issuer)} of the"
        f" clients' own certificates, {state}: if {where}, {they} every client certificate. Seen"
        " from here, not from the nodes.",
        remedy="Have the CA publish a current list there, and see that the nodes can fetch it.",
        clients=clients,
        evidence=(Evidence(listed.url, f"the list {state}", None),),
    )


def _unseen(
    case: Case, issuer: CertFacts, above: CertFacts | None, nodes: tuple[str, ...]
) -> Iterator[Draft]:
    """Yield that the lists which the CA's certificate names were not seen from here."""
    if above is None or case.plan.fetch.off:
        return
    known = case.authorities.known(issuer, above)
    lists = [source for source in known.sources if source.kind is FetchKind.CRL]
    if not lists or known.status is not Status.UNKNOWN:
        return
    if any(source.answer is not None for source in lists):
        return
    told = listing([f"{source.url} ({source.says})" for source in lists], most=3)
    yield Draft(
        rule_id=_CRL,
        nodes=nodes,
        fault=tuple(source.url for source in lists),
        verdict_at_best=Verdict.UNSEEN,
        says=f"Whether the list of revoked certificates for the CA {called(issuer)} of the clients'"
        f" own certificates is current was not seen from here: {told}.",
        remedy="See that this machine, and the nodes, can fetch the list over HTTP.",
        evidence=tuple(Evidence(source.url, source.says, None) for source in lists),
    )
