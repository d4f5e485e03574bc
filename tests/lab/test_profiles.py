"""Profiles that are given out in the lab: what is secret in them is seen nowhere."""

import os
import subprocess
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.profiles import PASSWORD
from lab.scenario import Scenario
from tests.lab.test_findings import DAY
from tests.running import PROBE

GIVEN = ("staff.mobileconfig", "staff.xml", "staff.nmconnection")


def run(plan: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [PROBE, "cluster", plan, "--debug", *arguments],
        env={"PATH": os.defpath, "HOME": str(plan.parent)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        encoding="utf-8",
        timeout=120,
    )


@pytest.mark.parametrize("form", ["terminal", "json"])
def test_no_password_of_a_profile_is_told_or_saved(tmp_path: Path, form: str) -> None:
    saved = tmp_path / "survey.json"
    with Cluster(Scenario.load("healthy-profiles"), directory=tmp_path, at=DAY) as lab:
        for name in GIVEN:
            assert PASSWORD in (tmp_path / "given" / name).read_text("utf-8")
        done = run(lab.plan_path, "--at", DAY.isoformat(), "--format", form, "--save", str(saved))
    assert done.returncode == 0, done.stderr
    assert PASSWORD not in done.stdout + done.stderr + saved.read_text("utf-8")


@pytest.mark.parametrize("name", GIVEN)
def test_a_damaged_profile_is_a_problem_of_the_plan_at_its_place(tmp_path: Path, name: str) -> None:
    with Cluster(Scenario.load("healthy-profiles"), directory=tmp_path, at=DAY) as lab:
        path = tmp_path / "given" / name
        text = path.read_text("utf-8")
        cut = text.index(PASSWORD) + len(PASSWORD)
        path.write_text(text[:cut] + "\n<" + text[cut:], "utf-8")
        done = run(lab.plan_path)
    number = 1 + GIVEN.index(name)
    assert done.returncode == 2
    assert f"profile[{number}].file: given/{name}: the file is no " in done.stderr
    assert PASSWORD not in done.stdout + done.stderr
