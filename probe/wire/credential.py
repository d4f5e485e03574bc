"""What a complete login is made with. Nothing of it stands in any `repr` or exception."""

from enum import Enum

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric import ec, ed448, ed25519, rsa
from OpenSSL import SSL

from probe.records import dataclass, field

PrivateKey = (
    rsa.RSAPrivateKey
    | ec.EllipticCurvePrivateKey
    | ed25519.Ed25519PrivateKey
    | ed448.Ed448PrivateKey
)

_LONGEST_PASSWORD = 256
"""Characters (RFC 2759, 8.1: "0-to-256-unicode-char Password")."""
_LONGEST_NAME = 253
"""Octets: a User-Name attribute holds no more (RFC 2865, section 5)."""


class CredentialError(ValueError):
    """A credential that cannot be used. The text quotes nothing of it."""


class Inner(Enum):
    """How an account proves itself inside TLS."""

    MSCHAPV2 = "MSCHAPv2"
    """EAP-MSCHAPv2 in PEAP, its attributes in EAP-TTLS (RFC 5281, 11.2.4)."""
    PAP = "PAP"
    """EAP-TTLS only (RFC 5281, 11.2.5)."""


@dataclass(frozen=True, slots=True)
class Account:
    """A test account."""

    name: str
    password: str = field(repr=False)
    inner: Inner = Inner.MSCHAPV2

    def __post_init__(self) -> None:
        """Raise CredentialError for what no inner method can carry."""
        if not _writable(self.name) or not _writable(self.password):
            raise CredentialError("an account's name or password holds what is no character")
        if not 0 < len(self.name.encode()) <= _LONGEST_NAME:
            raise CredentialError(f"an account's name has 1 to {_LONGEST_NAME} octets")
        if len(self.password) > _LONGEST_PASSWORD:
            raise CredentialError(f"a password has at most {_LONGEST_PASSWORD} characters")


@dataclass(frozen=True, slots=True)
class ClientCertificate:
    """A test certificate with its key; `read` makes one."""

    chain: tuple[x509.Certificate, ...]
    """The certificate itself first, then what it is sent with."""
    key: PrivateKey = field(repr=False)

    @classmethod
    def read(cls, certificates: bytes, key: bytes) -> "ClientCertificate":
        """Read the contents of two PEM files: the certificate with its issuers, and its key.

        Raises CredentialError if either cannot be read, or they do not belong together.
        """
        try:
            chain = tuple(x509.load_pem_x509_certificates(certificates))
        except (ValueError, x509.InvalidVersion):
            raise CredentialError("the client certificate cannot be read") from None
        try:
            # Few plans have one.
            from cryptography.hazmat.primitives.serialization import (  # noqa: PLC0415
                load_pem_private_key,
            )

            private = load_pem_private_key(key, None)
        except (ValueError, TypeError, UnsupportedAlgorithm):
            # TypeError: it is encrypted.
            raise CredentialError("the client's key cannot be read") from None
        if not isinstance(private, PrivateKey):
            raise CredentialError("the client's key is of a kind that TLS does not use")
        if private.public_key() != _public_key(chain[0]):
            raise CredentialError("the client's key is not that of its certificate")
        return cls(chain, private)

    def give_to(self, context: SSL.Context) -> None:
        """Let connections of this context present it."""
        context.use_certificate(self.chain[0])
        context.use_privatekey(self.key)
        for issuer in self.chain[1:]:
            context.add_extra_chain_cert(issuer)


Credential = Account | ClientCertificate


def _public_key(certificate: x509.Certificate) -> object:
    """Return the key; None if it cannot be read."""
    try:
        return certificate.public_key()
    except (ValueError, UnsupportedAlgorithm):
        return None


def _writable(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True
