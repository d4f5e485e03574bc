"""How one client family decides, step by step, below the report on a node."""

from collections.abc import Iterator, Mapping

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import Decided, Decision, Does, Step
from probe.report.escape import SENTENCES, visible
from probe.report.terminal import words
from probe.report.terminal.paper import Indented, Labelled, heading, styled, to_text
from probe.report.terminal.styles import of_verdict

COLUMN = 16
"""Where the text of a step begins."""

_LOOKED_AT = ("roots", "path", "name")
"""What every decision looks at; all else is what a rule says of it."""


def render_decisions(
    decided: Decided, titles: Mapping[str, str], *, width: int = 80, colour: bool = False
) -> str:
    """Return the decisions of one client family at one node, in their order."""
    return to_text(steps(decided, titles), width=width, colour=colour)


def steps(decided: Decided, titles: Mapping[str, str]) -> Iterator[RenderableType]:
    """Yield the same in parts. `titles` are what families are called."""
    client, decisions = titles.get(decided.client, decided.client), decided.decisions
    yield heading(f"{visible(client)} at {visible(decided.node)}, step by step")
    if not decisions:
        yield Indented(Text("They open nothing there that was asked for."))
    for number, decision in enumerate(decisions):
        if number:
            yield Text()
        yield from _decision(decision)


def _decision(decision: Decision) -> Iterator[RenderableType]:
    where = f"{words.endpoint(decision.endpoint)} at {visible(decision.address or 'no address')}"
    title = styled(f"{where}, port {decision.port}", "place")
    opened = [name for name in decision.opened if name]
    if opened:
        title.append(f", {'in' if decision.setup else 'opened as'} {words.some_of(opened)}")
    if decision.setup is not None:
        title.append(f", set up {words.setup(decision.setup)}")
    title.append(": ").append(words.verdict(decision.verdict), of_verdict(decision.verdict))
    yield Indented(title, hang=3)
    shown = ""
    for step in decision.steps:
        label = step.about if step.about in _LOOKED_AT else "objection"
        yield Labelled("" if label == shown else label, _step(step), COLUMN, 5, 2)
        shown = label
    if not any(step.about not in _LOOKED_AT for step in decision.steps):
        yield Labelled("objection", Text("none"), COLUMN, 5)


def _step(step: Step) -> Text:
    if step.about in _LOOKED_AT:
        return Text(visible(step.says, SENTENCES))
    body = styled(f"{visible(step.about)}: ", "aside").append(visible(step.says, SENTENCES))
    body.append("; ").append(_does(step))
    if step.words is not None:
        body.append(f', shown "{visible(step.words)}"')
    if step.source is not None and step.basis is not None:
        body.append(f" ({visible(step.source)}; {words.basis(step.basis)})", "aside")
    return body


def _does(step: Step) -> Text:
    if step.does is None and step.verdict is None:
        return Text("not known to mind")
    if step.does is None and step.verdict is not None:
        return Text(step.verdict.word, of_verdict(step.verdict))
    does = words.does(step.does or Does.CONTINUES)
    if step.verdict is None:
        return Text(does)
    # From memory alone nobody is called blocked: the verdict says how much it counts.
    counted = "" if step.verdict.word == does else f", which counts as {step.verdict.word}"
    return Text(does, of_verdict(step.verdict)).append(counted)
