"""Files that are written whole or not at all."""

import contextlib
import errno
import os
import secrets
import stat
import sys
from pathlib import Path


def target_of(path: Path) -> Path:
    """Return what a path leads to, through links. Raises OSError.

    In a folder where everybody may write, a link of somebody else's is not followed: whoever puts
    it there chooses what is overwritten. Opening a file has the kernel refuse it (proc(5),
    protected_symlinks); resolving the path here would evade that.
    """
    if path.is_symlink():
        folder, owner = path.parent.stat(), path.lstat().st_uid
        shared = stat.S_ISVTX | stat.S_IWOTH
        trusted = (os.geteuid(), folder.st_uid) if sys.platform != "win32" else (owner,)
        if folder.st_mode & shared == shared and owner not in trusted:
            raise PermissionError(errno.EACCES, "is somebody else's link in a shared folder")
    return Path(os.path.realpath(path))


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that its name never stands for half of it. Raises OSError.

    What was there before stays until the new content is complete, and its mode stays. A device or a
    pipe has no halves and is written to as it is.
    """
    target = target_of(path)
    if target.exists() and not target.is_file():
        with target.open("wb") as file:
            file.write(content)
        return
    # Beside the target: only within one file system is a rename whole (POSIX rename()).
    beside = target.with_name(f".{target.name[:200]}.{secrets.token_hex(8)}")
    try:
        with beside.open("xb") as file:
            with contextlib.suppress(FileNotFoundError):
                # A file that others may not read stays so.
                beside.chmod(stat.S_IMODE(target.stat().st_mode))
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise
