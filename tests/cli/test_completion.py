"""Completion as shells ask for it: bash is run for real, with and without a terminal."""

import os
import pty
import select
import subprocess
import sys
from pathlib import Path

import pytest

from probe.judge.catalogue import RULES
from tests.cli.test_help import HEAVY
from tests.shown import PROBE, WITHIN

PLAN = """
name = "Northpier"
[[node]]
name = "quay1"
host = "quay1.northpier.example"
[[node]]
name = "quay2"
host = "quay2.northpier.example"
[[node]]
name = "mole"
host = "mole.northpier.example"
[[service]]
name = "guest.northpier.example"
[[site]]
name = "terminal"
[[site]]
name = "car deck"
"""

MANY = """
[[node]]
numbers = [8, 11]
name = "quay{nn}"
host = "quay{n}.northpier.example"
addresses = ["192.0.2.8"]
[[node]]
name = "mole"
host = "mole.northpier.example"
"""

ASKING = """
eval "$(_PROBE_COMPLETE=bash_source probe)" || exit 9
complete -p probe >/dev/null || exit 8
COMP_WORDS=("$@")
COMP_CWORD=$(($# - 1))
_probe_completion probe
printf '%s\\n' "${COMPREPLY[@]}"
"""
"""What readline does at the press of Tab, with the words of the line as arguments."""


def environment(**more: str) -> dict[str, str]:
    return {"PATH": f"{PROBE.parent}:{os.defpath}", "HOME": "/nonexistent", **more}


def completed(*words: str, folder: Path) -> list[str]:
    """Return what bash offers for the last word."""
    done = subprocess.run(
        ["bash", "--norc", "-c", ASKING, "bash", *words],
        cwd=folder,
        env=environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=True,
        encoding="utf-8",
        timeout=WITHIN,
    )
    assert done.stderr == ""
    return done.stdout.split()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "plan.toml").write_text(PLAN)
    (tmp_path / "other.toml").write_text(PLAN.replace("quay", "berth"))
    (tmp_path / "many.toml").write_text(MANY)
    return tmp_path


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (("probe", "cl"), ["cluster"]),
        (("probe", "--ver"), ["--version"]),
        (("probe", "node", "qu"), ["quay1", "quay2"]),
        (("probe", "node", ""), ["quay1", "quay2", "mole"]),
        (("probe", "cluster", "--node", "m"), ["mole"]),
        (("probe", "cluster", "other.toml", "--node", "b"), ["berth1", "berth2"]),
        (("probe", "cluster", "--tolerate", "wa"), ["warned"]),
        (("probe", "cluster", "--only", "web,"), ["web,dns", "web,eap", "web,radsec"]),
        (("probe", "cluster", "--format", "me"), ["metrics"]),
        (("probe", "node", "quay1", "--client", "win"), ["windows-eap"]),
        (("probe", "rules", "eap-expir"), ["eap-expired", "eap-expiring"]),
        (("probe", "manual", "mon"), ["monitoring", "monthly-check"]),
        (("probe", "node", "zzz"), []),
        (
            ("probe", "cluster", "many.toml", "--node", ""),
            ["quay08", "quay09", "quay10", "quay11", "mole"],
        ),
        (("probe", "complaint", "--node", "qu"), ["quay1", "quay2"]),
        (("probe", "complaint", "--site", ""), ["terminal"]),
        (("probe", "complaint", "--client", "ip"), ["iPhone", "iPad"]),
        (("probe", "complaint", "--at-page", "g"), ["guest.northpier.example"]),
        (("probe", "complaint", "--at-page", "quay1"), ["quay1.northpier.example"]),
        (("probe", "bundle", "--order", "qu"), ["quay1", "quay2"]),
        (("probe", "bundle", "--order", "quay1,"), ["quay1,quay2", "quay1,mole"]),
    ],
)
def test_bash_offers_what_fits(words: tuple[str, ...], offered: list[str], folder: Path) -> None:
    assert completed(*words, folder=folder) == offered


def test_every_rule_is_offered(folder: Path) -> None:
    assert {rule.id for rule in RULES} <= set(completed("probe", "rules", "", folder=folder))


@pytest.mark.parametrize(
    "plan",
    [
        None,
        b"",
        b"name = ",
        b"\xff\xfe\x00",
        b"node = 7",
        b"node = [7, {}, {name = 7}]",
        b"a = " + b"[" * 100_000,
        b"a." * 500_000 + b"a = 1",
        b'[[node]]\nnumbers = [1, 2000000]\nname = "quay{n}"\nhost = "quay{n}.example"',
        b'[[node]]\nnumbers = [2, 1]\nname = "quay{n}"\nhost = "quay{n}.example"',
        b'[[node]]\nnumbers = [0, 999]\nname = "{%s}"\nhost = "{n}"' % (b"n" * 900_000),
        b'[[node]]\nname = "$(touch bad)"\nhost = "x"\n[[node]]\nname = "* ;"\nhost = "x"',
    ],
)
def test_a_plan_that_is_none_completes_nothing_and_says_nothing(
    plan: bytes | None, tmp_path: Path
) -> None:
    if plan is not None:
        (tmp_path / "plan.toml").write_bytes(plan)
    before = sorted(tmp_path.iterdir())
    assert completed("probe", "node", "", folder=tmp_path) == []
    assert sorted(tmp_path.iterdir()) == before


