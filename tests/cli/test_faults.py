"""Whatever happens to the machine or to the process: a plain end, the right status, no half file.

`tests/history/test_safety.py` has the history by itself, `test_ending.py` pipes and streams.
"""

import json
import os
import pty
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from probe.history.store import Store
from probe.observation.document import from_json
from tests.cli.acting import Ended, Listener
from tests.cli.conftest import ROOT
from tests.cli.stages import struck
from tests.history.makes import integrity
from tests.peers.ways import namespaces_are_to_be_had

NAMESPACES = pytest.mark.skipif(
    sys.platform != "linux" or not namespaces_are_to_be_had(),
    reason="this machine lets nobody make namespaces",
)
COMMAND = (sys.executable, "-m", "probe.cli.main")
ENVIRONMENT = os.environ | {"PYTHONPATH": str(ROOT)}
OLD = '{"a file": "that was there before"}'

BEFORE = {
    "reads the plan": ("plan/read.py", "load_plan", 1),
    "reads the secret": ("jobs/sweep.py", "secrets_for", 1),
    "opens the history": ("history/store.py", "open", 1),
}
MEANWHILE = {
    "begins": ("observe/sweep.py", "survey", 1),
    "begins a question": ("observe/events.py", "began", 1),
    "has ended some": ("observe/events.py", "ended", 20),
    "asks authorities": ("observe/sweep.py", "_ask_authorities", 1),
}
AFTER = {
    "saves": ("observation/document.py", "write_survey", 1),
    "has half saved": ("", "fsync", 1),
    "gives it its name": ("pathlib.py", "replace", 1),
    "keeps the run": ("history/store.py", "add", 1),
    "judges": ("judge/assess.py", "judge", 1),
    "shows": ("report/render.py", "render", 1),
    "writes": ("cli/files.py", "write_file", 1),
}
"""What the command is just about to do: a file of `probe/`, a function, and which call of it."""


@pytest.fixture(scope="module")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    scenario, directory = Scenario.load("healthy-cluster"), tmp_path_factory.mktemp("faults")
    with Cluster(scenario, directory=directory) as lab:
        yield lab


def strike(lab: Cluster, stage: tuple[str, str, int], what: signal.Signals, home: Path) -> Ended:
    """Sweep with everything that writes a file, two of which were there before."""
    for name in ("saved", "out"):
        (home / name).write_text(OLD)
    arguments = ("--format", "json", "--save", "saved", "--output", "out", "--history", "kept")
    return struck(stage, what, "cluster", lab.plan_path, *arguments, folder=home)


def whole(home: Path) -> set[str]:
    """Return which files were written; fails if one is there by half."""
    written = set()
    if (home / "saved").read_text() != OLD:
        from_json((home / "saved").read_bytes())
        written.add("saved")
    if (home / "out").read_text() != OLD:
        assert json.loads((home / "out").read_text())["complete"] is not None
        written.add("out")
    if (home / "kept").exists():
        assert integrity(home / "kept") == "ok"
        with Store.open(home / "kept") as store:
            for run in store.runs():
                assert store.survey(run.id).questions
                written.add("kept")
    return written


def nothing_else(home: Path) -> bool:
    """Whether no file was left beside those that were asked for."""
    return {path.name for path in home.iterdir()} <= {"saved", "out", "kept"}


@pytest.mark.parametrize("stage", BEFORE)
def test_an_interrupt_before_the_look(tmp_path: Path, healthy: Cluster, stage: str) -> None:
    ended = strike(healthy, BEFORE[stage], signal.SIGINT, tmp_path)
    assert ended == Ended(130, "", "probe: interrupted\n")
    assert whole(tmp_path) == set()
    assert nothing_else(tmp_path)


@pytest.mark.parametrize(
    ("stage", "what", "status"),
    [
        *((stage, signal.SIGINT, 130) for stage in MEANWHILE),
        ("has ended some", signal.SIGTERM, 143),
        ("has ended some", signal.SIGHUP, 129),
    ],
)
def test_a_signal_during_the_look_leaves_what_is_known(
    tmp_path: Path, healthy: Cluster, stage: str, what: signal.Signals, status: int
) -> None:
    ended = strike(healthy, MEANWHILE[stage], what, tmp_path)
    told = "probe: interrupted: this is what was known by then\n"
    assert ended == Ended(status, "", told)
    written = whole(tmp_path)
    assert {"saved", "out"} <= written
    assert json.loads((tmp_path / "out").read_text())["interrupted"] is True
    assert nothing_else(tmp_path)


@pytest.mark.parametrize("stage", AFTER)
def test_an_interrupt_after_the_look(tmp_path: Path, healthy: Cluster, stage: str) -> None:
    ended = strike(healthy, AFTER[stage], signal.SIGINT, tmp_path)
    assert ended == Ended(130, "", "probe: interrupted\n")
    assert "out" not in whole(tmp_path)
    assert nothing_else(tmp_path)


