"""A renewal from its bundle to the memory of it, in the lab."""

from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.story import EAP, WEB, Renewal, Story, tell


@pytest.mark.parametrize("renewal", [WEB, EAP], ids=["web", "eap"])
def test_a_renewal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, renewal: Renewal) -> None:
    with Cluster(Scenario.load("healthy-renewal"), directory=tmp_path) as lab:

        def install(node: str) -> None:
            lab.install(node, renewal.new, endpoint=renewal.endpoint)

        tell(Story(lab, lab.plan_path, renewal, install), monkeypatch)
