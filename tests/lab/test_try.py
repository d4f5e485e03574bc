"""The README's first command, as a newcomer types it."""

import os
import socket
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

pytestmark = pytest.mark.skipif(
    not (ROOT / ".work/venv/made-for-none").is_file() and os.environ.get("CI") != "true",
    reason="the environment was not made by tests/run.sh, and making it needs a network",
)


def attempt(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", "lab/try.sh", *arguments],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_it_shows_a_report_and_says_what_to_try_next() -> None:
    done = attempt("--single-address")
    assert (done.returncode, done.stderr) == (0, "")
    for rule in (
        "dns-wrong-address",
        "eap-expired",
        "eap-silent",
        "web-chain-incomplete",
        "web-expiring",
    ):
        assert f"  {rule}\n" in done.stdout
    assert "What to try next" in done.stdout


def test_a_port_in_use_is_one_message() -> None:
    with socket.socket() as taken:
        taken.bind(("0.0.0.0", 0))  # noqa: S104  # on purpose: on all addresses
        taken.listen()
        done = attempt("--ports", f"10053,{taken.getsockname()[1]},11812")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("lab: The lab found no place in 127.77.0.0/16")
    assert done.stderr.count("\n") == 1
