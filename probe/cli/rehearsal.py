"""What `probe bundle --rehearse` does: the nodes as they are now, and each step from there."""

from datetime import datetime
from pathlib import Path

import click

from probe.bundle import Offered, Said, ServedNow
from probe.cli.files import colour, width
from probe.cli.options import OFF
from probe.cli.progress import Progress
from probe.cli.run import read_secrets, tell_left_out, wrong_input
from probe.jobs import rehearsal as job
from probe.jobs import sweep
from probe.observation.document import read_survey
from probe.plan.model import Plan
from probe.records import dataclass
from probe.rehearsal import Rehearsal


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the options say of a rehearsal."""

    order: tuple[str, ...]
    saved: tuple[Path, ...]
    history: Path | None
    """None: none was named."""
    at: datetime | None
    said: Said
    quiet: bool


def check(wanted: Wanted, plan: Plan | None) -> Plan:
    """Return the plan. Raise click.UsageError where options do not go together."""
    if plan is None:
        raise click.UsageError(
            "--rehearse needs a plan (--plan): it says which nodes there are, and which clients"
        )
    if wanted.history == OFF:
        raise click.UsageError(
            "--history off: a rehearsal keeps nothing, and reads only a named one"
        )
    if wanted.saved and wanted.history is not None:
        raise click.UsageError("--from and --history are both where it is known from: name one")
    return plan


def order_of(text: str | None) -> tuple[str, ...]:
    """Return the nodes that an option names, separated by commas."""
    names = [name.strip() for name in (text or "").split(",")]
    return tuple(name for name in names if name)


def rehearsed(plan: Plan, of: Offered, wanted: Wanted) -> Rehearsal:
    """Return the rehearsal, after a look at the nodes unless it is known from elsewhere."""
    with wrong_input():
        job.check(of)
        sweep.check_nodes(plan, (*wanted.said.nodes, *wanted.order))
        now = _now(plan, of, wanted)
        return job.rehearse(plan, of, now, at=wanted.at, said=wanted.said, order=wanted.order)


def _now(plan: Plan, of: Offered, wanted: Wanted) -> ServedNow:
    if wanted.saved:
        return job.recalled(plan, [read_survey(path) for path in wanted.saved])
    if wanted.history is not None:
        return job.remembered(plan, wanted.history)
    asked = sweep.questions(plan, job.SCOPE)
    secrets = read_secrets(plan, asked)
    tell_left_out(asked, quiet=wanted.quiet)
    with Progress(asked, quiet=wanted.quiet) as progress:
        return job.look(plan, of, asked, secrets, on_event=progress.heed)


def rendered(found: Rehearsal, form: str, *, plain: bool) -> str:
    """Return the rehearsal in a form."""
    if form == "json":
        from probe.report.rehearsal_document import rehearsal_to_json  # noqa: PLC0415  # one of two

        return rehearsal_to_json(found)
    from probe.report.terminal import render_rehearsal  # noqa: PLC0415  # rich is heavy

    return render_rehearsal(found, width=80 if plain else width(), colour=not plain and colour())
