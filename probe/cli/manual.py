"""`probe manual [PAGE]`: what the manual says, without a network or a browser."""

import click

from probe import manual
from probe.cli.completion import pages
from probe.cli.files import colour, prepare_stdout, width, write_stdout
from probe.plan.problems import nearest, shown
from probe.report.terminal.manual import render_page

MOST = 20
"""Pages that are named where words were searched for; more are no help."""


@click.command("manual")
@click.argument("words", metavar="[PAGE | WORDS...]", nargs=-1, shell_complete=pages)
@click.option("--debug", is_flag=True, expose_value=False, help="Show a bug's traceback.")
def command(words: tuple[str, ...]) -> int:
    """Show a PAGE of the manual, or say on which pages WORDS stand.

    Without a page: the index, by symptom and by job. A rule's id is the name of its page.
    """
    prepare_stdout()
    asked = " ".join(words).strip() or manual.INDEX
    page = manual.named(asked)
    if page is not None:
        write_stdout(render_page(manual.read(page), width=width(), colour=colour()))
        return 0
    found = manual.containing(asked)
    if not found:
        raise click.ClickException(
            f"{shown(asked)} is no page of the manual and stands in none"
            f"{nearest(asked, manual.names())}; `probe manual` lists them"
        )
    lines = [f"Pages with {shown(asked)}:", *(f"  probe manual {name}" for name in found[:MOST])]
    if len(found) > MOST:
        lines.append(f"  and in {len(found) - MOST} more")
    write_stdout("\n".join(lines) + "\n")
    return 0
