"""Runs are kept and compared: where, when, and when not."""

import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.cli.acting import SECRET, WITH_SECRET, Listener, Probe


@pytest.fixture(scope="module")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with Cluster(
        Scenario.load("healthy-cluster"), directory=tmp_path_factory.mktemp("healthy")
    ) as lab:
        yield lab


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    return tmp_path / "runs.sqlite"


def first_screen(stdout: str) -> str:
    return " ".join(stdout.split("\n\nWhat is served", maxsplit=1)[0].split())


def test_a_second_run_tells_what_has_changed_since_the_first(
    probe: Probe, healthy: Cluster, kept: Path
) -> None:
    first = probe("cluster", healthy.plan_path, "--history", kept)
    assert (first.status, first.stderr) == (0, "")
    assert "Last time" not in first.stdout
    second = probe("cluster", healthy.plan_path, "--history", kept)
    assert (second.status, second.stderr) == (0, "")
    assert "UTC; since then nothing has changed" in first_screen(second.stdout)
    third = probe("node", "quay1", healthy.plan_path, "--history", kept, "--format", "json")
    since = json.loads(third.stdout)["since"]
    assert (since["changes"], since["appeared"], since["gone"]) == ([], [], [])
    assert since["compared"] > 0


def test_without_a_word_the_users_own_folder_is_taken(probe: Probe, healthy: Cluster) -> None:
    """Its place is that of the XDG Base Directory Specification; the tests have one each."""
    probe("cluster", healthy.plan_path)
    if sys.platform == "linux":
        assert Path(os.environ["XDG_DATA_HOME"], "cluster-probe", "history.sqlite").is_file()
    assert "since then nothing" in first_screen(probe("cluster", healthy.plan_path).stdout)


def test_off_neither_reads_nor_writes(probe: Probe, healthy: Cluster) -> None:
    probe("cluster", healthy.plan_path, "--history", "off")
    assert not Path(os.environ["XDG_DATA_HOME"]).exists()
    probe("cluster", healthy.plan_path)
    assert "Last time" not in probe("cluster", healthy.plan_path, "--history", "off").stdout


def test_saved_surveys_are_compared_only_with_a_named_history_and_never_kept(
    probe: Probe, healthy: Cluster, tmp_path: Path, kept: Path
) -> None:
    saved = tmp_path / "later.survey"
    probe("cluster", healthy.plan_path)
    probe("cluster", healthy.plan_path, "--history", kept)
    probe("cluster", healthy.plan_path, "--history", "off", "--save", saved)
    octets = kept.read_bytes()
    plain = probe("cluster", healthy.plan_path, "--from", saved)
    assert "Last time" not in plain.stdout
    named = probe("cluster", healthy.plan_path, "--from", saved, "--history", kept)
    assert "since then nothing has changed" in first_screen(named.stdout)
    assert kept.read_bytes() == octets


def test_an_agenda_keeps_nothing(probe: Probe, plan: Path) -> None:
    assert probe("cluster", plan, "--show-agenda").status == 0
    assert not Path(os.environ["XDG_DATA_HOME"]).exists()


def test_nothing_is_asked_where_the_named_file_is_no_history(
    probe: Probe, plan: Path, listener: Listener
) -> None:
    ended = probe("cluster", plan, "--history", plan, environment=WITH_SECRET)
    assert (ended.status, ended.stdout) == (2, "")
    assert ended.stderr == f"probe: --history {plan}: it is no history of this tool\n"
    assert not listener.heard()


def test_a_history_that_cannot_be_kept_is_told_and_the_report_is_the_same(
    probe: Probe, healthy: Cluster, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("")
    ended = probe("cluster", healthy.plan_path, "--history", tmp_path / "file" / "x")
    assert ended.status == 0
    assert "sound" in ended.stdout.splitlines()[0]
    assert ended.stderr.startswith(f"probe: the history {tmp_path / 'file' / 'x'}: ")
    assert ended.stderr.endswith("; this run goes on without it\n")


def test_no_secret_is_kept(probe: Probe, plan: Path, kept: Path) -> None:
    """In the file as it stands, and in what comes out of it unpacked."""
    from probe.history.store import Store  # noqa: PLC0415  # only here the file is looked into
    from probe.observation.document import to_json  # noqa: PLC0415  # as above

    probe("cluster", plan, "--history", kept, environment=WITH_SECRET)
    assert SECRET.encode() not in kept.read_bytes()
    with Store.open(kept) as store:
        (run,) = store.runs()
        assert SECRET.encode() not in to_json(store.survey(run.id))
