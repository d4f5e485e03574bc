"""A folder with the files that plans name."""

from base64 import encodebytes
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from tests.plan.profiles import linux

START = datetime(2026, 1, 1, tzinfo=UTC)

MINIMAL = """
name = "Northpier Ferries"
[[node]]
name = "quay1"
host = "quay1.northpier.example"
addresses = ["192.0.2.11"]
[[node]]
name = "quay2"
host = "quay2.northpier.example"
addresses = ["192.0.2.12"]
"""

WITH_EAP = """
[trust]
eap = ["public"]
[eap]
""" + MINIMAL.replace('name = "Northpier Ferries"', "")
"""To be put after top-level keys."""


def make_certificate(name: str) -> x509.Certificate:
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(START)
        .not_valid_after(START + timedelta(days=3650))
        .sign(key, hashes.SHA256())
    )


@pytest.fixture(scope="session")
def certificates() -> tuple[x509.Certificate, ...]:
    return tuple(make_certificate(name) for name in ("Northpier Root", "Northpier Device CA"))


@pytest.fixture
def folder(tmp_path: Path, certificates: tuple[x509.Certificate, ...]) -> Path:
    """A folder with PEM files as plans name them, good and bad."""
    pki = tmp_path / "pki"
    pki.mkdir()
    pem = [entry.public_bytes(serialization.Encoding.PEM) for entry in certificates]
    (pki / "root.pem").write_bytes(pem[0])
    (pki / "both.pem").write_bytes(b"# two of them\n" + pem[0] + b"\nand\n" + pem[1])
    (pki / "root.der").write_bytes(certificates[0].public_bytes(serialization.Encoding.DER))
    (pki / "empty.pem").write_bytes(b"\n")
    (pki / "text.pem").write_bytes(b"no certificate here\n")
    (pki / "cut.pem").write_bytes(pem[0][:200])
    (pki / "damaged.pem").write_bytes(
        b"-----BEGIN CERTIFICATE-----\n!!!!\n-----END CERTIFICATE-----\n"
    )
    (pki / "other.pem").write_bytes(
        b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"
    )
    der = certificates[0].public_bytes(serialization.Encoding.DER)
    strange = der.replace(b"\xa0\3\2\1\2", b"\xa0\3\2\1\x09", 1)  # version 10
    (pki / "version.pem").write_bytes(
        b"-----BEGIN CERTIFICATE-----\n" + encodebytes(strange) + b"-----END CERTIFICATE-----\n"
    )
    key = ec.generate_private_key(ec.SECP256R1()).private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    (pki / "key.pem").write_bytes(key)
    (tmp_path / "staff.nmconnection").write_bytes(linux("eap=tls\nca-cert=pki/root.pem"))
    return tmp_path


@pytest.fixture
def written(folder: Path) -> Callable[[str], Path]:
    """Write a plan beside those files and return its path."""

    def write(text: str) -> Path:
        path = folder / "plan.toml"
        path.write_text(text, "utf-8")
        return path

    return write
