"""Whatever happens to the process or the file: no run is kept by half, and nothing is lost.

The word of SQLite's own integrity check counts ("PRAGMA integrity_check").
"""

import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from probe.history.aside import set_aside
from probe.history.failure import DamagedError, ForeignError, HistoryError
from probe.history.store import Store
from tests.history.makes import DAY, PLAN, counted, integrity, survey
from tests.judge.pki import AT

ROOT = Path(__file__).parents[2]
NAME = PLAN.name

CHILD = """
import sys
from pathlib import Path
from probe.history.store import Store
from tests.history.makes import PLAN, survey

path = Path(sys.argv[1])

def wait():
    print("here", flush=True)
    sys.stdin.readline()
"""

MID_WRITE = """
with Store.open(path) as store:
    store.add(survey(), PLAN.name)
    store._connection.set_trace_callback(lambda s: wait() if "INTO latest" in s else None)
    store.add(survey(1), PLAN.name)
"""

EVER_ON = """
with Store.open(path) as store:
    seen = survey()
    while True:
        print(store.add(seen, PLAN.name), flush=True)
"""

TWENTY = """
seen = survey()
wait()
with Store.open(path) as store:
    for _ in range(20):
        store.add(seen, PLAN.name)
"""

NO_ROOM = """
import resource
with Store.open(path) as store:
    store.add(survey(), PLAN.name)
    resource.setrlimit(resource.RLIMIT_FSIZE, (path.stat().st_size, resource.RLIM_INFINITY))
    for day in range(1, 1_000):
        store.add(survey(day), PLAN.name)
"""


def child(code: str, path: Path) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-c", CHILD + code, str(path)],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    )


def heard(process: "subprocess.Popen[str]") -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite"


def kept(path: Path) -> list[int]:
    with Store.open(path) as store:
        for run in store.runs():
            assert store.survey(run.id).certificates
        return [run.id for run in store.runs()]


def test_a_kill_in_the_midst_of_writing_leaves_the_run_out_and_all_else_sound(path: Path) -> None:
    with child(MID_WRITE, path) as process:
        assert heard(process) == "here"
        process.send_signal(signal.SIGKILL)
    assert process.returncode == -signal.SIGKILL
    assert integrity(path) == "ok"
    assert kept(path) == [1]
    with Store.open(path) as store:
        assert store.add(survey(1), NAME) == 2
    assert integrity(path) == "ok"


@pytest.mark.parametrize("runs", [1, 3, 7])
def test_a_kill_at_any_moment_loses_no_run_that_was_kept(path: Path, runs: int) -> None:
    with child(EVER_ON, path) as process:
        told = [int(heard(process)) for _ in range(runs)]
        process.kill()
    assert integrity(path) == "ok"
    assert set(told) <= set(kept(path))


def test_runs_at_the_same_time_are_all_kept(path: Path) -> None:
    """They make the file, too: whoever comes second finds it made."""
    processes = [child(TWENTY, path) for _ in range(3)]
    for process in processes:
        assert heard(process) == "here"
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    for process in processes:
        _, err = process.communicate(timeout=60)
        assert (process.returncode, err) == (0, "")
    assert integrity(path) == "ok"
    assert kept(path) == list(range(60, 0, -1))
    assert counted(path, "certificates") == 12, "each process has made four of its own"


def test_a_full_disk_is_told_and_what_was_kept_stays(path: Path) -> None:
    """No file of the process may grow any more: the kernel says so (setrlimit(2))."""
    with child(NO_ROOM, path) as process:
        _, err = process.communicate(timeout=60)
    assert process.returncode == 1
    assert "HistoryError: " in err
    assert integrity(path) == "ok"
    assert len(kept(path)) >= 1


def fill(store: Store) -> None:
    for day in range(1, 1_000):
        store.add(survey(day), NAME)


def test_a_database_that_may_not_grow_says_that_there_is_no_space(path: Path) -> None:
    with Store.open(path) as store:
        store.add(survey(), NAME)
        (pages,) = store._connection.execute("PRAGMA page_count").fetchone()
        store._connection.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(HistoryError, match="no space left"):
            fill(store)
    assert integrity(path) == "ok"


@contextmanager
def folder_of_others() -> Iterator[Path]:
    """A folder to which another user than root comes: root may write everywhere."""
    before = os.geteuid()
    with tempfile.TemporaryDirectory() as folder:
        try:
            yield Path(folder)
        finally:
            os.seteuid(before)
            os.chmod(folder, 0o700)


def become_nobody() -> None:
    if os.geteuid() == 0:
        os.seteuid(65_534)


