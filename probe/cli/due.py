"""`probe due [PLAN]`: what ends when, as seen now, in saved surveys or in the history."""

from functools import partial
from pathlib import Path

import click

from probe.cli.completion import node_names
from probe.cli.files import check_writable, colour, prepare_stdout, width
from probe.cli.options import OFF, Common, common
from probe.cli.run import (
    check_kept,
    check_options,
    gathered,
    read_plan,
    show_agenda,
    status_of,
    write,
    wrong_input,
)
from probe.due import Due
from probe.jobs import sweep
from probe.jobs.sweep import Scope
from probe.observation.model import Endpoint
from probe.report.render import PLAIN_FORMS


@click.command("due")
@click.argument("plan", type=click.Path(path_type=Path), required=False)
@partial(common, forms=(*PLAIN_FORMS, "calendar"))
@click.option(
    "--node",
    "nodes",
    metavar="NAME",
    multiple=True,
    shell_complete=node_names,
    help="This node only; repeatable.",
)
@click.option(
    "--from-history",
    is_flag=True,
    help="Ask nobody: take what earlier runs have last seen of each endpoint.",
)
def command(plan: Path | None, nodes: tuple[str, ...], from_history: bool, shared: Common) -> int:
    """Say when each certificate ends that the nodes of PLAN (default: plan.toml) serve, and each CA
    that they lead to: the day to renew, where it is, and what a successor may live.

    Names are not asked about: only the endpoints that serve certificates.
    """
    if from_history and (shared.saved or shared.show_agenda or shared.history == OFF):
        raise click.UsageError(
            "--from-history is a source by itself: it asks for the history alone"
        )
    check_options(shared)
    check_kept(shared, plan)
    prepare_stdout(shared.form)
    whole = read_plan(plan)
    scope = Scope(only=shared.only - {Endpoint.DNS}, nodes=nodes, repeat=shared.repeat)
    if shared.show_agenda:
        return show_agenda(whole, scope, shared)
    for path, option in ((shared.output, "--output"), (shared.save, "--save")):
        if path is not None:
            check_writable(path, option)
    if from_history:
        from probe.jobs.memory import last_served  # noqa: PLC0415  # it takes a database along

        with wrong_input():
            seen = last_served(shared.history, whole, sweep.questions(whole, scope))
    else:
        seen, _ = gathered(whole, scope, shared)
    found = sweep.ends(whole, seen, shared.at)
    write(_rendered(found, shared), shared)
    return status_of(found.verdict, seen, shared.tolerate)


def _rendered(due: Due, shared: Common) -> str:
    if shared.form == "json":
        from probe.report.due_document import due_to_json  # noqa: PLC0415  # one of three

        return due_to_json(due)
    if shared.form == "calendar":
        from probe.report.calendar import due_to_calendar  # noqa: PLC0415  # one of three

        return due_to_calendar(due)
    from probe.report.terminal import render_due  # noqa: PLC0415  # one of three

    plain = shared.output is not None
    return render_due(due, width=80 if plain else width(), colour=not plain and colour())
