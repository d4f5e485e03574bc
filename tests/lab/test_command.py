"""`python -m lab` as a person starts and ends it."""

import os
import select
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def lab(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "lab", *arguments],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def first_line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    ready, _, _ = select.select([process.stdout], [], [], 30)
    assert ready, "the lab says nothing"
    return process.stdout.readline().strip()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_says_where_the_plan_is_and_ends_when_told(
    tmp_path: Path, number: signal.Signals
) -> None:
    process = lab("northpier-demo", "--directory", str(tmp_path / "demo"))
    plan = Path(first_line(process))
    assert plan == tmp_path / "demo" / "plan.toml"
    assert 'name = "quay4"' in plan.read_text("utf-8")
    process.send_signal(number)
    assert process.wait(30) == 0
    assert process.stdout is not None
    assert process.stderr is not None
    with process.stdout, process.stderr:
        assert f"probe cluster {plan}" in process.stdout.read()
        assert process.stderr.read() == ""


def test_its_own_folder_is_gone_when_it_ends() -> None:
    process = lab("healthy-cluster", "--single-address")
    plan = Path(first_line(process))
    assert plan.is_file()
    assert 'addresses = ["127.0.0.1"]' in plan.read_text("utf-8")
    process.terminate()
    process.communicate(timeout=30)
    assert process.returncode == 0
    assert not plan.parent.exists()


def complaint(*arguments: str) -> str:
    process = lab(*arguments)
    output, errors = process.communicate(timeout=30)
    assert (process.returncode, output) == (2, "")
    assert "Traceback" not in errors
    return errors


def test_an_unknown_scenario_is_one_message() -> None:
    """It names those that are near, and not three hundred others."""
    assert complaint("healty-cluster") == (
        "lab: there is no scenario 'healty-cluster', did you mean healthy-cluster or"
        " healthy-teap or healthy-guest-view? `python -m lab --help` lists them\n"
    )
    assert complaint("frobnicate") == (
        "lab: there is no scenario 'frobnicate': `python -m lab --help` lists them\n"
    )


def test_a_port_in_use_is_one_message(tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("0.0.0.0", 0))  # noqa: S104  # on purpose: on all addresses
        port = taken.getsockname()[1]
        message = complaint(
            "healthy-cluster", "--directory", str(tmp_path), "--ports", f"10053,10443,{port}"
        )
    assert f"port {port} over UDP: Address already in use" in message
    assert message.count("\n") == 1


def test_a_folder_that_cannot_be_made_is_one_message(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    message = complaint("healthy-cluster", "--directory", str(tmp_path / "file"))
    assert message.startswith("lab: ")
    assert message.count("\n") == 1


def test_ports_that_are_none_are_refused() -> None:
    assert "three port numbers" in complaint("healthy-cluster", "--ports", "1,2")


def test_help_names_the_scenarios() -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "lab", "--help"],
        cwd=ROOT,
        env={**os.environ, "COLUMNS": "80"},
        capture_output=True,
        text=True,
        timeout=30,
        check=True,
    )
    assert "northpier-demo" in shown.stdout
