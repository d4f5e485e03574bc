"""How the command ends: interrupted, with its reader gone, with a bug, without streams."""

import json
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from probe.cli import failure
from probe.jobs import sweep
from tests.cli.acting import SECRET, WITH_SECRET, Listener, Probe
from tests.cli.conftest import ROOT

COMMAND = [sys.executable, "-m", "probe.cli.main"]
ENVIRONMENT = os.environ | {"PYTHONPATH": str(ROOT)} | WITH_SECRET


def test_an_interrupt_reports_what_is_known(plan: Path, listener: Listener) -> None:
    """The RADIUS port takes datagrams and never answers; the interrupt comes when one is there."""
    plan.write_text(plan.read_text().replace("radius_silence = 0.3", "radius_silence = 600"))
    listener.datagrams.settimeout(30)
    with subprocess.Popen(
        [*COMMAND, "cluster", str(plan), "--only", "eap", "--format", "json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=ENVIRONMENT,
        encoding="utf-8",
    ) as process:
        listener.datagrams.recv(65_535)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert err == "probe: interrupted: this is what was known by then\n"
    document = json.loads(out)
    assert (document["interrupted"], document["complete"]) == (True, False)
    assert len(document["unseen"]) == 2


def test_a_closed_pipe_ends_quietly_with_the_verdicts_status(plan: Path, tmp_path: Path) -> None:
    """Web is closed after the listener hangs up, so the verdict is blocked: 1."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        text = plan.read_text().splitlines()
        port = text.index("[web]") + 1
        text[port] = f"port = {free.getsockname()[1]}"
    plan.write_text("\n".join(text))
    arguments = [*COMMAND, "cluster", str(plan), "--only", "web"]
    status, err = _with_closed_pipe(arguments, tmp_path)
    assert (status, err) == (1, "")


def test_help_and_rules_into_a_closed_pipe_end_quietly(tmp_path: Path) -> None:
    for arguments in (["--help"], ["rules"], ["cluster", "--help"]):
        assert _with_closed_pipe([*COMMAND, *arguments], tmp_path) == (0, "")


def _with_closed_pipe(arguments: list[str], folder: Path) -> tuple[int, str]:
    read, write = os.pipe()
    os.close(read)
    try:
        return _ended(arguments, folder, stdout=write)
    finally:
        os.close(write)


def _ended(arguments: list[str], folder: Path, *, stdout: int | None = None) -> tuple[int, str]:
    """Run a command; return its status and what it says on stderr."""
    done = subprocess.run(
        arguments,
        stdout=stdout,
        stderr=subprocess.PIPE,
        env=ENVIRONMENT,
        cwd=folder,
        encoding="utf-8",
        timeout=60,
        check=False,
    )
    return done.returncode, done.stderr


def test_a_full_disk_is_told(tmp_path: Path) -> None:
    with open("/dev/full", "w") as full:
        ended = _ended([*COMMAND, "rules"], tmp_path, stdout=full.fileno())
    assert ended == (2, "probe: stdout: no space left on device\n")


def test_closed_streams_are_no_bug(tmp_path: Path) -> None:
    for closed in (">&-", "2>&- >/dev/null", "<&- >/dev/null"):
        line = f'"{sys.executable}" -m probe.cli.main rules {closed}'
        assert _ended(["sh", "-c", line], tmp_path) == (0, "")


@pytest.mark.parametrize("option", [[], ["--debug"]])
def test_a_bug_is_status_70_and_shows_no_secret(
    probe: Probe, plan: Path, monkeypatch: pytest.MonkeyPatch, option: list[str]
) -> None:
    def broken(*given: object, **named: object) -> None:
        raise RuntimeError(f"could not do it with {SECRET} nor {SECRET.encode()!r}")

    monkeypatch.setattr(sweep, "look", broken)
    ended = probe("cluster", plan, *option, environment=WITH_SECRET)
    assert (ended.status, ended.stdout) == (70, "")
    assert "this is a bug in the tool" in ended.stderr
    assert ("Traceback" in ended.stderr) is bool(option)
    assert SECRET not in ended.stderr


def test_an_interrupt_before_anything_is_known(
    probe: Probe, plan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*given: object, **named: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(sweep, "secrets_for", interrupted)
    ended = probe("cluster", plan)
    assert (ended.status, ended.stdout, ended.stderr) == (130, "", "probe: interrupted\n")


def test_secrets_that_begin_alike_are_struck_out_whole(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Were the shorter one struck out first, the end of the longer one would stay."""
    monkeypatch.setattr(failure, "_secrets", set())
    longest = "berth-9-tideline"
    failure.hide(longest[:length].encode() for length in range(5, len(longest) + 1))
    failure.say(f"it tells {longest}, once")
    assert capsys.readouterr().err == "it tells (hidden), once\n"
