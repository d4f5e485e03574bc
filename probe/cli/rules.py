"""`probe rules [ID]`: the catalogue."""

import click

from probe.cli.completion import rule_ids
from probe.cli.files import colour, prepare_stdout, width, write_stdout
from probe.cli.run import wrong_input
from probe.jobs import rules
from probe.report.terminal import render_rule, render_rules


@click.command("rules")
@click.argument("rule_id", metavar="[ID]", required=False, shell_complete=rule_ids)
@click.option("--debug", is_flag=True, expose_value=False, help="Show a bug's traceback.")
def command(rule_id: str | None) -> int:
    """Show what is looked at, or everything that is known about the rule ID."""
    prepare_stdout()
    if rule_id is None:
        text = render_rules(rules.catalogue(), width=width(), colour=colour())
    else:
        with wrong_input():
            found = rules.explain(rule_id)
        text = render_rule(
            found.rule,
            found.reactions,
            client_titles=dict(found.titles),
            width=width(),
            colour=colour(),
        )
    write_stdout(text)
    return 0
