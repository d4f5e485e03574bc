"""Files that are written whole or not at all."""

import contextlib
import os
import secrets
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that its name never stands for half of it. Raises OSError.

    What was there before stays until the new content is complete. A device or a pipe has no
    halves and is written to as it is.
    """
    target = Path(os.path.realpath(path))
    if target.exists() and not target.is_file():
        with target.open("wb") as file:
            file.write(content)
        return
    # Beside the target: only within one file system is a rename whole (POSIX rename()).
    beside = target.with_name(f".{target.name[:200]}.{secrets.token_hex(8)}")
    try:
        with beside.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise
