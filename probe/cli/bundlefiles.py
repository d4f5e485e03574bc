"""Files of certificates and keys, as commands take them, and where their passwords come from."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click

from probe.cli.failure import hide
from probe.cli.run import wrong_input
from probe.limits import BUNDLE_BYTES
from probe.plan.model import SecretRef
from probe.plan.pem import read_bounded
from probe.plan.problems import Refused
from probe.plan.secrets import Secret, SecretError, resolve
from probe.report.escape import visible

_OPTIONS: tuple[Callable[[Any], Any], ...] = (
    click.option(
        "--password-env",
        "password_env",
        metavar="NAME",
        multiple=True,
        help="The environment variable with the password of the next file that needs one;"
        " repeatable.",
    ),
    click.option(
        "--password-file",
        "password_file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        multiple=True,
        help="Likewise a file that only its owner can read; these come after those.",
    ),
)


def passwords(command: Callable[..., int], *, last: bool = False) -> Callable[..., int]:
    """Give a command the options for passwords; it receives them as one `references`.

    In its help they come where this stands among the options, or after those below it.
    """

    def gathered(
        password_env: tuple[str, ...], password_file: tuple[Path, ...], **given: Any
    ) -> int:
        references = (
            *(SecretRef(environment=name) for name in password_env),
            *(SecretRef(file=path) for path in password_file),
        )
        return command(references=references, **given)

    gathered.__doc__ = command.__doc__
    gathered.__name__ = command.__name__
    for option in reversed(_OPTIONS):
        gathered = option(gathered)
    own = getattr(gathered, "__click_params__", [])
    below = getattr(command, "__click_params__", [])
    # The last of this list is shown first.
    gathered.__click_params__ = own + below if last else below + own  # type: ignore[attr-defined]  # click keeps options on the function
    return gathered


def read_file(path: Path) -> tuple[str, bytes]:
    """Return a file's name, as it was given, and its content. Raises click.ClickException."""
    try:
        return str(path), read_bounded(path, BUNDLE_BYTES)
    except Refused as refused:
        raise click.ClickException(f"{visible(str(path))}: {refused.says}") from None


def passwords_of(
    names: Sequence[str], references: Sequence[SecretRef]
) -> Callable[[int], bytes | None]:
    """Return what gives the password of a file by its number.

    Each file that needs a password takes the next one that was named, and is asked about on the
    terminal where none is left; None: there is no terminal either. It raises click.ClickException
    where one that was named cannot be had.
    """
    left = list(references)

    def password(number: int) -> Secret | None:
        if left:
            reference = left.pop(0)
            with wrong_input():
                found = resolve([reference])[reference]
            hide([found])
            return found
        ask = SecretRef(ask=True)
        try:
            typed = resolve([ask], what=f"Password of {visible(names[number])}")[ask]
        except SecretError:
            return None
        hide([typed])
        return typed

    return password
