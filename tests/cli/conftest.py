"""The command as users start it: in this process, or in one of its own."""

import os
import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from probe.cli.main import main
from tests.cli.acting import Ended, Listener, Probe

ROOT = Path(__file__).parents[2]


@pytest.fixture
def listener() -> Iterator[Listener]:
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as datagrams,
        socket.socket(socket.AF_INET, socket.SOCK_STREAM) as stream,
    ):
        for end in (datagrams, stream):
            end.bind(("127.0.0.1", 0))
            end.setblocking(False)
        stream.listen()
        yield Listener(datagrams, stream)


@pytest.fixture
def plan(tmp_path: Path, listener: Listener) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(listener.plan)
    return path


@pytest.fixture
def probe(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Probe:
    """In this process, in a folder of its own, without a terminal and without a secret."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("NORTHPIER_RADIUS", raising=False)

    def run(*arguments: str | Path, environment: Mapping[str, str] | None = None) -> Ended:
        capsys.readouterr()
        with monkeypatch.context() as patch:
            for name, value in (environment or {}).items():
                patch.setenv(name, value)
            status = main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return Ended(status, out, err)

    return run


@pytest.fixture
def process(tmp_path: Path) -> Probe:
    """In a process of its own, in the same folder."""

    def run(*arguments: str | Path, environment: Mapping[str, str] | None = None) -> Ended:
        done = subprocess.run(
            [sys.executable, "-m", "probe.cli.main", *map(str, arguments)],
            cwd=tmp_path,
            env={key: value for key, value in os.environ.items() if key != "NORTHPIER_RADIUS"}
            | {"PYTHONPATH": str(ROOT)}
            | dict(environment or {}),
            capture_output=True,
            encoding="utf-8",
            stdin=subprocess.DEVNULL,
            start_new_session=True,
            timeout=60,
            check=False,
        )
        return Ended(done.returncode, done.stdout, done.stderr)

    return run
