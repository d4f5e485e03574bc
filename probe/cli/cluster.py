"""`probe cluster [PLAN]`: sweep every node of a plan."""

from pathlib import Path

import click

from probe.cli.options import Common, common
from probe.cli.run import read_plan, report
from probe.jobs.sweep import Scope


@click.command("cluster")
@click.argument("plan", type=click.Path(path_type=Path), required=False)
@common
@click.option("--node", "nodes", metavar="NAME", multiple=True, help="This node only; repeatable.")
def command(plan: Path | None, nodes: tuple[str, ...], shared: Common) -> int:
    """Sweep every node of PLAN (default: plan.toml), compare them, and report.

    Each EAP conversation is broken off once the certificate is seen: the server logs a failed
    authentication. --show-agenda says how many.
    """
    return report(
        read_plan(plan), Scope(only=shared.only, nodes=nodes, repeat=shared.repeat), shared
    )
