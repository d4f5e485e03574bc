"""Lifetimes to the second (vectors/validity.json: CA/Browser Forum TLS Baseline Requirements 2.2.6,
sections 1.6.1 and 6.3.2; Apple Security framework source, TLS server policy)."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from probe.judge.requirements import (
    lifetime_days,
    lifetime_limit,
    refused_by_platforms,
    timestamps_needed,
    too_long_under_other_roots,
)

VALIDITY = json.loads((Path(__file__).parent / "vectors" / "validity.json").read_text("utf-8"))


def moments(row: dict[str, str]) -> tuple[datetime, datetime]:
    return datetime.fromisoformat(row["not_before"]), datetime.fromisoformat(row["not_after"])


@pytest.mark.parametrize(
    "row", VALIDITY["ca_browser_forum"]["rows"], ids=lambda r: f"{r['not_before']}-{r['not_after']}"
)
def test_the_boundaries_of_the_requirements(row: dict[str, str]) -> None:
    begins, ends = moments(row)
    assert lifetime_days(begins, ends) == row["days_counted"]
    assert lifetime_limit(begins) == row["limit_days"]
    assert (lifetime_days(begins, ends) <= (lifetime_limit(begins) or 0)) is row["ok"]


@pytest.mark.parametrize(
    "row",
    [row for row in VALIDITY["apple_code"]["rows"] if row["not_before"] >= "2019-07"],
    ids=lambda r: f"{r['anchor']}-{r['not_after']}",
)
def test_the_boundaries_of_one_platform(row: dict[str, str]) -> None:
    """It compares the bare difference: what the requirements count as 399 days is accepted."""
    check = refused_by_platforms if row["anchor"] == "system" else too_long_under_other_roots
    assert check(*moments(row)) is not row["accepted"]


def test_nothing_is_claimed_of_what_was_issued_before() -> None:
    """The limits before 2020-09-01 rest on memory (facts A4), and all of it has ended."""
    assert lifetime_limit(datetime(2020, 8, 31, 23, 59, 59, tzinfo=UTC)) is None


@pytest.mark.parametrize(
    ("lifetime", "needed"),
    [
        (timedelta(days=90), 2),
        (timedelta(days=180), 2),
        (timedelta(days=180, seconds=1), 3),
        (timedelta(days=398), 3),
    ],
)
def test_longer_lifetimes_need_a_timestamp_more(lifetime: timedelta, needed: int) -> None:
    """Chrome Certificate Transparency Policy; Apple support 103214 (vectors/sct.json)."""
    begins = datetime(2026, 4, 1, tzinfo=UTC)
    assert timestamps_needed(begins, begins + lifetime) == needed
