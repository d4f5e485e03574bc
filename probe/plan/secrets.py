"""From a reference in the plan to the secret itself, which nothing shows by accident.

A secret is looked for only if a question needs it, and before the first packet.
"""

import os
import stat
import sys
import warnings
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import NoReturn, SupportsIndex

from probe.limits import SECRET_BYTES
from probe.plan.model import SecretRef
from probe.plan.problems import PATH_CHARACTERS, shown


class SecretError(Exception):
    """Secrets that cannot be had: one sentence for each. Holds nothing of any value."""

    def __init__(self, says: tuple[str, ...]) -> None:
        super().__init__(says)
        self.says = says

    def __str__(self) -> str:
        return "\n".join(self.says)


class Secret(bytes):
    """The octets of a secret: used as `bytes`, hidden from repr, str and format, not pickled."""

    def __repr__(self) -> str:
        return "Secret(hidden)"

    __str__ = __repr__

    def __format__(self, spec: str) -> str:
        return format(repr(self), spec)

    def __reduce_ex__(self, protocol: SupportsIndex) -> NoReturn:
        raise TypeError("a secret is not pickled")


Prompt = Callable[[], str]


def resolve(
    references: Iterable[SecretRef],
    *,
    environment: Mapping[str, str] = os.environ,
    prompt: Prompt | None = None,
    what: str = "RADIUS shared secret",
) -> dict[SecretRef, Secret]:
    """Return the secret of each reference. `ask` is asked once, whoever shares it.

    `prompt` is used instead of the terminal, where `what` says what to type. Raises SecretError
    with all that cannot be had.
    """
    found: dict[SecretRef, Secret] = {}
    missing: list[str] = []
    # What is asked comes last: nobody types a secret only to read that another one is missing.
    for reference in sorted(set(references), key=lambda reference: reference.ask):
        if reference.ask and missing:
            break
        try:
            found[reference] = _one(reference, environment, prompt or (lambda: _ask(what)))
        except _NotHad as error:
            missing.append(str(error))
    if missing:
        raise SecretError(tuple(sorted(missing)))
    return found


class _NotHad(Exception):
    """One secret that cannot be had, and why."""


def _one(reference: SecretRef, environment: Mapping[str, str], prompt: Prompt) -> Secret:
    if reference.environment is not None:
        return _from_environment(reference.environment, environment)
    if reference.file is not None:
        return _from_file(reference.file)
    value = prompt().encode(errors="surrogateescape")
    if not value:
        raise _NotHad("no secret was typed")
    return Secret(value)


def _from_environment(name: str, environment: Mapping[str, str]) -> Secret:
    value = environment.get(name)
    if value is None:
        raise _NotHad(f"the secret is missing: the environment variable {name} is not set")
    if not value:
        raise _NotHad(f"the secret is missing: the environment variable {name} is empty")
    return Secret(os.fsencode(value))


def _from_file(path: Path) -> Secret:
    name = shown(path, PATH_CHARACTERS)
    try:
        # Not to wait for a writer, should it be a pipe.
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    except OSError as error:
        reason = (error.strerror or "no reason given").lower()
        raise _NotHad(f"the secret file {name} cannot be read: {reason}") from None
    mode = os.fstat(descriptor).st_mode
    if not stat.S_ISREG(mode):
        os.close(descriptor)
        raise _NotHad(f"the secret file {name} is no regular file")
    with os.fdopen(descriptor, "rb") as file:
        if os.name == "posix" and stat.S_IMODE(mode) & 0o077:
            raise _NotHad(
                f"the secret file {name} is open to others: chmod 600 makes it its owner's alone"
            )
        value = file.read(SECRET_BYTES + 1)
    if len(value) > SECRET_BYTES:
        raise _NotHad(f"the secret file {name} is larger than {SECRET_BYTES} octets")
    # Editors end the last line; the secret does not include that.
    value = value.removesuffix(b"\n").removesuffix(b"\r")
    if not value:
        raise _NotHad(f"the secret file {name} is empty")
    return Secret(value)


def _ask(what: str) -> str:
    if sys.stdin is None or not sys.stdin.isatty():
        raise _NotHad("the secret has to be asked for, and there is no terminal to ask on")
    import getpass  # noqa: PLC0415  # seldom wanted

    with warnings.catch_warnings():
        warnings.simplefilter("error", getpass.GetPassWarning)
        try:
            return getpass.getpass(f"{what}: ")
        except (EOFError, getpass.GetPassWarning):
            raise _NotHad("the secret could not be asked for on this terminal") from None