@pytest.mark.parametrize(
    "stage", ["has half saved", "gives it its name", "keeps the run", "writes"]
)
def test_a_kill_leaves_files_whole_or_as_they_were(
    tmp_path: Path, healthy: Cluster, stage: str
) -> None:
    """Nobody is left to clear away what was begun, under another name."""
    ended = strike(healthy, AFTER[stage], signal.SIGKILL, tmp_path)
    assert (ended.status, ended.stdout, ended.stderr) == (-signal.SIGKILL, "", "")
    saved = {"keeps the run": {"saved"}, "writes": {"saved", "kept"}}
    assert whole(tmp_path) == saved.get(stage, set())


def test_a_stop_where_interrupts_are_ignored(tmp_path: Path, healthy: Cluster) -> None:
    """As with a job in the background of a shell script (POSIX, 2.11): it is to be stopped too."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        ended = strike(healthy, MEANWHILE["has ended some"], signal.SIGTERM, tmp_path)
    finally:
        signal.signal(signal.SIGINT, before)
    told = "probe: interrupted: this is what was known by then\n"
    assert ended == Ended(143, "", told)
    assert whole(tmp_path) == {"saved", "out", "kept"}
    assert nothing_else(tmp_path)


# ---------------------------------------------------------------- the terminal


@pytest.mark.parametrize(("ignored", "status"), [(False, 129), (True, 4)])
def test_a_terminal_that_goes(
    tmp_path: Path, plan: Path, listener: Listener, ignored: bool, status: int
) -> None:
    """The terminal is closed once a question has been sent. Whoever ignores SIGHUP gets all of it:
    with nobody there to answer, that is a report of what is unseen."""
    listener.datagrams.settimeout(30)
    pid, terminal = pty.fork()
    if pid == 0:  # pragma: no cover  # another process
        os.chdir(tmp_path)
        if ignored:
            signal.signal(signal.SIGHUP, signal.SIG_IGN)
        arguments = ("cluster", str(plan), "--only", "dns", "--save", "saved", "--output", "out")
        os.execve(sys.executable, [*COMMAND, *arguments], ENVIRONMENT)  # noqa: S606  # no shell
    listener.datagrams.recv(65_535)
    os.close(terminal)
    _, how = os.waitpid(pid, 0)
    assert os.waitstatus_to_exitcode(how) == status
    survey = from_json((tmp_path / "saved").read_bytes())
    assert survey.interrupted is not ignored
    assert (tmp_path / "out").read_text().startswith("Northpier: unseen")


# ---------------------------------------------------------------- the machine


def run(*command: str | Path, folder: Path) -> Ended:
    done = subprocess.run(
        [*map(str, command)],
        cwd=folder,
        env=ENVIRONMENT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        timeout=60,
        check=False,
    )
    assert "Traceback" not in done.stderr
    return Ended(done.returncode, done.stdout, done.stderr)


def findings(ended: Ended) -> set[tuple[str, str, tuple[str, ...]]]:
    listed = json.loads(ended.stdout)["findings"]
    return {(each["rule"], each["verdict"], tuple(each["nodes"])) for each in listed}


@NAMESPACES
@pytest.mark.parametrize("kilobytes", [8, 68])
def test_a_full_disk_costs_nobody_the_report(
    tmp_path: Path, healthy: Cluster, kilobytes: int
) -> None:
    """Files are checked before anything is asked, and still fit then: they are empty."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = (
        *("unshare", "--user", "--map-root-user", "--mount", "sh", "-c"),
        f'mount -t tmpfs -o size={kilobytes}k none disk && "$@"; s=$?; ls -A disk; exit $s',
        "sh",
    )
    sweep = (*COMMAND, "cluster", healthy.plan_path, "--format", "json", "--history", "disk/kept")
    ended = run(*mounted, *sweep, "--save", "disk/saved", folder=tmp_path)
    assert ended.status == 2
    document, left = ended.stdout.rsplit("}", 1)
    assert json.loads(document + "}")["verdict"] == "sound"
    assert set(left.split()) <= {"kept", "kept-shm", "kept-wal"}
    assert ended.stderr.endswith("probe: --save disk/saved: no space left on device\n")

    ended = run(*mounted, *sweep[:-2], "--history", "off", "--output", "disk/out", folder=tmp_path)
    if kilobytes == 8:
        document, left = ended.stdout.rsplit("}", 1)
        assert (ended.status, left.split()) == (2, [])
        assert json.loads(document + "}")["verdict"] == "sound"
        assert ended.stderr == "probe: --output disk/out: no space left on device\n"
    else:
        assert ended == Ended(0, "out\n", "")


STEPPED = """
import sys
from datetime import datetime, timedelta, UTC
from probe.observe import sweep

days, looked = int(sys.argv.pop(1)), 0

def set_meanwhile():
    global looked
    looked += 1
    return datetime.now(UTC).replace(microsecond=0) + timedelta(days=days if looked > 1 else 0)

sweep.utc_now = set_meanwhile
from probe.cli.main import run
run()
"""


