"""Lists, numbers and times in words."""

from datetime import UTC, datetime, timedelta, timezone

import pytest

from probe.observation.model import Outcome
from probe.report.terminal import words

FOUR = ("quay1", "quay2", "quay3", "quay4")


@pytest.mark.parametrize(
    ("names", "plan", "shown"),
    [
        (("quay1",), FOUR, "quay1"),
        (("quay1", "quay2"), FOUR, "quay1 and quay2"),
        (("quay1", "quay2", "quay3"), FOUR, "quay1 to quay3"),
        (("quay3", "quay1", "quay2"), FOUR, "quay1 to quay3"),
        (("quay1", "quay3", "quay4"), FOUR, "quay1, quay3 and quay4"),
        (FOUR, FOUR, "all 4 nodes"),
        (("quay1", "quay2"), ("quay1", "quay2"), "quay1 and quay2"),
        # Neighbours in the plan, but nobody could tell what stands between their ends.
        (("north", "south", "east"), ("north", "south", "east", "west"), "north, south and east"),
        # Numbered in a row, but another node stands between them in the plan.
        (
            ("quay1", "quay2", "quay3"),
            ("quay1", "quay2", "dock", "quay3"),
            "quay1, quay2 and quay3",
        ),
        (("quay08", "quay09", "quay10"), ("quay08", "quay09", "quay10", "x"), "quay08 to quay10"),
        (("a1.x", "a2.x", "a3.x"), ("a1.x", "a2.x", "a3.x", "a4.y"), "a1.x to a3.x"),
        (("quay\x1b[2J",), FOUR, "quay\\x1b[2J"),
        ((), FOUR, ""),
    ],
)
def test_nodes_are_listed_briefly_and_truly(
    names: tuple[str, ...], plan: tuple[str, ...], shown: str
) -> None:
    assert words.nodes(names, plan) == shown


def test_many_scattered_nodes_are_two_and_a_number() -> None:
    plan = tuple(f"quay{number}" for number in range(1, 81))
    assert words.nodes(plan[::2], plan) == "40 of 80 nodes (quay1, quay3 and 38 more)"
    assert words.nodes(plan[:12:2], plan) == "quay1, quay3 and 4 more"


def test_many_runs_say_how_many_nodes_more_there_are() -> None:
    plan = tuple(f"quay{number}" for number in range(1, 41))
    names = [name for number, name in enumerate(plan) if number % 8 < 5]
    some = "quay1 to quay5, quay9 to quay13 and 15 more"
    assert words.nodes(names, plan) == f"25 of 40 nodes ({some})"


def test_nearly_all_nodes_are_all_but_the_odd_ones() -> None:
    plan = tuple(f"quay{number}" for number in range(1, 41))
    assert words.nodes([*plan[:6], *plan[7:]], plan) == "all 40 nodes but quay7"
    assert words.nodes([*plan[:6], *plan[7:20], *plan[21:]], plan) == (
        "all 40 nodes but quay7 and quay21"
    )
    # A run is as short and says the same, and few nodes are better named.
    assert words.nodes(plan[:38], plan) == "quay1 to quay38"
    assert words.nodes(["a", "c", "d"], ["a", "b", "c", "d"]) == "a, c and d"
    assert words.nodes([*plan[:6], *plan[7:]], plan, listed=None) == (
        "quay1 to quay6 and quay8 to quay40"
    )


def test_places_that_may_not_be_all_are_never_called_all() -> None:
    assert words.places(["quay1", "quay2", "quay3"]) == "quay1 to quay3"
    assert words.places([f"quay{number}" for number in range(1, 21, 2)]) == (
        "quay1, quay3 and 8 more"
    )


def test_lists_and_numbers() -> None:
    assert words.all_of([]) == ""
    assert words.all_of(["a", "b", "c"]) == "a, b and c"
    assert words.some_of(["a", "b", "c", "d"]) == "a, b, c and d"
    assert words.some_of(["a", "b", "c", "d", "e"]) == "a, b and 3 more"
    assert words.plural(1, "node") == "1 node"
    assert words.plural(0, "node") == "0 nodes"
    assert words.plural(2, "half", "halves") == "2 halves"


def test_times_are_utc_to_the_second() -> None:
    there = timezone(timedelta(hours=2))
    began = datetime(2026, 11, 26, 1, 59, 59, 999999, there)
    assert words.time(began) == "2026-11-25 23:59:59 UTC"
    assert words.day(began) == "2026-11-25"
    assert words.day(None) == "unknown"
    later = datetime(2026, 11, 26, 0, 0, 3, tzinfo=UTC)
    assert words.span(began, later) == "2026-11-25 23:59:59 to 2026-11-26 00:00:03 UTC"
    assert words.span(later, later + timedelta(seconds=4)) == "2026-11-26 00:00:03 to 00:00:07 UTC"
    assert words.span(later, later) == "2026-11-26 00:00:03 UTC"


def test_every_outcome_without_a_chain_has_words() -> None:
    for outcome in set(Outcome) - {Outcome.SERVED}:
        assert words.outcome(outcome.value) != outcome.value
    assert words.outcome("lost-at-sea") == "lost-at-sea"
