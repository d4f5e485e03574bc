"""The line that says how far a sweep has come: on a pseudo-terminal, by the events of the tool."""

import fcntl
import os
import pty
import struct
import sys
import termios
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field

import pytest
from rich.cells import cell_len

from probe.cli.progress import INTERVAL, Progress
from probe.observation.model import Question
from probe.observe.agenda import Depth, agenda
from probe.observe.events import Event, EventKind
from probe.plan.model import Plan
from tests.judge import world

_END = "\x05"
"""Written after all else, to know when all of it has arrived."""


class Terminal:
    """One line of a terminal, as far as this tool writes on it."""

    def __init__(self, columns: int, patch: pytest.MonkeyPatch) -> None:
        self.master, slave = pty.openpty()
        self.stream = open(slave, "w", encoding="utf-8")  # noqa: SIM115  # closed by the fixture
        self.patch = patch
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        self.columns = columns
        self.writes: list[str] = []
        self.cells: list[str] = []

    def line(self) -> str:
        """Take in what was written, and return what stands there now."""
        self.stream.write(_END)
        self.stream.flush()
        written = ""
        while not written.endswith(_END):
            written += os.read(self.master, 65_536).decode()
        written = written.removesuffix(_END)
        if written:
            self.writes.append(written)
        for piece in written.split("\r"):
            assert piece.isprintable(), f"only its own line: {piece!r}"
            assert cell_len(piece) < self.columns, f"it would go on in the next line: {piece!r}"
            self.cells[: len(piece)] = piece
        return "".join(self.cells).rstrip(" ")


@dataclass
class Time:
    """A clock that is set by hand, and what waits for it."""

    now: float = 100.0
    waiting: list[tuple[float, Callable[[], None]]] = field(default_factory=list)

    def later(self, seconds: float, call: Callable[[], None]) -> None:
        self.waiting.append((self.now + seconds, call))

    def pass_by(self, seconds: float) -> None:
        self.now += seconds
        due = [call for at, call in self.waiting if at <= self.now]
        self.waiting = [(at, call) for at, call in self.waiting if at > self.now]
        for call in due:
            call()


class Sweep:
    """The events of a sweep, in an order that the test says."""

    def __init__(self, plan: Plan, time: Time, terminal: Terminal | None = None) -> None:
        self.questions = agenda(plan, Depth.SWEEP)
        self.done = 0
        if terminal is not None:
            # Here and not in the fixture: pytest takes over the streams between the two.
            terminal.patch.setattr(sys, "stderr", terminal.stream)
        self.progress = Progress(
            self.questions, quiet=False, clock=lambda: time.now, later=time.later
        )

    def tell(self, kind: EventKind, question: Question) -> None:
        self.done += kind is EventKind.ENDED
        self.progress.show(
            Event(kind, question.id, question.nodes[0], self.done, len(self.questions))
        )

    def begin(self) -> None:
        for question in self.questions:
            self.tell(EventKind.BEGAN, question)

    def end(self, node: str) -> None:
        for question in self.questions:
            if question.nodes == (node,):
                self.tell(EventKind.ENDED, question)

    def end_what_is_no_nodes_own(self, *, but: str = "") -> None:
        for question in self.questions:
            if len(question.nodes) > 1 and question.service != but:
                self.tell(EventKind.ENDED, question)


@pytest.fixture
def time() -> Time:
    return Time()


@pytest.fixture(params=[80])
def terminal(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Terminal]:
    made = Terminal(request.param, monkeypatch)
    with made.stream:
        yield made
    os.close(made.master)


def planned(count: int) -> Plan:
    names = tuple(f"quay{number}" for number in range(1, count + 1))
    return world.plan(
        nodes=world.nodes(names), services=(world.guest_service(nodes=names),), eap=None
    )


def test_who_is_still_out_is_named(terminal: Terminal, time: Time) -> None:
    sweep = Sweep(planned(40), time, terminal)
    with sweep.progress:
        sweep.begin()
        time.pass_by(INTERVAL)
        assert terminal.line() == "0 of 40 nodes done, waiting for quay1, quay2 and 38 more"
        sweep.end_what_is_no_nodes_own()
        for number in range(1, 41):
            if number not in {4, 7, 20, 21, 22}:
                sweep.end(f"quay{number}")
        time.pass_by(INTERVAL)
        assert terminal.line() == "35 of 40 nodes done, waiting for quay4, quay7 and 3 more"
        for number in (20, 21, 22, 4):
            sweep.end(f"quay{number}")
        time.pass_by(INTERVAL)
        assert terminal.line() == "39 of 40 nodes done, waiting for quay7"
        sweep.end("quay7")
        time.pass_by(INTERVAL)
        assert terminal.line() == "40 of 40 nodes done, finishing"
    assert terminal.line() == ""


