"""The report as one HTML file that needs nothing else: for whoever it is handed on to.

Style and script stand inside and are named to the browser by their hashes (Content Security Policy
Level 3), so that nothing else is run or loaded, whatever a certificate says. Every text goes
through `visible` before the template, and through its guard once more on the way out; markup is
escaped by the template engine. Nothing is decided here, and without script all of it can be read.
"""

import base64
import hashlib
from collections.abc import Iterable, Sequence
from functools import cache
from importlib.resources import files
from itertools import groupby
from typing import Any

import jinja2
from markupsafe import Markup
from rich.console import RenderableType

from probe.assessment import Assessment, NodeVerdict, Verdict
from probe.report.escape import visible
from probe.report.page import answer, certificates, findings, timeline, told, trees
from probe.report.terminal import words
from probe.report.terminal.closer import closer
from probe.report.terminal.closing import closing, unseen
from probe.report.terminal.decision import steps
from probe.report.terminal.headline import circumstances
from probe.report.terminal.login import login
from probe.report.terminal.lookups import lookups
from probe.report.terminal.radsec import radsec
from probe.report.terminal.view import View
from probe.version import TOOL

_HERE = files(__package__)


def to_page(assessment: Assessment, *, in_depth: bool = False) -> str:
    """Return the page, HTML in UTF-8 with one final newline.

    `in_depth`: with what each resolver said, as of one node.
    """
    view = View.of(assessment)
    besides, further = answer.besides(view)
    parts = [closer, radsec, *([lookups] if in_depth else [])]
    style, script = _asset("page.css"), _asset("page.js")
    return _template().render(
        policy=_policy(style, script),
        style=Markup(style),  # noqa: S704  # our own files, and nothing in them is filled in
        script=Markup(script),  # noqa: S704  # as above
        plan=visible(assessment.plan_name),
        verdict=assessment.verdict.word,
        verdicts=[verdict.word for verdict in Verdict],
        interrupted=assessment.survey.interrupted,
        sentence=answer.sentence(view),
        first=answer.first(view),
        groups=answer.consequences(view),
        apart=answer.apart(view),
        besides=besides,
        further=further,
        alone=len(view.plan) == 1,
        complete=assessment.complete,
        circumstances=told.rows(circumstances(view)),
        login=tuple(told.sections(login(view))),
        decided=tuple(told.sections(_decided(assessment))),
        taken=[
            (words.span(one.began, one.ended), visible(one.vantage or ""))
            for one in assessment.survey.taken
        ],
        nodes=[_node(one) for one in assessment.nodes],
        served=trees.served(view),
        closer=[section for part in parts for section in told.sections(part(view))],
        timeline=timeline.timeline(view),
        findings=findings.findings(view),
        notes=findings.notes(view),
        certificates=certificates.certificates(view),
        unseen=tuple(told.sections(unseen(view))),
        closing=tuple(told.sections(closing(view))),
        tool=TOOL,
        marks=_marks(view.plan),
    )


def _decided(assessment: Assessment) -> Iterable[RenderableType]:
    if assessment.decided is None:
        return ()
    return steps(assessment.decided, assessment.client_titles)


def _node(node: NodeVerdict) -> tuple[str, str, str]:
    """Return name, verdict, and which of its endpoints are not sound."""
    told = [
        f"{words.endpoint(kind)} {verdict.word}"
        for kind, verdict in node.endpoints
        if verdict is not Verdict.SOUND
    ]
    return visible(node.name), node.verdict.word, words.all_of(told)


def _policy(style: str, script: str) -> str:
    return (
        f"default-src 'none'; style-src {_hash(style)}; script-src {_hash(script)};"
        " img-src data:; base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def _asset(name: str) -> str:
    return _HERE.joinpath(name).read_text("utf-8")


def _marks(plan: Sequence[str]) -> Any:
    """Return a function that names nodes by their places in the plan, for the filter: a name may
    have any characters."""
    place = {name: str(number) for number, name in enumerate(plan)}
    return lambda nodes: " ".join(place[node] for node in nodes if node in place)


def _guarded(value: object) -> object:
    """Whatever was forgotten to be made visible is made so here; what was is left as it is."""
    if isinstance(value, Markup):
        return value
    text = str(value)
    return visible(text, len(text))


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True,
        finalize=_guarded,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
        loader=jinja2.FunctionLoader(_asset),
    )
    environment.filters["runs"] = _runs
    return environment.get_template("page.html")


def _runs(rows: Sequence[told.Row]) -> list[list[told.Row]]:
    """Return rows in runs of those with a label and of those without."""
    return [list(run) for _, run in groupby(rows, key=lambda row: bool(row.label))]
