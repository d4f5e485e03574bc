"""One renewal from the bundle to the memory of it, told with the commands of the tool, whoever
serves: the servers of the lab, or independent ones."""

import json
import os
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import vobject
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import pkcs12
from cryptography.x509 import load_pem_x509_certificate

from lab.authority import Issued
from lab.cluster import Cluster
from probe.cli.main import main
from probe.jobs import watch
from tests.running import PROBE, WITHIN

PASSWORD = "lantern-at-berth-4"  # noqa: S105  # of a bundle that is made here
NODES = ("quay1", "quay2", "quay3")


@dataclass(frozen=True)
class Renewal:
    """What is renewed, on which endpoint."""

    endpoint: str
    old: tuple[str, ...]
    new: tuple[str, ...]
    """Labels of the chain in the lab's scenario, the server's own certificate first."""
    root: str
    half_renewed: str
    """The rule that finds it, without a word about the import."""


WEB = Renewal(
    "web",
    ("multi-name", "public-issuing"),
    ("multi-name-new", "public-issuing"),
    "public-root",
    "cluster-half-renewed",
)
EAP = Renewal(
    "eap",
    ("eap", "northpier-issuing"),
    ("eap-new", "northpier-issuing"),
    "northpier-root",
    "eap-half-renewed",
)


class QuickClock:
    """A clock on which waiting takes no time; what happens meanwhile happens in the first wait."""

    def __init__(self, meanwhile: Callable[[], None]) -> None:
        self._waited = 0.0
        self._meanwhile: list[Callable[[], None]] = [meanwhile]

    def now(self) -> datetime:
        return datetime.now(UTC)

    def elapsed(self) -> float:
        return self._waited

    def sleep(self, seconds: float) -> None:
        self._waited += seconds
        while self._meanwhile:
            self._meanwhile.pop()()


class Story:
    """Runs the commands, one after the other, with one history."""

    def __init__(
        self, lab: Cluster, plan: Path, renewal: Renewal, install: Callable[[str], None]
    ) -> None:
        """`install` puts the new certificate on a node and restarts its service."""
        self.lab, self.plan, self.renewal, self.install = lab, plan, renewal, install
        self.folder = plan.parent
        self.history = self.folder / "runs.sqlite"
        self.bundle = self.folder / "new.p12"
        chain = [lab.issued(label) for label in renewal.new]
        self.bundle.write_bytes(_pkcs12(chain))
        self.expect = ("--expect", self.bundle, "--password-env", "BUNDLE")

    def run(self, *arguments: str | Path) -> tuple[int, str]:
        done = subprocess.run(
            [PROBE, *arguments, "--history", self.history],
            env={"PATH": os.defpath, "HOME": str(self.folder), "BUNDLE": PASSWORD},
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
            encoding="utf-8",
            timeout=WITHIN,
        )
        assert done.returncode in {0, 1}, done.stderr
        assert PASSWORD not in done.stdout + done.stderr
        return done.returncode, done.stdout

    def found(self, *arguments: str | Path) -> tuple[int, dict[str, Any]]:
        status, text = self.run(*arguments, "--format", "json")
        return status, json.loads(text)

    def swept(self, *options: str | Path) -> tuple[int, set[tuple[str, tuple[str, ...]]]]:
        status, document = self.found("cluster", self.plan, *options)
        return status, {(one["rule"], tuple(one["nodes"])) for one in document["findings"]}

    def sha256(self, label: str) -> str:
        return self.lab.issued(label).certificate.fingerprint(SHA256()).hex()


def _pkcs12(chain: Sequence[Issued]) -> bytes:
    return pkcs12.serialize_key_and_certificates(
        b"renewed",
        chain[0].key,  # type: ignore[arg-type]  # a kind of key that it takes
        chain[0].certificate,
        [one.certificate for one in chain[1:]],
        serialization.BestAvailableEncryption(PASSWORD.encode()),
    )


