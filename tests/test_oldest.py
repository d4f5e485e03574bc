"""Dependencies: a lower bound for each, and every module is imported with what is installed."""

import pkgutil
import subprocess
import sys
import tomllib

import pytest

import probe
from tests.oldest import PROJECT, constraints


def test_every_dependency_is_held_at_its_lower_bound() -> None:
    project = '[project]\ndependencies = ["one>=2.6,<3", "another>=50.0.2"]'
    assert constraints(project) == ("one==2.6", "another==50.0.2")
    held = constraints(PROJECT.read_text("utf-8"))
    assert len(held) == len(tomllib.loads(PROJECT.read_text("utf-8"))["project"]["dependencies"])


@pytest.mark.parametrize("without", ["one", "one==3", "one<3", "one~=2.6"])
def test_a_dependency_without_a_lower_bound_is_an_error(without: str) -> None:
    with pytest.raises(ValueError, match="has no lower bound"):
        constraints(f'[project]\ndependencies = ["{without}"]')


def test_every_module_is_imported_without_a_warning() -> None:
    """In a process of its own, as some are imported late and only where they are needed."""
    modules = [found.name for found in pkgutil.walk_packages(probe.__path__, "probe.")]
    named = sorted(name for name in modules if not name.endswith("__main__"))
    assert len(named) > 150
    code = "import importlib, sys\nfor name in sys.argv[1:]: importlib.import_module(name)"
    command = [sys.executable, "-W", "error", "-c", code, *named]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (0, "")
