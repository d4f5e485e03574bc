"""Plans for the independent servers, and what they were configured to serve."""

import json
from collections.abc import Sequence
from pathlib import Path

from cryptography.hazmat.primitives.hashes import SHA256

from tests.peers import pki
from tests.peers.servers import LOOPBACK, SECRET


def fingerprints(*labels: str) -> list[str]:
    """Return the SHA-256 of these certificates, as their maker's library computes it."""
    return [one.certificate.fingerprint(SHA256()).hex() for one in pki.issued(*labels)]


def write_plan(directory: Path, *tables: str, client_issuers: Sequence[str] = ()) -> Path:
    """Write a plan that trusts the roots of this run, and return its path. `client_issuers`: labels
    of the CAs that the certificates of clients come from."""
    for label in ("public-root", "private-root", *client_issuers):
        (directory / f"{label}.pem").write_bytes(pki.issued(label)[0].pem)
    trust = '[trust]\npublic = ["public-root.pem"]\neap = ["private-root.pem"]\n'
    if client_issuers:
        trust += f"client_issuers = {json.dumps([f'{label}.pem' for label in client_issuers])}\n"
    secret = directory / "radius.secret"
    secret.touch(mode=0o600)
    secret.write_text(SECRET, "ascii")
    path = directory / "plan.toml"
    path.write_text("\n".join(['name = "Independent servers"\n', trust, *tables]), "utf-8")
    return path


def eap_table(port: int, *methods: str, more: str = "") -> str:
    """Return the plan's [eap] table."""
    return (
        f'[eap]\nport = {port}\nsecret = {{ file = "radius.secret" }}\n'
        f'expected_names = ["{pki.EXPECTED}"]\nmethods = {json.dumps(methods)}\n{more}\n'
    )


def node_table(name: str = "quay1", more: str = "", *, address: str = LOOPBACK) -> str:
    """Return one [[node]] at an address, 127.0.0.1 unless told otherwise."""
    host = f"{name}.northpier.example"
    return f'[[node]]\nname = "{name}"\nhost = "{host}"\naddresses = ["{address}"]\n{more}\n'
