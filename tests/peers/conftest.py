"""Independent programs are needed here: absent ones are a skip for a developer, a failure in CI."""

import os

import pytest

from tests.peers.servers import PROGRAMS, program


@pytest.fixture(scope="session", autouse=True)
def _peers_are_here() -> None:
    missing = [name for name in PROGRAMS if program(name) is None]
    if not missing:
        return
    message = f"not here: {', '.join(missing)}; as root, tests/run.sh unpacks them"
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)
