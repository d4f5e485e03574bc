"""`probe past`: what earlier runs saw, and what changed between them."""

import re
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from probe.cli.files import (
    check_spared,
    check_writable,
    colour,
    prepare_stdout,
    width,
    write_file,
    write_stdout,
)
from probe.cli.options import HISTORY, OFF, TIME
from probe.cli.run import history_file, read_plan, wrong_input

_FILE = click.Path(path_type=Path)
_SHORTEST = 8
"""Digits of a fingerprint that still tell one certificate from another."""


class _Fingerprint(click.ParamType[str]):
    name = "SHA256"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        digits = re.sub(r"[\s:]", "", value).lower()
        if not re.fullmatch(rf"[0-9a-f]{{{_SHORTEST},64}}", digits):
            self.fail(
                f"{value!r} is no SHA-256 fingerprint, nor its first {_SHORTEST} digits", param, ctx
            )
        return digits


@click.command("past")
@click.option("--plan", type=_FILE, metavar="PLAN", help="Runs of this plan only.")
@click.option(
    "--between",
    nargs=2,
    type=click.IntRange(1),
    metavar="RUN RUN",
    help="Compare these two runs (default: the last two that can be compared).",
)
@click.option(
    "--certificate", type=_Fingerprint(), help="Where this certificate was seen, and no other."
)
@click.option("--prune", type=TIME, help="First forget the runs that ended before this time.")
@click.option(
    "--format",
    "form",
    type=click.Choice(("terminal", "json")),
    default="terminal",
    show_default=True,
    help="The form of the answer.",
)
@click.option("--output", type=_FILE, metavar="FILE", help="Write the answer into a file.")
@HISTORY
@click.option("--debug", is_flag=True, expose_value=False, help="Show a bug's traceback.")
def command(
    plan: Path | None,
    between: tuple[int, int] | None,
    certificate: str | None,
    prune: datetime | None,
    form: str,
    output: Path | None,
    history: Path | None,
) -> int:
    """Show the runs that were kept, what changed between two of them, and when and where each
    certificate was first and last seen. Nothing is sent.
    """
    if history == OFF:
        raise click.UsageError("--history off leaves nothing to look into")
    check_spared({"--output": output}, (plan, history_file(history)))
    prepare_stdout(form)
    if output is not None:
        check_writable(output, "--output")
    whole = read_plan(plan) if plan is not None else None
    from probe.jobs.past import past  # noqa: PLC0415  # it takes a database along

    with wrong_input():
        found = past(history, plan=whole, between=between, certificate=certificate, prune=prune)
    if form == "json":
        from probe.report.past_document import past_to_json  # noqa: PLC0415  # one of two

        text = past_to_json(found)
    else:
        from probe.report.terminal import render_past  # noqa: PLC0415  # one of two

        plain = output is not None
        text = render_past(found, width=80 if plain else width(), colour=not plain and colour())
    if output is not None:
        write_file(output, text, "--output")
    else:
        write_stdout(text)
    return 0
