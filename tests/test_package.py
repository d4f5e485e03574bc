"""What is installed is what stands in the source: the wheel is built and looked into."""

import ast
import os
import re
import subprocess
import sys
import sysconfig
import venv
from importlib.metadata import packages_distributions
from pathlib import Path
from zipfile import ZipFile

import pytest

from tests.test_layout import imports

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "-d", directory],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    (built,) = directory.glob("*.whl")
    return built


@pytest.fixture
def wheel(built: Path) -> ZipFile:
    return ZipFile(built)


def test_every_file_of_the_package_is_in_the_wheel_and_no_other(wheel: ZipFile) -> None:
    """Data files too: the client families, the RADIUS dictionary, the Schemas, the manual."""
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


@pytest.fixture(scope="module")
def installed(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment that holds the wheel and nothing of this checkout. What it needs is lent by
    the environment of the tests, so that nothing is downloaded."""
    directory = tmp_path_factory.mktemp("installed")
    venv.create(directory, with_pip=False)
    subprocess.run(
        [
            *(sys.executable, "-m", "pip", "--python", directory / "bin" / "python", "install"),
            *("--quiet", "--no-index", "--no-deps", "--disable-pip-version-check", built),
        ],
        check=True,
        capture_output=True,
    )
    (packages,) = directory.glob("lib/python*/site-packages")
    # A folder that is named so is only looked into: no .pth in it counts, so no editable install.
    (packages / "lent.pth").write_text(sysconfig.get_path("purelib") + "\n", "utf-8")
    return directory


def run(installed: Path, *command: str) -> str:
    done = subprocess.run(
        [installed / "bin" / command[0], *command[1:]],
        cwd=installed,
        env={"PATH": os.defpath, "HOME": str(installed)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        encoding="utf-8",
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_wheel_is_an_application_by_itself(installed: Path) -> None:
    """The command, the module, and what they read: manual, catalogue, client families."""
    where = run(installed, "python", "-c", "import probe; print(probe.__file__)")
    assert Path(where.strip()).is_relative_to(installed)
    assert run(installed, "probe", "--version") == "probe 0.1.0\n"
    assert run(installed, "python", "-m", "probe", "--version") == "probe 0.1.0\n"
    assert "by symptom" in run(installed, "probe", "manual")
    assert "Windows 802.1X" in run(installed, "probe", "manual", "eap-expired")
    assert "felt by" in run(installed, "probe", "rules", "eap-expired")
    (installed / "plan.toml").write_text(
        'name = "Northpier"\n[[node]]\nname = "quay1"\nhost = "quay1.northpier.example"\n', "utf-8"
    )
    assert "Nothing has been sent." in run(installed, "probe", "cluster", "--show-agenda")


def test_the_wheel_has_what_the_page_is_made_of(wheel: ZipFile) -> None:
    folder = "probe/report/page"
    made_of = {path.name for path in (ROOT / folder).iterdir() if path.is_file()}
    assert {"page.html", "parts.html", "page.css", "page.js"} <= made_of
    assert {f"{folder}/{name}" for name in made_of} <= set(wheel.namelist())


def test_what_it_says_that_it_needs_is_what_it_imports(wheel: ZipFile) -> None:
    """An application that is installed alone has these, what they need, and no others."""
    imported = set()
    for path in (ROOT / "probe").rglob("*.py"):
        for _, name in imports(ast.parse(path.read_text("utf-8")), "probe", is_package=True):
            imported.add(name.split(".")[0])
    imported -= {"probe", *sys.stdlib_module_names}
    packages = packages_distributions()
    (metadata,) = (name for name in wheel.namelist() if name.endswith("/METADATA"))
    needed = re.findall(
        r"^Requires-Dist: ([\w-]+)(?!.*extra ==)", wheel.read(metadata).decode(), re.M
    )
    assert {_plain(packages[name][0]) for name in imported} == {_plain(name) for name in needed}


def _plain(name: str) -> str:
    """PEP 503: names of packages are compared so."""
    return re.sub(r"[-_.]+", "-", name).lower()
