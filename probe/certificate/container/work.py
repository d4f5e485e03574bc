"""What reading one file may cost, and why it ends early."""

from probe.certificate.container.model import Trouble
from probe.limits import KEY_DERIVATION, KEY_DERIVATIONS


class ReadError(Exception):
    """A file, or a part of it, that cannot be read. Says nothing of any secret."""

    def __init__(self, trouble: Trouble, says: str) -> None:
        super().__init__(says)
        self.trouble = trouble
        self.says = says


def problem_of(error: ReadError) -> tuple[Trouble, str]:
    """Return what `Contents.problem` takes."""
    return error.trouble, error.says


class WrongPasswordError(Exception):
    """What a password gave is no plain text."""


class Work:
    """Counts the iterations of key derivations over one file."""

    def __init__(self) -> None:
        self._left = KEY_DERIVATIONS

    def spend(self, iterations: int, blocks: int = 1) -> None:
        """Take iterations from what is left. Raises ReadError."""
        check_iterations(iterations)
        self._left -= iterations * blocks
        if self._left < 0:
            raise ReadError(
                Trouble.EXCESSIVE,
                f"asks for more than {KEY_DERIVATIONS} iterations of key derivations",
            )


def check_iterations(iterations: int) -> None:
    """Raise ReadError unless one key derivation may have so many iterations."""
    if iterations < 1:
        raise ReadError(Trouble.DAMAGED, f"is damaged: a key derivation of {iterations} iterations")
    if iterations > KEY_DERIVATION:
        raise ReadError(
            Trouble.EXCESSIVE,
            f"asks for a key derivation of {iterations} iterations;"
            f" at most {KEY_DERIVATION} are made",
        )
