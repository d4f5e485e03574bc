"""Whether the terminal on stdout acts on escape sequences.

Terminals do, wherever this tool was tried. A console of Windows does if it is asked to, and an old
one prints them as they stand (Microsoft, Console Virtual Terminal Sequences). Untried there.
"""

import sys

_ACTS_ON_THEM = 0x0004
"""ENABLE_VIRTUAL_TERMINAL_PROCESSING of SetConsoleMode; the number is from memory."""


def obeys_escapes() -> bool:
    """Return whether escape sequences may be written to stdout, having asked a console of Windows
    to act on them."""
    if sys.platform == "win32":
        import ctypes  # noqa: PLC0415  # only there
        import msvcrt  # noqa: PLC0415  # only there

        try:
            console = ctypes.windll.kernel32
            handle = msvcrt.get_osfhandle(sys.stdout.fileno())
            mode = ctypes.c_ulong()
            if not console.GetConsoleMode(handle, ctypes.byref(mode)):
                return False  # no console, but something that says it is a terminal
            return bool(console.SetConsoleMode(handle, mode.value | _ACTS_ON_THEM))
        except (OSError, ValueError):
            return False
    return True
