"""Whether certificates were revoked, as far as their CAs told, and the staples of servers.

What is known of each certificate on a path is another room's (`probe.judge.authority`). Said here
is what to make of it: a certificate that was revoked; a source that is of no use to anybody; and
what could not be seen from here, which accuses nobody.
"""

from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise

from probe.assessment import Evidence, Note, Verdict
from probe.certificate.facts import CertFacts
from probe.judge.authority.model import Answer, Status, Why
from probe.judge.authority.ocsp import check_response
from probe.judge.authority.sources import Known, Source
from probe.judge.case import Case, Visit
from probe.judge.catalogue import BY_ID
from probe.judge.clients.reactions import Reacted, react
from probe.judge.draft import Draft, Sighting, name_of, nodes_of, resting_on
from probe.judge.override import hardened
from probe.judge.rules import revocation_words as words
from probe.judge.rules.certificate import beside_another, readable, watchers
from probe.judge.rules.certificate_words import Said
from probe.judge.see import WHAT
from probe.judge.strict import no_way_out
from probe.judge.words import day
from probe.observation.model import Endpoint, FetchKind
from probe.plan.model import Acceptance
from probe.records import dataclass, replace

UNSEEN = "out of reach"
"""Marks what was not seen, in place of the sources that were of no use."""

NOT_FETCHED = "nothing was fetched"
"""Marks that the plan wants nothing fetched."""

_SHORT_LIVED = timedelta(days=7)
"""Who ends so soon need not be revoked (BR, 1.6.1 and 4.9.1)."""

_STAPLES = {
    Why.STALE: "staple-stale",
    Why.EARLY: "staple-early",
    Why.NOT_ITS: "staple-foreign",
    Why.SCOPE: "staple-of-another",
    Why.REFUSED: "staple-refused",
    Why.UNREADABLE: "staple-unreadable",
}
"""What clients object to in a staple, as the client data calls it."""


@dataclass(frozen=True, slots=True)
class _Cause:
    kind: str
    key: tuple[str, ...]
    accepted: Acceptance | None


@dataclass(frozen=True, slots=True)
class _Link:
    """One certificate of a path, its issuer, and what is known of it."""

    subject: CertFacts
    issuer: CertFacts
    known: Known


def revocations(case: Case, endpoint: Endpoint) -> Iterator[Draft | Note]:
    """Yield a draft for each thing that authorities say, or fail to say, of what is served."""
    causes: dict[_Cause, list[Sighting]] = defaultdict(list)
    about: dict[_Cause, list[Source]] = defaultdict(list)
    noted: dict[_Cause, list[Sighting]] = defaultdict(list)
    for visit in readable(case, endpoint):
        for subject, kind, key, sources in _said_of(case, visit):
            if kind == "noted":
                cause = _Cause(kind, key, None)
                noted[cause].append(Sighting(visit, subject.sha256))
                about[cause] += sources
                continue
            reacted = _reacted(case, visit, "revoked") if kind == "revoked" else ()
            rule_id = f"{endpoint.value}-{kind}"
            cause = _Cause(kind, key, case.acceptance(rule_id, visit.nodes, visit.name))
            detail = words.detail_of(subject, sources)
            causes[cause].append(Sighting(visit, subject.sha256, reacted, detail))
            about[cause] += sources
    for cause, sightings in causes.items():
        yield _draft(case, endpoint, cause, sightings, about[cause])
    for cause, sightings in noted.items():
        rule_id = f"{endpoint.value}-revocation-unknown"
        nodes = nodes_of(case, sightings)
        if cause.key == (NOT_FETCHED,):
            says = words.not_fetched(nodes)
        else:
            says = words.one_unusable(nodes, about[cause])
        yield Note(rule_id, endpoint, nodes, None, says, BY_ID[rule_id].source)


_Told = tuple[CertFacts, str, tuple[str, ...], list[Source]]
"""A certificate, which rule speaks of it, what its sightings share, and what that rests on."""


