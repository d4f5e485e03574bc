"""Commands that a Markdown text shows: run as its reader would, their output held against it."""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

PROBE = Path(sys.executable).with_name("probe")
WITHIN = 60.0

CHANGES = (
    (r"127\.77\.\d+\.", "127.77.N."),
    (r"\.\d+\.77\.127\.in-addr", ".N.77.127.in-addr"),
    (r"\d{4}-\d{2}-\d{2}", "DATE"),
    (r"\d{2}:\d{2}(:\d{2})?", "TIME"),
    (r"\b[0-9a-f]{8,}\b", "DIGEST"),
    (r":\d{4,5}\b", ":PORT"),
    (r"port \d{4,5}\b", "port PORT"),
)
"""What is another one in each run: the lab's network and ports, days, fingerprints."""


def blocks(text: str, language: str) -> list[str]:
    """Return the fenced blocks of one language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)


def shown_commands(text: str) -> list[tuple[str, list[str]]]:
    """Return each command of the console blocks with the pieces of its output that are shown.

    A block without a command shows more of what the one before it printed.
    """
    shown: list[tuple[str, list[str]]] = []
    for block in blocks(text, "console"):
        before, *rest = re.split(r"^\$ (.*)\n", block, flags=re.MULTILINE)
        if before.strip():
            shown[-1][1].append(before)
        shown += [
            (command, [output] if output.strip() else [])
            for command, output in zip(rest[::2], rest[1::2], strict=True)
        ]
    return shown


def same_in_every_run(text: str) -> str:
    """Return a text without what changes from run to run, and without its line ends."""
    text = " ".join(text.split())
    for pattern, word in CHANGES:
        text = re.sub(pattern, word, text)
    return text


def check(command: str, outputs: list[str], *, folder: Path, home: Path) -> None:
    """Run a command in a folder; fails unless it ends with a verdict's status and prints each
    piece that is shown."""
    program, *arguments = shlex.split(command)
    assert program == "probe"
    done = subprocess.run(
        [PROBE, *arguments],
        cwd=folder,
        env={"PATH": os.defpath, "HOME": str(home)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        encoding="utf-8",
        timeout=WITHIN,
    )
    assert done.returncode in {0, 1, 4}, (command, done.stderr)
    for output in outputs:
        assert same_in_every_run(output) in same_in_every_run(done.stdout), command