def tell(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    """Check, trust, import, wait, roll on, find what was left, finish, and look back."""
    renewal = story.renewal
    first, second, third = NODES
    assert story.swept() == (0, set())

    # The bundle is checked, and needs CAs that nodes do not have.
    roots = story.folder / "roots"
    checking = ("bundle", story.bundle, "--plan", story.plan, "--password-env", "BUNDLE")
    status, document = story.found(*checking, "--write-roots", roots)
    assert (status, {one["rule"] for one in document["findings"]}) == (0, {"bundle-trust-needed"})
    written = {
        load_pem_x509_certificate(path.read_bytes()).fingerprint(SHA256()).hex(): path
        for path in roots.iterdir()
    }
    assert story.sha256(renewal.root) in written
    # They are imported as trusted on every node, and the plan says so.
    trusted = story.plan.read_text("utf-8").replace(
        '"pki/node-root.pem"', f'"pki/node-root.pem", "{written[story.sha256(renewal.root)]}"'
    )
    story.plan.write_text(trusted, "utf-8")
    status, document = story.found(*checking)
    assert (status, document["findings"]) == (0, [])

    # It is imported on the first node, which is waited for.
    assert story.swept(*story.expect) == (1, {("import-not-served", NODES)})
    clock = QuickClock(lambda: story.install(first))
    report = story.folder / "awaited.json"
    with monkeypatch.context() as patch:
        patch.setattr(watch, "SystemClock", lambda: clock)
        patch.setenv("BUNDLE", PASSWORD)
        status = main(
            [
                *("node", first, str(story.plan), *map(str, story.expect), "--until", "20"),
                *("--format", "json", "--output", str(report), "--history", str(story.history)),
            ]
        )
    awaited = json.loads(report.read_text("utf-8"))
    assert (status, awaited["findings"]) == (0, [])
    assert awaited["expected"][0]["fulfilled"] is True
    assert 0 < clock.elapsed() < 20 * 60

    # The work is broken off: a plain sweep finds that it was, and the bundle shows where.
    status, findings = story.swept()
    assert renewal.half_renewed in {rule for rule, _ in findings}
    assert story.swept(*story.expect) == (1, {("import-node-missed", (second, third))})
    story.install(second)
    assert story.swept(*story.expect) == (1, {("import-node-missed", (third,))})
    story.install(third)
    assert story.swept(*story.expect) == (0, set())
    assert story.swept() == (0, set())

    _calendar(story)
    _look_back(story)


def _calendar(story: Story) -> None:
    """The next renewal is in the calendar, with all nodes; that of the old certificate is not."""
    target = story.folder / "due.ics"
    story.run(
        *("due", story.plan, "--from-history", "--format", "calendar", "--output", target),
    )
    calendar = vobject.readOne(target.read_text("utf-8"))
    entries = [
        event.summary.value + " " + event.description.value for event in calendar.vevent_list
    ]
    new, old = (story.sha256(one[0])[:16] for one in (story.renewal.new, story.renewal.old))
    of_new = [entry for entry in entries if new in entry.lower()]
    assert len(of_new) == 1
    assert all(node in of_new[0] or "all 3 nodes" in of_new[0] for node in NODES)
    assert not [entry for entry in entries if old in entry.lower()]


def _look_back(story: Story) -> None:
    """The history has every run, and knows where each certificate was served, and since when."""
    _, document = story.found("past", "--plan", story.plan)
    runs = {run["id"]: run for run in document["runs"]}
    # Seven sweeps, and one node that was waited for.
    assert [tuple(runs[number]["nodes"]) for number in sorted(runs)] == [
        *(NODES, NODES, NODES[:1], NODES, NODES, NODES, NODES, NODES)
    ]
    seen = {
        (one["certificate"], one["place"]): one
        for one in document["sightings"]
        if one["endpoint"] == story.renewal.endpoint
    }
    for node in NODES:
        new = seen[story.sha256(story.renewal.new[0]), node]
        old = seen[story.sha256(story.renewal.old[0]), node]
        assert old["first"] <= old["last"] <= new["first"] <= new["last"]
        assert new["last"] >= runs[max(runs)]["began"]
    _, compared = story.found("past", "--plan", story.plan, "--between", "1", str(max(runs)))
    (change,) = [
        one
        for one in compared["between"]["changes"]
        if one["endpoint"] == story.renewal.endpoint and one["what"] == "certificate"
    ]
    assert (tuple(change["nodes"]), change["before"], change["after"]) == (
        NODES,
        [story.sha256(story.renewal.old[0])],
        [story.sha256(story.renewal.new[0])],
    )
