"""The whole report of a sweep or of one node, from the first answer to the small print."""

from probe.assessment import Assessment
from probe.report.terminal.closer import closer
from probe.report.terminal.closing import closing, unseen
from probe.report.terminal.findings import findings, notes
from probe.report.terminal.headline import headline
from probe.report.terminal.login import login
from probe.report.terminal.lookups import lookups
from probe.report.terminal.paper import to_text
from probe.report.terminal.radsec import radsec
from probe.report.terminal.served import served
from probe.report.terminal.view import View

PARTS = (login, served, closer, radsec, findings, notes, unseen, closing)
IN_DEPTH = (
    login,
    served,
    closer,
    radsec,
    lookups,
    findings,
    notes,
    unseen,
    closing,
)


def render(
    assessment: Assessment, *, width: int = 80, colour: bool = False, in_depth: bool = False
) -> str:
    """Return the report. Without `colour` it is plain text, fit for a pipe or a file.

    `in_depth`: with what each resolver said, which for a whole cluster is more than one reads.
    """
    view = View.of(assessment)
    parts = IN_DEPTH if in_depth else PARTS
    first = headline(view, width)
    further = (renderable for part in parts for renderable in part(view))
    return to_text((*first, *further), width=width, colour=colour)
