"""Surveys to be kept, and what a history file holds by SQLite's own word."""

import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

from probe.observation.model import Survey
from tests.judge.pki import AT
from tests.judge.world import GUEST, HOSTS, Chain, plan, public, seen, with_public

PLAN = plan()
DAY = timedelta(days=1)


def survey(days: float = 0, **changes: Any) -> Survey:
    """Return a healthy survey of the plan, taken so many days after the usual one."""
    return seen(PLAN, taken=AT + DAY * days, **changes)


def renewed() -> Chain:
    """Return a newer web chain of the same names and CA."""
    return with_public(public(*HOSTS, GUEST, begins=AT - DAY))


def integrity(path: Path) -> str:
    """Return what SQLite finds wrong with a file: "ok" is nothing."""
    with closing(sqlite3.connect(path)) as connection:
        return str(connection.execute("PRAGMA integrity_check").fetchone()[0])


def counted(path: Path, table: str) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608  # the test's own word
