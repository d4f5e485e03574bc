"""Certificates and in-memory TLS servers for the tests of this folder."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import NameOID
from OpenSSL import SSL

from probe.observation.model import TlsVersion

Key = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey | ed25519.Ed25519PrivateKey

PROTOCOLS = {
    TlsVersion.TLS1_0: SSL.TLS1_VERSION,
    TlsVersion.TLS1_1: SSL.TLS1_1_VERSION,
    TlsVersion.TLS1_2: SSL.TLS1_2_VERSION,
    TlsVersion.TLS1_3: SSL.TLS1_3_VERSION,
}

_MAKERS: dict[str, Callable[[], Key]] = {
    "rsa": lambda: rsa.generate_private_key(65537, 2048),
    "rsa4096": lambda: rsa.generate_private_key(65537, 4096),
    "ecdsa": lambda: ec.generate_private_key(ec.SECP256R1()),
    "ed25519": ed25519.Ed25519PrivateKey.generate,
}


_SERIAL = (1 << 158) - 1
"""Always as long, so that a flight has the same length in each run."""


@dataclass(frozen=True)
class Chain:
    """A root, its intermediate, a leaf and the leaf's key."""

    key: Key
    leaf: x509.Certificate
    intermediate: x509.Certificate
    root: x509.Certificate


@lru_cache
def make_key(kind: str, _copy: int = 0) -> Key:
    return _MAKERS[kind]()


@lru_cache
def make_chain(kind: str) -> Chain:
    """Make a chain whose keys are all of one kind."""
    root_key, middle_key, key = (make_key(kind, copy) for copy in range(3))
    return Chain(
        key=key,
        root=_certificate("Harbour Root", root_key, "Harbour Root", root_key),
        intermediate=_certificate("Harbour Issuing", middle_key, "Harbour Root", root_key),
        leaf=_certificate("quay1.northpier.example", key, "Harbour Issuing", middle_key),
    )


def der(*certificates: x509.Certificate) -> tuple[bytes, ...]:
    return tuple(each.public_bytes(Encoding.DER) for each in certificates)


def server_context(
    key: Key,
    *certificates: x509.Certificate,
    version: TlsVersion = TlsVersion.TLS1_3,
    ciphers: str = "ALL",
) -> SSL.Context:
    """A server that serves these certificates in this order, under this version and no other."""
    context = SSL.Context(SSL.TLS_SERVER_METHOD)
    context.set_cipher_list(f"{ciphers}:@SECLEVEL=0".encode())
    context.set_min_proto_version(PROTOCOLS[version])
    context.set_max_proto_version(PROTOCOLS[version])
    context.use_certificate(certificates[0])
    context.use_privatekey(key)
    for each in certificates[1:]:
        context.add_extra_chain_cert(each)
    return context


class MemoryServer:
    """The server's half of a handshake over memory buffers."""

    def __init__(self, context: SSL.Context) -> None:
        self.connection = SSL.Connection(context, None)
        self.connection.set_accept_state()
        self.error: SSL.Error | None = None

    def receive(self, octets: bytes) -> bytes:
        if octets:
            self.connection.bio_write(octets)
        try:
            self.connection.do_handshake()
        except SSL.WantReadError:
            pass
        except SSL.Error as error:
            self.error = error
        try:
            return self.connection.bio_read(1 << 20)
        except SSL.WantReadError:
            return b""


def _certificate(subject: str, key: Key, issuer: str, issuer_key: Key) -> x509.Certificate:
    builder = (
        x509.CertificateBuilder()
        .subject_name(_name(subject))
        .issuer_name(_name(issuer))
        .public_key(key.public_key())
        .serial_number(_SERIAL)
        .not_valid_before(datetime(2026, 1, 1, tzinfo=UTC))
        .not_valid_after(datetime(2028, 1, 1, tzinfo=UTC))
    )
    digest = None if isinstance(issuer_key, ed25519.Ed25519PrivateKey) else hashes.SHA256()
    return builder.sign(issuer_key, digest)


def _name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])