def test_nodes_are_offered_up_to_those_of_a_large_cluster(tmp_path: Path) -> None:
    """One table may stand for a thousand, and ten thousand such tables fit into a plan."""
    table = '[[node]]\nnumbers = [1, 1000]\nname = "quay{n}"\nhost = "quay{n}.example"\n'
    (tmp_path / "plan.toml").write_text(table * 10_000)
    offered = completed("probe", "node", "", folder=tmp_path)
    assert offered == [f"quay{number}" for number in range(1, 1001)]


def test_a_plan_that_would_be_waited_for_completes_nothing(tmp_path: Path) -> None:
    """Opening it would end only when somebody writes, and Tab hang until then."""
    os.mkfifo(tmp_path / "plan.toml")
    assert completed("probe", "node", "", folder=tmp_path) == []


def test_tab_in_a_terminal_completes_the_line(folder: Path) -> None:
    """Typed as a user would: the page comes only if Tab made a page's name of what was typed."""
    script = b'eval "$(_PROBE_COMPLETE=bash_source probe)"\nprobe manual rene\t\nexit\n'
    child, terminal = pty.fork()
    if child == 0:
        os.chdir(folder)
        shell = ["bash", "--norc", "--noprofile", "-i"]
        os.execvpe(shell[0], shell, environment(TERM="dumb"))  # noqa: S606  # the terminal is its own
    seen = b""
    try:
        for line in script.splitlines(keepends=True):
            os.write(terminal, line)
        while select.select([terminal], [], [], WITHIN)[0]:
            try:
                octets = os.read(terminal, 4096)
            except OSError:  # bash has ended
                break
            if not octets:
                break
            seen += octets
    finally:
        os.close(terminal)
        os.waitpid(child, 0)
    assert b"probe manual renewal" in seen
    assert b"From the date to the proof." in seen


@pytest.mark.parametrize(
    ("shell", "current", "offered"),
    [
        (
            "zsh",
            "2",
            "plain\nquay1\nquay1.northpier.example\nplain\nquay2\nquay2.northpier.example",
        ),
        (
            "fish",
            "qu",
            "plain,quay1\tquay1.northpier.example\nplain,quay2\tquay2.northpier.example",
        ),
    ],
)
def test_other_shells_get_words_in_their_form(
    shell: str, current: str, offered: str, folder: Path
) -> None:
    """As their functions ask: neither shell is at hand here."""
    done = subprocess.run(
        [PROBE],
        cwd=folder,
        env=environment(
            _PROBE_COMPLETE=f"{shell}_complete", COMP_WORDS="probe node qu", COMP_CWORD=current
        ),
        capture_output=True,
        check=True,
        encoding="utf-8",
    )
    assert done.stdout.strip() == offered
    function = subprocess.run(
        [PROBE],
        env=environment(_PROBE_COMPLETE=f"{shell}_source"),
        capture_output=True,
        check=True,
        encoding="utf-8",
    ).stdout
    assert "_probe_completion" in function


def test_a_wrong_instruction_says_nothing_on_the_line() -> None:
    for instruction in ("bash_complete", "nothing", "ksh_source", "_"):
        done = subprocess.run(
            [PROBE],
            env=environment(_PROBE_COMPLETE=instruction),  # no COMP_WORDS
            capture_output=True,
            check=False,
            encoding="utf-8",
        )
        assert (done.returncode, done.stdout, done.stderr) == (1, "", "")


def test_commands_are_offered_without_importing_one() -> None:
    script = """
import sys
from probe.cli.main import run
try:
    run()
except SystemExit as ended:
    assert ended.code == 0, ended.code
sys.stderr.write("\\n".join(sys.modules))
"""
    done = subprocess.run(
        [sys.executable, "-c", script],
        env=environment(_PROBE_COMPLETE="bash_complete", COMP_WORDS="probe ", COMP_CWORD="1"),
        capture_output=True,
        check=True,
        encoding="utf-8",
    )
    loaded = set(done.stderr.splitlines())
    assert "plain,cluster" in done.stdout.splitlines()
    assert not loaded & (set(HEAVY) - {"tomllib"})
    assert "probe.cli.cluster" not in loaded