@pytest.mark.parametrize("days", [-20_000, 400])
def test_a_clock_that_is_set_meanwhile(tmp_path: Path, healthy: Cluster, days: int) -> None:
    """Certificates would have ended by then, or not begun, and no record would fit another one."""
    stepping = (sys.executable, "-c", STEPPED, str(days), "cluster", healthy.plan_path)
    kept = ("--history", "kept", "--format", "json")
    for _ in range(2):
        ended = run(*stepping, *kept, "--save", "saved", folder=tmp_path)
        assert (ended.status, ended.stderr, findings(ended)) == (0, "", set())
    recalled = run(*COMMAND, "cluster", healthy.plan_path, "--from", "saved", folder=tmp_path)
    assert recalled.status == 0
    assert run(*COMMAND, "cluster", healthy.plan_path, *kept, folder=tmp_path).status == 0


def test_a_clock_that_was_wrong_at_an_earlier_run(tmp_path: Path, healthy: Cluster) -> None:
    """A run of the year after next is kept; today's is compared with it, and kept beside it."""
    ahead = STEPPED.replace("looked > 1", "True")
    kept = ("cluster", healthy.plan_path, "--history", "kept", "--format", "json")
    first = run(sys.executable, "-c", ahead, "400", *kept, folder=tmp_path)
    assert first.status == 1
    ended = run(*COMMAND, *kept, folder=tmp_path)
    assert (ended.status, ended.stderr, findings(ended)) == (0, "", set())
    gone = {each["rule"] for each in json.loads(ended.stdout)["since"]["gone"]}
    assert gone == {"web-expired", "eap-expired", "here-clock-off"}
    assert integrity(tmp_path / "kept") == "ok"


@NAMESPACES
def test_no_network(tmp_path: Path, healthy: Cluster) -> None:
    """A namespace in which not even loopback is up: nothing is claimed of anybody."""
    nowhere = ("unshare", "--user", "--map-root-user", "--net", *COMMAND)
    ended = run(*nowhere, "cluster", healthy.plan_path, "--format", "json", folder=tmp_path)
    assert (ended.status, ended.stderr) == (4, "")
    every = ("quay1", "quay2", "quay3")
    assert findings(ended) == {
        ("dns-no-answer", "unseen", every),
        ("web-silent", "unseen", every),
        ("eap-silent", "unseen", every),
    }


PLAN = """
name = "Northpier"
[dns]
resolvers = [{resolvers}]
[web]
port = {port}
[limits]
dns_wait = 0.2
[[node]]
name = "quay1"
host = "quay1.northpier.example"
"""


def test_a_resolver_that_is_gone(tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as held:
        held.bind(("127.0.0.1", 0))
        port = held.getsockname()[1]
    (tmp_path / "plan.toml").write_text(PLAN.format(resolvers=f'"127.0.0.1:{port}"', port=port))
    ended = run(*COMMAND, "cluster", "--format", "json", folder=tmp_path)
    assert (ended.status, ended.stderr) == (4, "")
    assert findings(ended) == {("dns-no-answer", "unseen", ("quay1",))}


@NAMESPACES
@pytest.mark.parametrize(
    "gone", ["mount --bind /dev/null /etc/resolv.conf", "mount -t tmpfs x /etc"]
)
def test_a_system_without_a_resolver(tmp_path: Path, gone: str) -> None:
    (tmp_path / "plan.toml").write_text(PLAN.format(resolvers='"system"', port=443))
    unshared = ("unshare", "--user", "--map-root-user", "--net", "--mount", "sh", "-c")
    command = (*unshared, f'{gone} && exec "$@"', "sh", *COMMAND)
    ended = run(*command, "cluster", "--format", "json", folder=tmp_path)
    assert (ended.status, ended.stderr) == (4, "")
    assert findings(ended) == {("dns-no-answer", "unseen", ("quay1",))}
    assert "this machine is configured with no resolver" in ended.stdout


@pytest.mark.parametrize("files", [12, 24, 66])
def test_few_files_may_be_open(tmp_path: Path, healthy: Cluster, files: int) -> None:
    """Visits wait for each other, and nobody is taken for unreachable."""
    limited = ("sh", "-c", f'ulimit -n {files} && exec "$@"', "sh", *COMMAND)
    ended = run(*limited, "cluster", healthy.plan_path, "--format", "json", folder=tmp_path)
    assert (ended.status, ended.stderr, findings(ended)) == (0, "", set())


def test_too_few_files_for_anything_are_told_plainly(tmp_path: Path, healthy: Cluster) -> None:
    limited = ("sh", "-c", 'ulimit -n 9 && exec "$@"', "sh", *COMMAND)
    ended = run(*limited, "cluster", healthy.plan_path, folder=tmp_path)
    told = "probe: this process may not open as many files as it needs (ulimit -n)\n"
    assert ended == Ended(2, "", told)
