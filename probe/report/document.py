"""The assessment as JSON, `probe-report/1`: every key always there, in a stable order.

Nothing is decided here: fields are renamed, times written, and each observation is put under the
node that it speaks of.
"""

import base64
import re
from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import msgspec

from probe.assessment import Accepted, Assessment, Change, Decided, Expectation, Finding, Since
from probe.certificate.facts import UNKNOWN, CertFacts
from probe.observation.model import (
    Handshake,
    HandshakeAsk,
    LoginSeen,
    Lookup,
    LookupAsk,
    Question,
    RadsecSeen,
    Survey,
    Trial,
)
from probe.report import types
from probe.report.escape import quiet_json
from probe.version import TOOL

FORMAT = "probe-report/1"

PEM_COLUMNS = 64
"""RFC 7468, 2: generators wrap base64 at 64 characters."""

_SURROGATES = re.compile("[\ud800-\udfff]")


def to_json(assessment: Assessment) -> str:
    """Return the document, with one final newline. It holds no secret, as a survey holds none."""
    return encoded(report_of(assessment))


def report_of(assessment: Assessment) -> types.Report:
    """Return the document as values of the types that its Schema is generated from."""
    survey = assessment.survey
    return types.Report(
        format=FORMAT,
        tool=TOOL,
        catalogue=assessment.catalogue,
        plan=types.Plan(assessment.plan_name, assessment.planned),
        roots=tuple(types.RootStore(r.name, r.version, r.count) for r in assessment.roots),
        taken=taken(survey),
        judged_at=rfc3339(assessment.judged_at),
        verdict=assessment.verdict.word,
        complete=assessment.complete,
        interrupted=survey.interrupted,
        unseen=assessment.unseen,
        nodes=_nodes(assessment),
        certificates={
            sha256: certificate(
                assessment.facts[sha256], assessment.public.get(sha256, "unknown"), der
            )
            for sha256, der in sorted(survey.certificates.items())
        },
        findings=tuple(finding_of(finding) for finding in assessment.findings),
        notes=tuple(
            types.Note(n.rule, n.endpoint, n.nodes, n.name, n.says, n.source)
            for n in assessment.notes
        ),
        since=_since(assessment.since),
        expected=tuple(_expectation(one) for one in assessment.expected),
        decided=_decided(assessment.decided),
    )


def _decided(decided: Decided | None) -> types.Decided | None:
    if decided is None:
        return None
    return types.Decided(
        decided.node,
        decided.client,
        tuple(
            types.Decision(
                setup=one.setup,
                endpoint=one.endpoint,
                address=one.address,
                port=one.port,
                opened=one.opened,
                verdict=one.verdict.word,
                steps=tuple(
                    types.Step(
                        about=step.about,
                        says=step.says,
                        reaction=step.does.value if step.does is not None else None,
                        words=step.words,
                        verdict=step.verdict.word if step.verdict is not None else None,
                        source=step.source,
                        basis=step.basis.value if step.basis is not None else None,
                    )
                    for step in one.steps
                ),
            )
            for one in decided.decisions
        ),
    )


def _expectation(one: Expectation) -> types.Expectation:
    return types.Expectation(
        title=one.title,
        certificate=one.certificate,
        not_after=maybe(one.until),
        chain_known=one.chain_known,
        fulfilled=one.fulfilled,
        at=tuple(
            types.ExpectedAt(at.node, at.endpoint, at.stage.value, at.certificates) for at in one.at
        ),
    )


def taken(survey: Survey) -> tuple[types.Taken, ...]:
    """Return when and from where a survey was taken."""
    return tuple(
        types.Taken(t.machine, t.vantage, rfc3339(t.began), rfc3339(t.ended)) for t in survey.taken
    )


def rfc3339(moment: datetime) -> str:
    """Return a time in UTC, cut to whole seconds: "2026-11-25T14:47:10Z"."""
    # Not strftime: it writes years before 1000 with fewer than four digits on some systems.
    return moment.astimezone(UTC).replace(microsecond=0, tzinfo=None).isoformat() + "Z"


def maybe(moment: datetime | None) -> str | None:
    """Return a time as `rfc3339` does, null where it is unknown."""
    return None if moment is None else rfc3339(moment)


