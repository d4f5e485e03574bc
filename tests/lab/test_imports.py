"""The healthy twin of each import that went wrong: put right on the running cluster, it leaves
nothing to be said."""

from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario, known
from tests.lab.test_findings import DAY
from tests.running import Result, probe

IMPORTS = [name for name in known() if name.startswith("import-")]


def look(lab: Cluster) -> Result:
    expect = ("--expect", str(lab.imported_path))
    return probe(lab.plan_path, "--at", DAY.isoformat(), *expect)


@pytest.mark.parametrize("name", IMPORTS)
def test_an_import_that_is_put_right_leaves_nothing_to_be_said(tmp_path: Path, name: str) -> None:
    scenario = Scenario.load(name)
    healthy = Scenario.load("healthy-cluster" if name.endswith("-eap") else "healthy-multi-name")
    with Cluster(scenario, directory=tmp_path, at=DAY) as lab:
        before = look(lab)
        for node in lab.names:
            eap, web = scenario.imported, healthy.node[node].web.chains[0]
            if "multi-name-new" in scenario.imported:
                eap, web = ("eap", "northpier-issuing"), scenario.imported
            if name == "import-other-endpoint":
                web = ("web", "public-issuing")
            lab.install(node, web, endpoint="web")
            lab.install(node, eap, endpoint="eap")
        after = look(lab)
    assert not before.document["expected"][0]["fulfilled"]
    assert after.findings() == set()
    (expected,) = after.document["expected"]
    assert expected["fulfilled"]
    assert {at["node"] for at in expected["at"]} == set(lab.names)


def test_what_is_installed_is_served_from_then_on(tmp_path: Path) -> None:
    with Cluster(Scenario.load("import-not-served-eap"), directory=tmp_path, at=DAY) as lab:
        new = ("eap-new", "northpier-issuing")
        lab.install("quay2", new, endpoint="eap")
        result = probe(lab.plan_path, "--at", DAY.isoformat(), "--only", "eap")
        leaves = {
            node["name"]: {entry["chain"][0] for entry in node["endpoints"]}
            for node in result.document["nodes"]
        }
        assert leaves["quay1"] == leaves["quay3"] != leaves["quay2"]
        with pytest.raises(KeyError):
            lab.install("quay2", ("nobody",), endpoint="eap")
