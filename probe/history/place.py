"""Where the history is kept unless a file is named."""

from pathlib import Path

FILE = "history.sqlite"


def default_path() -> Path:
    """Return the file in the user's data folder, by the convention of the platform."""
    from platformdirs import user_data_path  # noqa: PLC0415  # only where no file is named

    return user_data_path("cluster-probe", appauthor=False) / FILE
