"""The installed command, run on a plan as a user would, and what it says in JSON."""

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

PROBE = Path(sys.executable).with_name("probe")
WITHIN = 60.0
"""Seconds for one run; a sweep of one node takes well under one."""


@dataclass(frozen=True)
class Result:
    """What one run gave."""

    status: int
    document: dict[str, Any]
    stderr: str

    def endpoints(self, endpoint: str) -> list[dict[str, Any]]:
        """Return the entries of one kind of endpoint, over all nodes: visits as clients make."""
        return [entry for entry in self._entries(endpoint) if entry["asked"]["aspect"] is None]

    def closer(self, aspect: str, endpoint: str = "web") -> list[dict[str, Any]]:
        """Return the entries of visits that were after one aspect."""
        return [entry for entry in self._entries(endpoint) if entry["asked"]["aspect"] == aspect]

    def _entries(self, endpoint: str) -> list[dict[str, Any]]:
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
        """Return (rule, endpoint, nodes, name) of every finding; fails if two are alike."""
        found = [
            (one["rule"], one["endpoint"], tuple(one["nodes"]), one["name"])
            for one in self.document["findings"]
        ]
        assert len(set(found)) == len(found), found
        return set(found)


def probe(
    plan: Path,
    *arguments: str,
    command: Sequence[str] = ("cluster",),
    inside: Sequence[str] = (),
) -> Result:
    """Run `probe cluster`, or another command, on a plan; `inside` is a command that runs it
    elsewhere, as in a network namespace. Fails unless it ends with a verdict's status. No history
    is kept, so that one test's servers are not another's past."""
    done = subprocess.run(
        [*inside, PROBE, *command, plan, "--format", "json", "--history", "off", *arguments],
        env={"PATH": os.defpath, "HOME": str(plan.parent)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        encoding="utf-8",
        timeout=WITHIN,
    )
    assert done.returncode in {0, 1, 4}, done.stderr
    return Result(done.returncode, json.loads(done.stdout), done.stderr)
