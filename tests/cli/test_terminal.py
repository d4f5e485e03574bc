"""On a terminal: colour unless NO_COLOR is set, one progress line, a prompt without echo."""

import fcntl
import os
import pty
import re
import select
import struct
import sys
import termios
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.cli.acting import SECRET, WITH_SECRET, Probe
from tests.cli.conftest import ROOT

PATIENCE = 60
"""Seconds for the command to say something more: far beyond what it takes."""


_SET_OUTSIDE = {"COLUMNS", "LINES", "NO_COLOR", "NORTHPIER_RADIUS"}
"""What those who run the tests may have set; some of it pytest sets itself."""


@contextmanager
def on_terminal(
    arguments: list[str],
    folder: Path,
    environment: Mapping[str, str],
    *,
    columns: int = 0,
    program: Sequence[str] = ("-m", "probe.cli.main"),
) -> Iterator["Terminal"]:
    child, master = pty.fork()
    if child == 0:
        os.chdir(folder)
        fcntl.ioctl(1, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        clean = {name: value for name, value in os.environ.items() if name not in _SET_OUTSIDE}
        os.execve(  # noqa: S606  # a terminal of its own is the point
            sys.executable,
            [sys.executable, *program, *arguments],
            clean | {"PYTHONPATH": str(ROOT), "TERM": "xterm"} | dict(environment),
        )
    terminal = Terminal(child, master)
    try:
        yield terminal
    finally:
        os.close(master)
        if terminal.status is None:
            os.waitpid(child, 0)


class Terminal:
    """The other side of a command's terminal."""

    def __init__(self, child: int, master: int) -> None:
        self.child = child
        self.master = master
        self.status: int | None = None
        self.text = ""

    def read_until(self, words: str) -> None:
        while words not in self.text:
            assert self._read(), f"{words!r} did not come: {self.text!r}"

    def read_all(self) -> str:
        while self._read():
            pass
        self.status = os.waitstatus_to_exitcode(os.waitpid(self.child, 0)[1])
        return self.text

    def _read(self) -> bool:
        ready, _, _ = select.select([self.master], [], [], PATIENCE)
        assert ready, f"nothing more came: {self.text!r}"
        try:
            octets = os.read(self.master, 65_536)
        except OSError:  # Linux says so when the other side is closed
            return False
        self.text += octets.decode()
        return bool(octets)

    def type(self, line: str) -> None:
        os.write(self.master, line.encode() + b"\n")

    def echoes(self) -> bool:
        return bool(termios.tcgetattr(self.master)[3] & termios.ECHO)


def run(arguments: list[str], plan: Path, **environment: str) -> str:
    with on_terminal(arguments, plan.parent, WITH_SECRET | environment) as terminal:
        return terminal.read_all()


def test_progress_is_one_line_that_is_wiped_away(plan: Path) -> None:
    text = run(["cluster", "--only", "dns", "--format", "json"], plan)
    before, _, _ = text.partition("{")
    assert "0 of 6 questions answered, waiting for quay1" in before
    assert "\n" not in before
    assert before.endswith("\r")


def test_an_interrupted_run_wipes_its_line_and_says_so(plan: Path) -> None:
    """Ctrl-C on the terminal, while nothing answers: what is told is what was known by then."""
    plan.write_text(plan.read_text().replace("dns_wait = 0.2", "dns_wait = 60"))
    with on_terminal(["cluster", "--only", "dns"], plan.parent, WITH_SECRET) as terminal:
        terminal.read_until("waiting for quay1")
        os.write(terminal.master, b"\x03")
        text = terminal.read_all()
    assert terminal.status == 130
    line, wiped, after = text.partition(" \r")
    assert "waiting for quay1" in line
    assert wiped
    assert "Interrupted: this is what was known until then, and no more." in after
    assert "Not seen: 6 of 6 questions" in after
    assert after.endswith("probe: interrupted: this is what was known by then\r\n")


def test_messages_break_between_words_on_a_terminal_alone(probe: Probe, plan: Path) -> None:
    wrong = ["cluster", "--format", "calendar"]
    (first, *_) = probe(*wrong).stderr.splitlines()
    assert len(first) > 80
    for columns in (60, 80, 120):
        with on_terminal(wrong, plan.parent, {}, columns=columns) as terminal:
            lines = terminal.read_all().split("\r\n")
        *message, _ = "\n".join(lines).partition("\nTry")
        assert message[0].replace("\n  ", " ") == first
        assert max(map(len, lines)) <= min(columns, 100)


def test_what_is_to_be_copied_is_not_broken(plan: Path) -> None:
    words = "Something that was on the screen and is longer than the terminal is wide"
    with on_terminal(["complaint"], plan.parent, WITH_SECRET, columns=60) as terminal:
        terminal.read_until("> ")
        for line in (words, *[""] * 6):
            terminal.type(line)
        terminal.read_until(f"probe complaint --saw '{words}'")


def test_quiet_shows_no_progress(plan: Path) -> None:
    text = run(["cluster", "--only", "dns", "--format", "json", "--quiet"], plan)
    assert text.startswith("{")


def test_colour_is_for_terminals_that_want_it(plan: Path) -> None:
    assert "\x1b[" in run(["rules"], plan)
    assert "\x1b" not in run(["rules"], plan, NO_COLOR="1")
    assert "\x1b" not in run(["rules"], plan, TERM="dumb")
    assert "\x1b[" in run(["rules"], plan, NO_COLOR="")


def test_a_secret_is_asked_for_without_echo(plan: Path) -> None:
    plan.write_text(plan.read_text().replace('environment = "NORTHPIER_RADIUS"', "ask = true"))
    saved = plan.with_name("survey")
    with on_terminal(
        ["cluster", "--only", "eap", "--save", str(saved)], plan.parent, {}
    ) as terminal:
        terminal.read_until("RADIUS shared secret: ")
        assert not terminal.echoes()
        terminal.type(SECRET)
        text = terminal.read_all()
    assert terminal.status == 4, "nothing answers there"
    assert SECRET not in text
    assert SECRET not in saved.read_text()


def test_nothing_typed_is_a_message(plan: Path) -> None:
    plan.write_text(plan.read_text().replace('environment = "NORTHPIER_RADIUS"', "ask = true"))
    with on_terminal(["cluster"], plan.parent, {}) as terminal:
        terminal.read_until("RADIUS shared secret: ")
        terminal.type("")
        text = terminal.read_all()
    assert terminal.status == 2
    assert "probe: no secret was typed" in text


COMMANDS = (
    "cluster --from kept",
    "node quay1 --from kept",
    "due --from kept",
    "past",
    "bundle plan.toml --at 2026-11-25",
    "rules",
    "rules web-expired",
    "cluster --show-agenda",
)

SEVERAL = "import sys; from probe.cli.main import main; [main(a.split()) for a in sys.argv[1:]]"
"""Several commands in one go, as starting costs more than they do."""


def test_every_screen_is_the_same_text_on_any_terminal_and_in_a_pipe(
    plan: Path, probe: Probe
) -> None:
    """Without NO_COLOR colour comes on top, and at another width lines break elsewhere."""
    asked = ("cluster", "--only", "dns,eap", "--save", "kept", "--quiet")
    probe(*asked, environment=WITH_SECRET)
    ended = [probe(*command.split()) for command in COMMANDS]
    assert {one.stderr for one in ended} == {""}
    piped = "".join(one.stdout for one in ended)
    assert piped.isascii()
    assert piped.count("\n\n") > 2 * len(COMMANDS), "all of them say something"

    def shown(columns: int, **environment: str) -> str:
        data = {"XDG_DATA_HOME": os.environ["XDG_DATA_HOME"]}
        with on_terminal(
            list(COMMANDS),
            plan.parent,
            data | environment,
            columns=columns,
            program=("-c", SEVERAL),
        ) as terminal:
            return terminal.read_all().replace("\r\n", "\n")

    assert shown(80, NO_COLOR="1") == piped
    coloured = shown(80)
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == piped
    assert coloured != piped
    for columns in (60, 120, 200):
        text = shown(columns, NO_COLOR="1")
        assert "".join(text.split()) == "".join(piped.split())
        longest = max(len(line) for line in text.split("\n"))
        assert longest <= columns
        assert columns == 60 or longest > 80
