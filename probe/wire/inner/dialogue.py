"""What the dialogues inside TLS have in common."""

from typing import Protocol


class InnerError(ValueError):
    """What the server said inside TLS breaks the method, or does not prove what it has to prove."""


class Dialogue(Protocol):
    """One side of the talk inside TLS."""

    @property
    def complaint(self) -> str | None:
        """Why the server did not take the credential, as it says inside TLS."""

    @property
    def missing(self) -> str | None:
        """What the server owes still before it may accept, in words; None: nothing."""

    @property
    def inner_key(self) -> bytes | None:
        """PEAP: key material of the inner method, once cryptobinding was done with it."""

    def begin(self) -> bytes:
        """Return what this side says first. Call once, when TLS is established."""

    def receive(self, octets: bytes) -> bytes:
        """Take a whole message; return the answer. Raises InnerError."""