@pytest.mark.parametrize("folder_too", [False, True])
def test_a_read_only_file_is_read_and_not_written(folder_too: bool) -> None:
    with folder_of_others() as folder:
        path = folder / "history.sqlite"
        with Store.open(path) as store:
            store.add(survey(), NAME)
        path.chmod(0o444)
        folder.chmod(0o555 if folder_too else 0o777)
        become_nobody()
        with Store.open(path) as store:
            assert [run.id for run in store.runs()] == [1]
            assert store.survey(1) == survey()
            with pytest.raises(HistoryError, match="read-only"):
                store.add(survey(1), NAME)


def test_a_folder_that_cannot_be_written_or_is_a_file_is_told(path: Path) -> None:
    with folder_of_others() as folder:
        folder.chmod(0o555)
        become_nobody()
        with pytest.raises(HistoryError, match="permission denied"):
            Store.open(folder / "deeper" / "history.sqlite")
    path.write_text("a file")
    with pytest.raises(HistoryError, match=r"exists|not a directory"):
        Store.open(path / "history.sqlite")
    with pytest.raises(HistoryError):
        Store.open(path.parent)


def damaged(path: Path) -> bytes:
    """Keep runs and write nonsense into the midst of the file."""
    with Store.open(path) as store:
        for day in range(8):
            store.add(survey(day), NAME)
    octets = bytearray(path.read_bytes())
    octets[4_096:20_480] = b"\xa5" * 16_384
    path.write_bytes(octets)
    return bytes(octets)


def test_damage_is_told_from_a_foreign_file_and_from_an_empty_one(path: Path) -> None:
    damaged(path)
    with pytest.raises(DamagedError):
        kept(path)
    path.write_bytes(b"\0" * 8_192)  # as some file systems leave it after a loss of power
    with pytest.raises(DamagedError):
        Store.open(path)
    path.write_text('name = "a plan, and no history"\n')
    with pytest.raises(ForeignError):
        Store.open(path)
    assert path.read_text().startswith("name"), "it is left alone"
    path.write_bytes(b"")
    with Store.open(path) as store:
        assert store.runs() == ()


def test_a_damaged_file_is_moved_whole_with_its_logs(path: Path) -> None:
    octets = damaged(path)
    path.with_name(path.name + "-wal").write_bytes(b"a log")
    first = set_aside(path, AT)
    assert first.name == "history.sqlite.damaged-20261125T120000Z"
    assert first.read_bytes() == octets
    assert first.with_name(first.name + "-wal").read_bytes() == b"a log"
    assert sorted(each.name for each in path.parent.iterdir()) == [first.name, f"{first.name}-wal"]
    path.write_bytes(b"again")
    assert set_aside(path, AT).read_bytes() == b"again"
    assert first.read_bytes() == octets, "no copy takes the place of another"
    set_aside(path, AT + DAY)  # another run was faster: there is nothing left to move
    assert not path.exists()


def test_a_run_that_cannot_be_read_leaves_the_others(path: Path) -> None:
    with Store.open(path) as store:
        store.add(survey(), NAME)
        store.add(survey(1), NAME)
        store._connection.execute("UPDATE runs SET survey = substr(survey, 1, 99) WHERE id = 1")
        with pytest.raises(HistoryError, match="run 1 in it cannot be read"):
            store.survey(1)
        assert store.survey(2) == survey(1)
        assert len(store.runs()) == 2


def test_a_schema_that_is_no_text_is_damage(path: Path) -> None:
    """SQLite quotes it in what it has to say, and that cannot be decoded."""
    kept(path)
    octets = path.read_bytes()
    path.write_bytes(octets.replace(b"CREATE TABLE", b"CREAT\xc8 TABLE", 1))
    with pytest.raises(DamagedError):
        Store.open(path)


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE runs SET ended = '2026-_1-25' WHERE id = 1", "run 1 in it"),
        ("UPDATE runs SET nodes = '[\"quay1\"' WHERE id = 1", "run 1 in it"),
        ("UPDATE runs SET endpoints = 7 WHERE id = 1", "run 1 in it"),
        ("UPDATE sightings SET last_at = 'never'", "a sight of a certificate in it"),
    ],
)
def test_a_row_that_was_altered_is_told(path: Path, statement: str, words: str) -> None:
    """SQLite keeps no checksums of it (sqlite.org, "Checksum VFS Shim")."""
    with Store.open(path) as store:
        store.add(survey(), NAME)
        assert store.runs()
        assert store.sightings()
        store._connection.execute(statement)
        with pytest.raises(HistoryError, match=words):
            (store.runs(), store.sightings())
