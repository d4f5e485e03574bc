"""What certificate files hold, as types. A private key is opaque: nothing shows or writes it."""

from enum import Enum
from typing import NoReturn, SupportsIndex

from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes

from probe.records import dataclass


class Trouble(Enum):
    """Why a file, or a part of it, could not be read."""

    PASSWORD_MISSING = "password-missing"  # noqa: S105  # a token of documents
    PASSWORD_WRONG = "password-wrong"  # noqa: S105  # likewise
    DAMAGED = "damaged"
    EXCESSIVE = "excessive"
    """It asks for more than is taken from any file (`probe.limits`)."""
    UNSUPPORTED = "unsupported"
    """It is sound as far as it was looked at, and of a kind that is not read here."""
    NOT_A_BUNDLE = "not-a-bundle"


class Kind(Enum):
    """The form of a file, told by its content."""

    PKCS12 = "PKCS#12"
    PEM = "PEM"
    DER = "DER"
    PKCS7 = "PKCS#7"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that could not be read."""

    file: str
    trouble: Trouble
    says: str
    """A clause that follows the file's name, such as "is damaged: ..."."""


@dataclass(frozen=True, slots=True)
class Proof:
    """A signature over octets by chance."""

    message: bytes
    algorithm: bytes | None
    """Encoding of an AlgorithmIdentifier; None: such a key does not sign."""
    signature: bytes | None
    """None: it could not, though such keys do."""


class PrivateKey:
    """A private key that can be asked to prove itself, and for nothing else."""

    __slots__ = ("_key", "file", "kind", "proof", "spki")

    def __init__(self, key: PrivateKeyTypes, spki: bytes, kind: str, file: str) -> None:
        self._key = key
        self.proof: Proof | None = None
        """Made when it is first asked for: a signature is work, and each certificate may ask."""
        self.spki = spki
        """DER of the SubjectPublicKeyInfo that belongs to it, as the file has it: unproven."""
        self.kind = kind
        """Such as "RSA 2048"."""
        self.file = file

    def __repr__(self) -> str:
        return "PrivateKey(hidden)"

    def __reduce_ex__(self, protocol: SupportsIndex) -> NoReturn:
        raise TypeError("a private key is not pickled")


@dataclass(frozen=True, slots=True)
class Held:
    """One certificate, and the file that it came from."""

    der: bytes
    file: str


@dataclass(frozen=True, slots=True)
class Container:
    """What is to be said of a file beside its contents. It is known without a password, too, as far
    as it stands outside of what is encrypted."""

    file: str
    kind: Kind | None
    """None: none of them."""
    encryption: tuple[str, ...]
    """The schemes in it by the names of their standards, each once; (): nothing is encrypted."""
    mac: str | None
    """What seals a PKCS#12 file, such as "HMAC-SHA-256"; None: nothing."""
    iterations: int | None
    """The most of any key derivation; None: there is none."""
    old: tuple[str, ...]
    """The schemes among them that are no longer to be used: RC2, RC4, DES, keys out of MD5."""
    newer: tuple[str, ...]
    """The schemes among them that software of some years ago does not read."""


@dataclass(frozen=True, slots=True)
class Bundle:
    """What several files hold together."""

    certificates: tuple[Held, ...]
    """In the order of files and within them, each once."""
    keys: tuple[PrivateKey, ...]
    """Each once."""
    containers: tuple[Container, ...]
    """One of each file."""
    problems: tuple[Problem, ...]
