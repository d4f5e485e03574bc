"""The command `probe`: which commands there are, and what becomes of every way they can end.

`probe --help` reads the table below and imports no command: it has to appear at once.
"""

import gc
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import TYPE_CHECKING

import click

from probe.cli import failure
from probe.cli.failure import Status
from probe.version import VERSION

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

COMMANDS = {
    "cluster": "Sweep every node of a plan, compare them, report.",
    "node": "Look at one node in depth, or at one host without a plan.",
    "draft": "Draft a first plan out of host names, or say what a plan lacks.",
    "complaint": "From what a user saw to the cause, and what to tell them.",
    "bundle": "Look at certificates and keys before they are imported.",
    "due": "What ends when: certificates, CAs, and the coming rules.",
    "past": "What earlier runs saw, and what changed between them.",
    "rules": "Show what is looked at: the catalogue, or one rule.",
    "manual": "Read the manual: by symptom, by job, by rule.",
}
"""Each command with its one-line help. Its module in this package has its name."""

WIDEST_HELP = 100
"""Columns beyond which a sentence is hard to read."""

GARBAGE = 200_000
"""Objects made and not freed until they are looked through for cycles: some 30 MB of small ones."""

PLAIN_HELP = 80
"""Columns of help that goes to no terminal."""


class Commands(click.Group):
    """Commands that are imported when they are run."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  # click's signature
        """Return the names, in the order in which they are shown."""
        return list(COMMANDS)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the arguments; of none at all, say what there is, and end as of a wrong command."""
        if not args and not ctx.resilient_parsing:
            failure.say(ctx.get_help(), whole=True)
            ctx.exit(Status.WRONG_INPUT)
        return super().parse_args(ctx, args)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command that is meant, and the rest. Raises click.UsageError."""
        if args[0] not in COMMANDS and not ctx.resilient_parsing:
            from probe.plan.problems import nearest, shown  # noqa: PLC0415  # only of a wrong word

            ctx.fail(f"{shown(args[0])} is no command{nearest(args[0], COMMANDS)}")
        return super().resolve_command(ctx, args)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import a command. None: there is none of that name."""
        if cmd_name not in COMMANDS:
            return None
        command = import_module(f"probe.cli.{cmd_name}").command
        assert isinstance(command, click.Command)  # noqa: S101  # what each module promises
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> "list[CompletionItem[str]]":
        """Return commands, and options, that begin as what was typed, without importing any."""
        from probe.cli.completion import starting  # noqa: PLC0415  # only for shells

        # The options are what a command without commands has.
        options = click.Command.shell_complete(self, ctx, incomplete)
        return [*starting(COMMANDS.items(), incomplete), *options]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """Write the list of commands out of the table, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


def _version(ctx: click.Context, param: click.Parameter, value: bool) -> None:  # noqa: ARG001
    if value and not ctx.resilient_parsing:
        click.echo(f"probe {VERSION}")
        ctx.exit()


@click.group(
    cls=Commands,
    epilog=(
        "Exit status: 0 nothing worse than advised; 1 something blocked, warned or due; 4"
        " otherwise, something unseen; 2 a wrong command, plan or file; 130 interrupted (143 by"
        " SIGTERM, 129 by SIGHUP); 70 a bug."
    ),
)
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help="Show it."
)
def probe() -> None:
    """Look at a cluster of network-access servers as its clients do.

    Asks DNS, HTTPS and EAP of every node, and says who is blocked or warned, why, and what to do.
    Only for systems that you are allowed to probe.
    """


def _help_width() -> int:
    """Return the columns of help texts. click would import four more modules to find them."""
    try:
        return min(os.get_terminal_size(1).columns, WIDEST_HELP)
    except OSError:
        return PLAIN_HELP


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status. Raises nothing."""
    arguments = sys.argv[1:] if arguments is None else list(arguments)
    try:
        # Not click's own `main`: it makes a bare status of a closed pipe, wherever that was.
        with probe.make_context("probe", arguments, terminal_width=_help_width()) as context:
            returned = probe.invoke(context)
        return returned if isinstance(returned, int) else Status.FINE
    except click.exceptions.Exit as exit_:
        return exit_.exit_code
    except BaseException as error:  # every way to end has its status
        if isinstance(error, BrokenPipeError) and failure.stdout_is_gone():
            # Of --help and the like: a report minds its pipe itself, and keeps its own status.
            failure.let_go_of_stdout()
            return Status.FINE
        return failure.status_of(error, debug="--debug" in arguments)


def run() -> None:
    """Run the command line of this process."""
    if sys.stdout is None or sys.stderr is None:
        # Started with a closed stream: whatever is opened first would get its number.
        nowhere = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115  # as long as the process
        sys.stdout = sys.stdout or nowhere
        sys.stderr = sys.stderr or nowhere
    if "_PROBE_COMPLETE" in os.environ:
        from probe.cli.completion import complete  # noqa: PLC0415  # only for shells

        sys.exit(complete(probe))
    from probe.cli.ending import heed, status_after  # noqa: PLC0415  # of this process alone

    heed()
    # Nearly all that a run makes is kept to its end, or is freed as it is let go of. So looking for
    # cycles that nobody needs takes a tenth of its time, and finds next to nothing.
    gc.set_threshold(GARBAGE)
    status = main()
    # Nor at the end: Python would look through all there is several times before it goes.
    gc.freeze()
    sys.exit(status_after(status))


if __name__ == "__main__":
    run()
