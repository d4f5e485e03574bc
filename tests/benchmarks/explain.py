"""How long explaining a served chain takes, beside one bare OpenSSL verification of the same chain.

    .work/venv/bin/python -m tests.benchmarks.explain

Prints the time of each step and its ratio to OpenSSL's, measured in the same run on one machine, so
that the ratios can be compared between machines. A chain of three (leaf, two CA certificates and
the root) against the public set of certifi with that root added; both engines are asked. "first"
means that the roots are loaded but the chain was never seen; "again", that it is remembered.
Exits with 1 if explaining an RSA chain for the first time takes longer than the limit.
"""

import argparse
import re
import ssl
import statistics
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import count
from time import perf_counter
from typing import Literal

import certifi
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID
from OpenSSL.crypto import FILETYPE_ASN1, X509, X509Store, X509StoreContext, load_certificate

from probe.judge.explained import Explained
from probe.judge.path import explain_path
from probe.judge.trust import AnchorSet

LIMIT = 0.003
"""Seconds for a chain of RSA keys that was never seen, witnesses included."""

AT = datetime(2026, 11, 25, 12, tzinfo=UTC)
HOST = "quay1.northpier.example"

Family = Literal["RSA", "ECDSA"]
_Key = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey


def _key(family: Family, *, root: bool = False) -> _Key:
    if family == "ECDSA":
        return ec.generate_private_key(ec.SECP384R1() if root else ec.SECP256R1())
    return rsa.generate_private_key(65537, 4096 if root else 2048)


class Authorities:
    """A root and two CAs below it; issues as many chains as are wanted."""

    def __init__(self, family: Family) -> None:
        self._root, self._upper, self._lower = (_key(family, root=place == 0) for place in range(3))
        self._leaf = _key(family)
        self._serials = count(1)
        self.root = self._made("Saltmarsh Root", self._root, "Saltmarsh Root", self._root)

    def chain(self) -> tuple[x509.Certificate, ...]:
        """Return a chain of three, each certificate of which is new."""
        return (
            self._made(HOST, self._leaf, "Saltmarsh Issuing", self._lower, ca=False),
            self._made("Saltmarsh Issuing", self._lower, "Saltmarsh Upper", self._upper),
            self._made("Saltmarsh Upper", self._upper, "Saltmarsh Root", self._root),
        )

    def _made(
        self, subject: str, key: _Key, issuer: str, signer: _Key, *, ca: bool = True
    ) -> x509.Certificate:
        extensions: list[tuple[x509.ExtensionType, bool]] = [
            (x509.BasicConstraints(ca, None), True),
            (
                x509.KeyUsage(not ca, False, False, False, False, ca, ca, False, False),
                True,
            ),
            (x509.SubjectKeyIdentifier.from_public_key(key.public_key()), False),
            (x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()), False),
        ]
        if not ca:
            extensions += [
                (x509.SubjectAlternativeName([x509.DNSName(HOST)]), False),
                (x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), False),
            ]
        builder = (
            x509.CertificateBuilder()
            .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, subject)]))
            .issuer_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, issuer)]))
            .public_key(key.public_key())
            .serial_number(next(self._serials))
            .not_valid_before(AT - timedelta(days=30))
            .not_valid_after(AT + timedelta(days=60))
        )
        for extension, critical in extensions:
            builder = builder.add_extension(extension, critical)
        return builder.sign(signer, hashes.SHA256())


def public_roots() -> tuple[bytes, ...]:
    """Return the roots of certifi, DER."""
    with open(certifi.where(), "rb") as file:
        blocks = re.findall("-----BEGIN.*?-----END[^\n]*", file.read().decode(), re.DOTALL)
    return tuple(ssl.PEM_cert_to_DER_cert(block) for block in blocks)


def timed(work: Callable[[], object]) -> float:
    """Return the seconds that one call takes."""
    began = perf_counter()
    work()
    return perf_counter() - began


def openssl_alone(root: x509.Certificate) -> Callable[[tuple[x509.Certificate, ...]], float]:
    """Return a measurement of one bare verification: store and certificates are loaded before."""
    store = X509Store()
    store.set_time(AT.replace(tzinfo=None))
    for der in public_roots():
        store.add_cert(load_certificate(FILETYPE_ASN1, der))
    store.add_cert(X509.from_cryptography(root))

    def measure(chain: tuple[x509.Certificate, ...]) -> float:
        leaf, *others = (X509.from_cryptography(certificate) for certificate in chain)
        return timed(X509StoreContext(store, leaf, others).verify_certificate)

    return measure


def measured(family: Family, rounds: int) -> Iterator[tuple[str, float]]:
    """Yield (what, median seconds) for chains of one kind of key."""
    authorities = Authorities(family)
    bare = openssl_alone(authorities.root)
    anchors = AnchorSet("public", (*public_roots(), authorities.root.public_bytes(Encoding.DER)))
    memory = Explained()

    def explain(chain: tuple[bytes, ...]) -> object:
        explanation = explain_path(chain, name=HOST, anchors=anchors, family="chromium-web", at=AT)
        if not explanation.good or explanation.disagreements:
            raise SystemExit(f"the chain should be good: {explanation}")
        return explanation

    def remembered(chain: tuple[bytes, ...]) -> object:
        return memory.explain(chain, name=HOST, anchors=anchors, family="chromium-web", at=AT)

    times: dict[str, list[float]] = {}
    for number in range(rounds + 3):
        chain = authorities.chain()
        octets = tuple(certificate.public_bytes(Encoding.DER) for certificate in chain)
        taken = {"one bare OpenSSL verification": bare(chain)}
        taken["explaining it first"] = timed(lambda of=octets: explain(of))
        taken["explaining it again"] = timed(lambda of=octets: explain(of))
        remembered(octets)
        thousand = timed(lambda of=octets: [remembered(of) for _ in range(1_000)])
        taken["1,000 nodes that serve it"] = thousand
        if number >= 3:  # the first rounds load roots and warm up
            for what, seconds in taken.items():
                times.setdefault(what, []).append(seconds)
    for what, all_seconds in times.items():
        yield what, statistics.median(all_seconds)


def main() -> int:
    """Print the table; return 1 if the limit is broken."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--rounds", type=int, default=50, help="chains measured of each kind")
    rounds = parser.parse_args().rounds
    families: tuple[Family, ...] = ("RSA", "ECDSA")
    status = 0
    for family in families:
        found = dict(measured(family, rounds))
        bare = found["one bare OpenSSL verification"]
        print(f"{family}: median of {rounds} chains")
        for what, seconds in found.items():
            print(f"  {what:<32}{seconds * 1_000:8.3f} ms  {seconds / bare:8.2f} x")
        if family == "RSA" and found["explaining it first"] > LIMIT:
            print(f"  longer than {LIMIT * 1_000:g} ms")
            status = 1
    return status


if __name__ == "__main__":
    sys.exit(main())
