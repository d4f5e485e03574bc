"""The history file: every run's survey, each certificate once, and indexes over them.

One transaction keeps one run, so that a run is there whole or not at all, however the process ends
(sqlite.org, "Write-Ahead Logging"). The order of runs is that in which they were kept: clocks may
be set back.
"""

import contextlib
import json
import os
import sqlite3
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from probe.history.failure import DamagedError, ForeignError, HistoryError, TooNewError, translated
from probe.history.migrations import STEPS
from probe.limits import DEFAULT
from probe.observation.document import SurveyError, from_json, to_json
from probe.observation.model import Aspect, Endpoint, Handshake, Outcome, Survey
from probe.past import Run, Sighting
from probe.records import replace
from probe.version import TOOL

APPLICATION = 0x50726F62
"""Tells a history from another SQLite file (PRAGMA application_id): "Prob"."""

BUSY_WAIT = 10.0
"""Seconds to wait for another run that is keeping its survey: that takes a fraction of one."""

_MAGIC = b"SQLite format 3\0"
_HEADER = 100
"""Octets of the database header; bytes 68 to 71 are the application id (sqlite.org, "Database
File Format", 1.3)."""

_Execute = Callable[..., sqlite3.Cursor]

_NOT_THERE = frozenset({Aspect.CANARY, Aspect.LED})
"""Visits that led to somebody else than the node."""


