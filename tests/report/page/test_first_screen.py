"""Six questions that somebody who has only the page must be able to answer, without a click.

The questions are the same for every cluster:

1. Is anybody held up now, and how?
2. Who is it?
3. Where?
4. What is to be done first?
5. Which nodes are not as the others, and what comes later?
6. What is wrong?

The answers (`questions.py`) must stand, wholly and without scrolling, in a window of 1280 by 800;
those of `ON_A_PHONE` in one of 390 by 844 as well.
"""

import os
import subprocess
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.lab.test_findings import DAY
from tests.report.page.browser import DESK, PHONE, looking
from tests.report.page.questions import ANSWERS, ON_A_PHONE
from tests.report.page.reading import read
from tests.running import PROBE, WITHIN


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The page of each cluster, as the installed command writes it."""
    made = {}
    for name in ANSWERS:
        directory = tmp_path_factory.mktemp(name)
        with Cluster(Scenario.load(name), directory=directory, at=DAY) as lab:
            made[name] = directory / "page.html"
            done = subprocess.run(
                [
                    *(PROBE, "cluster", lab.plan_path, "--at", DAY.isoformat()),
                    *("--format", "page", "--output", made[name], "--history", "off"),
                ],
                env={"PATH": os.defpath, "HOME": str(directory)},
                stdin=subprocess.DEVNULL,
                capture_output=True,
                check=False,
                timeout=WITHIN,
            )
            assert done.returncode in {0, 1, 4}, done.stderr
            assert done.stdout == b""
    return made


@pytest.mark.parametrize("name", ANSWERS)
def test_the_answers_stand_in_the_first_screen(
    pages: dict[str, Path], browser: Browser, name: str
) -> None:
    with looking(browser, pages[name], viewport=DESK) as look:
        assert missing(look.in_view(), ANSWERS[name]) == []
        assert look.overflow() <= 0


@pytest.mark.parametrize("name", ANSWERS)
def test_the_answer_stands_in_the_first_screen_of_a_phone(
    pages: dict[str, Path], browser: Browser, name: str
) -> None:
    with looking(browser, pages[name], viewport=PHONE) as look:
        assert missing(look.in_view(), [ANSWERS[name][number] for number in ON_A_PHONE]) == []
        assert look.overflow() <= 0


def test_a_gap_says_where_the_missing_certificate_was_found(pages: dict[str, Path]) -> None:
    """Nobody sends it in this cluster, and the CA's own address has it."""
    page = read(pages["web-chain-incomplete-fetched"].read_text("utf-8"))
    gaps = {
        (gap.one(name="title").text, gap.one(name="edge").text) for gap in page.all("li", "gap")
    }
    assert gaps == {
        (
            "Saltmarsh Server Issuing E1",
            "missing: nobody sends this; found at its issuer's address, "
            "http://pki.northpier.example:10080/public-issuing.cer",
        )
    }


def test_an_answer_of_another_cluster_is_missed(pages: dict[str, Path], browser: Browser) -> None:
    """The twin that must fail: each of the six is missing where nothing is wrong."""
    with looking(browser, pages["healthy-cluster"], viewport=DESK) as look:
        said = look.in_view()
        assert all(missing(said, [answer]) for answer in ANSWERS["northpier-demo"])


def missing(said: str, answers: object) -> list[str]:
    """Return the words that do not stand in one block."""
    assert isinstance(answers, tuple | list)
    blocks = said.split("\n")
    return [
        words
        for answer in answers
        for words in answer
        if not any(words in block for block in blocks)
    ]
