"""What is to be imported as JSON, `probe-bundle/1`."""

from probe.bundle import Judged, Key
from probe.certificate.container import Container, Request
from probe.certificate.facts import UNKNOWN
from probe.observation.model import fingerprint
from probe.report import bundle_types as types
from probe.report.document import certificate, encoded, report_of, rfc3339
from probe.report.types import Name, Plan
from probe.version import TOOL

FORMAT = "probe-bundle/1"


def bundle_to_json(judged: Judged) -> str:
    """Return the document, with one final newline."""
    report = report_of(judged.assessment)
    offered = judged.offered
    chain = tuple(fingerprint(der) for der in offered.chain)
    return encoded(
        types.Bundle(
            format=FORMAT,
            tool=TOOL,
            catalogue=report.catalogue,
            plan=Plan(judged.assessment.plan_name, len(judged.plan_nodes))
            if judged.planned
            else None,
            roots=report.roots,
            judged_at=rfc3339(judged.assessment.judged_at),
            verdict=judged.verdict.word,
            files=tuple(_file(judged, container) for container in offered.containers),
            request=None if offered.request is None else _request(judged, offered.request),
            leaf=chain[0] if chain else None,
            chain=chain,
            in_order=offered.in_order,
            others=tuple(fingerprint(der) for der in offered.others),
            surplus=tuple(fingerprint(der) for der in offered.surplus),
            key=None if judged.key is None else _key(judged, judged.key),
            meant_for=tuple(
                types.World(world.endpoint.value, world.meant, world.why) for world in judged.worlds
            ),
            nodes=judged.nodes if judged.planned else (),
            nodes_why=judged.nodes_why,
            coverage=tuple(
                types.Covered(
                    row.endpoint.value,
                    row.name,
                    row.nodes,
                    row.wanted,
                    row.covered,
                    row.by,
                    row.why,
                )
                for row in judged.coverage
            ),
            would_cover=types.Entries(judged.entries.names, judged.entries.fewest),
            authorities=tuple(
                types.Authority(
                    one.subject, one.certificate, one.sha1, one.root, one.origin.value, one.trusted
                )
                for one in judged.authorities
            ),
            certificates={
                sha256: certificate(judged.facts[sha256], judged.public[sha256], der)
                for sha256, der in sorted(judged.certificates.items())
            },
            findings=report.findings,
            notes=report.notes,
        )
    )


def _file(judged: Judged, container: Container) -> types.File:
    return types.File(
        name=container.file,
        kind=None if container.kind is None else container.kind.value,
        encryption=container.encryption,
        mac=container.mac,
        iterations=container.iterations,
        old=container.old,
        newer=container.newer,
        problems=tuple(
            types.Problem(problem.trouble.value, problem.says)
            for problem in judged.offered.problems
            if problem.file == container.file
        ),
    )


def _request(judged: Judged, request: Request) -> types.Request:
    return types.Request(
        subject=request.subject,
        names=tuple(Name(name.type, name.value) for name in request.names),
        key=None if request.key == UNKNOWN else request.key,
        signature=request.signature,
        signed=request.signed,
        matches=judged.matches,
        oddities=request.oddities,
    )


def _key(judged: Judged, key: Key) -> types.Key:
    return types.Key(
        kind=key.kind,
        present=bool(judged.offered.keys),
        fits=judged.offered.fits,
        reused=key.reused,
        known_from=key.known_from,
        served=tuple(
            types.SameKey(one.certificate, one.endpoint.value, one.nodes) for one in key.served
        ),
        asked_again=key.asked_again,
        says=key.says,
    )
