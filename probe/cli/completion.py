"""Completion in shells: click's own mechanism, and the words that this tool knows.

It is asked at each press of a key: nothing is sent, no secret is read, and whatever goes wrong
completes nothing. Commands are listed without importing one.
"""

import os
import re
import sys
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    # In annotations as text: older versions of the library have no such generic type.
    from click.shell_completion import CompletionItem

VARIABLE = "_PROBE_COMPLETE"
"""The shell's function sets it: `bash_source` asks for that function, `bash_complete` for words."""

_PLAN = Path("plan.toml")

_SPARED = re.compile(r"[\w.:-]+", re.ASCII)
"""Names that a shell takes as one word whatever it does to it: bash splits and expands what it is
given."""

_NUMBERS = "numbers"
"""The key of a table that stands for many nodes (probe.plan.ranges)."""

_NAME_CHARACTERS = 255
"""No name of a host or a node has more."""


def complete(command: click.Command) -> int:
    """Answer the shell, and return the exit status."""
    from click.shell_completion import shell_complete  # noqa: PLC0415  # only for shells

    try:
        sys.stdout.reconfigure(encoding="utf-8", errors="replace", newline="\n")  # type: ignore[union-attr]  # of a process, it is a text file
        return shell_complete(command, {}, "probe", VARIABLE, os.environ[VARIABLE])
    except BaseException:  # a message would be written into the line that is being typed
        return 1


def starting(words: Iterable[tuple[str, str]], incomplete: str) -> "list[CompletionItem[str]]":
    """Return those of (word, help) that begin as what was typed."""
    from click.shell_completion import CompletionItem  # noqa: PLC0415  # only for shells

    return [CompletionItem(word, help=says) for word, says in words if word.startswith(incomplete)]


def node_names(
    ctx: click.Context,
    param: click.Parameter,  # noqa: ARG001  # click's signature
    incomplete: str,
) -> "list[CompletionItem[str]]":
    """Return names of the nodes of the plan that was named before, or of `plan.toml`."""
    return starting(_nodes(_plan(ctx)), incomplete)


def node_list(
    ctx: click.Context,
    param: click.Parameter,  # noqa: ARG001  # click's signature
    incomplete: str,
) -> "list[CompletionItem[str]]":
    """Return what the last of several nodes, separated by commas, may become."""
    before, comma, begun = incomplete.rpartition(",")
    said = before.split(",")
    left = [(before + comma + name, host) for name, host in _nodes(_plan(ctx)) if name not in said]
    return starting(left, before + comma + begun)


def sites(
    ctx: click.Context,
    param: click.Parameter,  # noqa: ARG001  # click's signature
    incomplete: str,
) -> "list[CompletionItem[str]]":
    """Return the sites of the plan."""
    entries = _tables(_plan(ctx)).get("site")
    return starting(_named(entries), incomplete)


def opened(
    ctx: click.Context,
    param: click.Parameter,  # noqa: ARG001  # click's signature
    incomplete: str,
) -> "list[CompletionItem[str]]":
    """Return the names by which people open pages of the plan: of services and of nodes."""
    path = _plan(ctx)
    services = [(name, "a service") for name, _ in _named(_tables(path).get("service"))]
    hosts = [(host, name) for name, host in _nodes(path) if host]
    return starting(dict([*hosts, *services]).items(), incomplete)


def client_words(
    ctx: click.Context,  # noqa: ARG001  # click's signature
    param: click.Parameter,  # noqa: ARG001  # click's signature
    incomplete: str,
) -> "list[CompletionItem[str]]":
    """Return plain words for what people use, and client families by their ids."""
    from click.shell_completion import CompletionItem  # noqa: PLC0415  # only for shells

    from probe.jobs.complaint import clients  # noqa: PLC0415  # only here

    begun = incomplete.casefold()  # as they are understood
    return [CompletionItem(word) for word in clients() if word.casefold().startswith(begun)]


def rule_ids(
    ctx: click.Context,  # noqa: ARG001  # click's signature
    param: click.Parameter,  # noqa: ARG001  # click's signature
    incomplete: str,
) -> "list[CompletionItem[str]]":
    """Return ids of the catalogue."""
    from probe.plan.rule_ids import RULE_IDS  # noqa: PLC0415  # only here

    return starting(((rule_id, "") for rule_id in RULE_IDS), incomplete)


def pages(
    ctx: click.Context,  # noqa: ARG001  # click's signature
    param: click.Parameter,  # noqa: ARG001  # click's signature
    incomplete: str,
) -> "list[CompletionItem[str]]":
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
    """Return (name, host) of the nodes in a plan's file, as far as they can be had: as many as a
    cluster is expected to have."""
    from probe.limits import PLAN_RANGE  # noqa: PLC0415  # only here

    return list(islice(_named(_tables(path).get("node")), PLAN_RANGE))


def _tables(path: Path) -> dict[str, Any]:
    """Return what a plan's file says; nothing, where it is none."""
    from probe.limits import PLAN_BYTES  # noqa: PLC0415  # only here
    from probe.plan.pem import read_bounded  # noqa: PLC0415  # only here
    from probe.plan.problems import Refused  # noqa: PLC0415  # only here
    from probe.plan.toml import tables  # noqa: PLC0415  # only here

    try:
        return tables(read_bounded(path, PLAN_BYTES).decode())
    except (Refused, ValueError, RecursionError):
        return {}


def _named(entries: object) -> Iterator[tuple[str, str]]:
    """Yield (name, host) of what has a name: a plan that is being written may have mistakes
    everywhere else."""
    for entry in entries if isinstance(entries, list) else ():
        for one in _spread(entry) if isinstance(entry, dict) else ():
            name, host = (_spared(one.get(key)) for key in ("name", "host"))
            if name:
                yield name, host


def _spread(entry: dict[str, object]) -> list[Any]:
    """Return the tables that one table of nodes stands for."""
    if _NUMBERS not in entry:
        return [entry]
    from probe.plan.problems import At, Refused  # noqa: PLC0415  # only here
    from probe.plan.ranges import spread  # noqa: PLC0415  # only here

    kept = {key: entry[key] for key in (_NUMBERS, "name", "host") if key in entry}
    if any(len(str(value)) > _NAME_CHARACTERS for value in kept.values()):
        return []  # a thousand times as much would have to be written
    try:
        return spread(kept, At("", Path(), []))
    except Refused:
        return []


def _spared(text: object) -> str:
    return text if isinstance(text, str) and _SPARED.fullmatch(text) else ""
