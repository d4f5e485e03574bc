"""README is true: its plan is read, its commands are run, and its output is what comes out."""

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from probe import load_plan
from probe.assessment import Verdict
from probe.cli.failure import Status

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
PROBE = Path(sys.executable).with_name("probe")
WITHIN = 60.0


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.DOTALL | re.MULTILINE)


def shown_commands() -> list[tuple[str, list[str]]]:
    """Return each command of the console blocks with the pieces of its output that are shown.

    A block without a command shows more of what the one before it printed.
    """
    shown: list[tuple[str, list[str]]] = []
    for block in blocks("console"):
        before, *rest = re.split(r"^\$ (.*)\n", block, flags=re.MULTILINE)
        if before.strip():
            shown[-1][1].append(before)
        shown += [
            (command, [output] if output.strip() else [])
            for command, output in zip(rest[::2], rest[1::2], strict=True)
        ]
    return shown


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


def same_in_every_run(text: str) -> str:
    """Return a text without what changes from run to run, and without its line ends."""
    text = " ".join(text.split())
    for pattern, word in CHANGES:
        text = re.sub(pattern, word, text)
    return text


@pytest.fixture(scope="module")
def demonstration(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    directory = tmp_path_factory.mktemp("readme") / "demonstration"
    with Cluster(Scenario.load("northpier-demo"), directory=directory):
        yield directory


def test_commands_do_and_print_what_is_shown(demonstration: Path) -> None:
    """In one go and in their order, as a later one reads what an earlier one saved."""
    shown = shown_commands()
    assert len(shown) > 5
    for command, outputs in shown:
        program, *arguments = shlex.split(command)
        assert program == "probe"
        done = subprocess.run(
            [PROBE, *arguments],
            cwd=demonstration,
            env={"PATH": os.defpath, "HOME": str(demonstration)},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
            encoding="utf-8",
            timeout=WITHIN,
        )
        assert done.returncode in {0, 1, 4}, (command, done.stderr)
        for output in outputs:
            assert same_in_every_run(output) in same_in_every_run(done.stdout), command


def test_the_plan_can_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    example = blocks("toml")[0]  # the whole one; after it stand parts of plans
    root = tmp_path / "pki" / "northpier-root.pem"
    root.parent.mkdir()
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path / "lab") as lab:
        root.write_bytes(lab.issued("northpier-root").pem)
    (tmp_path / "plan.toml").write_text(example, "utf-8")
    plan = load_plan(tmp_path / "plan.toml")
    assert [node.name for node in plan.nodes] == ["quay1", "quay2"]


def test_every_exit_status_is_told() -> None:
    """The contract's six, and each of them is one that the command knows."""
    told = {int(number) for number in re.findall(r"^\| (\d+) \| ", README, re.MULTILINE)}
    assert told == {0, 1, 2, 4, 70, 130} == {int(status) for status in Status}


def test_every_verdict_is_told() -> None:
    for verdict in Verdict:
        assert f"`{verdict.word}`:" in README
