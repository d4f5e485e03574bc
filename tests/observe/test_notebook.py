"""What is written down of a visit: no text of a server's beyond its bound."""

from datetime import UTC, datetime

from probe.limits import DEFAULT
from probe.observation.model import EapSeen, Outcome, Phase
from probe.observe.agenda import Depth, agenda
from probe.observe.notebook import Notebook
from probe.observe.visit import VisitSeen
from probe.records import replace
from tests.observe.plans import node, plan

AT = datetime(2026, 11, 25, 9, tzinfo=UTC)


def test_names_of_cas_are_kept_up_to_their_bound() -> None:
    """One of them may fill a CertificateRequest (RFC 5246, 7.4.4)."""
    question = next(
        question
        for question in agenda(plan(node("quay1", "192.0.2.11")), Depth.SWEEP)
        if question.id.startswith("eap/")
    )
    assert question.handshake is not None
    names = f"CN={'x' * 60_000}", "CN=Northpier Ferries Devices"
    seen = VisitSeen(
        Outcome.CUT_OFF, Phase.HELLO, 0.1, "no reply", eap=EapSeen(client_authorities=names)
    )
    notebook = Notebook(None, replace(DEFAULT, text_characters=40), lambda: AT)
    notebook.expect(question, (question.handshake,))
    notebook.visited(question, question.handshake, AT, seen)
    record = notebook.handshakes[question.id]["192.0.2.11"]
    assert record is not None
    assert record.eap is not None
    assert record.eap.client_authorities == (f"CN={'x' * 37}", "CN=Northpier Ferries Devices")
