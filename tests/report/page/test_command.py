"""`--format page` of the installed command, into a file and into a pipe."""

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.report.page.reading import read
from tests.running import PROBE, WITHIN


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The folder of a plan and of a survey in depth of one of its nodes."""
    directory = tmp_path_factory.mktemp("lab")
    with Cluster(Scenario.load("eap-same-as-web"), directory=directory) as lab:
        done = run(directory, "node", "quay1", lab.plan_path, "--save", "one.json")
        assert done.returncode in {0, 1, 4}, done.stderr
        yield directory


def run(directory: Path, *arguments: str | Path) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [PROBE, *arguments, "--history", "off"],
        cwd=directory,
        env={"PATH": os.defpath, "HOME": str(directory), "LC_ALL": "C"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        timeout=WITHIN,
    )


def test_a_pipe_gets_the_very_page_that_a_file_gets(saved: Path) -> None:
    asked = ("plan.toml", "--from", "one.json", "--format", "page")
    piped = run(saved, "cluster", *asked)
    filed = run(saved, "cluster", *asked, "--output", "page.html")
    assert piped.returncode == filed.returncode
    assert filed.stdout == b""
    assert piped.stdout == (saved / "page.html").read_bytes()
    assert piped.stdout.startswith(b"<!doctype html>\n")
    assert piped.stdout.endswith(b"</html>\n")


def test_one_node_has_its_resolvers_and_its_closer_look_on_the_page(saved: Path) -> None:
    done = run(saved, "node", "quay1", "plan.toml", "--from", "one.json", "--format", "page")
    page = read(done.stdout.decode("utf-8"))
    titles = [one.text for one in page.all("h3")]
    assert "A closer look at EAP" in titles
    assert "What resolvers say" in titles
    assert "One node, nothing to compare." in page.one("main").text


def test_a_page_is_not_written_over_what_is_read(saved: Path) -> None:
    done = run(
        saved, "cluster", "plan.toml", "--from", "one.json", "--format", "page",
        "--output", "plan.toml",
    )  # fmt: skip
    assert done.returncode == 2
    assert (saved / "plan.toml").read_text("utf-8").startswith(("name", "#", "["))
