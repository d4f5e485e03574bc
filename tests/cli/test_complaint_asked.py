"""`probe complaint` with nothing told: one question at a time, on a terminal of its own."""

import io
import os
import shlex
import sys
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import click
import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from probe.cli.asking import ask_for, in_one_line
from probe.complaint import Complaint, Shown
from probe.plan.model import Plan, Site
from probe.records import replace
from tests.cli.acting import WITH_SECRET, Listener, Probe
from tests.cli.test_terminal import Terminal, on_terminal
from tests.judge.world import plan as world

SCREEN = "What does the screen say?"
MORE = "Does it say more?"
USE = "What do they use?"
DOING = "What were they doing?"
PAGE = "Which page?"
SERVER = "Which server did they meet"
WHEN = "When was it?"
SEE = "Can they see the certificate itself?"


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """The web service of one node does not send its intermediate certificate."""
    scenario = Scenario.load("web-chain-incomplete")
    with Cluster(scenario, directory=tmp_path_factory.mktemp("broken")) as lab:
        yield lab


def answer(terminal: Terminal, *pairs: tuple[str, str]) -> None:
    for question, line in pairs:
        terminal.read_until(question)
        terminal.type(line)


def test_it_asks_and_answers(probe: Probe, broken: Cluster) -> None:
    """And says how to tell the same in one line, which gives the same answer."""
    with on_terminal(["complaint"], broken.plan_path.parent, {"NO_COLOR": "1"}) as terminal:
        answer(
            terminal,
            (SCREEN, "SEC_ERROR_UNKNOWN_ISSUER"),
            (MORE, ""),
            (USE, "toaster"),
            ("toaster is no client that is known", "Firefox"),
            (DOING, "3"),
            ("a number from 1 to 2", "1"),
            (PAGE, "guest.northpier.example"),
            (SERVER, "quay99"),
            ("quay99 is no node of the plan", ""),
            (WHEN, "tomorrow"),
            ("'tomorrow' is no time", ""),
            (SEE, ""),
        )
        terminal.read_until("Safe to go on")
        shown = terminal.read_all().replace("\r", "")
    assert terminal.status == 1
    told = "probe complaint --saw SEC_ERROR_UNKNOWN_ISSUER --client Firefox"
    _, _, rest = shown.partition("The same in one line: ")
    command, _, report = rest.partition("\n\n")
    assert command.startswith(told)
    first = report[report.index("Confirmed: ") :].split("\n\n")[0]
    again = probe(*shlex.split(command)[1:2], broken.plan_path, *shlex.split(command)[2:])
    assert again.status == 1
    assert " ".join(again.stdout.split("\n\n")[0].split()) == " ".join(first.split())


def test_who_knows_nothing_is_told_where_to_begin(plan: Path, listener: Listener) -> None:
    with on_terminal(["complaint"], plan.parent, WITH_SECRET) as terminal:
        answer(
            terminal,
            *((question, "") for question in (SCREEN, USE, DOING, SERVER, WHEN, SEE)),
        )
        text = terminal.read_all()
    assert terminal.status == 2
    assert "probe cluster looks at everything" in text
    assert not listener.heard()


@pytest.mark.parametrize("end", [b"\x03", b"\x04"], ids=["Ctrl-C", "Ctrl-D"])
@pytest.mark.parametrize("question", [SCREEN, DOING])
def test_it_can_be_ended_at_any_question(
    plan: Path, listener: Listener, end: bytes, question: str
) -> None:
    with on_terminal(["complaint"], plan.parent, WITH_SECRET) as terminal:
        if question == DOING:
            answer(terminal, (SCREEN, ""), (USE, ""))
        terminal.read_until(question)
        terminal.read_until("> ")
        os.write(terminal.master, end)
        text = terminal.read_all().replace("\r", "")
    assert terminal.status == 130
    assert text.endswith("\nprobe: interrupted\n")
    assert "Traceback" not in text
    assert not listener.heard()


