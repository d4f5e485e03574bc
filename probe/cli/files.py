"""What a command writes: its report, whole or not at all, to stdout or into a file."""

import io
import os
import stat
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path

import click

from probe.cli.console import obeys_escapes
from probe.cli.failure import let_go_of_stdout
from probe.files import target_of, write_whole

PLAIN_WIDTH = 80
"""Columns of a report that goes to no terminal."""


def check_spared(outputs: Mapping[str, Path | None], read: Iterable[Path | None]) -> None:
    """Raise click.UsageError where an output (option, path) would take the place of a file that is
    read: a key, a password or the history would be lost. Links are followed."""
    kept = {path.resolve() for path in read if path is not None}
    for option, path in outputs.items():
        if path is not None and path.resolve() in kept:
            raise click.UsageError(f"{option} names a file that is to be read")


def check_writable(path: Path, option: str) -> None:
    """Raise click.ClickException unless a file can be written there, before anything is sent."""
    try:
        target = target_of(path)
        if target.is_dir():
            raise IsADirectoryError(0, "is a directory")
        if target.exists() and not stat.S_ISREG(target.stat().st_mode):
            return  # a device or a pipe is written to as it is
        import tempfile  # noqa: PLC0415  # it takes compression along

        with tempfile.TemporaryFile(dir=target.parent, prefix=".probe-"):
            pass
    except OSError as error:
        raise _unwritable(path, option, error) from None


def write_file(path: Path, text: str, option: str) -> None:
    """Write a file whole or not at all. Raises click.ClickException."""
    try:
        write_whole(path, text.encode(errors="backslashreplace"))
    except OSError as error:
        raise _unwritable(path, option, error) from None


def _unwritable(path: Path, option: str, error: OSError) -> click.ClickException:
    reason = (error.strerror or "cannot be written").lower()
    return click.ClickException(f"{option} {path}: {reason}")


def write_stdout(text: str) -> None:
    """Write to stdout. Whoever has stopped reading there is no error: the rest is left unsaid.

    Raises click.ClickException where stdout cannot be written for another reason.
    """
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        let_go_of_stdout()
    except OSError as error:
        let_go_of_stdout()
        raise click.ClickException(
            f"stdout: {(error.strerror or 'cannot be written').lower()}"
        ) from None


def prepare_stdout(form: str = "terminal") -> None:
    """Let stdout take any text: documents are UTF-8, and else what its encoding lacks is spelled
    out."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        encoding = "utf-8" if form != "terminal" else None
        # A calendar has line ends of its own (RFC 5545, 3.1), and metrics have none but LF.
        newline = "" if form in {"calendar", "metrics"} else None
        sys.stdout.reconfigure(encoding=encoding, errors="backslashreplace", newline=newline)


def width() -> int:
    """Return the columns of the terminal on stdout, or of plain text."""
    if not sys.stdout.isatty():
        return PLAIN_WIDTH
    import shutil  # noqa: PLC0415  # as above

    return shutil.get_terminal_size((PLAIN_WIDTH, 24)).columns


def colour() -> bool:
    """Return whether stdout takes colour: a terminal, and NO_COLOR (no-color.org) is not set."""
    plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return sys.stdout.isatty() and not plain and obeys_escapes()
