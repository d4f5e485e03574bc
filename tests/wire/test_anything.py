"""Anything at all off the wire: thousands of examples in each run, the same in each.

`python -m tests.wire.long_run` draws others for as long as one likes.
"""

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.wire.anything import OCTETS, PARSERS, Hostile


@pytest.mark.parametrize("check", PARSERS.values(), ids=PARSERS)
def test_any_octets_are_read_or_refused(check: Callable[[bytes], None]) -> None:
    settings(max_examples=1_000, deadline=None, database=None, derandomize=True)(
        given(OCTETS)(check)
    )()


def test_any_server_leads_to_one_outcome() -> None:
    run_state_machine_as_test(
        Hostile,
        settings=settings(
            max_examples=1_000,
            stateful_step_count=12,
            deadline=None,
            database=None,
            derandomize=True,
        ),
    )
