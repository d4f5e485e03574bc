"""What a healthy cluster serves was imported one day: as a bundle it gives no finding either.

Nobody says what it is for: that is told by its names and its CA.
"""

from collections.abc import Callable, Iterator

import pytest

from probe.assessment import Verdict
from probe.bundle import Judged, Offered
from probe.jobs.bundle import look_into
from probe.observation.model import Survey
from probe.plan.model import Plan
from probe.records import replace
from tests.healthy.test_healthy_surveys import HEALTHY
from tests.judge.pki import AT

Cluster = tuple[Plan, Survey]


def chains(survey: Survey) -> Iterator[tuple[bytes, ...]]:
    """Yield what clients are shown, each chain once."""
    found = {
        record.served.chain
        for record in survey.handshakes
        if record.served is not None and record.asked.aspect is None
    }
    for chain in sorted(found):
        yield tuple(survey.certificates[sha256] for sha256 in chain)


def judged(of: Plan, chain: tuple[bytes, ...]) -> Judged:
    # That nodes trust whatever is served is the default (trust.node), which a plan by hand has not.
    trust = of.trust
    node = tuple(dict.fromkeys((*trust.node, *trust.web, *trust.eap)))
    of = replace(of, trust=replace(trust, node=node))
    return look_into(of, Offered(chain=chain, keys=("P-256",), fits=True), at=AT)


@pytest.mark.parametrize("cluster", HEALTHY, ids=lambda cluster: cluster.__name__)
def test_what_is_served_in_health_is_a_sound_bundle(cluster: Callable[[], Cluster]) -> None:
    of, survey = cluster()
    tried = 0
    for chain in chains(survey):
        found = judged(of, chain)
        told = [(f.rule, f.nodes, f.name, f.says) for f in found.assessment.findings]
        assert told == []
        assert found.verdict is Verdict.SOUND
        tried += 1
    assert tried
