"""What is installed is what stands in the source: the wheel is built and looked into."""

import subprocess
import sys
from pathlib import Path
from zipfile import ZipFile

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> ZipFile:
    directory = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "-d", directory],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    (built,) = directory.glob("*.whl")
    return ZipFile(built)


def test_every_file_of_the_package_is_in_the_wheel_and_no_other(wheel: ZipFile) -> None:
    """Data files too: the client families, the RADIUS dictionary, the Schemas."""
    source = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "probe").rglob("*")
        if path.is_file() and not path.name.startswith(".") and "__pycache__" not in path.parts
    }
    inside = {name for name in wheel.namelist() if ".dist-info/" not in name}
    assert inside == source


def test_the_command_is_in_the_wheel(wheel: ZipFile) -> None:
    (entry_points,) = (name for name in wheel.namelist() if name.endswith("entry_points.txt"))
    assert "probe = probe.cli.main:run" in wheel.read(entry_points).decode()
