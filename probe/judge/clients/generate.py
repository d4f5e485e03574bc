"""Turns the families' files, which people write, into the one that each run reads."""

import json
import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent
FILE = FOLDER / "families.json"


def written() -> str:
    """Return the text of `families.json`."""
    families: dict[str, Any] = {
        path.stem: tomllib.loads(path.read_text("utf-8")) for path in sorted(FOLDER.glob("*.toml"))
    }
    return json.dumps(families, indent=1, ensure_ascii=False, default=_time) + "\n"


def _time(value: object) -> str:
    assert isinstance(value, datetime)  # noqa: S101  # all that TOML has and JSON has not, here
    return value.isoformat()
