"""`--expect` and `--until`: what is taken for an import, what is refused, and how waiting ends."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.serialization import pkcs12

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.certificate.makes import openssl
from tests.cli.acting import WITH_SECRET, Listener, Probe
from tests.running import PROBE

NEW = ("eap-new", "northpier-issuing")


@pytest.fixture(scope="module")
def missed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    scenario = Scenario.load("import-node-missed-eap")
    with Cluster(scenario, directory=tmp_path_factory.mktemp("missed")) as lab:
        yield lab


@pytest.fixture(scope="module")
def saved(missed: Cluster, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("saved") / "seen.survey"
    done = subprocess.run(
        [
            *(PROBE, "cluster", missed.plan_path, "--expect", missed.imported_path),
            *("--save", path, "--history", "off"),
        ],
        env={"PATH": os.defpath, "HOME": str(path.parent)},
        capture_output=True,
        check=False,
    )
    assert done.returncode == 1, done.stderr
    return path


def bundle(lab: Cluster, password: str) -> bytes:
    new, issuing = (lab.issued(label) for label in NEW)
    return pkcs12.serialize_key_and_certificates(
        b"radius",
        new.key,  # type: ignore[arg-type]  # a kind of key that it takes
        new.certificate,
        [issuing.certificate],
        serialization.BestAvailableEncryption(password.encode()),
    )


def rules(stdout: str) -> set[tuple[str, tuple[str, ...]]]:
    return {(one["rule"], tuple(one["nodes"])) for one in json.loads(stdout)["findings"]}


MISSED = {("import-node-missed", ("quay3",))}


def test_a_bundle_with_its_password_says_what_is_expected(
    probe: Probe, missed: Cluster, saved: Path, tmp_path: Path
) -> None:
    (tmp_path / "new.p12").write_bytes(bundle(missed, "berth-9-foghorn"))
    given = ("cluster", missed.plan_path, "--from", saved, "--format", "json")
    ended = probe(
        *given,
        *("--expect", "new.p12", "--password-env", "BUNDLE"),
        environment={"BUNDLE": "berth-9-foghorn"},
    )
    assert (ended.status, rules(ended.stdout)) == (1, MISSED)
    (expected,) = json.loads(ended.stdout)["expected"]
    stages = {at["node"]: at["stage"] for at in expected["at"]}
    assert stages == {"quay1": "served", "quay2": "served", "quay3": "not-served"}
    assert expected["chain_known"] is True
    wrong = probe(
        *given,
        *("--expect", "new.p12", "--password-env", "BUNDLE"),
        environment={"BUNDLE": "berth-9-seagull"},
    )
    assert (wrong.status, wrong.stdout) == (2, "")
    assert "password" in wrong.stderr
    assert "seagull" not in wrong.stderr
    none = probe(*given, "--expect", "new.p12")
    assert none.status == 2
    assert "password" in none.stderr


@pytest.mark.parametrize("algorithm", [hashes.SHA256(), hashes.SHA1()])  # noqa: S303  # as people compare
def test_a_fingerprint_says_what_is_expected(
    probe: Probe, missed: Cluster, saved: Path, algorithm: hashes.HashAlgorithm
) -> None:
    digits = missed.issued("eap-new").certificate.fingerprint(algorithm).hex(":").upper()
    ended = probe("cluster", missed.plan_path, "--from", saved, "--expect", digits)
    assert ended.status == 1
    assert "served as expected at quay1 and quay2; not served at quay3 [1]" in " ".join(
        ended.stdout.split()
    )


def test_several_files_are_one_bundle(
    probe: Probe, missed: Cluster, saved: Path, tmp_path: Path
) -> None:
    for label in NEW:
        (tmp_path / f"{label}.pem").write_bytes(missed.issued(label).pem)
    files = [part for label in NEW for part in ("--expect", f"{label}.pem")]
    given = ("cluster", missed.plan_path, "--from", saved, "--format", "json")
    ended = probe(*given, *files)
    assert rules(ended.stdout) == MISSED
    (expected,) = json.loads(ended.stdout)["expected"]
    assert expected["chain_known"] is True


def test_one_node_of_a_saved_survey(probe: Probe, missed: Cluster, saved: Path) -> None:
    for node, status in (("quay1", 0), ("quay3", 1)):
        ended = probe(
            *("node", node, missed.plan_path, "--from", saved, "--expect", missed.imported_path),
            *("--format", "json"),
        )
        assert ended.status == status
        wrong = {("import-not-served", (node,))} if status else set()
        assert rules(ended.stdout) == wrong


def test_somebody_may_say_what_it_is_for(probe: Probe, missed: Cluster, saved: Path) -> None:
    given = ("cluster", missed.plan_path, "--from", saved, "--expect", missed.imported_path)
    ended = probe(*given, "--for", "web", "--format", "json")
    found = json.loads(ended.stdout)["findings"]
    assert {
        (one["rule"], one["endpoint"], tuple(one["nodes"]))
        for one in found
        if one["rule"].startswith("import-")
    } == {
        ("import-other-endpoint", "eap", ("quay1", "quay2")),
        ("import-not-served", "web", ("quay3",)),
    }


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--expect", "gone.p12"), "no such file"),
        (("--expect", "empty.p12"), "empty"),
        (("--expect", "."), "no regular file"),
        (("--for", "web"), "say --expect"),
        (("--password-env", "X"), "say --expect"),
        (("--expect", "ab" * 32, "--for", "eap", "--only", "web"), "not asked here"),
    ],
)
def test_what_makes_no_sense_is_told_and_nothing_is_sent(
    probe: Probe,
    plan: Path,
    listener: Listener,
    tmp_path: Path,
    options: tuple[str, ...],
    says: str,
) -> None:
    (tmp_path / "empty.p12").touch()
    for command in (("cluster",), ("node", "quay1")):
        ended = probe(*command, plan, *options)
        assert (ended.status, ended.stdout) == (2, "")
        assert says in ended.stderr
    assert not listener.heard()


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--until", "5"), "--expect"),
        (("--until", "0", "--expect", "ab" * 32), "range"),
        (("--until", "5", "--expect", "ab" * 32, "--from", "x"), "--from sends nothing"),
    ],
)
def test_waiting_makes_sense_only_for_what_is_asked(
    probe: Probe, plan: Path, listener: Listener, options: tuple[str, ...], says: str
) -> None:
    ended = probe("node", "quay1", plan, *options)
    assert ended.status == 2
    assert says in ended.stderr
    assert not listener.heard()


def test_a_key_that_proves_nothing_is_told_before_the_waiting(
    probe: Probe, plan: Path, listener: Listener, tmp_path: Path
) -> None:
    made = ("req", "-x509", "-newkey", "ed25519", "-nodes", "-subj", "/CN=quay")
    for name in ("ours", "another"):
        openssl(*made, "-keyout", str(tmp_path / f"{name}.key"), "-out", str(tmp_path / f"{name}"))
    (tmp_path / "another.key").chmod(0o600)
    radsec = '[radsec]\ncertificate = "ours"\nkey = { file = "another.key" }\n[[node]]\n'
    plan.write_text(plan.read_text().replace("[[node]]\n", radsec) + "radsec.port = 2083\n")
    waiting = ("--expect", "ab" * 32, "--until", "5")
    ended = probe("node", "quay1", plan, *waiting, environment=WITH_SECRET)
    assert (ended.status, ended.stdout) == (2, "")
    assert "key is not that of its certificate" in ended.stderr
    assert not listener.heard()


def test_the_agenda_tells_what_is_asked_meanwhile(
    probe: Probe, plan: Path, listener: Listener
) -> None:
    ended = probe("node", "quay1", plan, "--expect", "new.p12", "--until", "5", "--show-agenda")
    assert ended.status == 0
    assert "EAP at most every 15 s (1 at a time" in ended.stderr
    assert not listener.heard()


def begin_to_wait(lab: Cluster, home: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [
            *(PROBE, "node", "quay2", lab.plan_path, "--expect", lab.imported_path),
            *("--until", "2", "--format", "json", "--history", "off", "--only", "web"),
        ],
        env={"PATH": os.defpath, "HOME": str(home)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    )


def until(stream: IO[str], text: str) -> list[str]:
    """Read lines up to the one that holds a text."""
    lines = []
    for line in stream:
        lines.append(line)
        if text in line:
            return lines
    pytest.fail(f"{text!r} never came: {lines}")


def test_it_is_awaited_until_it_is_there(tmp_path: Path) -> None:
    """In a process of its own, with the real clock: the import happens while it looks."""
    scenario = Scenario.load("import-not-served")
    with Cluster(scenario, directory=tmp_path / "lab") as lab:
        waiting = begin_to_wait(lab, tmp_path)
        assert waiting.stderr is not None
        until(waiting.stderr, "UTC at most; Ctrl-C ends that, and what is known is reported")
        until(waiting.stderr, 'HTTPS at quay2: serves "')
        lab.install("quay2", scenario.imported, endpoint="web")
        lines = until(waiting.stderr, "all is as expected")
        stdout, _ = waiting.communicate(timeout=30)
    assert waiting.returncode == 0
    assert any("HTTPS at quay2: serves" in line and "as expected" in line for line in lines)
    document = json.loads(stdout)
    assert document["findings"] == []
    assert document["expected"][0]["fulfilled"] is True


def test_an_interrupt_while_waiting_reports_what_is_known(tmp_path: Path) -> None:
    if sys.platform == "win32":
        pytest.skip("there is no such signal to send")
    with Cluster(Scenario.load("import-not-served"), directory=tmp_path / "lab") as lab:
        waiting = begin_to_wait(lab, tmp_path)
        assert waiting.stderr is not None
        until(waiting.stderr, "UTC at most; Ctrl-C ends that, and what is known is reported")
        until(waiting.stderr, 'HTTPS at quay2: serves "')
        waiting.send_signal(signal.SIGINT)
        stdout, stderr = waiting.communicate(timeout=30)
    assert waiting.returncode == 130, stderr
    document = json.loads(stdout)
    assert document["interrupted"] is True
    assert document["expected"][0]["at"][0]["stage"] == "not-served"
