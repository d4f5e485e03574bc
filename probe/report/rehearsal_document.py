"""A rehearsal as JSON, `probe-rehearsal/1`."""

from collections.abc import Iterable

from probe.observation.model import fingerprint
from probe.rehearsal import Advice, Experience, Rehearsal, Step, Trouble
from probe.report import rehearsal_types as types
from probe.report.document import certificate, encoded, finding_of, rfc3339, taken
from probe.report.types import Plan
from probe.version import TOOL

FORMAT = "probe-rehearsal/1"


def rehearsal_to_json(rehearsal: Rehearsal) -> str:
    """Return the document, with one final newline."""
    bundle, today = rehearsal.bundle, rehearsal.today
    chain = tuple(fingerprint(der) for der in bundle.offered.chain)
    of_files = {
        sha256: certificate(bundle.facts[sha256], bundle.public[sha256], der)
        for sha256, der in bundle.certificates.items()
    }
    of_nodes = {
        sha256: certificate(today.facts[sha256], today.public[sha256], der)
        for sha256, der in today.survey.certificates.items()
    }
    return encoded(
        types.Rehearsal(
            format=FORMAT,
            tool=TOOL,
            catalogue=today.catalogue,
            plan=Plan(today.plan_name, today.planned),
            taken=taken(rehearsal.survey),
            known_from=rehearsal.known_from,
            judged_at=rfc3339(today.judged_at),
            verdict=rehearsal.verdict.word,
            interrupted=rehearsal.survey.interrupted,
            leaf=chain[0],
            chain=chain,
            meant_for=tuple(one.value for one in rehearsal.endpoints),
            order=rehearsal.order,
            already=rehearsal.already,
            first=rehearsal.first,
            steps=tuple(_step(step) for step in rehearsal.steps),
            troubles=tuple(_trouble(one) for one in rehearsal.troubles),
            anew=tuple(
                types.Anew(
                    one.client, one.setup, one.feels.word, one.nodes, one.words, one.why, one.source
                )
                for one in rehearsal.anew
            ),
            advice=tuple(_advice(one) for one in rehearsal.advice),
            resumption=None
            if rehearsal.resumption is None
            else types.Resumption(
                rehearsal.resumption.nodes, rehearsal.resumption.says, rehearsal.resumption.source
            ),
            unknown=rehearsal.unknown,
            left_behind=tuple(finding_of(one) for one in rehearsal.left_behind),
            files=tuple(finding_of(one) for one in rehearsal.blocking),
            certificates=dict(sorted((of_nodes | of_files).items())),
        )
    )


def _step(step: Step) -> types.Step:
    return types.Step(
        done=step.done,
        newly=step.newly,
        verdict=step.verdict.word,
        experiences=tuple(_experience(one) for one in step.experiences),
        findings=tuple(finding_of(finding) for finding in step.findings),
    )


def _experience(one: Experience) -> types.Experience:
    return types.Experience(
        one.client, one.setup, one.feels.word, one.nodes, one.findings, one.by_memory
    )


def _trouble(one: Trouble) -> types.Trouble:
    return types.Trouble(
        rule=one.rule,
        endpoint=one.endpoint.value,
        name=one.name,
        verdict=one.verdict.word,
        span=one.span.value,
        steps=one.steps,
        nodes=one.nodes,
        clients=one.clients,
        brought=one.grows,
        says=one.says,
        remedy=one.remedy,
    )


def _advice(one: Advice) -> types.Advice:
    return types.Advice(
        kinds=tuple(kind.value for kind in one.kinds),
        says=one.says,
        helps=_clients(one.helps),
        left=_clients(one.left),
        later=one.later,
        order=one.order,
    )


def _clients(found: Iterable[tuple[str, str | None]]) -> tuple[types.Client, ...]:
    return tuple(types.Client(*who) for who in found)
