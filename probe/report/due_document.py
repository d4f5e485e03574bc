"""What ends when as JSON, `probe-due/1`."""

from probe.due import Due, Renewal
from probe.report import due_types as types
from probe.report.document import certificate, encoded, maybe, rfc3339, taken
from probe.report.types import Name, Plan
from probe.version import TOOL

FORMAT = "probe-due/1"


def due_to_json(due: Due) -> str:
    """Return the document, with one final newline."""
    public = {one.certificate: one.public for one in due.renewals}
    return encoded(
        types.Due(
            format=FORMAT,
            tool=TOOL,
            plan=Plan(due.plan_name, due.planned),
            taken=taken(due.survey),
            judged_at=rfc3339(due.judged_at),
            verdict=due.verdict.word,
            complete=due.complete,
            interrupted=due.survey.interrupted,
            unseen=due.unseen,
            renewals=tuple(_renewal(due, one) for one in due.renewals),
            steps=tuple(
                types.Step(rfc3339(step.since), step.days, step.validation_days, step.source)
                for step in due.steps
            ),
            certificates={
                sha256: certificate(due.facts[sha256], public[sha256], der)
                for sha256, der in sorted(due.certificates.items())
            },
        )
    )


def _renewal(due: Due, one: Renewal) -> types.Renewal:
    facts = due.facts[one.certificate]
    return types.Renewal(
        certificate=one.certificate,
        role=one.role.value,
        stage=one.stage.value,
        ends=maybe(one.ends),
        renew=maybe(one.renew),
        days=one.days,
        endpoints=tuple(endpoint.value for endpoint in one.endpoints),
        nodes=one.nodes,
        opened=one.opened,
        names=tuple(Name(name.type, name.value) for name in facts.names),
        issuer=facts.issuer if facts.readable else facts.issuer or None,
        served=one.served,
        public=one.public,
        successor_days=one.successor_days,
    )
