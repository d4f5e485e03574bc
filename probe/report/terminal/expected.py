"""What was to be imported, on the first screen: how far it has come, and where."""

from collections.abc import Iterator

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import Expectation, Stage
from probe.observation.model import Endpoint
from probe.report.escape import visible
from probe.report.terminal import words
from probe.report.terminal.paper import Labelled
from probe.report.terminal.view import View

_STAGES = {
    Stage.SERVED: "served as expected at",
    Stage.PARTLY: "served, and not all is as expected, at",
    Stage.ELSEWHERE: "on the other endpoint at",
    Stage.NOT_SERVED: "not served at",
    Stage.UNSEEN: "nothing was seen at",
}

_TOLD_BY = {
    Stage.PARTLY: ("import-other-family-left", "import-chain-differs"),
    Stage.ELSEWHERE: ("import-other-endpoint",),
    Stage.NOT_SERVED: ("import-not-served", "import-node-missed"),
}
"""The rules whose findings speak of nodes at a stage; of the others there are none."""


def expected(view: View, column: int) -> Iterator[RenderableType]:
    """Yield a line for each certificate that was to be imported; nothing where none was."""
    for number, one in enumerate(view.assessment.expected):
        yield Labelled("Imported" if number == 0 else "", _line(view, one), column, hang=2)


def _line(view: View, one: Expectation) -> Text:
    line = Text(visible(one.title))
    if one.until is not None:
        line.append(f", until {words.day(one.until)}")
    if not one.at:
        return line.append(": the endpoint that it is meant for was not asked")
    parts = []
    for endpoint in dict.fromkeys(at.endpoint for at in one.at):
        told = Text("; ").join(_at(view, one, endpoint))
        parts.append(Text(f"{words.endpoint(endpoint)} ").append_text(told))
    if not one.chain_known:
        parts.append(Text("its chain is not known, so not compared"))
    return line.append(": ").append_text(Text("; ").join(parts))


def _at(view: View, one: Expectation, endpoint: Endpoint) -> Iterator[Text]:
    for stage, phrase in _STAGES.items():
        nodes = [at.node for at in one.at if at.endpoint is endpoint and at.stage is stage]
        if nodes:
            yield Text(f"{phrase} {view.nodes(nodes)}").append_text(
                _references(view, one, stage, nodes)
            )


def _references(view: View, one: Expectation, stage: Stage, nodes: list[str]) -> Text:
    # Where it is not known which endpoint it is for, one finding speaks of both.
    endpoints = {at.endpoint for at in one.at}
    return view.references(
        finding.id
        for finding in view.assessment.findings
        if finding.rule in _TOLD_BY.get(stage, ())
        and (finding.endpoint in endpoints or stage is Stage.ELSEWHERE)
        and set(nodes) & set(finding.nodes)
    )
