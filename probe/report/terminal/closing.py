"""The end of the report: what was not seen, what nothing here proves, when and from where."""

from collections.abc import Iterator

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import Assessment
from probe.observation.model import Outcome, Survey
from probe.report.escape import visible
from probe.report.terminal import words
from probe.report.terminal.paper import Indented, Labelled, heading
from probe.report.terminal.view import View

COLUMN = 11

QUESTIONS = 8
"""Questions without an answer that are listed; the JSON has them all."""

LOOKS = 8
"""Times at which was looked that are listed: what an old complaint is judged by has many."""

NOT_PROVEN = (
    "A clean result does not prove that a login succeeds, that other places on the network see "
    "the same, or that it stays so after the next restart."
)


LOGGED_IN = (
    "The login proves the way for its own account or certificate, from here and now. It does not "
    "prove that others get on, that other places on the network see the same, or that it stays so "
    "after the next restart."
)


def unseen(view: View) -> Iterator[RenderableType]:
    """Yield the questions that nobody answered, and why one could not be asked."""
    assessment = view.assessment
    if not assessment.unseen:
        return
    asked = words.plural(len(assessment.survey.questions), "question")
    yield heading(f"Not seen: {len(assessment.unseen)} of {asked}")
    why = {
        record.question: f": {visible(record.detail)}"
        for record in assessment.survey.handshakes
        if record.outcome is Outcome.NOT_ASKED and record.detail
    }
    for identifier in assessment.unseen[:QUESTIONS]:
        yield Indented(Text(visible(identifier) + why.get(identifier, "")), hang=2)
    if len(assessment.unseen) > QUESTIONS:
        yield Indented(Text(words.more(len(assessment.unseen) - QUESTIONS)))


def closing(view: View) -> Iterator[RenderableType]:
    """Yield the limits of the result and its particulars."""
    assessment = view.assessment
    yield heading("About this result")
    logins = [record.login for record in assessment.survey.handshakes if record.login]
    accepted = any(login.accepted and login.sent for login in logins)
    yield Indented(Text(LOGGED_IN if accepted else NOT_PROVEN))
    if assessment.visits_left_out:
        named = words.some_of([f'"{name}"' for name in assessment.visits_left_out])
        yield Indented(
            Text(f"EAP was not asked in the visit {named} of the plan: probe node does.")
        )
    yield from looks(assessment.survey, COLUMN)
    yield from judgement(assessment, COLUMN)
    if len(view.plan) >= words.MANY:
        line = f"probe node {visible(_node(view))} looks at one node in depth"
        yield Labelled("closer", Text(line), COLUMN)


def _node(view: View) -> str:
    """Return the node that is of most interest: that of what is to be done first."""
    first = view.finding(view.assessment.headline.first)
    return next(iter(first.nodes if first is not None else ()), view.plan[0])


def judgement(assessment: Assessment, column: int) -> Iterator[RenderableType]:
    """Yield as of when, and by what, was judged."""
    line = f"as of {words.time(assessment.judged_at)}, by rules {visible(assessment.catalogue)}"
    yield Labelled("judged", Text(line), column)
    roots = [f"{store.name} {store.version or ''}".strip() for store in assessment.roots]
    if roots:
        yield Labelled("roots", Text(words.some_of(roots)), column)


def looks(survey: Survey, column: int) -> Iterator[RenderableType]:
    """Yield a line for each time at which was looked."""
    for taken in survey.taken[:LOOKS]:
        kept = f"kept in {visible(taken.source)}" if taken.source else ""
        parts = words.span(taken.began, taken.ended), words.origin(taken.vantage, taken.machine)
        line = ", ".join(part for part in (*parts, kept) if part)
        yield Labelled("seen", Text(line), column)
    if len(survey.taken) > LOOKS:
        yield Labelled("", Text(words.more(len(survey.taken) - LOOKS)), column)
