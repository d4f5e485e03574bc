"""The command, struck by a signal at a stage of its work that is named, and never by chance.

A process of its own counts the calls of one function, with the interpreter's profiler, and sends
itself the signal as a call begins.
"""

import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

from tests.cli.acting import Ended
from tests.cli.conftest import ROOT

STRUCK = """
import os, sys

file, function, number, what = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
del sys.argv[1:5]
left = number

def watch(frame, event, argument):
    global left
    if event == "call":
        here = frame.f_code.co_name == function and frame.f_code.co_filename.endswith(file)
    else:
        here = event == "c_call" and file == "" and argument.__name__ == function
    if here:
        left -= 1
        if left == 0:
            sys.setprofile(None)
            os.kill(os.getpid(), what)

sys.setprofile(watch)
from probe.cli.main import run
run()
"""


def struck(
    stage: tuple[str, str, int],
    what: signal.Signals,
    *arguments: str | Path,
    folder: Path,
    environment: Mapping[str, str] | None = None,
) -> Ended:
    """Run the command; `stage` is the end of a file's name ("" for what is written in C), a
    function and the number of its call."""
    file, function, number = stage
    done = subprocess.run(
        [
            *(sys.executable, "-c", STRUCK, file, function, str(number), str(int(what))),
            *map(str, arguments),
        ],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)} | dict(environment or {}),
        capture_output=True,
        encoding="utf-8",
        stdin=subprocess.DEVNULL,
        timeout=60,
        check=False,
    )
    return Ended(done.returncode, done.stdout, done.stderr)
