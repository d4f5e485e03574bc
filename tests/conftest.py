"""What holds for every test: whatever a tool keeps goes into .work/, which git never sees, and a
history that is not named into a folder of the test's own."""

import itertools
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

# Here, as a run in several processes reads no deeper one in that which tells how it went.
from tests.published.summary import pytest_terminal_summary  # noqa: F401

# Read when the first property is tested, which is later than this.
os.environ.setdefault(
    "HYPOTHESIS_STORAGE_DIRECTORY", str(Path(__file__).parents[1] / ".work" / "hypothesis")
)

_DATA = Path(tempfile.mkdtemp(prefix="probe-data-"))
_NUMBERS = itertools.count()

os.environ["XDG_DATA_HOME"] = str(_DATA / "before")


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """No test remembers what another one saw, and none writes into the user's own folder."""
    os.environ["XDG_DATA_HOME"] = str(_DATA / str(next(_NUMBERS)))


@pytest.hookimpl(trylast=True)
def pytest_runtest_teardown() -> None:
    """What one test hides from messages, another one may say."""
    if "probe.cli.failure" in sys.modules:
        sys.modules["probe.cli.failure"]._secrets.clear()


@pytest.fixture(scope="session", autouse=True)
def _data_is_removed() -> Iterator[None]:
    yield
    shutil.rmtree(_DATA, ignore_errors=True)
