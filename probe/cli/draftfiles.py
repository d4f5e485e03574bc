"""What `probe draft` is given: names, resolvers, a sheet of nodes and supplicant profiles."""

import os
from collections.abc import Iterable, Sequence
from pathlib import Path

import click

from probe.drafting.model import Row
from probe.drafting.sheet import COLUMNS, SheetError, read_sheet
from probe.limits import SHEET_BYTES
from probe.plan.addresses import port_number, split_address, with_port
from probe.plan.model import Profile, Resolver
from probe.plan.names import host_name
from probe.plan.pem import read_bounded
from probe.plan.problems import Refused, shown
from probe.plan.profiles import read_profile
from probe.report.escape import visible

FAMILIES = ("apple-eap", "windows-eap", "linux-eap")
"""Families whose profiles can be read, in the order in which they are tried."""


_TOLD = 20
"""Things wrong with one file that are told; the rest are counted."""


def names_of(texts: Iterable[str]) -> tuple[tuple[str, ...], dict[str, int]]:
    """Return names in their one form, and the ports that were given with them. Raises
    click.UsageError."""
    names: dict[str, None] = {}
    ports: dict[str, int] = {}
    for text in texts:
        name, colon, port = text.partition(":")
        try:
            name = host_name(name)
            if colon:
                ports[name] = port_number(port, text)
        except ValueError as error:
            raise click.UsageError(
                f"{shown(text)} is no host name, nor NAME:PORT: {error}"
            ) from None
        names[name] = None
    return tuple(names), ports


def resolvers_of(texts: Sequence[str]) -> tuple[Resolver, ...]:
    """Return the resolvers to ask: ADDRESS or ADDRESS:PORT, with VIEW= in front of one that shows
    its clients something of its own. Raises click.UsageError."""
    found = []
    for text in texts:
        view, equals, at = text.rpartition("=")
        try:
            place, port = split_address(at, 53) if at != "system" else ("system", 53)
        except ValueError as error:
            raise click.UsageError(f"--resolver {shown(text)}: {error}") from None
        if equals and not (view and view.isprintable() and "/" not in view):
            raise click.UsageError(f"--resolver {shown(text)}: the view before = has no name")
        found.append(
            Resolver(place if port == 53 else with_port(place, port), view if equals else None)
        )
    return tuple(dict.fromkeys(found)) or (Resolver("system"),)


def sheet_of(path: Path) -> tuple[tuple[Row, ...], str | None]:
    """Return the nodes of a sheet, and a remark on it, if there is one. Raises
    click.ClickException."""
    called = visible(str(path))
    try:
        rows, left_out = read_sheet(read_bounded(path, SHEET_BYTES))
    except Refused as refused:
        raise click.ClickException(f"{called}: {refused.says}") from None
    except SheetError as error:
        raise click.ClickException(f"{called}: {_told(error.says)}") from None
    if not left_out:
        return rows, None
    columns = visible(", ".join(left_out))
    return rows, f"{called}: passed over: {columns}; columns that are read: {', '.join(COLUMNS)}"


def profiles_of(paths: Iterable[Path]) -> tuple[Profile, ...]:
    """Return supplicant profiles with their families, which their formats tell. Raises
    click.ClickException."""
    found = []
    for path in paths:
        refusals: dict[str, str] = {}
        for family in FAMILIES:
            try:
                found.append(Profile(path, family, read_profile(path, path.name, family)))
                break
            except Refused as refused:
                refusals[family] = refused.says
        else:
            # What is wrong with the file itself is no matter of its format.
            alike = dict.fromkeys(refusals.values())
            says = alike if len(alike) == 1 else [f"{of}: {why}" for of, why in refusals.items()]
            raise click.ClickException(f"no profile that can be read:\n  {_told(says)}")
    return tuple(found)


def _told(says: Iterable[str]) -> str:
    """Return what is wrong, a line each, fit to be shown."""
    lines = [visible(one, 1_000) for one in says]
    more = len(lines) - _TOLD
    return "\n  ".join([*lines[:_TOLD], *([f"and {more} more"] if more > 0 else [])])


def seen_from(folder: Path, path: Path) -> str:
    """Return a path as a plan in a folder writes it."""
    if path.is_absolute():
        return str(path)
    return Path(os.path.relpath(path, folder)).as_posix()