def _said_of(case: Case, visit: Visit) -> tuple[_Told, ...]:
    """Return what is to be said of the certificates of a path, found once for nodes that serve it
    alike; of a staple it counts when it came."""
    staple = _staple(visit)
    came = None if staple is None else visit.record.at
    key = _said_of, visit.meeting, staple, came
    return case.once(
        key,
        lambda: tuple(
            (link.subject, *told) for link in _links(case, visit) if (told := _told(case, link))[0]
        ),
    )


def _links(case: Case, visit: Visit) -> Iterator[_Link]:
    """Yield the certificates of the path that have an issuer at hand; an anchor needs none."""
    path = case.reference(visit).path
    for sha256, above in pairwise(path):
        subject, issuer = case.certificate(sha256), case.certificate(above)
        if subject is None or issuer is None or subject.self_signed:
            return
        staple = _staple(visit) if sha256 == visit.chain[0] else None
        staples = () if staple is None else ((staple, visit.record.at),)
        yield _Link(subject, issuer, case.authorities.known(subject, issuer, staples))


def _staple(visit: Visit) -> bytes | None:
    return visit.record.served.staple if visit.record.served else None


def _reacted(case: Case, visit: Visit, objection: str) -> tuple[Reacted, ...]:
    reacted: list[Reacted] = []
    for _, clients, _ in watchers(case, visit):
        reacted += hardened(react(clients, objection), case.leaf(visit), first=True)
    return no_way_out(case.strict, visit.name, tuple(dict.fromkeys(reacted)))


def _told(case: Case, link: _Link) -> tuple[str, tuple[str, ...], list[Source]]:
    """Return which rule speaks of a certificate ("": none), what its sightings share, and the
    sources that it rests on."""
    subject, known = link.subject, link.known
    if known.revoking is not None and known.revoking.answer is not None:
        answer = known.revoking.answer
        cause = (subject.sha256,) if subject.is_ca else (subject.issuer, day(answer.since))
        return "revoked", cause, [known.revoking]
    sources = [source for source in known.sources if source.kind is not None]
    unusable = [source for source in sources if source.unusable]
    if known.status is Status.GOOD:
        if unusable:
            return "noted", _facts_of(unusable), unusable
        return "", (), []
    if not sources or not _needs_status(subject, case.at):
        return "", (), []
    if unusable:
        return "revocation-unknown", _facts_of(unusable), unusable
    if case.plan.fetch.off and all(source.fetch is None for source in sources):
        return "noted", (NOT_FETCHED,), sources
    return "revocation-unknown", (UNSEEN,), sources


def _facts_of(sources: list[Source]) -> tuple[str, ...]:
    """Return what is wrong with each, without times: the same in every run."""
    told = (
        f"{source.url}: {source.answer.why.value}"
        if source.answer is not None and source.answer.why is not None
        else f"{source.url}: {source.fetch.outcome.value if source.fetch else ''}"
        for source in sources
    )
    return tuple(dict.fromkeys(told))


def _needs_status(subject: CertFacts, at: datetime) -> bool:
    """Whether anybody would want to know: lists do not have what has expired, and need not have
    what ends within days."""
    begins, ends = subject.not_before, subject.not_after
    if begins is None or ends is None or not begins <= at <= ends:
        return False
    return subject.is_ca is True or ends - begins > _SHORT_LIVED


def _said(case: Case, endpoint: Endpoint, sightings: list[Sighting], key: tuple[str, ...]) -> Said:
    at_fault = tuple(dict.fromkeys(s.certificate for s in sightings if s.certificate in case.facts))
    return Said(
        endpoint,
        nodes_of(case, sightings),
        name_of(case, sightings) if endpoint is Endpoint.WEB else None,
        at_fault,
        tuple(dict.fromkeys(sighting.visit.chain[0] for sighting in sightings)),
        key,
        beside_another(case, (sighting.visit for sighting in sightings)),
    )