def _nodes(assessment: Assessment) -> tuple[types.Node, ...]:
    names = [node.name for node in assessment.nodes]
    visited: dict[str, list[types.Visited]] = defaultdict(list)
    looked: dict[str, list[types.Looked]] = defaultdict(list)
    handshakes: dict[str, list[Handshake]] = defaultdict(list)
    lookups: dict[str, list[Lookup]] = defaultdict(list)
    for handshake in assessment.survey.handshakes:
        handshakes[handshake.question].append(handshake)
    for lookup in assessment.survey.lookups:
        lookups[lookup.question].append(lookup)
    known = frozenset(names)
    for question in assessment.survey.questions:
        # A service's question is one entry, at the first node that it speaks of.
        node = next(filter(known.__contains__, question.nodes), None)
        if node is None:
            continue
        if question.handshake is not None:
            visited[node] += _visits(question, question.handshake, handshakes[question.id])
        if question.lookup is not None:
            looked[node] += _lookups(question.lookup, lookups[question.id])
    return tuple(
        types.Node(
            name=node.name,
            verdict=node.verdict.word,
            endpoints=tuple(sorted(visited[node.name], key=_by_place)),
            lookups=tuple(looked[node.name]),
            verdicts={kind: verdict.word for kind, verdict in node.endpoints},
        )
        for node in assessment.nodes
    )


def _by_place(entry: types.Visited) -> tuple[str, str, int, str]:
    """Endpoint, address, port, question: as the texts stand, so that anyone can check the order."""
    return entry.endpoint, entry.address or "", entry.port, entry.id


def _visits(
    question: Question, asked: HandshakeAsk, records: list[Handshake]
) -> Iterator[types.Visited]:
    if not records:
        yield _visit(question, asked, None)
    for record in records:
        yield _visit(question, record.asked, record)


def _visit(question: Question, asked: HandshakeAsk, record: Handshake | None) -> types.Visited:
    served = record.served if record else None
    eap = record.eap if record else None
    radsec = record.radsec if record else None
    asks = radsec or eap
    return types.Visited(
        id=question.id,
        endpoint=question.endpoint,
        address=asked.address,
        port=asked.port,
        name=asked.name,
        asked=types.Asked(
            server_name=asked.server_name,
            method=asked.methods[0] if asked.methods else None,
            key_family=asked.key_family,
            tls=asked.tls,
            visit=asked.visit,
            aspect=asked.aspect,
        ),
        outcome=record.outcome if record else None,
        phase=record.phase if record else None,
        detail=record.detail if record else None,
        alert=record.alert if record else None,
        method=eap.method if eap else None,
        tls=served.tls if served else None,
        cipher=served.cipher if served else None,
        key_family=served.key_family if served else None,
        key_proven=served.key_proven if served else None,
        chain=served.chain if served else (),
        round_trips=record.round_trips if record else None,
        seconds=round(record.seconds, 4) if record else None,
        proposed=eap.proposed if eap else (),
        client_authorities=asks.client_authorities if asks else None,
        trials=tuple(map(_trial, record.trials)) if record else (),
        login=_login(record.login) if record and record.login else None,
        radsec=_radsec(radsec) if radsec else None,
    )


def _trial(tried: Trial) -> types.Trial:
    return types.Trial(tried.kind, tried.outcome, tried.detail, tried.replied_from)


def _radsec(seen: RadsecSeen) -> types.Radsec:
    behind = seen.eap_served
    return types.Radsec(
        certificate_asked=seen.certificate_asked,
        alpn=seen.alpn,
        status_reply=seen.status_reply,
        eap_outcome=seen.eap_outcome,
        eap_detail=seen.eap_detail,
        eap_tls=behind.tls if behind else None,
        eap_chain=behind.chain if behind else (),
    )


def _login(seen: LoginSeen) -> types.Login:
    return types.Login(
        sent=seen.sent,
        accepted=seen.accepted,
        detail=seen.detail,
        inner=seen.inner,
        attributes=tuple(types.Attribute(name, value) for name, value in seen.attributes),
        keys_agree=seen.keys_agree,
        resumable=seen.resumable,
    )


