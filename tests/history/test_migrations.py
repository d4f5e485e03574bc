"""A file of every version that was ever written is read, and brought to the present one."""

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from probe.history.failure import ForeignError, TooNewError
from probe.history.migrations import STEPS
from probe.history.store import APPLICATION, Store, migrate
from probe.observation.model import Endpoint
from tests.history.makes import PLAN, integrity, survey

FOLDER = Path(__file__).parent


def file_of(version: int, path: Path) -> None:
    """Make a file as that version of the tool made it, out of its dump beside this test."""
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript((FOLDER / f"version-{version}.sql").read_text("utf-8"))
        connection.execute(f"PRAGMA application_id = {APPLICATION}")
        connection.execute(f"PRAGMA user_version = {version}")


def version_of(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("PRAGMA user_version").fetchone()[0])


def test_every_version_has_its_dump() -> None:
    """A new step comes with a dump of the version before it, and with what it must tell below."""
    dumps = {int(path.stem.removeprefix("version-")) for path in FOLDER.glob("version-*.sql")}
    assert dumps == set(range(1, len(STEPS) + 1))


@pytest.mark.parametrize("version", range(1, len(STEPS) + 1))
def test_a_file_of_a_version_tells_all_it_knew_and_takes_more(version: int, tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    file_of(version, path)
    with Store.open(path) as store:
        second, first = store.runs()
        assert (first.id, first.plan, first.machine, first.vantage) == (
            1,
            "Northpier Ferries network access",
            "lighthouse",
            "head office",
        )
        assert first.ended == datetime(2026, 11, 25, 12, tzinfo=UTC)
        assert (second.ended, second.nodes) == (datetime(2026, 11, 26, 12, tzinfo=UTC), ("quay1",))
        seen = store.survey(2)
        assert len(seen.certificates) == 4
        (web,) = {h.served.chain for h in seen.handshakes if h.served and h.endpoint == "web"}
        (sight,) = [
            one
            for one in store.sightings()
            if (one.certificate, one.endpoint, one.place) == (web[0], Endpoint.WEB, "quay1")
        ]
        assert (sight.first, sight.last) == (first.ended, second.ended)
        latest = store.latest(first.plan, "lighthouse", "head office")
        assert {runs for question, runs in latest.items() if question.startswith("eap/")} == {
            (2, 2)
        }
        store.add(survey(2), PLAN.name)
        assert len(store.runs()) == 3
    assert (version_of(path), integrity(path)) == (len(STEPS), "ok")


def test_steps_are_taken_together_or_not_at_all(tmp_path: Path) -> None:
    """A made-up further step, and its twin whose second statement is wrong."""
    path = tmp_path / "history.sqlite"
    file_of(1, path)
    more = ("ALTER TABLE runs ADD COLUMN mood TEXT", "UPDATE runs SET mood = 'calm'")
    wrong = (more[0], "UPDATE runs SET weather = 'fog'")
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        with pytest.raises(sqlite3.OperationalError):
            migrate(connection, (*STEPS, wrong))
        columns = [row[1] for row in connection.execute("PRAGMA table_info(runs)")]
        assert "mood" not in columns
        migrate(connection, (*STEPS, more))
        assert connection.execute("SELECT DISTINCT mood FROM runs").fetchall() == [("calm",)]
        migrate(connection, (*STEPS, more))  # a second time there is nothing to do
    assert version_of(path) == len(STEPS) + 1


def test_a_file_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "history.sqlite"
    file_of(1, path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 999")
    octets = path.read_bytes()
    with pytest.raises(TooNewError, match="version 999, and"):
        Store.open(path)
    assert path.read_bytes() == octets


def test_another_programs_file_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "tides.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE tides (height)")
    octets = path.read_bytes()
    with pytest.raises(ForeignError):
        Store.open(path)
    assert path.read_bytes() == octets
