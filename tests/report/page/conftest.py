"""The browser is needed here: where it is absent that is a skip for a developer, a failure in CI.

It lives as long as a module: the library that drives it keeps a loop running in its thread, in
which other tests could not start theirs.
"""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.report.page.browser import browsing, executable


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    path = executable()
    if path is None:
        message = "not here: chromium; as root, tests/run.sh unpacks it"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    with browsing(path, tmp_path_factory.mktemp("browser")) as running:
        yield running


@pytest.fixture
def written(tmp_path: Path) -> Path:
    """Where a page is written to be looked at."""
    return tmp_path / "page.html"
