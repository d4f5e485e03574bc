"""What people saw over the clusters of the lab, and what `probe complaint` makes of it.

Expected causes are reasoned by hand, from what the words mean where they are published and from
what is wrong in the scenario; the program's own table of words is looked at nowhere here.
Certificates are made for one day and judged as of that day.

Two families have few published words. Of Android one sentence is published (Trust on First Use),
and what apps and the dialogue of a failed login say is from memory; Linux supplicants publish the
numbers of their reasons and no sentence. What else those two show their users is missing.
"""

import io
import json
import re
from collections import Counter
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from probe.cli.main import main
from tests.lab import complaints
from tests.lab.complaints import Told
from tests.lab.complaints_eap import EAP
from tests.lab.complaints_roundabout import ROUNDABOUT
from tests.lab.complaints_several import CONTRADICTORY, HEALTHY, TOGETHER
from tests.lab.complaints_web import WEB
from tests.lab.test_findings import DAY
from tests.running import Result

EVERY = tuple(
    sorted(
        (*WEB, *EAP, *TOGETHER, *HEALTHY, *ROUNDABOUT, *CONTRADICTORY),
        key=lambda told: told.scenario,
    )
)
"""By scenario, so that each is started once."""

FAMILIES = {
    complaints.CHROMIUM: "browser-chromium",
    complaints.CHROMIUM_MEMORY: "browser-chromium",
    complaints.MOZILLA: "browser-mozilla",
    complaints.PKIX: "browser-mozilla",
    complaints.APPLE: "apple",
    complaints.SECBASE: "apple",
    complaints.EAPHOST: "windows",
    complaints.WINERROR: "windows",
    complaints.WINHTTP: "windows",
    complaints.ONEX: "windows",
    complaints.WIRED: "windows",
    complaints.PROMPT: "windows",
    complaints.TOFU: "android",
    complaints.ANDROID_MEMORY: "android",
    complaints.SUPPLICANT: "linux-supplicant",
    complaints.OPENSSL: "openssl-based",
    complaints.ALERTS: "tls-alert",
}
"""Whose words a source publishes."""


class Labs:
    """One cluster at a time."""

    def __init__(self, folders: pytest.TempPathFactory) -> None:
        self._folders = folders
        self._running: Cluster | None = None

    def plan(self, scenario: str) -> Path:
        """Return the plan of a running cluster; what ran before is ended."""
        if self._running is None or self._running.scenario.name != scenario:
            self.close()
            folder = self._folders.mktemp(scenario)
            self._running = Cluster(Scenario.load(scenario), directory=folder, at=DAY)
            self._running.__enter__()
        return self._running.plan_path

    def close(self) -> None:
        """End what runs."""
        if self._running is not None:
            self._running.stop()
            self._running = None


@pytest.fixture(scope="module")
def labs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Labs]:
    every = Labs(tmp_path_factory)
    try:
        yield every
    finally:
        every.close()


def answered(plan: Path, *gives: str) -> Result:
    """Give a complaint to the command in this process: there are many."""
    said = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.TextIOWrapper(io.BytesIO(), "utf-8")
    common = ("--at", DAY.isoformat(), "--history", "off", "--format", "json")
    with redirect_stdout(said[0]), redirect_stderr(said[1]):
        status = main(["complaint", str(plan), *common, *gives])
    texts = []
    for stream in said:
        stream.seek(0)
        texts.append(stream.read())
    assert status in {0, 1, 4}, texts[1]
    return Result(status, json.loads(texts[0]), texts[1])


def causes(result: Result, standing: str) -> list[dict[str, Any]]:
    return [cause for cause in result.document["causes"] if cause["standing"] == standing]


def without_what_is_drawn(line: str) -> str:
    """Return a first line without the lab's network and the beginnings of digests, which are other
    ones in every run."""
    return re.sub(r"[0-9a-f]{8}\.\.\.", "digest...", re.sub(r"127\.77\.\d+\.", "127.77.N.", line))


@pytest.mark.parametrize("told", EVERY, ids=[told.name for told in EVERY])
def test_a_complaint_is_led_back_to_its_cause(labs: Labs, told: Told) -> None:
    result = answered(labs.plan(told.scenario), *told.gives)
    document = result.document
    confirmed, possible = causes(result, "confirmed"), causes(result, "possible")
    assert all(heard["known"] for heard in document["heard"]), "these words are published"
    if told.rule is None:
        assert confirmed == [], "no cause is invented"
        assert document["client_side"], "what nothing on the wire can show is asked for"
        assert told.possible is None or possible[0]["rule"] == told.possible
    else:
        assert (confirmed[0]["rule"], tuple(confirmed[0]["nodes"])) == (told.rule, told.nodes)
        assert confirmed[0]["evidence"]
    assert without_what_is_drawn(document["first"]) == told.first
    assert bool(document["contradictions"]) == told.contradicts
    assert not document["advice"]["safe"], "nothing was told of the certificate"
    assert result.status == told.status


def test_there_are_complaints_of_every_kind() -> None:
    assert len(EVERY) >= 40
    assert {FAMILIES[told.source] for told in EVERY} == {
        "browser-chromium",
        "browser-mozilla",
        "apple",
        "windows",
        "android",
        "linux-supplicant",
        "openssl-based",
        "tls-alert",
    }
    assert len({told.rule for told in EVERY} - {None}) >= 20
    meant: dict[str, set[str | None]] = {}
    for told in TOGETHER:
        meant.setdefault(told.scenario, set()).add(told.rule)
    assert sum(len(rules - {None}) >= 2 for rules in meant.values()) >= 5
    assert len(HEALTHY) >= 5
    assert max(Counter(told.name for told in EVERY).values()) == 1
