"""One way into all forms of the report."""

from probe.assessment import Assessment

PLAIN_FORMS = ("terminal", "json")
"""Forms that every document has."""

FORMS = (*PLAIN_FORMS, "page", "metrics")
"""Forms of an assessment."""


def render(
    assessment: Assessment,
    form: str,
    *,
    width: int = 80,
    colour: bool = False,
    in_depth: bool = False,
) -> str:
    """Return the report in one of `FORMS`. Width and colour are for the terminal; `in_depth` shows
    what each resolver said, too, there and on the page.

    Raises ValueError for another form.
    """
    if form == "json":
        from probe.report.document import to_json  # noqa: PLC0415  # only one of the two is needed

        return to_json(assessment)
    if form == "page":
        from probe.report.page import to_page  # noqa: PLC0415  # templates are heavy

        return to_page(assessment, in_depth=in_depth)
    if form == "metrics":
        from probe.report.metrics import to_metrics  # noqa: PLC0415  # only one of them is needed

        return to_metrics(assessment)
    if form == "terminal":
        from probe.report.terminal import render as to_terminal  # noqa: PLC0415  # rich is heavy

        text = to_terminal(assessment, width=width, colour=colour, in_depth=in_depth)
        if assessment.decided is not None:
            from probe.report.terminal import render_decisions  # noqa: PLC0415  # as above

            titles = assessment.client_titles
            text += render_decisions(assessment.decided, titles, width=width, colour=colour)
        return text
    raise ValueError(f"{form!r} is none of {', '.join(FORMS)}")