def _lookups(asked: LookupAsk, records: list[Lookup]) -> Iterator[types.Looked]:
    if not records:
        yield types.Looked(
            asked.resolver, asked.view, asked.name, asked.type, None, (), (), None, None, None
        )
    for record in records:
        yield types.Looked(
            resolver=record.asked.resolver,
            view=record.asked.view,
            name=record.asked.name,
            type=record.asked.type,
            outcome=record.outcome,
            aliases=record.aliases,
            data=record.data,
            ttl=record.ttl,
            dnssec=record.dnssec,
            detail=record.detail,
        )


def certificate(facts: CertFacts, public: str, der: bytes) -> types.Certificate:
    """Return what one certificate says."""
    readable = facts.readable
    return types.Certificate(
        subject=facts.subject if readable else facts.subject or None,
        issuer=facts.issuer if readable else facts.issuer or None,
        serial=facts.serial or None,
        names=tuple(types.Name(name.type, name.value) for name in facts.names),
        not_before=maybe(facts.not_before),
        not_after=maybe(facts.not_after),
        key=None if facts.key == UNKNOWN else facts.key,
        signature=None if facts.signature == UNKNOWN else facts.signature,
        public=public,
        oddities=facts.oddities,
        pem=pem(der),
    )


def pem(der: bytes) -> str:
    """Return any octets as a PEM certificate (RFC 7468, 5), whether or not they are one."""
    text = base64.b64encode(der).decode("ascii")
    lines = [text[start : start + PEM_COLUMNS] for start in range(0, len(text), PEM_COLUMNS)]
    return "\n".join(["-----BEGIN CERTIFICATE-----", *lines, "-----END CERTIFICATE-----", ""])


def finding_of(finding: Finding) -> types.Finding:
    """Return a finding as it stands in documents."""
    return types.Finding(
        id=finding.id,
        rule=finding.rule,
        verdict=finding.verdict.word,
        endpoint=finding.endpoint,
        nodes=finding.nodes,
        name=finding.name,
        addresses=finding.addresses,
        certificates=finding.certificates,
        clients=finding.clients,
        reactions=tuple(
            types.Reaction(item.client, item.setup, item.does.value, item.words)
            for item in finding.reactions
        ),
        due=maybe(finding.due),
        folded=tuple(
            types.Folded(item.id, item.rule, item.says, item.nodes) for item in finding.folded
        ),
        accepted=_accepted(finding.accepted),
        says=finding.says,
        evidence=tuple(
            types.Evidence(item.where, item.value, item.observation) for item in finding.evidence
        ),
        remedy=finding.remedy,
        source=finding.source,
        basis=finding.basis.value,
    )


def _accepted(accepted: Accepted | None) -> types.Accepted | None:
    if accepted is None:
        return None
    return types.Accepted(accepted.reason, rfc3339(accepted.until), accepted.expired)


def change(item: Change) -> types.Change:
    """Return one change between two runs."""
    return types.Change(
        item.endpoint,
        item.nodes,
        item.names,
        item.what,
        item.before,
        item.after,
        item.says,
    )


def _since(since: Since | None) -> types.Since | None:
    if since is None:
        return None
    return types.Since(
        last=rfc3339(since.last),
        oldest=rfc3339(since.oldest),
        compared=since.compared,
        changes=tuple(change(item) for item in since.changes),
        appeared=since.appeared,
        gone=tuple(types.Folded(one.id, one.rule, one.says, one.nodes) for one in since.gone),
        altered=tuple(types.Altered(one.id, one.was.word, one.nodes) for one in since.altered),
    )


def encoded(document: msgspec.Struct) -> str:
    """Return a document as JSON with one final newline, fit for a terminal."""
    try:
        octets = msgspec.json.encode(document)
    except UnicodeEncodeError:
        # A peer's octets that are no UTF-8 were kept as lone surrogates, which JSON cannot carry.
        octets = msgspec.json.encode(_without_surrogates(msgspec.to_builtins(document)))
    return quiet_json(msgspec.json.format(octets, indent=2).decode()) + "\n"


def _without_surrogates(value: Any) -> Any:
    """Return JSON-like data with U+FFFD for every lone surrogate in its texts."""
    if isinstance(value, str):
        return _SURROGATES.sub("\ufffd", value)
    if isinstance(value, dict):
        return {_without_surrogates(key): _without_surrogates(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_without_surrogates(item) for item in value]
    return value
