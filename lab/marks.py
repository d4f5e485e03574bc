"""Marks that certificates of real CAs have and that a library does not make: timestamps of logs,
policies, and a signature with a hash that is no longer signed with."""

import hashlib
from collections.abc import Mapping
from datetime import datetime

from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import rsa

_TIMESTAMPS = x509.ObjectIdentifier("1.3.6.1.4.1.11129.2.4.2")
_NAI_REALM = x509.ObjectIdentifier("1.3.6.1.5.5.7.8.8")
_UTF8_STRING = 12
_SHA256_WITH_RSA = bytes.fromhex("06092a864886f70d01010b")
OLD_HASHES: Mapping[str, tuple[bytes, bytes]] = {
    "SHA-1": (
        bytes.fromhex("06092a864886f70d010105"),
        bytes.fromhex("3021300906052b0e03021a05000414"),
    ),
    "MD5": (
        bytes.fromhex("06092a864886f70d010104"),
        bytes.fromhex("3020300c06082a864886f70d020505000410"),
    ),
}
"""By name: the signature algorithm with RSA, and DigestInfo without the hash (RFC 8017, 9.2)."""

POLICIES: Mapping[str, str] = {
    "domain-validated": "2.23.140.1.2.1",
    "override-disabled": "1.3.6.1.4.1.40808.1.3.1",
    "override-disabled-later": "1.3.6.1.4.1.40808.1.3.2",
}
"""Words for policies: a public CA's, and those that take the prompt away from users."""


def timestamps(logs: int, seen: datetime) -> x509.UnrecognizedExtension:
    """Return the extension with timestamps of so many logs (RFC 6962, 3.2 and 3.3). No log of
    these ids exists, and the signatures are none."""
    return x509.UnrecognizedExtension(_TIMESTAMPS, _octet_string(timestamp_list(logs, seen)))


def timestamp_list(logs: int, seen: datetime) -> bytes:
    """Return such a list as it stands in the TLS extension (RFC 6962, 3.3.1)."""
    entries = b""
    for number in range(logs):
        entry = b"\0" + hashlib.sha256(f"log {number} of the lab".encode()).digest()
        entry += int(seen.timestamp() * 1_000).to_bytes(8)
        entry += b"\0\0" + b"\x04\x03" + (70).to_bytes(2) + bytes(70)
        entries += len(entry).to_bytes(2) + entry
    return len(entries).to_bytes(2) + entries


def _octet_string(octets: bytes) -> bytes:
    size = len(octets)
    if size < 128:
        return bytes((4, size)) + octets
    length = size.to_bytes((size.bit_length() + 7) // 8)
    return bytes((4, 0x80 | len(length))) + length + octets


def policies(words: tuple[str, ...]) -> x509.CertificatePolicies:
    """Return the extension that states some policies."""
    return x509.CertificatePolicies(
        [x509.PolicyInformation(x509.ObjectIdentifier(POLICIES[word]), None) for word in words]
    )


def realm(name: str) -> x509.OtherName:
    """Return a NAIRealm: the realm that a server is responsible for (RFC 7585, 2.2)."""
    octets = name.encode()
    return x509.OtherName(_NAI_REALM, bytes((_UTF8_STRING, len(octets))) + octets)


def signed_with(
    old_hash: str, certificate: x509.Certificate, signer: rsa.RSAPrivateKey
) -> x509.Certificate:
    """Return a certificate that was signed with SHA-256 and RSA, signed with an old hash instead.

    Libraries no longer sign so, and the lab has to show what one would meet.
    """
    algorithm, info = OLD_HASHES[old_hash]
    tbs = certificate.tbs_certificate_bytes.replace(_SHA256_WITH_RSA, algorithm, 1)
    size = signer.key_size // 8
    name = old_hash.replace("-", "").lower()
    digest = info + hashlib.new(name, tbs, usedforsecurity=False).digest()
    padded = b"\x00\x01" + b"\xff" * (size - len(digest) - 3) + b"\x00" + digest
    numbers = signer.private_numbers()
    signature = pow(int.from_bytes(padded), numbers.d, numbers.public_numbers.n).to_bytes(size)
    whole = certificate.public_bytes(serialization.Encoding.DER)
    return x509.load_der_x509_certificate(
        whole.replace(certificate.tbs_certificate_bytes, tbs, 1)
        .replace(_SHA256_WITH_RSA, algorithm)
        .replace(certificate.signature, signature)
    )
