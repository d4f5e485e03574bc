"""The answer to a complaint as JSON, `probe-complaint/1`."""

from probe.complaint import Answer, Cause, Complaint, Heard
from probe.report import complaint_types as types
from probe.report.document import encoded, maybe, report_of, rfc3339
from probe.report.types import Evidence, Finding
from probe.version import TOOL

FORMAT = "probe-complaint/1"


def complaint_to_json(answer: Answer) -> str:
    """Return the document, with one final newline."""
    report = report_of(answer.assessment)
    findings = _findings(answer, report.findings)
    spoken_of = {
        *(sha256 for finding in findings for sha256 in finding.certificates),
        *answer.recognised.certificates,
    }
    then = answer.then
    return encoded(
        types.Complaint(
            format=FORMAT,
            tool=TOOL,
            catalogue=report.catalogue,
            plan=report.plan,
            source=answer.source.value,
            taken=report.taken,
            judged_at=report.judged_at,
            then_judged_at=None if then is None else rfc3339(then.judged_at),
            verdict=answer.verdict.word,
            complete=report.complete,
            interrupted=report.interrupted,
            unseen=report.unseen,
            first=answer.first,
            told=_told(answer.complaint),
            heard=tuple(_heard(one) for one in answer.heard),
            clients=answer.families,
            nodes=answer.nodes,
            nodes_why=answer.why_nodes,
            endpoints=tuple(endpoint.value for endpoint in answer.endpoints),
            causes=tuple(_cause(cause) for cause in answer.causes),
            also=tuple(
                types.Also(
                    one.finding, one.rule, one.verdict.word, one.nodes, one.says, one.elsewhere
                )
                for one in answer.also
            ),
            client_side=tuple(
                types.ClientSide(one.cause, one.question) for one in answer.client_side
            ),
            contradictions=answer.contradictions,
            recognised=types.Recognised(
                answer.recognised.whose.value,
                answer.recognised.says,
                answer.recognised.certificates,
                answer.recognised.nodes,
            ),
            advice=types.Advice(answer.advice.sentences, answer.advice.safe, answer.advice.why),
            findings=findings,
            certificates={
                sha256: one for sha256, one in report.certificates.items() if sha256 in spoken_of
            },
        )
    )


def _findings(answer: Answer, found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Return those that are spoken of; of the time of the complaint those that are no more."""
    named = {*(one.finding for one in answer.also), *(cause.finding for cause in answer.causes)}
    known = {one.id for one in found}
    earlier = () if answer.then is None else report_of(answer.then).findings
    return tuple(
        one for one in (*found, *(one for one in earlier if one.id not in known)) if one.id in named
    )


def _told(complaint: Complaint) -> types.Told:
    shown = complaint.shown
    return types.Told(
        saw=complaint.saw,
        clients=complaint.clients,
        page=complaint.page,
        wifi=complaint.wifi,
        site=complaint.site,
        nodes=complaint.nodes,
        when=maybe(complaint.when),
        shown=types.Shown(
            shown.name,
            shown.issuer,
            shown.expiry.isoformat() if shown.expiry is not None else None,
            shown.fingerprint,
        ),
        alerts=tuple(
            types.Alerts(one.alert, one.received, one.times, maybe(one.first), maybe(one.last))
            for one in complaint.log
        ),
    )


def _heard(heard: Heard) -> types.Heard:
    return types.Heard(
        said=heard.said,
        known=tuple(
            types.Words(one.family, one.words, one.code, one.rules, one.source)
            for one in heard.known
        ),
        partly=heard.partly,
        unspecific=heard.unspecific,
        nearest=heard.nearest,
    )


def _cause(cause: Cause) -> types.Cause:
    return types.Cause(
        rule=cause.rule,
        standing=cause.standing.value,
        says=cause.says,
        verdict=cause.verdict.word if cause.verdict is not None else None,
        endpoint=cause.endpoint.value if cause.endpoint is not None else None,
        nodes=cause.nodes,
        name=cause.name,
        clients=cause.clients,
        evidence=tuple(
            Evidence(item.where, item.value, item.observation) for item in cause.evidence
        ),
        decides=cause.decides,
        remedy=cause.remedy,
        source=cause.source,
        finding=cause.finding,
        then=cause.then,
        fixed_since=maybe(cause.fixed_since),
        came_and_went=cause.came_and_went,
    )
