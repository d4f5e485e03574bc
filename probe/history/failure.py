"""What may be wrong with a history file, told apart by what follows from it."""

import sqlite3


class HistoryError(Exception):
    """The history cannot be used just now. Its text is for whoever asked."""


class DamagedError(HistoryError):
    """The file is a history, or stands in its place, and cannot be read any more."""


class ForeignError(HistoryError):
    """The file is something else: it is left alone."""


class TooNewError(HistoryError):
    """A later version of this tool has written it: it is left alone."""


_DAMAGED = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})

_WORDS = {
    sqlite3.SQLITE_READONLY: "it is read-only",
    sqlite3.SQLITE_FULL: "no space left on device",
    sqlite3.SQLITE_BUSY: "another run keeps it busy",
    sqlite3.SQLITE_LOCKED: "another run keeps it busy",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened",
    sqlite3.SQLITE_IOERR: "it cannot be read or written",
    sqlite3.SQLITE_PERM: "permission denied",
}


def translated(error: sqlite3.Error) -> HistoryError:
    """Return what an error of SQLite means here (sqlite.org, "Result and Error Codes")."""
    # An extended code has its primary one in the lower eight bits.
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
    if code in _DAMAGED:
        return DamagedError("it is damaged")
    return HistoryError(_WORDS.get(code, str(error)))