class Store:
    """An open history file. Raises HistoryError where the file does not allow what is asked."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open a history, and make it if there is none. One that cannot be written can be read."""
        try:
            with _translating():
                _create_file(path)
                connection = _connect(path)
                try:
                    _prepare(connection)
                except BaseException:
                    connection.close()
                    raise
        except DamagedError:
            if _is_history(path) is False:
                raise ForeignError("it is no history of this tool") from None
            raise
        return cls(connection)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        with contextlib.suppress(sqlite3.Error):  # what was kept was committed before
            self._connection.close()

    # ------------------------------------------------------------ keeping

    def add(self, survey: Survey, plan: str) -> int:
        """Keep a survey of the plan of that name and return the number of the run."""
        moments = [(taken.began, taken.ended) for taken in survey.taken]
        first = survey.taken[0]
        machine, vantage = first.machine or "", first.vantage or ""
        began, ended = min(each[0] for each in moments), max(each[1] for each in moments)
        document = zlib.compress(to_json(replace(survey, certificates={}, bodies={})))
        row = (
            plan,
            survey.plan_digest,
            _text(began),
            _text(ended),
            machine,
            vantage,
            TOOL,
            survey.interrupted,
            len(survey.questions),
            len(survey.unobserved()),
            json.dumps(list(dict.fromkeys(n for q in survey.questions for n in q.nodes))),
            json.dumps(list(dict.fromkeys(q.endpoint.value for q in survey.questions))),
            document,
        )
        seen = sorted(
            {
                (sha256, record.endpoint.value, _place(record))
                for record in survey.handshakes
                if record.served and record.asked.aspect not in _NOT_THERE
                for sha256 in record.served.chain
            }
        )
        with self._transaction() as execute:
            cursor = execute(
                "INSERT INTO runs (plan, digest, began, ended, machine, vantage, tool, interrupted,"
                " questions, unseen, nodes, endpoints, survey)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                row,
            )
            run = cursor.lastrowid
            assert run is not None  # noqa: S101  # what an INSERT always gives
            many = self._connection.executemany
            pools = {"certificates": survey.certificates, "bodies": survey.bodies}
            for table, pool in pools.items():
                many(f"INSERT OR IGNORE INTO {table} VALUES (?, ?)", pool.items())  # noqa: S608
                many(f"INSERT INTO run_{table} VALUES (?, ?)", ((run, sha) for sha in pool))  # noqa: S608
            many(
                "INSERT INTO sightings VALUES (?, ?, ?, ?, ?, ?)"
                " ON CONFLICT DO UPDATE SET last_at = excluded.last_at",
                ((plan, *place, _text(ended), _text(ended)) for place in seen),
            )
            many(
                "INSERT INTO latest VALUES (?, ?, ?, ?, ?, ?)"
                " ON CONFLICT DO UPDATE SET observed = excluded.observed,"
                " served = coalesce(excluded.served, served)",
                (
                    (plan, machine, vantage, question, run, run if served else None)
                    for question, served in _observed(survey).items()
                ),
            )
        return run

    def prune(self, before: datetime) -> int:
        """Forget the runs that ended before a time, and certificates not seen since.

        Since when a certificate that was seen later is served stays known. Returns how many runs.
        """
        moment = _text(before)
        with self._transaction() as execute:
            count = execute("DELETE FROM runs WHERE ended < ?", (moment,)).rowcount
            execute("DELETE FROM sightings WHERE last_at < ?", (moment,))
            execute(
                "DELETE FROM certificates WHERE sha256 NOT IN (SELECT sha256 FROM run_certificates)"
                " AND sha256 NOT IN (SELECT sha256 FROM sightings)"
            )
            execute("DELETE FROM bodies WHERE sha256 NOT IN (SELECT sha256 FROM run_bodies)")
        with contextlib.suppress(sqlite3.Error):  # the room is given back another time
            self._connection.execute("VACUUM")
        return count

    # ------------------------------------------------------------ telling

    def runs(self, plan: str | None = None) -> tuple[Run, ...]:
        """Return the runs of a plan, or all of them, the latest first."""
        rows = self._rows(
            "SELECT id, plan, digest, began, ended, machine, vantage, tool, interrupted, questions,"
            " unseen, nodes, endpoints FROM runs ORDER BY id"
        )
        found: list[Run] = []
        for row in rows:
            with _understanding(f"run {row[0]}"):
                run = _run(row)
            # A run is kept when it has ended: of two at once the later one ended later, too.
            back = any(run.ended < one.ended and run.machine == one.machine for one in found[-1:])
            found.append(replace(run, clock_back=back))
        return tuple(run for run in reversed(found) if plan in (None, run.plan))

    def survey(self, run: int) -> Survey:
        """Return what a run saw. Raises KeyError for one that is not there."""
        rows = self._rows("SELECT survey FROM runs WHERE id = ?", run)
        if not rows:
            raise KeyError(run)
        pools = (
            dict(
                self._rows(
                    f"SELECT sha256, {column} FROM run_{table} JOIN {table} USING (sha256)"  # noqa: S608  # literals of these lines
                    " WHERE run = ?",
                    run,
                )
            )
            for table, column in (("certificates", "der"), ("bodies", "octets"))
        )
        certificates, bodies = pools
        try:
            return from_json(_decompressed(rows[0][0]), certificates=certificates, bodies=bodies)
        except (zlib.error, SurveyError) as error:
            raise HistoryError(f"run {run} in it cannot be read: {error}") from None

    def sightings(self, plan: str | None = None) -> tuple[Sighting, ...]:
        """Return where certificates were seen, what was seen last first."""
        rows = self._rows(
            "SELECT plan, sha256, endpoint, place, first_at, last_at FROM sightings"
            " WHERE ?1 IS NULL OR plan = ?1 ORDER BY last_at DESC, sha256, endpoint, place",
            plan,
        )
        with _understanding("a sight of a certificate"):
            return tuple(
                Sighting(of, sha256, Endpoint(endpoint), place, _moment(first), _moment(last))
                for of, sha256, endpoint, place, first, last in rows
            )

    def certificates(self, wanted: Iterable[str]) -> Mapping[str, bytes]:
        """Return certificates by SHA-256; one that is not kept is left out."""
        found: dict[str, bytes] = {}
        for sha256 in dict.fromkeys(wanted):
            found.update(self._rows("SELECT * FROM certificates WHERE sha256 = ?", sha256))
        return found

    def latest(
        self, plan: str, machine: str | None, vantage: str | None
    ) -> Mapping[str, tuple[int, int | None]]:
        """Return in which run each question of a plan was last observed from a place, and in which
        one it was last answered with a certificate chain (None: never)."""
        rows = self._rows(
            "SELECT question, observed, served FROM latest"
            " WHERE plan = ? AND machine = ? AND vantage = ?",
            plan,
            machine or "",
            vantage or "",
        )
        return {question: (observed, served) for question, observed, served in rows}

    def last_served(self, plan: str, vantage: str | None) -> Mapping[str, int]:
        """Return in which run each question of a plan was last answered with a certificate chain,
        by whichever machine asked."""
        rows = self._rows(
            "SELECT question, max(served) FROM latest"
            " WHERE plan = ? AND vantage = ? AND served IS NOT NULL GROUP BY question",
            plan,
            vantage or "",
        )
        return dict(rows)

    # ------------------------------------------------------------ the file

    def _rows(self, statement: str, *given: object) -> list[Any]:
        with _translating():
            return self._connection.execute(statement, given).fetchall()

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[_Execute]:
        with _translating(), _written(self._connection) as execute:
            yield execute


