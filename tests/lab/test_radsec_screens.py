"""What RadSec looks like on the screen, as it was read and found good, kept in screens/ beside this
file."""

import os
import subprocess
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.lab.test_findings import DAY
from tests.running import PROBE, WITHIN
from tests.shown import same_in_every_run
from tests.test_readme import README

SCREENS = Path(__file__).parent / "screens"


def kept(name: str) -> str:
    return (SCREENS / f"{name}.txt").read_text("utf-8")


@pytest.mark.parametrize(
    ("name", "scenario", "command", "only"),
    [
        ("radsec-cluster", "radsec-expired", ("cluster",), "radsec"),
        ("radsec-node", "healthy-radsec-shapes", ("node", "quay2"), "eap,radsec"),
        ("radsec-node-refused", "radsec-refused-our-certificate", ("node", "quay3"), "radsec"),
    ],
)
def test_a_screen_is_what_it_was_when_it_was_read(
    tmp_path: Path, name: str, scenario: str, command: tuple[str, ...], only: str
) -> None:
    with Cluster(Scenario.load(scenario), directory=tmp_path, at=DAY) as lab:
        done = subprocess.run(
            [PROBE, *command, lab.plan_path, "--only", only, "--at", DAY.isoformat()],
            env={"PATH": os.defpath, "HOME": str(tmp_path)},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
            encoding="utf-8",
            timeout=WITHIN,
        )
    shown, about, _ = done.stdout.partition("About this result")  # which names the machine
    assert about, done.stderr
    assert same_in_every_run(shown) == same_in_every_run(kept(name))


def test_what_the_readme_shows_is_a_part_of_one() -> None:
    (_, part) = README.split("```text\nA closer look at RadSec")
    shown = "A closer look at RadSec" + part.partition("```")[0]
    assert same_in_every_run(shown) in same_in_every_run(kept("radsec-node"))
