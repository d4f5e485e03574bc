"""Signals that end a run as Ctrl-C does: what is known is told, and no file stays by half.

SIGTERM is how services and timers stop a command, SIGHUP says that its terminal is gone. Who
started it with one of them ignored, as nohup(1) does, meant that.
"""

import signal
import sys
from types import FrameType

_struck: list[int] = []
"""What has come, in order."""


def heed() -> None:
    """Take these signals as an interrupt from now on."""
    for each in _meant():
        if signal.getsignal(each) is signal.SIG_DFL:
            signal.signal(each, _interrupt)
    if sys.platform != "win32" and signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        # As in a shell's background jobs. It stays without effect, but has what the others use.
        signal.pthread_sigmask(signal.SIG_BLOCK, (signal.SIGINT,))
        signal.signal(signal.SIGINT, signal.default_int_handler)


def status_after(status: int) -> int:
    """Return the exit status that says which signal ended a run: 128 and its number, as shells
    count. Without one it stays as it is."""
    return 128 + _struck[0] if _struck else status


def _meant() -> tuple[signal.Signals, ...]:
    if sys.platform == "win32":
        return (signal.SIGTERM,)
    return (signal.SIGTERM, signal.SIGHUP)


def _interrupt(number: int, frame: FrameType | None) -> None:
    _struck.append(number)
    # Whatever an interrupt does at this moment: a sweep is cancelled, and tells what it has.
    interrupted = signal.getsignal(signal.SIGINT)
    assert callable(interrupted)  # noqa: S101  # Python's own, or the event loop's
    interrupted(signal.SIGINT, frame)
