"""How a command ends that does not end well: one clear message, and the status that says why.

No message and no traceback shows a secret: those in use are struck out of whatever is written.
"""

import errno
import os
import select
import sys
from collections.abc import Iterable
from contextlib import suppress
from enum import IntEnum

import click


class Status(IntEnum):
    """Exit statuses."""

    FINE = 0
    """Nothing worse than advised."""
    BAD = 1
    """Something is blocked, warned or due."""
    WRONG_INPUT = 2
    """The command, the plan or a file is wrong; nothing was sent."""
    UNSEEN = 4
    """Otherwise, something is unseen."""
    BUG = 70
    """The tool itself failed (EX_SOFTWARE of sysexits.h)."""
    INTERRUPTED = 130
    """128 + SIGINT."""


_secrets: set[bytes] = set()


_LINE = 32
"""Octets of a line that tells something of a key in PEM form; its last may be shorter."""


def hide(secrets: Iterable[bytes]) -> None:
    """Strike these out of every message from now on, and so each line of a key."""
    for secret in secrets:
        lines = (line for line in secret.splitlines() if len(line) >= _LINE)
        _secrets.update(bytes(each) for each in (secret, *lines) if each)


def say(text: str, *, whole: bool = False) -> None:
    """Write a message for a person on stderr. `whole`: its lines stay as they are, as what is to be
    copied must; else a terminal gets them broken between words. What is no terminal gets lines to
    search in."""
    told = _without_secrets(text)
    with suppress(OSError):  # nobody reads messages: no reason to end otherwise
        print(told if whole else _fitted(told), file=sys.stderr, flush=True)


def _fitted(text: str) -> str:
    try:
        columns = os.get_terminal_size(sys.stderr.fileno()).columns
    except (AttributeError, OSError, ValueError):
        return text  # no terminal
    if not columns or all(len(line) <= columns for line in text.split("\n")):
        return text
    from probe.cli.wrapping import WIDEST, wrapped  # noqa: PLC0415  # --help has to appear at once

    lines = []
    for line in text.split("\n"):
        indent = line[: len(line) - len(line.lstrip(" "))]
        lines += wrapped(line.lstrip(" "), min(columns, WIDEST), indent, f"{indent}  ")
    return "\n".join(lines)


def _without_secrets(text: str) -> str:
    # The longest first: one may be a part of another one.
    for secret in sorted(_secrets, key=len, reverse=True):
        plain = secret.decode(errors="surrogateescape")
        # Files of keys take a password as UTF-16 (RFC 7292, B.1).
        wide = plain.encode("utf-16-be", errors="surrogatepass")
        for form in (plain, repr(secret)[2:-1], secret.hex(), repr(wide)[2:-1], wide.hex()):
            text = text.replace(form, "(hidden)")
    return text


def stdout_is_gone() -> bool:
    """Return whether stdout's reader has gone."""
    try:
        poll = select.poll()
        poll.register(sys.stdout, select.POLLERR | select.POLLHUP)
        return bool(poll.poll(0))
    except (OSError, ValueError):
        return False  # no file stands behind it


def let_go_of_stdout() -> None:
    """Point stdout nowhere, after its reader has gone: the interpreter flushes it once more."""
    try:
        descriptor = sys.stdout.fileno()
    except (OSError, ValueError):
        return  # no file stands behind it
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, descriptor)
    os.close(nowhere)


def _has_no_files_left(error: BaseException) -> bool:
    if isinstance(error, BaseExceptionGroup):
        return any(_has_no_files_left(each) for each in error.exceptions)
    return isinstance(error, OSError) and error.errno in (errno.EMFILE, errno.ENFILE)


def status_of(error: BaseException, *, debug: bool) -> int:
    """Say what went wrong and return the status for it."""
    if isinstance(error, KeyboardInterrupt | click.Abort):
        say("probe: interrupted")
        return Status.INTERRUPTED
    if isinstance(error, click.UsageError):
        command = error.ctx.command_path if error.ctx is not None else "probe"
        say(f"probe: {error.format_message()}\nTry '{command} --help'.")
        return Status.WRONG_INPUT
    if isinstance(error, click.ClickException):
        say(f"probe: {error.format_message()}")
        return Status.WRONG_INPUT
    if _has_no_files_left(error):
        say("probe: this process may not open as many files as it needs (ulimit -n)")
        return Status.WRONG_INPUT
    say("probe: this is a bug in the tool, not in what it looked at.")
    if debug:
        import traceback  # noqa: PLC0415  # seldom needed, and --help has to appear at once

        say("".join(traceback.format_exception(error)).rstrip(), whole=True)
    else:
        say(f"  {type(error).__name__}; --debug shows where.")
    return Status.BUG