def test_a_name_of_all_nodes_is_waited_for_by_its_name(terminal: Terminal, time: Time) -> None:
    sweep = Sweep(planned(4), time, terminal)
    sweep.begin()
    sweep.end_what_is_no_nodes_own(but=world.GUEST)
    for number in range(1, 5):
        sweep.end(f"quay{number}")
    time.pass_by(INTERVAL)
    assert terminal.line() == f"4 of 4 nodes done, waiting for {world.GUEST}"


def test_of_one_node_its_questions_are_counted(terminal: Terminal, time: Time) -> None:
    sweep = Sweep(planned(1), time, terminal)
    sweep.begin()
    time.pass_by(INTERVAL)
    total = len(sweep.questions)
    assert terminal.line() == f"0 of {total} questions answered, waiting for quay1"


def test_one_look_follows_another(terminal: Terminal, time: Time) -> None:
    """What was to be drawn later went with the event loop of the look before."""
    sweep = Sweep(planned(1), time, terminal)
    with sweep.progress:
        sweep.begin()
        sweep.end("quay1")
        time.waiting.clear()
        further = Sweep(planned(4), time, terminal)
        sweep.progress.begin(further.questions)
        further.progress = sweep.progress
        further.begin()
        time.pass_by(INTERVAL)
        assert terminal.line().startswith("0 of 4 nodes done, waiting for quay1, quay2")
    assert terminal.line() == ""


def test_it_is_drawn_seldom_and_the_last_change_is_drawn(terminal: Terminal, time: Time) -> None:
    """No flicker: one write for many events, which never empties the line before it fills it."""
    sweep = Sweep(planned(40), time, terminal)
    sweep.begin()
    terminal.line()
    assert len(terminal.writes) == 1
    time.pass_by(INTERVAL)
    terminal.line()
    sweep.end_what_is_no_nodes_own(but=world.GUEST)
    for number in range(1, 40):
        sweep.end(f"quay{number}")
    assert len(time.waiting) == 1
    terminal.line()
    assert len(terminal.writes) == 2
    time.pass_by(INTERVAL)
    assert terminal.line() == "39 of 40 nodes done, waiting for quay40"
    assert len(terminal.writes) == 3
    for written in terminal.writes:
        assert written.count("\r") == 1
        assert not written.startswith("\r ")
    time.pass_by(INTERVAL)
    sweep.tell(EventKind.BEGAN, sweep.questions[0])
    terminal.line()
    assert len(terminal.writes) == 3, "nothing new is not drawn again"


@pytest.mark.parametrize("terminal", [40], indirect=True)
def test_a_narrow_terminal_gets_one_line_of_its_width(terminal: Terminal, time: Time) -> None:
    sweep = Sweep(planned(40), time, terminal)
    with sweep.progress:
        sweep.begin()
        time.pass_by(INTERVAL)
        assert terminal.line() == "0 of 40 nodes done, waiting for quay..."
    assert terminal.line() == ""


@pytest.mark.parametrize("terminal", [60], indirect=True)
def test_names_of_wide_or_strange_characters_stay_on_the_line(
    terminal: Terminal, time: Time
) -> None:
    names = ("\u6e2f" * 38, "\x1b[2J\u202eyauq", "quay3")
    nodes = world.nodes(names)
    plan = world.plan(nodes=nodes, services=(), eap=None)
    sweep = Sweep(plan, time, terminal)
    with sweep.progress:
        sweep.begin()
        time.pass_by(INTERVAL)
        assert terminal.line().startswith("0 of 3 nodes done, waiting for \u6e2f\u6e2f")
        sweep.end_what_is_no_nodes_own()
        sweep.end(names[0])
        time.pass_by(INTERVAL)
        assert "waiting for \\x1b[2J\\u202eyauq and quay3" in terminal.line()


def test_it_is_wiped_however_it_ends(terminal: Terminal, time: Time) -> None:
    sweep = Sweep(planned(4), time, terminal)
    with suppress(KeyboardInterrupt), sweep.progress:
        sweep.begin()
        assert "waiting for" in terminal.line()
        raise KeyboardInterrupt
    assert terminal.line() == ""
    time.pass_by(1)
    sweep.end("quay1")
    assert terminal.line() == "", "what comes later writes over nobody's words"


def test_no_terminal_gets_no_line(capfd: pytest.CaptureFixture[str], time: Time) -> None:
    sweep = Sweep(planned(4), time)
    with sweep.progress:
        sweep.begin()
    assert capfd.readouterr() == ("", "")
