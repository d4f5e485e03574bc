"""A certificate is served, and that its key is the server's own is not shown."""

import pytest

from probe.assessment import Verdict
from probe.observation.model import Outcome, Survey
from probe.records import replace
from tests.judge.world import GUEST, HOSTS, host, judged, plan, seen, told

WRONG = "the server's signature over this handshake does not match the certificate"
CUT = "the connection ended, before its signature was seen"


def unproven(at: str, *, proven: bool | None, detail: str) -> Survey:
    """The healthy cluster's survey, where the questions with this text show no proof of the key."""
    survey = seen(plan())
    records = [
        replace(record, served=replace(record.served, key_proven=proven, key_detail=detail))
        if record.served is not None and at in record.question
        else record
        for record in survey.handshakes
    ]
    return replace(survey, handshakes=tuple(records))


@pytest.mark.parametrize("endpoint", ["web", "eap"])
def test_a_wrong_signature_blocks(endpoint: str) -> None:
    # RFC 5246, 7.4.3 and RFC 9846, 4.4.3: a client that cannot verify it ends the handshake.
    assessment = judged(plan(), unproven(f"{endpoint}/quay3/", proven=False, detail=WRONG))
    assert told(assessment) == [(f"{endpoint}-key-unproven", endpoint, ("quay3",), None)]
    (finding,) = assessment.findings
    assert finding.verdict is Verdict.BLOCKED
    assert {row.value for row in finding.evidence if row.what != "to see it"} == {WRONG}
    assert "with another key than the one in it" in finding.says


@pytest.mark.parametrize("endpoint", ["web", "eap"])
def test_a_signature_that_was_not_seen_is_not_fine(endpoint: str) -> None:
    assessment = judged(plan(), unproven(f"{endpoint}/quay3/", proven=None, detail=CUT))
    assert told(assessment) == [(f"{endpoint}-key-unproven", endpoint, ("quay3",), None)]
    assert assessment.findings[0].verdict is Verdict.UNSEEN
    assert {node.name: node.verdict for node in assessment.nodes}["quay3"] is Verdict.UNSEEN


def test_one_name_without_proof_is_named() -> None:
    survey = unproven(f"/{GUEST}", proven=False, detail=WRONG)
    nodes = tuple(name.partition(".")[0] for name in HOSTS)
    assert told(judged(plan(), survey)) == [("web-key-unproven", "web", nodes, GUEST)]


def test_beside_a_broken_handshake_its_end_is_told() -> None:
    survey = unproven(f"/{host('quay3')}", proven=None, detail=CUT)
    records = [
        replace(record, outcome=Outcome.MALFORMED)
        if record.served is not None and record.served.key_proven is None
        else record
        for record in survey.handshakes
    ]
    rules = {rule for rule, *_ in told(judged(plan(), replace(survey, handshakes=tuple(records))))}
    assert rules == {"web-not-tls"}