def _draft(
    case: Case,
    endpoint: Endpoint,
    cause: _Cause,
    sightings: list[Sighting],
    sources: list[Source],
) -> Draft:
    said = _said(case, endpoint, sightings, cause.key)
    unseen = cause.key == (UNSEEN,)
    if cause.kind == "revoked":
        answer = sources[0].answer
        assert answer is not None  # noqa: S101  # it is what has it as revoked
        sentence = words.revoked(case, said, answer)
    elif unseen:
        sentence = words.unseen(case, said, sources)
    else:
        sentence = words.unusable(case, said, sources)
    draft = Draft(
        rule_id=f"{endpoint.value}-{cause.kind}",
        nodes=said.nodes,
        name=said.name,
        certificates=said.at_fault,
        fault=() if cause.kind == "revoked" else cause.key,
        verdict_at_best=Verdict.UNSEEN if unseen else None,
        says=sentence.says,
        remedy=sentence.remedy,
        accepted=cause.accepted,
    )
    draft = resting_on(draft, sightings)
    return replace(draft, evidence=(*draft.evidence, *_to_see(sources)))


def _to_see(sources: list[Source]) -> Iterator[Evidence]:
    """Yield the line by which anybody can see it: the first list, or else the first responder."""
    fetched = sorted(
        (one for one in sources if one.url), key=lambda one: one.kind is FetchKind.OCSP
    )
    if fetched:
        yield Evidence(WHAT, words.line(fetched[0]), None)


# ---------------------------------------------------------------- staples


def staples(case: Case, endpoint: Endpoint) -> Iterator[Draft]:
    """Yield what is wrong with the staples of servers: a good one is not needed, unless the
    certificate demands it."""
    causes: dict[_Cause, list[Sighting]] = defaultdict(list)
    for visit in readable(case, endpoint):
        found = _wrong_staple(case, visit)
        if found is None:
            continue
        kind, key, objection, says = found
        rule_id = f"{endpoint.value}-{kind}"
        cause = _Cause(kind, key, case.acceptance(rule_id, visit.nodes, visit.name))
        reacted = _reacted(case, visit, objection)
        causes[cause].append(Sighting(visit, visit.chain[0], reacted, says))
    for cause, sightings in causes.items():
        said = _said(case, endpoint, sightings, cause.key)
        sentence = words.staple(case, said, sightings[0].detail, missing=not cause.key[-1])
        draft = Draft(
            rule_id=f"{endpoint.value}-{cause.kind}",
            nodes=said.nodes,
            name=said.name,
            certificates=said.at_fault,
            says=sentence.says,
            remedy=sentence.remedy,
            accepted=cause.accepted,
        )
        yield resting_on(draft, sightings)


def _wrong_staple(case: Case, visit: Visit) -> tuple[str, tuple[str, ...], str, str] | None:
    """Return rule, cause, objection and words."""
    leaf, staple = case.leaf(visit), _staple(visit)
    if staple is None:
        if not leaf.must_staple:
            return None
        says = "it demands a stapled OCSP response, and none comes with it"
        return "staple-missing", (leaf.issuer, ""), "staple-missing", says
    answer = _stapled(case, visit, staple)
    if answer is None or answer.status is not Status.UNKNOWN or answer.why is None:
        return None
    objection = _STAPLES.get(answer.why)
    if objection is None:
        return None
    return "staple-bad", (leaf.issuer, objection), objection, f"its staple: {answer.says}"


def _stapled(case: Case, visit: Visit, staple: bytes) -> Answer | None:
    path = case.reference(visit).path
    issuer = case.certificate(path[1]) if len(path) > 1 else None
    if issuer is None:
        return None  # nobody can tell whose it is: that the issuer is missing is another matter
    return check_response(staple, case.leaf(visit), issuer, at=case.at, came=visit.record.at)
