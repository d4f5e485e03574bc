"""`probe cluster [PLAN]`: sweep every node of a plan."""

from pathlib import Path

import click

from probe.cli.completion import node_names
from probe.cli.expecting import Expecting, expecting
from probe.cli.options import Common, common
from probe.cli.run import After, check_kept, read_plan, report
from probe.jobs.sweep import Scope


@click.command("cluster")
@click.argument("plan", type=click.Path(path_type=Path), required=False)
@common
@expecting
@click.option(
    "--node",
    "nodes",
    metavar="NAME",
    multiple=True,
    shell_complete=node_names,
    help="This node only; repeatable.",
)
def command(plan: Path | None, nodes: tuple[str, ...], wanted: Expecting, shared: Common) -> int:
    """Sweep every node of PLAN (default: plan.toml), compare them, and report.

    Each EAP conversation is broken off once the certificate is seen: the server logs a failed
    authentication. --show-agenda says how many.

    With --expect it says where a certificate that was just imported is served, and where it is not;
    EAP endpoints are then asked by each key family too.
    """
    check_kept(shared, plan, *wanted.files)
    whole = read_plan(plan)
    scope = Scope(only=shared.only, nodes=nodes, repeat=shared.repeat, both_kinds=bool(wanted))
    after = After() if shared.show_agenda else After(wanted.read())
    return report(whole, scope, shared, after=after)
