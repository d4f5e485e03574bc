"""What is found in one file, as it is found."""

from collections.abc import Callable

from probe.certificate.container.model import (
    Container,
    Kind,
    PrivateKey,
    Problem,
    Trouble,
)
from probe.certificate.container.schemes import Scheme
from probe.certificate.container.work import ReadError, Work
from probe.limits import BUNDLE_CERTIFICATES, BUNDLE_KEYS


class Contents:
    """Certificates, keys, facts and problems of one file, and the password that opens it."""

    def __init__(self, file: str, ask: Callable[[], bytes | None]) -> None:
        self.file = file
        self.work = Work()
        self.kind: Kind | None = None
        self.mac: str | None = None
        self.certificates: dict[bytes, None] = {}
        self.keys: dict[bytes, PrivateKey] = {}
        self.problems: dict[Problem, None] = {}
        self._ask = ask
        self._asked = False
        self._password: bytes | None = None
        self._schemes: dict[str, None] = {}
        self._iterations: list[int] = []
        self._old: dict[str, None] = {}
        self._newer: dict[str, None] = {}

    @property
    def password(self) -> bytes | None:
        """The password, asked for when it is first needed; None: there is none."""
        if not self._asked:
            self._asked = True
            self._password = self._ask()
        return self._password

    def certificate(self, der: bytes) -> None:
        """Add a certificate. Raises ReadError where there are too many."""
        self.certificates[der] = None
        if len(self.certificates) > BUNDLE_CERTIFICATES:
            raise ReadError(
                Trouble.EXCESSIVE, f"holds more than {BUNDLE_CERTIFICATES} certificates"
            )

    def key(self, key: PrivateKey) -> None:
        """Add a key. Raises ReadError where there are too many."""
        self.keys.setdefault(key.spki, key)
        if len(self.keys) > BUNDLE_KEYS:
            raise ReadError(Trouble.EXCESSIVE, f"holds more than {BUNDLE_KEYS} private keys")

    def scheme(self, scheme: Scheme) -> None:
        """Note a scheme of encryption."""
        self.encrypted(scheme.name)
        self.noted(scheme.name, scheme.iterations, old=scheme.old, newer=scheme.newer)

    def encrypted(self, name: str) -> None:
        """Note the name of what encrypts something."""
        self._schemes[name] = None

    def noted(self, name: str, iterations: int | None, *, old: bool, newer: bool) -> None:
        """Note how old something is, and what its key derivation costs."""
        if iterations is not None:
            self._iterations.append(iterations)
        if old:
            self._old[name] = None
        if newer:
            self._newer[name] = None

    def problem(self, trouble: Trouble, says: str) -> None:
        """Note what could not be read."""
        self.problems[Problem(self.file, trouble, says)] = None

    @property
    def container(self) -> Container:
        """What is to be said of the file."""
        return Container(
            file=self.file,
            kind=self.kind,
            encryption=tuple(self._schemes),
            mac=self.mac,
            iterations=max(self._iterations, default=None),
            old=tuple(self._old),
            newer=tuple(self._newer),
        )
