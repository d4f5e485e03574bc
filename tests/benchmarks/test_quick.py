"""The benchmark runs and prints its table. What the figures are worth is for who reads them."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_the_table_has_every_goal() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks", "--quick"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    rows = done.stdout.splitlines()
    for goal in range(1, 6):
        assert any(row.startswith(f"{goal} ") for row in rows), (goal, done.stdout)
    # Both had every chain in hand: else they would be compared over different work.
    assert "not every chain seen" not in done.stdout
