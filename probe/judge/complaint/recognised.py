"""Whether a certificate that a screen shows is one of ours.

Ours is what the plan's servers show or have shown, and the roots that the plan has beside public
ones. What somebody else showed in their place is not: the canary's certificate, and what stands at
an address to which DNS leads against the plan. A fingerprint decides. Names, issuers and dates can
be written into any certificate, so that they only ever fit.
"""

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, date

from probe.assessment import Assessment
from probe.certificate.facts import CertFacts, facts_of
from probe.complaint import Recognised, Shown, Whose
from probe.judge.names import dns_name_matches
from probe.judge.words import called, day, listing
from probe.observation.model import Aspect, Endpoint, Handshake, Survey
from probe.plan.model import Plan
from probe.records import dataclass

_SHA1_DIGITS = 40


@dataclass(frozen=True, slots=True)
class Ours:
    """Every certificate of ours that is known, and where it is served now."""

    certificates: Mapping[str, bytes]
    served: Mapping[str, tuple[str, ...]]
    roots: frozenset[str]
    """The plan's own."""
    leaves: frozenset[str]
    """Those that a server shows now as its own, and was not seen to lack the key of."""
    asked: bool
    """Whether the servers were asked for this complaint; else "now" is when they were last."""
    unseen: tuple[str, ...]
    """What of the plan's servers was not seen, in words."""


def ours(plan: Plan, now: Assessment, remembered: Mapping[str, bytes], *, asked: bool) -> Ours:
    """Return the certificates that are ours."""
    own_records = tuple(_own(now))
    served: dict[str, dict[str, None]] = {}
    for sha256, node in _served(own_records):
        served.setdefault(sha256, {})[node] = None
    order = {node.name: place for place, node in enumerate(plan.nodes)}
    foreign = _foreign(now.survey, own_records) - served.keys()
    found = {sha: der for sha, der in remembered.items() if sha not in foreign}
    found |= {sha: now.survey.certificates[sha] for sha in served if sha in now.survey.certificates}
    own = dict(_own_roots(plan))
    return Ours(
        found | own,
        {
            sha: tuple(sorted(at, key=lambda n: order.get(n, len(order))))
            for sha, at in served.items()
        },
        frozenset(own),
        _leaves(own_records),
        asked,
        tuple(_unseen(plan, own_records)),
    )


def recognised(shown: Shown, known: Ours) -> Recognised:
    """Say whose the certificate on the screen is."""
    if not shown.told:
        return Recognised(Whose.NOT_TOLD, "Nothing was told of the certificate on the screen.")
    if shown.fingerprint is not None:
        return _by_fingerprint(shown.fingerprint, known)
    fitting = tuple(
        sha for sha, der in known.certificates.items() if not _against(shown, facts_of(der))
    )
    if not fitting:
        return _none(
            "No certificate that was seen at the plan's servers, now or as far back as is known, is"
            " like the one on the screen",
            known,
        )
    at = _at(fitting, known)
    where = f", which {listing(at)} {'serves' if len(at) == 1 else 'serve'}" if at else ""
    title = called(facts_of(known.certificates[fitting[0]]))
    return Recognised(
        Whose.FITS,
        f"What was told fits {title}{where}; anybody can write the same into a certificate of his"
        " own, and only its fingerprint tells them apart.",
        fitting,
        at,
    )


def contradicted(shown: Shown, found: Recognised, known: Ours) -> Iterator[str]:
    """Yield what was told besides a fingerprint and is not true of that certificate."""
    if found.whose is Whose.OURS:
        for sha256 in found.certificates:
            facts = facts_of(known.certificates[sha256])
            for what in _against(shown, facts):
                yield f"the fingerprint is that of {called(facts)}, and {what}"


def _by_fingerprint(fingerprint: str, known: Ours) -> Recognised:
    for sha256, der in known.certificates.items():
        if fingerprint in (sha256, _sha1(der) if len(fingerprint) == _SHA1_DIGITS else sha256):
            facts = facts_of(der)
            at = known.served.get(sha256, ())
            if sha256 in known.roots and not at:
                says = f"It is {called(facts)}, a root of the plan's own."
            elif at:
                serve = f"{_serve(at)} now" if known.asked else "served when last seen"
                says = f"It is {called(facts)}, which {listing(at)} {serve}."
            else:
                says = (
                    f"It is {called(facts)}, which was served before and was not seen to be served"
                    " now."
                )
            return Recognised(Whose.OURS, says, (sha256,), at)
    return _none(
        "The fingerprint on the screen is that of no certificate that was seen at the plan's"
        " servers, now or as far back as is known",
        known,
    )


