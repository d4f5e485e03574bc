"""Completion in shells: click's own mechanism, and the words that this tool knows.

It is asked at each press of a key: nothing is sent, no secret is read, and whatever goes wrong
completes nothing. Commands are listed without importing one.
"""

import os
import re
import sys
from collections.abc import Iterable
from pathlib import Path

import click
from click.shell_completion import CompletionItem, shell_complete

from probe.limits import PLAN_BYTES

VARIABLE = "_PROBE_COMPLETE"
"""The shell's function sets it: `bash_source` asks for that function, `bash_complete` for words."""

_PLAN = Path("plan.toml")

_SPARED = re.compile(r"[\w.:-]+", re.ASCII)
"""Names that a shell takes as one word whatever it does to it: bash splits and expands what it is
given."""


def complete(command: click.Command) -> int:
    """Answer the shell, and return the exit status."""
    try:
        sys.stdout.reconfigure(encoding="utf-8", errors="replace", newline="\n")  # type: ignore[union-attr]  # of a process, it is a text file
        return shell_complete(command, {}, "probe", VARIABLE, os.environ[VARIABLE])
    except BaseException:  # a message would be written into the line that is being typed
        return 1


def starting(words: Iterable[tuple[str, str]], incomplete: str) -> list[CompletionItem[str]]:
    """Return those of (word, help) that begin as what was typed."""
    return [CompletionItem(word, help=says) for word, says in words if word.startswith(incomplete)]


def node_names(
    ctx: click.Context,
    param: click.Parameter,  # noqa: ARG001  # click's signature
    incomplete: str,
) -> list[CompletionItem[str]]:
    """Return names of the nodes of the plan that was named before, or of `plan.toml`."""
    return starting(_nodes(_plan(ctx)), incomplete)


def rule_ids(
    ctx: click.Context,  # noqa: ARG001  # click's signature
    param: click.Parameter,  # noqa: ARG001  # click's signature
    incomplete: str,
) -> list[CompletionItem[str]]:
    """Return ids of the catalogue."""
    from probe.plan.rule_ids import RULE_IDS  # noqa: PLC0415  # only here

    return starting(((rule_id, "") for rule_id in RULE_IDS), incomplete)


def pages(
    ctx: click.Context,  # noqa: ARG001  # click's signature
    param: click.Parameter,  # noqa: ARG001  # click's signature
    incomplete: str,
) -> list[CompletionItem[str]]:
    """Return pages of the manual."""
    from probe import manual  # noqa: PLC0415  # only here

    return starting(((name, "") for name in manual.names()), incomplete)


def _plan(ctx: click.Context) -> Path:
    """Return the plan that was named before. Where the line ends in an option without its value,
    click has not told arguments apart yet: they stand in `args`."""
    named = ctx.params.get("plan")
    if isinstance(named, Path):
        return named
    return next((Path(word) for word in ctx.args if word.endswith(_PLAN.suffix)), _PLAN)


def _nodes(path: Path) -> list[tuple[str, str]]:
    """Return (name, host) of the nodes in a plan's file, as far as they can be had: a plan that is
    being written may have mistakes everywhere else."""
    from probe.plan.pem import read_bounded  # noqa: PLC0415  # only here
    from probe.plan.problems import Refused  # noqa: PLC0415  # only here
    from probe.plan.toml import tables  # noqa: PLC0415  # only here

    try:
        entries = tables(read_bounded(path, PLAN_BYTES).decode()).get("node")
    except (Refused, ValueError, RecursionError):
        return []
    found = []
    for entry in entries if isinstance(entries, list) else ():
        name = entry.get("name") if isinstance(entry, dict) else None
        if isinstance(name, str) and _SPARED.fullmatch(name):
            host = entry.get("host")
            found.append((name, host if isinstance(host, str) and _SPARED.fullmatch(host) else ""))
    return found
