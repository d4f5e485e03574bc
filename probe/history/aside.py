"""A damaged history file is moved aside, whole, and never thrown away."""

import contextlib
from datetime import UTC, datetime
from pathlib import Path

from probe.history.failure import HistoryError

_LOGS = ("-wal", "-shm", "-journal")
"""What SQLite keeps beside a file (sqlite.org, "Temporary Files Used By SQLite", 2)."""


def set_aside(path: Path, at: datetime) -> Path:
    """Give a damaged file, and what is left of its logs, another name beside it; return that name.

    Raises HistoryError where that cannot be done: then everything stays as it is.
    """
    stamp = at.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    aside = _free(path.with_name(f"{path.name}.damaged-{stamp}"))
    try:
        # The logs go first: a new file of the old name must never meet the old one's log.
        for log in _LOGS:
            with contextlib.suppress(FileNotFoundError):
                path.with_name(path.name + log).rename(aside.with_name(aside.name + log))
        with contextlib.suppress(FileNotFoundError):
            path.rename(aside)  # not there: another run was faster
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise HistoryError(f"it is damaged, and cannot be set aside: {reason}") from error
    return aside


def _free(path: Path) -> Path:
    found, number = path, 1
    while found.exists():
        number += 1
        found = path.with_name(f"{path.name}-{number}")
    return found
