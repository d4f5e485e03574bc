"""A cluster to be measured at: its certificates, the names that it has, and the plan of it.

Each node has an address of its own on loopback. There are three kinds of certificates for its web
endpoints: one for all with a wildcard, one for all that names each of them, and one for each. All
nodes have the same EAP certificate, as clusters do. Leaves and the issuing CA are RSA of 2,048
bits, the root of 4,096; two certificates are served.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from itertools import count
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

DOMAIN = "northpier.example"
SECRET = b"a benchmark's secret: berth 7"
IDENTITY = f"cert-probe@{DOMAIN}"
RADIUS_NAME = f"radius.{DOMAIN}"


class Kind(StrEnum):
    """Which certificates the web endpoints have."""

    WILDCARD = "wildcard"
    NAMES = "names"
    """One for all, with the name of each."""
    OWN = "own"


@dataclass(frozen=True, slots=True)
class Ports:
    """Where every node answers, and the resolver (on its own address)."""

    dns: int
    web: int
    eap: int


RESOLVER = "127.8.0.1"


def address(number: int) -> str:
    """Return the address of a node."""
    high, low = divmod(number, 250)
    return f"127.9.{high}.{low + 1}"


def host(number: int) -> str:
    """Return the name of a node."""
    return f"quay{number}.{DOMAIN}"


@dataclass(frozen=True, slots=True)
class Chain:
    """Served: PEM of the chain, and of the key."""

    certificates: bytes
    key: bytes


class Authorities:
    """A root and an issuing CA. One key serves all leaves: making a thousand takes a minute."""

    def __init__(self) -> None:
        self._root_key = rsa.generate_private_key(65537, 4096)
        self._issuing_key, self._leaf_key = (
            rsa.generate_private_key(65537, 2048) for _ in range(2)
        )
        self._serials = count(1)
        self._now = datetime.now(UTC).replace(microsecond=0)
        self.root = self._made("Northpier Root", self._root_key, "Northpier Root", self._root_key)
        self._issuing = self._made(
            "Northpier Issuing", self._issuing_key, "Northpier Root", self._root_key
        )

    def chain(self, common_name: str, names: tuple[str, ...]) -> Chain:
        """Return a chain for these names."""
        leaf = self._made(
            common_name, self._leaf_key, "Northpier Issuing", self._issuing_key, names
        )
        key = self._leaf_key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
        pem = leaf.public_bytes(Encoding.PEM) + self._issuing.public_bytes(Encoding.PEM)
        return Chain(pem, key)

    def _made(
        self,
        subject: str,
        key: rsa.RSAPrivateKey,
        issuer: str,
        signer: rsa.RSAPrivateKey,
        names: tuple[str, ...] = (),
    ) -> x509.Certificate:
        ca = not names
        days = 3_650 if ca else 90
        builder = (
            x509.CertificateBuilder()
            .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, subject)]))
            .issuer_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, issuer)]))
            .public_key(key.public_key())
            .serial_number((1 << 100) + next(self._serials))
            .not_valid_before(self._now - timedelta(days=10))
            .not_valid_after(self._now + timedelta(days=days))
        )
        usage = x509.KeyUsage(not ca, False, not ca, False, False, ca, ca, False, False)
        extensions: list[tuple[x509.ExtensionType, bool]] = [
            (x509.BasicConstraints(ca, None), True),
            (usage, True),
            (x509.SubjectKeyIdentifier.from_public_key(key.public_key()), False),
            (x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()), False),
        ]
        if not ca:
            purposes = [ExtendedKeyUsageOID.SERVER_AUTH]
            extensions += [
                (x509.SubjectAlternativeName([x509.DNSName(name) for name in names]), False),
                (x509.ExtendedKeyUsage(purposes), False),
            ]
        for extension, critical in extensions:
            builder = builder.add_extension(extension, critical)
        return builder.sign(signer, hashes.SHA256())


def web_chains(authorities: Authorities, kind: Kind, nodes: int) -> Iterator[Chain]:
    """Yield the chain of each node's web endpoint, one for all as one object."""
    if kind is Kind.OWN:
        for number in range(nodes):
            yield authorities.chain(host(number), (host(number),))
        return
    names = tuple(host(number) for number in range(nodes))
    if kind is Kind.WILDCARD:
        names = (f"*.{DOMAIN}",)
    shared = authorities.chain("Northpier nodes", names)
    for _ in range(nodes):
        yield shared


def plan(nodes: int, ports: Ports) -> str:
    """Return the plan of the first so many nodes. It stands beside "root.pem" and "secret"."""
    head = f"""\
name = "Northpier Ferries"

[trust]
staff = ["public", "root.pem"]
eap = ["root.pem"]

[dns]
resolvers = ["{RESOLVER}:{ports.dns}"]

[eap]
secret = {{ file = "secret" }}
port = {ports.eap}
identity = "{IDENTITY}"
expected_names = ["{RADIUS_NAME}"]
methods = ["PEAP"]

[web]
port = {ports.web}
"""
    return head + "".join(
        f'\n[[node]]\nname = "quay{number}"\nhost = "{host(number)}"\n'
        f'addresses = ["{address(number)}"]\n'
        for number in range(nodes)
    )


def write_plan(directory: Path, root: x509.Certificate, nodes: int, ports: Ports) -> Path:
    """Write the plan of the first so many nodes, and what it names."""
    (directory / "root.pem").write_bytes(root.public_bytes(Encoding.PEM))
    secret = directory / "secret"
    secret.touch(mode=0o600)
    secret.write_bytes(SECRET)
    path = directory / f"plan-{nodes}.toml"
    path.write_text(plan(nodes, ports), "ascii")
    return path