def test_what_was_told_is_not_asked(plan: Path) -> None:
    with on_terminal(
        ["complaint", "--client", "iPhone", "--node", "quay1"], plan.parent, WITH_SECRET
    ) as terminal:
        answer(terminal, (SCREEN, ""), (DOING, ""), (WHEN, ""), (SEE, ""))
        text = terminal.read_all()
    assert terminal.status == 2
    assert USE not in text
    assert SERVER not in text


# ---------------------------------------------------------------- what answers mean


@pytest.fixture
def site_plan() -> Plan:
    return replace(world(), sites=(Site("ferry terminal", ("quay2", "quay1")), Site("office", ())))


def asked(monkeypatch: pytest.MonkeyPatch, plan: Plan, *lines: bytes) -> Complaint:
    typed = io.TextIOWrapper(io.BytesIO(b"".join(line + b"\n" for line in lines)), "utf-8")
    monkeypatch.setattr(sys, "stdin", typed)
    return ask_for(plan, Complaint())


def test_everything_that_is_known_is_taken(
    monkeypatch: pytest.MonkeyPatch, site_plan: Plan
) -> None:
    told = asked(
        monkeypatch,
        site_plan,
        *(b"unknown_ca", b"48", b"", b"Android", b"join", b"off", b"quay2"),
        *(b"2026-11-20T14:10:00Z", b"y", b"radius.northpier.example", b"Northpier Root"),
        *(b"2027-04-24", b"SHA-1: " + b"AB:" * 19 + b"AB"),
    )
    assert told == Complaint(
        saw=("unknown_ca", "48"),
        clients=("Android",),
        wifi=True,
        site="office",
        nodes=("quay2",),
        when=datetime(2026, 11, 20, 14, 10, tzinfo=UTC),
        shown=Shown("radius.northpier.example", "Northpier Root", date(2027, 4, 24), "ab" * 20),
    )


def test_a_time_of_the_clock_is_the_last_such_time(
    monkeypatch: pytest.MonkeyPatch, site_plan: Plan
) -> None:
    now = datetime.now(UTC)
    told = asked(monkeypatch, site_plan, b"", b"", b"", b"", b"", b"4:07", b"")
    assert told.when is not None
    assert (told.when.astimezone().hour, told.when.astimezone().minute) == (4, 7)
    assert now - timedelta(days=1, hours=2) < told.when <= datetime.now(UTC)


@pytest.mark.parametrize("wrong", [b"25:00", b"14:75", b"2999-01-01", b"2026-02-30 10:00"])
def test_a_time_that_cannot_be_is_asked_for_again(
    monkeypatch: pytest.MonkeyPatch, site_plan: Plan, wrong: bytes
) -> None:
    told = asked(monkeypatch, site_plan, b"", b"", b"", b"", b"", wrong, b"2026-01-01", b"")
    assert told.when == datetime(2026, 1, 1, tzinfo=UTC)


def test_octets_that_are_no_text_and_endless_lines_are_taken_as_they_can_be(
    monkeypatch: pytest.MonkeyPatch, site_plan: Plan
) -> None:
    told = asked(
        monkeypatch, site_plan, b"\xff\x1b[31m", b"x" * 100_000, b"", b"", b"", b"", b"", b"", b""
    )
    assert told.saw == ("\ufffd\x1b[31m",)


def test_an_end_in_the_midst_ends_it(monkeypatch: pytest.MonkeyPatch, site_plan: Plan) -> None:
    with pytest.raises(click.Abort):
        asked(monkeypatch, site_plan, b"", b"")


def test_the_line_that_tells_the_same_names_the_plan_that_was_named() -> None:
    complaint = Complaint(saw=("not trusted",), wifi=True)
    assert in_one_line(complaint, Path("harbour plan.toml")) == (
        "probe complaint 'harbour plan.toml' --on-wifi --saw 'not trusted'"
    )
    assert in_one_line(complaint) == "probe complaint --on-wifi --saw 'not trusted'"
