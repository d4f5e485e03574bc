"""The key of the RadSec certificate is planted, everything that comes out is kept, and no line of
it is found in that."""

import socket
import sys
from pathlib import Path

import pytest

from tests.peers import pki
from tests.peers.plans import node_table, write_plan
from tests.test_secrets import found_in, run

BUG = """\
import sys
from probe.wire.credential import ClientCertificate

def broken(certificates: bytes, key: bytes) -> None:
    line = key.splitlines()[1]
    raise RuntimeError(f"a bug, forced, that tells {key!r}, {key.decode()}, {line!r}")

ClientCertificate.read = broken
from probe.cli.main import run
sys.exit(run())
"""

BROKEN = (sys.executable, "-c", BUG)


def planted(directory: Path) -> tuple[Path, bytes]:
    """Write a plan with a RadSec server that nobody runs; return it and the key."""
    chain = pki.issued("access-point", "private-issuing")
    (directory / "peer.pem").write_bytes(b"".join(one.pem for one in chain))
    (directory / "peer.key").touch(mode=0o600)
    (directory / "peer.key").write_bytes(chain[0].key_pem)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    radsec = (
        f'[radsec]\nport = {port}\nroots = ["private-root.pem"]\ncertificate = "peer.pem"\n'
        'key = { file = "peer.key" }\n'
    )
    return write_plan(directory, radsec, node_table()), chain[0].key_pem


def lines_found(kept: dict[str, bytes], key: bytes) -> set[str]:
    lines = [line for line in key.splitlines() if not line.startswith(b"-----")]
    assert len(lines) > 1
    return set().union(*(found_in(kept, line) for line in lines))


@pytest.mark.parametrize(
    "arguments",
    [
        ["--format", "terminal", "--debug"],
        ["--format", "json", "--save", "survey.json", "--output", "report.json"],
        ["--show-agenda"],
    ],
)
def test_no_output_holds_the_key(tmp_path: Path, arguments: list[str]) -> None:
    plan, key = planted(tmp_path)
    home = tmp_path / "home"
    status, kept = run(home, "cluster", plan, "--only", "radsec", *arguments, secret=b"unused")
    assert status == (0 if "--show-agenda" in arguments else 1), kept["stderr"]
    assert lines_found(kept, key) == set()


def test_a_key_of_another_certificate_is_not_shown(tmp_path: Path) -> None:
    plan, _ = planted(tmp_path)
    other = pki.issued("stranger")[0].key_pem
    (tmp_path / "peer.key").write_bytes(other)
    status, kept = run(tmp_path / "home", "cluster", plan, "--only", "radsec", secret=b"unused")
    assert status == 2
    assert b"radsec.certificate and radsec.key of quay1" in kept["stderr"]
    assert lines_found(kept, other) == set()


def test_no_traceback_holds_the_key(tmp_path: Path) -> None:
    plan, key = planted(tmp_path)
    arguments = ("cluster", plan, "--only", "radsec", "--debug")
    status, kept = run(tmp_path / "home", *arguments, secret=b"unused", program=BROKEN)
    assert status == 70
    assert b"a bug, forced, that tells" in kept["stderr"]
    assert lines_found(kept, key) == set()


def test_the_search_finds_a_line_that_is_there(tmp_path: Path) -> None:
    """The twin that must fail."""
    _, key = planted(tmp_path)
    assert lines_found({"log": b"before " + key.splitlines()[1] + b" after"}, key) == {"log"}
