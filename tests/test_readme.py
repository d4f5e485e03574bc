"""README is true: its plan is read, its commands are run, and its output is what comes out."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from probe import load_plan
from probe.assessment import Verdict
from probe.cli.failure import Status
from tests.shown import blocks, check, shown_commands

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")


@pytest.fixture(scope="module")
def demonstration(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    directory = tmp_path_factory.mktemp("readme") / "demonstration"
    with Cluster(Scenario.load("northpier-demo"), directory=directory):
        yield directory


def test_commands_do_and_print_what_is_shown(demonstration: Path) -> None:
    """In one go and in their order, as a later one reads what an earlier one saved."""
    shown = shown_commands(README)
    assert len(shown) > 5
    for command, outputs in shown:
        check(command, outputs, folder=demonstration, home=demonstration)


def test_the_plan_can_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    example = blocks(README, "toml")[0]  # the whole one; after it stand parts of plans
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
