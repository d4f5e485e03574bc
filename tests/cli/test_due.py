"""`probe due`: from the network, from what was saved, and from the history."""

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import vobject

from lab.cluster import Cluster
from lab.scenario import Scenario
from probe.observation.model import fingerprint
from tests.cli.acting import WITH_SECRET, Listener, Probe


@pytest.fixture(scope="module")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with Cluster(
        Scenario.load("healthy-cluster"), directory=tmp_path_factory.mktemp("healthy")
    ) as lab:
        yield lab


def renewals(text: str) -> set[tuple[str, tuple[str, ...], tuple[str, ...]]]:
    document: dict[str, Any] = json.loads(text)
    assert document["format"] == "probe-due/1"
    return {
        (one["certificate"], tuple(one["endpoints"]), tuple(one["nodes"]))
        for one in document["renewals"]
    }


def test_network_saved_survey_and_history_tell_the_same(
    probe: Probe, healthy: Cluster, tmp_path: Path
) -> None:
    saved, kept = tmp_path / "survey", tmp_path / "runs.sqlite"
    plan = healthy.plan_path
    live = probe("due", plan, "--format", "json", "--save", saved, "--history", kept)
    assert (live.status, live.stderr) == (0, "")
    again = probe("due", plan, "--format", "json", "--from", saved)
    assert again.stdout == live.stdout
    past = probe("due", plan, "--format", "json", "--from-history", "--history", kept)
    assert (past.status, past.stderr) == (0, "")
    assert renewals(past.stdout) == renewals(live.stdout)
    served = {endpoint for _, endpoints, _ in renewals(live.stdout) for endpoint in endpoints}
    assert served == {"web", "eap"}
    ends = [one["ends"] for one in json.loads(live.stdout)["renewals"]]
    assert ends == sorted(ends)
    questions = json.loads(saved.read_text())["questions"]
    assert {question["endpoint"] for question in questions} == {"web", "eap"}, "no DNS"


def test_what_radsec_serves_ends_too(probe: Probe, tmp_path: Path) -> None:
    with Cluster(Scenario.load("healthy-radsec"), directory=tmp_path / "radsec") as lab:
        ended = probe("due", lab.plan_path, "--format", "json", "--only", "radsec")
        issued = {fingerprint(lab.issued(f"radsec@{node}").der): (node,) for node in lab.names}
    assert (ended.status, ended.stderr) == (0, "")
    told = renewals(ended.stdout)
    leaves = {one: nodes for one, endpoints, nodes in told if len(nodes) == 1}
    assert leaves == issued
    assert {endpoints for _, endpoints, _ in told} == {("radsec",)}
    # The CA that issues and its root, at all nodes.
    assert sum(nodes == lab.names for _, _, nodes in told) == 2


def test_what_is_due_is_status_1_and_may_be_tolerated(
    probe: Probe, healthy: Cluster, tmp_path: Path
) -> None:
    saved, plan = tmp_path / "survey", healthy.plan_path
    document = json.loads(probe("due", plan, "--format", "json", "--save", saved).stdout)
    first = document["renewals"][0]
    for at, status, tolerated in (
        (document["judged_at"], 0, 0),
        (first["renew"], 1, 0),
        ("2050-01-01", 1, 1),
    ):
        command = ("due", plan, "--from", saved, "--at", at)
        assert probe(*command).status == status
        assert probe(*command, "--tolerate", "due").status == tolerated


def test_a_calendar_is_read_by_an_independent_reader(
    probe: Probe, process: Probe, healthy: Cluster, tmp_path: Path
) -> None:
    saved, written = tmp_path / "survey", tmp_path / "due.ics"
    plan = healthy.plan_path
    document = json.loads(probe("due", plan, "--format", "json", "--save", saved).stdout)
    command = ("due", plan, "--from", saved, "--format", "calendar")
    assert probe(*command, "--output", written).status == 0
    octets = written.read_bytes()
    assert process(*command).stdout.encode() == octets.replace(b"\r\n", b"\n")
    calendar = vobject.readOne(octets.decode())
    calendar.validate(raiseException=True)
    assert len(calendar.vevent_list) == len(document["renewals"])
    for entry, one in zip(calendar.vevent_list, document["renewals"], strict=True):
        assert one["certificate"] in entry.description.value
        assert one["ends"][:10] in entry.summary.value


def test_an_endpoint_that_shows_nothing_is_unseen(probe: Probe, plan: Path) -> None:
    """The RADIUS port takes datagrams and never answers."""
    ended = probe("due", plan, "--only", "eap", "--format", "json", environment=WITH_SECRET)
    assert ended.status == 4
    document = json.loads(ended.stdout)
    assert (document["verdict"], document["renewals"]) == ("unseen", [])
    assert len(document["unseen"]) == 2


def test_an_agenda_asks_no_name(probe: Probe, plan: Path, listener: Listener) -> None:
    ended = probe("due", plan, "--show-agenda")
    assert ended.status == 0
    assert "0 DNS questions" in ended.stdout or "DNS question" not in ended.stdout
    assert not listener.heard()
    assert not Path(os.environ["XDG_DATA_HOME"]).exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--only", "dns"], "nothing to ask: names serve no certificate"),
        (["--from-history", "--from", "x"], "a source by itself"),
        (["--from-history", "--history", "off"], "a source by itself"),
        (["--from-history", "--show-agenda"], "a source by itself"),
        (["--from-history"], "holds no certificate of what the plan asks for"),
        (["--from-history", "--history", "plan.toml"], "no history of this tool"),
        (["--show-agenda", "--format", "calendar"], "--format terminal"),
        (["--format", "page"], "'page' is not one of"),
        (["--node", "quay9"], "quay9 is no node of the plan"),
    ],
)
def test_what_makes_no_sense(
    probe: Probe, plan: Path, listener: Listener, arguments: list[str], words: str
) -> None:
    ended = probe("due", plan.name, *arguments, environment=WITH_SECRET)
    assert (ended.status, ended.stdout) == (2, "")
    assert words in ended.stderr
    assert not listener.heard()


def test_a_calendar_is_a_form_of_this_command_alone(probe: Probe, plan: Path) -> None:
    assert "'calendar' is not one of" in probe("cluster", plan, "--format", "calendar").stderr
