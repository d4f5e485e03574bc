"""A TLS library that keeps its insides to itself: a sweep works, claims nothing that it has not
seen, and says what it did not ask. The findings expected are those of whoever has all of it."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.cli.acting import Ended
from tests.cli.conftest import ROOT

CLOSED = """
import sys, types
import OpenSSL
from OpenSSL import SSL

class Closed(types.ModuleType):
    def __getattr__(self, name):
        if name in ("_lib", "_ffi"):
            raise AttributeError(name)
        return getattr(SSL, name)

OpenSSL.SSL = Closed("OpenSSL.SSL")
from probe.cli.main import run
run()
"""
PARTLY = """
import sys
from OpenSSL import SSL
from probe.wire import openssl

openssl.HAS_SIGNATURES = openssl.HAS_HOLDING = False
from probe.cli.main import run
run()
"""


def look(code: str, home: Path, *arguments: str | Path) -> Ended:
    # A rehearsal keeps nothing anyway.
    history = () if "--rehearse" in arguments else ("--history", "off")
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments, "--format", "json", *history],
        cwd=home,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        timeout=60,
        check=False,
    )
    return Ended(done.returncode, done.stdout, done.stderr)


@pytest.mark.parametrize(
    ("scenario", "status", "findings"),
    [
        ("healthy-radsec", 0, set()),
        ("web-expired", 1, {("web-expired", ("quay3",))}),
    ],
)
def test_a_closed_library_is_enough_for_a_sweep(
    tmp_path: Path, scenario: str, status: int, findings: set[tuple[str, tuple[str, ...]]]
) -> None:
    with Cluster(Scenario.load(scenario), directory=tmp_path / "lab") as lab:
        ended = look(CLOSED, tmp_path, "cluster", lab.plan_path)
        closer = look(CLOSED, tmp_path, "node", "quay1", lab.plan_path, "--quiet")
    assert ended.status == status
    listed = json.loads(ended.stdout)["findings"]
    assert {(each["rule"], tuple(each["nodes"])) for each in listed} == findings
    (line,) = ended.stderr.splitlines()
    assert line.startswith("probe: pyOpenSSL ")
    for what in ("signatures and alerts", "P-256", "key family", "timestamps", "logins by certif"):
        assert what in line
    # In depth it is asked for by key family under each version: that is what cannot be.
    document = json.loads(closer.stdout)
    entries = [entry for each in document["nodes"] for entry in each["endpoints"]]
    left_out = [entry for entry in entries if entry["outcome"] == "not-asked"]
    assert left_out
    assert {tuple(entry["asked"]["tls"]) for entry in left_out} == {("TLSv1.3",)}
    assert all("cannot ask for the key family" in entry["detail"] for entry in left_out)
    assert (closer.status, document["findings"], closer.stderr) == (4, [], "")


def test_what_is_there_is_used_and_the_rest_is_told(tmp_path: Path) -> None:
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path / "lab") as lab:
        ended = look(PARTLY, tmp_path, "cluster", lab.plan_path)
    assert (ended.status, json.loads(ended.stdout)["findings"]) == (0, [])
    told = "key family under TLS 1.3; logins by certificate\n"
    assert ended.stderr.endswith(f"be asked or seen: certificates by {told}")


def test_names_alone_need_no_such_library(tmp_path: Path) -> None:
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path / "lab") as lab:
        ended = look(CLOSED, tmp_path, "cluster", lab.plan_path, "--only", "dns")
    assert (ended.status, ended.stderr) == (0, "")


@pytest.mark.parametrize(
    "command",
    [
        ("complaint", "plan.toml", "--saw", "NET::ERR_CERT_DATE_INVALID"),
        ("node", "quay2", "plan.toml", "--expect", "new.p12", "--until", "0.01"),
        ("bundle", "new.p12", "--plan", "plan.toml", "--rehearse"),
    ],
    ids=lambda command: command[0],
)
def test_whatever_asks_says_what_it_does_not_ask(tmp_path: Path, command: tuple[str, ...]) -> None:
    with Cluster(Scenario.load("import-not-served"), directory=tmp_path / "lab") as lab:
        at = {"plan.toml": lab.plan_path, "new.p12": lab.imported_path}
        ended = look(CLOSED, tmp_path, *(at.get(word, word) for word in command))
    assert ended.status in {0, 1, 4}, ended.stderr
    lines = ended.stderr.splitlines()
    assert [line.startswith("probe: pyOpenSSL ") for line in lines].count(True) == 1
