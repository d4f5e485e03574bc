"""What the command leaves in servers' logs, counted at the lab's servers, and what it announces."""

import re
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.cli.acting import Probe

DEPTHS = {"sweep": ("cluster",), "node": ("node", "quay3")}


def announced(probe: Probe, lab: Cluster, *command: str) -> tuple[int, int]:
    """Failed authentications that `--show-agenda` tells of: where all answer, and on top."""
    ended = probe(*command, lab.plan_path, "--only", "eap", "--show-agenda")
    assert ended.status == 0
    text = " ".join(ended.stdout.split())
    usual = re.search(r"(\d+) failed authentications? in the servers' own logs", text)
    further = re.search(r"up to (\d+) more", text)
    assert usual is not None
    assert further is not None
    return int(usual[1]), int(further[1])


def opened(lab: Cluster) -> int:
    return sum(server.opened for server in lab.radius.values())


@pytest.mark.parametrize("depth", DEPTHS)
def test_a_healthy_cluster_logs_what_was_announced_and_keeps_no_session(
    probe: Probe, tmp_path: Path, depth: str
) -> None:
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab:
        usual, _ = announced(probe, lab, *DEPTHS[depth])
        assert opened(lab) == 0
        probe(*DEPTHS[depth], lab.plan_path, "--only", "eap", "--format", "json")
        assert opened(lab) == usual
        assert {server.waiting for server in lab.radius.values()} == {0}


@pytest.mark.parametrize("depth", DEPTHS)
@pytest.mark.parametrize(
    "name",
    [
        "eap-fragments-lost",
        "eap-old-tls",
        "eap-refused-cut-off",
        "eap-refused-rejects-hello",
        "eap-rejected-early",
        "eap-reply-elsewhere",
        "eap-silent",
    ],
)
def test_no_more_is_logged_than_was_announced_with_what_is_tried_on_top(
    probe: Probe, tmp_path: Path, name: str, depth: str
) -> None:
    with Cluster(Scenario.load(name), directory=tmp_path) as lab:
        usual, further = announced(probe, lab, *DEPTHS[depth])
        probe(*DEPTHS[depth], lab.plan_path, "--only", "eap", "--format", "json")
        assert opened(lab) <= usual + further
