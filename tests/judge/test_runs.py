"""Names in the sentences of findings: many that are numbered in a row are a run."""

from probe.judge.words import listing


def test_a_few_names_are_all_named() -> None:
    assert listing(["quay1", "quay2", "quay3", "quay4", "quay5"]) == (
        "quay1, quay2, quay3, quay4 and quay5"
    )


def test_many_names_in_a_row_are_their_ends() -> None:
    quays = [f"quay{number}" for number in range(1, 40)]
    assert listing(quays) == "quay1 to quay39"
    assert listing([*quays[:6], *quays[7:]]) == "quay1 to quay6 and quay8 to quay39"
    assert listing(quays[::2]) == "quay1, quay3, quay5, quay7 and 16 more"


def test_runs_that_are_cut_count_their_names() -> None:
    threes = [f"quay{number}" for number in range(1, 40) if number % 4]
    assert listing(threes) == (
        "quay1 to quay3, quay5 to quay7, quay9 to quay11, quay13 to quay15 and 18 more"
    )


def test_two_in_a_row_are_no_run() -> None:
    names = ["a1", "a2", "b1", "b2", "c1", "c2"]
    assert listing(names) == "a1, a2, b1, b2 and 2 more"
