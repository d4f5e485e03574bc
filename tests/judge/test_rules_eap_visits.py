"""RADIUS servers that fail in one context of requests, in one method or to one user: the finding
says which, and sends nobody to where nothing is wrong."""

import pytest

from probe.observation.model import Aspect, Outcome, RadiusSeen
from probe.plan.model import Visit
from probe.records import replace
from tests.judge.eap_world import TLS, TTLS, Said, said, surveyed
from tests.judge.world import judged, plan

DOCK = "wired dock"
ANSWERED = RadiusSeen(reply="Access-Challenge", sent=(("User-Name", "cert-probe@example.invalid"),))
SENT = RadiusSeen(sent=(("User-Name", "dock-probe@example.invalid"),))


def docked(ended: Outcome | None, node: str = "quay3") -> Said:
    return said(node, f"PEAP/{DOCK}", ended, visit=DOCK, radius=SENT)


@pytest.mark.parametrize(
    "ending",
    [Outcome.SILENT, Outcome.REJECTED, Outcome.METHOD_REFUSED, Outcome.REFUSED, Outcome.CUT_OFF],
)
def test_what_one_context_alone_meets_is_told_of_that_context(ending: Outcome) -> None:
    result = judged(plan(), surveyed(said("quay3", radius=ANSWERED), docked(ending)))
    (finding,) = result.findings
    assert 'quay3 (visit "wired dock")' in finding.says
    assert [row.how for row in finding.evidence] == [("in", 'PEAP (visit "wired dock")')]


def test_silence_in_one_context_is_no_matter_of_the_client_entry() -> None:
    silent = docked(Outcome.SILENT)
    (finding,) = judged(plan(), surveyed(said("quay3", radius=ANSWERED), silent)).findings
    assert finding.rule == "eap-silent"
    assert finding.says.endswith("though it answers other requests.")
    assert "register" not in finding.remedy
    assert 'dock-probe@example.invalid in the visit "wired dock"' in finding.remedy


def test_what_every_context_meets_is_one_finding_of_the_node() -> None:
    """The twin."""
    silent = said("quay3", "PEAP", Outcome.SILENT, radius=SENT)
    (finding,) = judged(plan(), surveyed(silent, docked(Outcome.SILENT))).findings
    assert "visit" not in finding.says
    assert "register" in finding.remedy
    assert len(finding.evidence) == 2


def test_the_identity_of_a_visit_is_told_as_it_was_sent() -> None:
    rejected = docked(Outcome.REJECTED)
    (finding,) = judged(plan(), surveyed(said("quay3", radius=ANSWERED), rejected)).findings
    assert "rejects the request of dock-probe@example.invalid" in finding.says


def test_silence_of_a_repeat_is_no_matter_of_the_client_entry() -> None:
    again = said("quay3", "PEAP/again/2", Outcome.SILENT, aspect=Aspect.AGAIN, turn=1, radius=SENT)
    (finding,) = judged(plan(), surveyed(said("quay3", radius=ANSWERED), again)).findings
    assert finding.says.endswith("though it answers at other times.")
    assert "register" not in finding.remedy


def test_evidence_names_the_method_that_was_agreed() -> None:
    second = said("quay3", "EAP-TTLS", Outcome.CUT_OFF, methods=(TTLS, TLS), agreed=TLS)
    (finding,) = judged(plan(), surveyed(said("quay3"), second)).findings
    assert [row.how for row in finding.evidence] == [("in", "EAP-TLS")]


def test_ports_are_told_in_order() -> None:
    found = [said("quay2", "PEAP", Outcome.CLOSED), said("quay3", "PEAP", Outcome.CLOSED)]
    first = replace(found[0].record, asked=replace(found[0].record.asked, port=11_812))
    found[0] = replace(found[0], record=first)
    (finding,) = judged(plan(), surveyed(*found)).findings
    assert finding.says == "RADIUS is closed at ports 1812 and 11812 of quay2 and quay3."


def test_contexts_that_were_not_asked_are_told() -> None:
    eap = plan().nodes[0].eap
    assert eap is not None
    of = plan()
    of = replace(
        of,
        nodes=tuple(replace(node, eap=replace(eap, visits=(Visit(DOCK),))) for node in of.nodes),
    )
    asked = said("quay3", radius=ANSWERED)
    assert judged(of, surveyed(asked)).visits_left_out == (DOCK,)
    assert judged(of, surveyed(asked, docked(Outcome.SERVED))).visits_left_out == ()
    assert judged(plan(), surveyed(asked)).visits_left_out == ()
