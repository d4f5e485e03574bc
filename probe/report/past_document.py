"""What the history tells as JSON, `probe-past/1`."""

from probe.past import Between, Past
from probe.report import past_types as types
from probe.report.document import certificate, change, encoded, rfc3339
from probe.version import TOOL

FORMAT = "probe-past/1"


def past_to_json(past: Past) -> str:
    """Return the document, with one final newline."""
    return encoded(
        types.Past(
            format=FORMAT,
            tool=TOOL,
            plan=past.plan,
            forgotten=past.forgotten,
            runs=tuple(
                types.Run(
                    id=run.id,
                    plan=types.PlanKept(run.plan, run.digest),
                    began=rfc3339(run.began),
                    ended=rfc3339(run.ended),
                    machine=run.machine,
                    vantage=run.vantage,
                    tool=run.tool,
                    interrupted=run.interrupted,
                    questions=run.questions,
                    unseen=run.unseen,
                    nodes=run.nodes,
                    endpoints=tuple(endpoint.value for endpoint in run.endpoints),
                    clock_back=run.clock_back,
                )
                for run in past.runs
            ),
            between=_between(past.between),
            sightings=tuple(
                types.Sighting(
                    certificate=one.certificate,
                    plan=one.plan,
                    endpoint=one.endpoint.value,
                    place=one.place,
                    first=rfc3339(one.first),
                    last=rfc3339(one.last),
                )
                for one in past.sightings
            ),
            certificates={
                # Whose CA it is of is not judged here.
                sha256: certificate(past.facts[sha256], "unknown", der)
                for sha256, der in sorted(past.certificates.items())
            },
        )
    )


def _between(between: Between | None) -> types.Between | None:
    if between is None:
        return None
    return types.Between(
        between.earlier,
        between.later,
        between.compared,
        tuple(change(item) for item in between.changes),
    )
