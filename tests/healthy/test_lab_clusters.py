"""Healthy clusters of every shape that the lab knows give no finding at all."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario, known
from tests.running import probe

DAY = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
HEALTHY = [name for name in known() if name.startswith("healthy-")]
EAP_OF_EACH_KIND = [
    "healthy-balanced",
    "healthy-behind-relay",
    "healthy-both-key-families",
    "healthy-client-authorities",
    "healthy-eap-every-version",
    "healthy-large-chain",
    "healthy-one-method",
    "healthy-radsec",
    "healthy-teap",
    "healthy-tls-1-2-only",
    "healthy-virtual-addresses",
    "healthy-visits",
]


@pytest.mark.parametrize("single_address", [False, True])
@pytest.mark.parametrize("name", HEALTHY)
def test_a_healthy_cluster_has_no_finding(
    tmp_path: Path, name: str, *, single_address: bool
) -> None:
    scenario = Scenario.load(name)
    with Cluster(scenario, directory=tmp_path, single_address=single_address, at=DAY) as lab:
        result = probe(lab.plan_path, "--at", DAY.isoformat())
    assert result.document["findings"] == []
    assert result.document["verdict"] == "sound"
    assert result.document["complete"] is True
    assert result.document["unseen"] == []
    assert result.status == 0
    entries = [entry for node in result.document["nodes"] for entry in node["endpoints"]]
    # Hardly any server holds every kind of certificate: only such a hello may be refused.
    assert {(e["outcome"], e["asked"]["aspect"]) for e in entries if e["outcome"] != "served"} <= {
        ("refused", "family")
    }
    assert any(entry["outcome"] == "served" for entry in entries)


@pytest.mark.parametrize("name", HEALTHY)
def test_a_healthy_node_in_depth_has_no_finding(tmp_path: Path, name: str) -> None:
    scenario = Scenario.load(name)
    node = scenario.nodes[-1]
    with Cluster(scenario, directory=tmp_path, at=DAY) as lab:
        result = probe(lab.plan_path, "--at", DAY.isoformat(), command=("node", node))
    assert result.document["findings"] == []
    assert result.document["unseen"] == []
    assert result.status == 0
    assert {entry["outcome"] for entry in result.closer("again")} == {"served"}
    # By each name: two families under two versions, and two repeats.
    names = len(result.endpoints("web"))
    assert (len(result.closer("family")), len(result.closer("again"))) == (4 * names, 2 * names)
    if scenario.node[node].eap is not None:
        assert {entry["outcome"] for entry in result.endpoints("eap")} == {"served"}
        assert {entry["outcome"] for entry in result.closer("again", "eap")} == {"served"}
        # At the node's own address; virtual addresses are asked again and not more closely.
        assert len(result.closer("family", "eap")) == 4
        assert len(result.closer("old-version", "eap")) == 2
        own = [entry for entry in result.closer("again", "eap") if f"/{node}/" in entry["id"]]
        assert len(own) == 2
    if scenario.node[node].radsec is not None:
        (entry,) = result.endpoints("radsec")
        assert (entry["outcome"], entry["radsec"]["certificate_asked"]) == ("served", True)
        assert {one["outcome"] for one in result.closer("old-version", "radsec")} == {"refused"}
    if scenario.radsec_peer:
        (inside,) = result.closer("inside", "radsec")
        assert inside["radsec"]["status_reply"] == "Access-Accept"
        behind = "served" if scenario.node[node].eap is not None else None
        assert inside["radsec"]["eap_outcome"] == behind


@pytest.mark.parametrize("name", EAP_OF_EACH_KIND)
def test_a_closer_look_leaves_no_session_behind(tmp_path: Path, name: str) -> None:
    """Every conversation is ended politely, and there are no more than was announced: with the
    methods and visits of these plans at most twelve at one address, and two in a sweep."""
    scenario = Scenario.load(name)
    node = scenario.nodes[-1]
    with Cluster(scenario, directory=tmp_path, at=DAY) as lab:
        probe(lab.plan_path, "--only", "eap,radsec")
        swept = {name: server.opened for name, server in lab.radius.items()}
        probe(lab.plan_path, "--only", "eap,radsec", "--unsigned", command=("node", node))
        closer = {name: server.opened - swept[name] for name, server in lab.radius.items()}
        assert {server.waiting for server in lab.radius.values()} <= {0}
    # A balancer spreads three more over the nodes behind it; RadSec brings one more inside.
    assert max(swept.values(), default=0) <= 3
    assert max(closer.values(), default=0) <= 15
