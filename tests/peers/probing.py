"""The installed command, run on a plan as a user would, and what it says in JSON."""

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.hashes import SHA256

from tests.peers import pki

PROBE = Path(sys.executable).with_name("probe")
SECRET = "a-lantern-by-the-quay"  # noqa: S105  # made up, and good on loopback only
WITHIN = 60.0
"""Seconds for one run; a sweep of one node takes well under one."""


@dataclass(frozen=True)
class Result:
    """What one run gave."""

    status: int
    document: dict[str, Any]
    stderr: str

    def endpoints(self, endpoint: str) -> list[dict[str, Any]]:
        """Return the entries of one kind of endpoint, over all nodes."""
        return [
            entry
            for node in self.document["nodes"]
            for entry in node["endpoints"]
            if entry["endpoint"] == endpoint
        ]

    def lookups(self) -> dict[tuple[str, str], dict[str, Any]]:
        """Return the DNS answers by (name, type)."""
        return {
            (entry["name"], entry["type"]): entry
            for node in self.document["nodes"]
            for entry in node["lookups"]
        }

    def findings(self) -> set[tuple[str, str, tuple[str, ...], str | None]]:
        """Return (rule, endpoint, nodes, name) of every finding."""
        return {
            (one["rule"], one["endpoint"], tuple(one["nodes"]), one["name"])
            for one in self.document["findings"]
        }


def fingerprints(*labels: str) -> list[str]:
    """Return the SHA-256 of these certificates, as their maker's library computes it."""
    return [one.certificate.fingerprint(SHA256()).hex() for one in pki.issued(*labels)]


def write_plan(directory: Path, *tables: str) -> Path:
    """Write a plan that trusts the roots of this run, and return its path."""
    for label in ("public-root", "private-root"):
        (directory / f"{label}.pem").write_bytes(pki.issued(label)[0].pem)
    trust = '[trust]\npublic = ["public-root.pem"]\neap = ["private-root.pem"]\n'
    path = directory / "plan.toml"
    path.write_text("\n".join(['name = "Independent servers"\n', trust, *tables]), "utf-8")
    return path


def eap_table(port: int, *methods: str, more: str = "") -> str:
    """Return the plan's [eap] table."""
    return (
        f'[eap]\nport = {port}\nsecret = {{ environment = "PEER_SECRET" }}\n'
        f'expected_names = ["{pki.EXPECTED}"]\nmethods = {json.dumps(methods)}\n{more}\n'
    )


def node_table(name: str = "quay1", more: str = "") -> str:
    """Return one [[node]] at 127.0.0.1."""
    host = f"{name}.northpier.example"
    return f'[[node]]\nname = "{name}"\nhost = "{host}"\naddresses = ["127.0.0.1"]\n{more}\n'


def probe(plan: Path, *arguments: str, secret: str = SECRET) -> Result:
    """Run `probe cluster` on a plan. Fails unless it ends with a verdict's status."""
    done = subprocess.run(
        [PROBE, "cluster", plan, "--format", "json", *arguments],
        env={"PATH": os.defpath, "HOME": str(plan.parent), "PEER_SECRET": secret},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        encoding="utf-8",
        timeout=WITHIN,
    )
    assert done.returncode in {0, 1, 4}, done.stderr
    return Result(done.returncode, json.loads(done.stdout), done.stderr)