def _none(says: str, known: Ours) -> Recognised:
    but = f"; but nothing was seen of {listing(known.unseen)}" if known.unseen else ""
    return Recognised(Whose.UNKNOWN, f"{says}{but}.")


def _serve(nodes: tuple[str, ...]) -> str:
    return "serves" if len(nodes) == 1 else "serve"


def _sha1(der: bytes) -> str:
    # Screens show it to people; nothing is trusted by it that was not seen at our servers.
    return hashlib.sha1(der, usedforsecurity=False).hexdigest()


def _at(certificates: Iterable[str], known: Ours) -> tuple[str, ...]:
    found = (node for sha in certificates for node in known.served.get(sha, ()))
    return tuple(dict.fromkeys(found))


def _served(own: Iterable[Handshake]) -> Iterator[tuple[str, str]]:
    for record in own:
        for one in record.shown:
            for sha256 in one.chain:
                for node in record.nodes:
                    yield sha256, node


def _leaves(records: Iterable[Handshake]) -> frozenset[str]:
    own = [one for record in records for one in record.shown if one.chain]
    # Anybody can send a certificate along whose key he has not.
    copied = {one.chain[0] for one in own if one.key_proven is False}
    return frozenset(one.chain[0] for one in own) - copied


def _own(now: Assessment) -> Iterator[Handshake]:
    """Yield what the plan's servers have shown. What is read on our own way to the web is whoever
    reads along's."""
    inspected = any(finding.rule == "here-intercepted" for finding in now.findings)
    for record in now.survey.handshakes:
        aside = record.asked.aspect in (Aspect.CANARY, Aspect.LED)
        if not aside and not (inspected and record.endpoint is Endpoint.WEB):
            yield record


def _unseen(plan: Plan, own: Iterable[Handshake]) -> Iterator[str]:
    seen = {(record.endpoint, node) for record in own if record.shown for node in record.nodes}
    for endpoint, called_ in ((Endpoint.WEB, "the web"), (Endpoint.EAP, "EAP")):
        nodes = [
            node.name
            for node in plan.nodes
            if getattr(node, endpoint.value) is not None and (endpoint, node.name) not in seen
        ]
        if nodes:
            yield f"{called_} at {'all nodes' if len(nodes) == len(plan.nodes) else listing(nodes)}"


def _foreign(seen: Survey, records: Iterable[Handshake]) -> frozenset[str]:
    own = set(map(id, records))
    return frozenset(
        sha256
        for record in seen.handshakes
        if id(record) not in own
        for one in record.shown
        for sha256 in one.chain
    )


def _own_roots(plan: Plan) -> Iterator[tuple[str, bytes]]:
    trust = plan.trust
    public = {der for source in trust.public for der in source.certificates}
    sources = (*trust.web, *trust.staff, *trust.eap, *trust.node, *plan.radsec_roots)
    for source in sources:
        for der in source.certificates:
            if der not in public:
                yield hashlib.sha256(der).hexdigest(), der


# ---------------------------------------------------------------- fields


def _against(shown: Shown, facts: CertFacts) -> tuple[str, ...]:
    """Return what was told and is not so in a certificate."""
    found = []
    if shown.name is not None and not _named(shown.name, facts):
        found.append(f'its name is not "{shown.name}"')
    if shown.issuer is not None and not _issued_by(shown.issuer, facts):
        found.append(f'it was not issued by "{shown.issuer}"')
    if shown.expiry is not None and not _ends(shown.expiry, facts):
        found.append(f"it ends on {day(facts.not_after)}")
    return tuple(found)


def _plain(text: str) -> str:
    return " ".join(text.casefold().split())


def _named(name: str, facts: CertFacts) -> bool:
    wanted = _plain(name).removesuffix(".")
    entries = [one.value for one in facts.names]
    texts = {_plain(text) for text in (*facts.common_names, facts.subject, *entries)}
    return wanted in texts or any(
        "*" in entry and dns_name_matches(entry, wanted) for entry in entries
    )


def _issued_by(issuer: str, facts: CertFacts) -> bool:
    # Screens show the common name, the organisation, or the whole name.
    wanted = _plain(issuer)
    parts = {
        _plain(part.partition("=")[2]) for part in facts.issuer.replace("\\,", "\0").split(",")
    }
    return wanted in {part.replace("\0", ",") for part in parts} | {_plain(facts.issuer)}


def _ends(told: date, facts: CertFacts) -> bool:
    if facts.not_after is None:
        return False
    return abs((facts.not_after.astimezone(UTC).date() - told).days) <= 1
