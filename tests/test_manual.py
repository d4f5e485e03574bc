"""The manual is true: its commands are run, its plans are read, its numbers are all there are."""

import re
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from probe import load_plan, manual
from probe.assessment import Verdict
from probe.cli.failure import Status
from probe.cli.main import COMMANDS
from probe.manual.generate import FOLDER
from probe.observation.model import Outcome
from probe.report.metrics import PLACE, to_metrics
from tests.metrics import numbers
from tests.report.build import healthy, troubled
from tests.shown import PROBE, blocks, check, shown_commands

GUIDES = tuple(sorted(path.stem for path in FOLDER.glob("*.md") if path.stem != "rules"))
JOBS = (
    "after-import",
    "complaint",
    "first-plan",
    "monitoring",
    "monthly-check",
    "renewal",
)


@pytest.fixture(scope="module")
def demonstration(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    directory = tmp_path_factory.mktemp("manual") / "demonstration"
    with Cluster(Scenario.load("northpier-demo"), directory=directory):
        yield directory


@cache
def _help(name: str) -> str:
    return subprocess.run(
        [PROBE, name, "--help"], capture_output=True, check=True, encoding="utf-8"
    ).stdout


@pytest.mark.parametrize("page", [name for name in GUIDES if shown_commands(manual.read(name))])
def test_commands_do_and_print_what_is_shown(
    page: str, demonstration: Path, tmp_path: Path
) -> None:
    """In their order, as a later one reads what an earlier one saved. Each page has a history of
    its own."""
    text = manual.read(page)
    assert "<!-- scenario: northpier-demo -->" in text
    for command, outputs in shown_commands(text):
        check(command, outputs, folder=demonstration, home=tmp_path)


def test_an_output_that_is_not_true_is_found(demonstration: Path, tmp_path: Path) -> None:
    """The twin that must fail."""
    text = "```console\n$ probe rules eap-expired\nNothing is wrong.\n```\n"
    ((command, outputs),) = shown_commands(text)
    with pytest.raises(AssertionError):
        check(command, outputs, folder=demonstration, home=tmp_path)


def test_a_command_that_there_is_not_is_found(demonstration: Path, tmp_path: Path) -> None:
    with pytest.raises(AssertionError):
        check("probe cluster --no-such-option", [], folder=demonstration, home=tmp_path)


def test_every_job_has_a_guide_with_an_example() -> None:
    for job in JOBS:
        assert shown_commands(manual.read(job)), job


def test_every_guide_is_led_to_from_the_index() -> None:
    index = manual.read(manual.INDEX)
    for name in GUIDES:
        assert name == manual.INDEX or f"]({name}.md)" in index, name


@pytest.mark.parametrize("name", GUIDES)
def test_commands_and_options_in_the_text_exist(name: str) -> None:
    """Also those that no example runs."""
    for words in re.findall(r"`probe ([a-z][^`]*)`", manual.read(name)):
        command, *rest = words.split()
        assert command in COMMANDS, words
        for option in (word for word in rest if word.startswith("--")):
            assert option in _help(command), words


def test_the_plans_can_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first, secret = blocks(manual.read("first-plan"), "toml")
    plan = tmp_path / "plan.toml"
    plan.write_text(first, "utf-8")
    assert [node.name for node in load_plan(plan).nodes] == ["quay1"]
    plan.write_text(first.replace("[[node]]", '[trust]\neap = ["public"]\n' + secret + "[[node]]"))
    (node,) = load_plan(plan).nodes
    assert node.eap is not None


def test_every_verdict_and_exit_status_is_told() -> None:
    page = manual.read("verdicts")
    for verdict in Verdict:
        assert f"* `{verdict.word}`:" in page
    told = {int(number) for number in re.findall(r"^\* (\d+): ", page, re.MULTILINE)}
    assert told == {int(status) for status in Status}


def test_every_number_is_in_the_monitoring_guide_and_no_other() -> None:
    page = manual.read("monitoring")
    text = to_metrics(troubled()) + to_metrics(healthy())
    there = set(re.findall(r"^# TYPE (\S+) ", text, re.MULTILINE))
    table = page[page.index("## The numbers") : page.index("## More than numbers")]
    named = set(re.findall(r"`([a-z]+(?:_[a-z]+)+)`", table)) - {"key_family"}
    assert {name.removesuffix("_info") for name in named} | {"findings"} == there | {
        "endpoint_verdict"
    }
    labels = {key for _, pairs in numbers(to_metrics(troubled())) for key, _ in pairs}
    labels -= there  # of state sets, whose label is their name
    for label in labels | set(PLACE):
        assert f"`{label}`" in table, label
    for outcome in Outcome:
        assert f"`{outcome.value}`" in table, outcome


def test_what_the_package_says_it_is_runs_by_its_name() -> None:
    """`python -m probe`, as install says."""
    done = subprocess.run(
        [sys.executable, "-m", "probe", "--version"],
        capture_output=True,
        check=True,
        encoding="utf-8",
    )
    assert done.stdout.startswith("probe ")
