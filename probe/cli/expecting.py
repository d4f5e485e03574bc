"""`--expect`: what was just imported, as `cluster` and `node` take it."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from probe.cli.bundlefiles import passwords, passwords_of, read_file
from probe.cli.run import wrong_input
from probe.jobs.imported import Imported, fingerprint_in, imported
from probe.observation.model import Endpoint
from probe.plan.model import SecretRef
from probe.records import dataclass
from probe.report.escape import visible

_OPTIONS: tuple[Callable[[Any], Any], ...] = (
    click.option(
        "--expect",
        "expected",
        metavar="FILE",
        multiple=True,
        help="What was just imported: a bundle, PEM, or a fingerprint (SHA-256, SHA-1);"
        " repeatable.",
    ),
    click.option(
        "--for",
        "endpoint",
        type=click.Choice(["web", "eap"]),
        help="What that is for (default: what its names and its CA say).",
    ),
)


@dataclass(frozen=True, slots=True)
class Expecting:
    """What the options say; the files are not read yet."""

    named: tuple[str, ...] = ()
    endpoint: Endpoint | None = None
    references: tuple[SecretRef, ...] = ()

    def __bool__(self) -> bool:
        """Whether anything is expected."""
        return bool(self.named)

    @property
    def files(self) -> tuple[Path, ...]:
        """Every file that is to be read, those of passwords too."""
        secret = (reference.file for reference in self.references if reference.file is not None)
        return (*map(Path, self.named), *secret)

    def read(self) -> Imported | None:
        """Read the files; None: nothing is expected. Raises click.ClickException."""
        if not self.named:
            return None
        files, fingerprints = [], []
        for named in self.named:
            path = Path(named)
            fingerprint = fingerprint_in(named)
            if fingerprint is not None and not path.exists():
                fingerprints.append(fingerprint)
            elif fingerprint is None and not path.exists():
                raise click.ClickException(
                    f"--expect {visible(named)}: there is no such file, and it is no fingerprint:"
                    " 64 or 40 hex digits"
                )
            else:
                files.append(read_file(path))
        secrets = passwords_of([name for name, _ in files], self.references)
        with wrong_input():
            return imported(files, secrets, fingerprints, self.endpoint)


def expecting(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command the options; it receives them as one `Expecting`."""

    def gathered(
        expected: tuple[str, ...],
        endpoint: str | None,
        references: tuple[SecretRef, ...],
        **given: Any,
    ) -> int:
        if not expected and (endpoint or references):
            raise click.UsageError("--for and passwords speak of what is expected: say --expect")
        wanted = Expecting(expected, Endpoint(endpoint) if endpoint else None, references)
        return command(wanted=wanted, **given)

    gathered.__doc__ = command.__doc__
    gathered.__name__ = command.__name__
    for option in reversed(_OPTIONS):
        gathered = option(gathered)
    params = getattr(command, "__click_params__", [])
    gathered.__click_params__ = getattr(gathered, "__click_params__", []) + params  # type: ignore[attr-defined]  # click keeps options on the function
    return passwords(gathered, last=True)