@contextlib.contextmanager
def _written(connection: sqlite3.Connection) -> Iterator[_Execute]:
    """One transaction, which is taken back whatever ends it early."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield connection.execute
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):  # SQLite took it back itself
            connection.execute("ROLLBACK")
        raise


@contextlib.contextmanager
def _translating() -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise translated(error) from error
    except UnicodeDecodeError as error:
        # What SQLite has to say of a damaged schema quotes it, and Python decodes that.
        raise DamagedError("it is damaged") from error
    except OSError as error:
        raise HistoryError((error.strerror or str(error)).lower()) from error


@contextlib.contextmanager
def _understanding(what: str) -> Iterator[None]:
    """SQLite has no checksums: what stands in a row may be altered without its notice."""
    try:
        yield
    except (ValueError, TypeError) as error:
        raise HistoryError(f"{what} in it cannot be read") from error


def _create_file(path: Path) -> None:
    """Make the file, if there is none, for its owner alone: it tells a lot about a network."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))


def _connect(path: Path) -> sqlite3.Connection:
    uri = path.absolute().as_uri()
    connection = sqlite3.connect(uri, uri=True, timeout=BUSY_WAIT, isolation_level=None)
    if not _can_be_read(connection):
        # In a folder that cannot be written there is no room for the index of the log. Nobody
        # else writes there either (sqlite.org, "Write-Ahead Logging", read-only databases).
        connection.close()
        connection = sqlite3.connect(f"{uri}?immutable=1", uri=True, isolation_level=None)
    return connection


def _can_be_read(connection: sqlite3.Connection) -> bool:
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.OperationalError as error:
        return error.sqlite_errorcode & 0xFF not in (
            sqlite3.SQLITE_CANTOPEN,
            sqlite3.SQLITE_READONLY,
        )
    except sqlite3.DatabaseError:
        pass  # told where the file is looked into
    return True


def _prepare(connection: sqlite3.Connection) -> None:
    """See that it is a history, and of this version."""
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if application != APPLICATION and (application or tables):
        raise ForeignError("it is no history of this tool")
    connection.execute("PRAGMA foreign_keys = ON")
    if _version(connection) < len(STEPS):
        migrate(connection, STEPS)
        # Only now, so that what tells a history is in the file itself and not in the log.
        connection.execute("PRAGMA journal_mode = WAL").fetchone()


def _version(connection: sqlite3.Connection) -> int:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > len(STEPS):
        raise TooNewError(
            f"a later version of this tool has written it: version {version}, and {len(STEPS)} is"
            " what this one knows"
        )
    return int(version)


def migrate(connection: sqlite3.Connection, steps: Sequence[Sequence[str]]) -> None:
    """Bring a file to the version that the steps make, whole or not at all."""
    with _written(connection) as execute:
        # Under the lock: another run may have been faster.
        (version,) = execute("PRAGMA user_version").fetchone()
        for step in steps[version:]:
            for statement in step:
                execute(statement)
        execute(f"PRAGMA application_id = {APPLICATION}")
        execute(f"PRAGMA user_version = {max(version, len(steps))}")


def _is_history(path: Path) -> bool | None:
    """Whether a file that cannot be read was a history: None where nothing of it tells."""
    with contextlib.suppress(OSError), path.open("rb") as file:
        header = file.read(_HEADER)
        if header.startswith(_MAGIC):
            return int.from_bytes(header[68:72], "big") == APPLICATION
        return None if not header.strip(b"\0") else False
    return None


def _decompressed(octets: bytes) -> bytes:
    reading = zlib.decompressobj()
    survey = reading.decompress(octets, DEFAULT.survey_bytes + 1)
    if len(survey) > DEFAULT.survey_bytes or not reading.eof:
        raise zlib.error("it is cut short, or larger than any survey")
    return survey


def _observed(survey: Survey) -> dict[str, bool]:
    """Return the questions that something was seen of, and whether that was a chain."""
    unobserved = frozenset(survey.unobserved())
    found = {question.id: False for question in survey.questions if question.id not in unobserved}
    for record in survey.handshakes:
        if record.outcome is Outcome.SERVED:
            found[record.question] = True
    return found


def _place(record: Handshake) -> str:
    return record.nodes[0] if len(record.nodes) == 1 else record.asked.address or ""


def _run(row: tuple[Any, ...]) -> Run:
    number, plan, digest, began, ended, machine, vantage, by, interrupted, *rest = row
    questions, unseen, nodes, endpoints = rest
    return Run(
        number,
        plan,
        digest,
        _moment(began),
        _moment(ended),
        machine or None,
        vantage or None,
        by,
        bool(interrupted),
        questions,
        unseen,
        tuple(json.loads(nodes)),
        tuple(Endpoint(word) for word in json.loads(endpoints)),
    )


def _text(moment: datetime) -> str:
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds")


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)
