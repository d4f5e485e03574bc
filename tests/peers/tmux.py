"""A terminal that keeps its screen: a command is driven in it as a person would, key by key."""

import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.peers.servers import POLL_EVERY, program, surroundings

_PATIENCE = 60.0
"""Seconds for a screen to come: far beyond what it takes."""


class Screen:
    """One session of one window, without anybody's configuration."""

    def __init__(self, socket: Path) -> None:
        self._socket = socket
        self._status = socket.with_name("status")

    def run(self, command: list[str], folder: Path, environment: dict[str, str]) -> None:
        """Start the command on an ordinary terminal of 80 columns and 24 lines."""
        given = [f"-e{name}={value}" for name, value in environment.items()]
        size = ("-x", "80", "-y", "24", "-c", str(folder))
        # Of a window that has ended tmux knows the status later, and at times never.
        keep = '"$@"; echo $? >"$0.new"; mv "$0.new" "$0"'
        command = ["/bin/sh", "-c", keep, str(self._status), *command]
        self._tmux(
            *("set-option", "-g", "remain-on-exit", "on", ";"),
            *("new-session", "-d", *size, *given, *command),
        )

    def text(self) -> str:
        """Return everything that was shown, lines as they were broken."""
        return self._tmux("capture-pane", "-p", "-S", "-")

    def wait_for(self, words: str) -> str:
        """Wait until these words are shown after all that was read before, and return all."""
        until = time.monotonic() + _PATIENCE
        while words not in (shown := self.text()):
            assert time.monotonic() < until, f"{words!r} did not come:\n{shown}"
            time.sleep(POLL_EVERY)
        return shown

    def type(self, line: str) -> None:
        """Type a line and press Enter."""
        if line:
            self._tmux("send-keys", "-l", "--", line)
        self._tmux("send-keys", "Enter")

    def ended(self) -> int:
        """Wait for the command's end and return its exit status."""
        until = time.monotonic() + _PATIENCE
        while not self._status.exists():
            assert time.monotonic() < until, self.text()
            time.sleep(POLL_EVERY)
        return int(self._status.read_text("ascii"))

    def close(self) -> None:
        """End the session, and whatever still runs in it."""
        self._tmux("kill-server")

    def _tmux(self, *arguments: str) -> str:
        found = program("tmux")
        assert found is not None
        done = subprocess.run(
            [found, "-u", "-S", self._socket, "-f", "/dev/null", *arguments],
            env=surroundings() | {"TERM": "xterm", "LC_ALL": "C.UTF-8", "SHELL": "/bin/sh"},
            capture_output=True,
            check=True,
            encoding="utf-8",
            timeout=_PATIENCE,
        )
        return done.stdout


@contextmanager
def screen() -> Iterator[Screen]:
    """Give a terminal, whose socket is in a folder of its own with a short name."""
    with tempfile.TemporaryDirectory(prefix="tmux-") as folder:
        one = Screen(Path(folder) / "socket")
        try:
            yield one
        finally:
            one.close()
