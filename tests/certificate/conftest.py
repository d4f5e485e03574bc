"""What is made for these tests is removed after them."""

from collections.abc import Iterator

import pytest

from tests.certificate import makes


@pytest.fixture(scope="session", autouse=True)
def _forget() -> Iterator[None]:
    yield
    makes.forget()
