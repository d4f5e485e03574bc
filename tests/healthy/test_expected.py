"""A healthy cluster gives no finding, whichever of its certificates somebody has just imported."""

from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario, known
from probe.certificate.container import Expected
from probe.judge.assess import judge
from probe.observation.document import read_survey
from probe.observation.model import Aspect, Endpoint
from probe.plan.read import load_plan
from tests.healthy.test_lab_clusters import DAY
from tests.running import probe

HEALTHY = [name for name in known() if name.startswith("healthy-")]


@pytest.mark.parametrize("name", HEALTHY)
def test_whatever_was_imported_is_where_it_should_be(tmp_path: Path, name: str) -> None:
    saved = tmp_path / "seen.survey"
    with Cluster(Scenario.load(name), directory=tmp_path / "lab", at=DAY) as lab:
        ones_own = lab.web_chains(lab.names[0])[0].chain_file
        result = probe(lab.plan_path, "--expect", str(ones_own), "--save", str(saved))
        plan = load_plan(lab.plan_path)
    assert result.document["unseen"] == []
    seen = read_survey(saved)
    shown = {
        (record.endpoint, tuple(seen.certificates[sha256] for sha256 in record.served.chain))
        for record in seen.handshakes
        if record.served is not None and record.asked.aspect is not Aspect.CANARY
    }
    assert len(shown) > 1 or name == "healthy-no-eap"
    for endpoint, chain in shown:
        for expected in (Expected(chain), Expected(chain[:1])):
            assessment = judge(plan, seen, at=DAY, expected=expected)
            assert [finding.says for finding in assessment.findings] == []
            (told,) = assessment.expected
            assert told.fulfilled
            assert {at.endpoint for at in told.at} == {Endpoint(endpoint)}
