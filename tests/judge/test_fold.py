"""One cause, one finding: what explains what, and what must stay apart."""

from datetime import timedelta

from probe.assessment import Verdict
from probe.observation.model import Endpoint, LookupOutcome, Outcome, Survey, fingerprint
from probe.plan.model import Acceptance
from probe.records import replace
from tests.judge.pki import AT, make
from tests.judge.world import (
    FOREIGN_ROOT,
    GUEST,
    HOSTS,
    NODES,
    RADIUS,
    ca,
    clients,
    eap_chain,
    folded,
    host,
    judged,
    nodes,
    plan,
    private,
    public,
    seen,
    told,
    with_private,
    with_public,
)

FACTORY = (
    make("appliance", ca=True, begins=AT - timedelta(days=800), days=700, purposes=None).der,
)
"""A factory certificate: its own issuer, a CA's, expired, and of no name that is opened."""


def test_a_factory_certificate_is_one_finding() -> None:
    result = judged(plan(), seen(plan(), web={"web/quay3": FACTORY}))
    assert told(result) == [("web-self-signed", "web", ("quay3",), None)]
    assert set(folded(result)) == {
        "web-expired",
        "web-wrong-purpose",
        "web-name-mismatch",
        "cluster-join-untrusted",
        "cluster-name-uncovered",
    }


def test_a_factory_certificate_for_eap_is_one_finding() -> None:
    result = judged(plan(), seen(plan(), eap={"eap/quay3": FACTORY}))
    assert told(result) == [("eap-self-signed", "eap", ("quay3",), None)]
    assert {"eap-leaf-differs", "eap-root-differs", "eap-name-unexpected"} <= set(folded(result))


def test_an_expired_certificate_at_one_node_explains_why_it_differs() -> None:
    old = with_private(private(RADIUS, begins=AT - timedelta(days=91), days=90))
    result = judged(plan(), seen(plan(), eap={"eap/quay3": old}))
    assert told(result) == [("eap-expired", "eap", ("quay3",), None)]
    assert set(folded(result)) == {"eap-half-renewed", "eap-leaf-differs"}


def test_a_renewed_certificate_that_is_there_already_is_what_to_import() -> None:
    """Nobody orders a renewal that other nodes have."""
    old = with_private(private(RADIUS, begins=AT - timedelta(days=91), days=90))
    (finding,) = judged(plan(), seen(plan(), eap={"eap/quay3": old})).findings
    assert finding.rule == "eap-expired"
    assert finding.remedy.startswith("Import the certificate that quay1, quay2 and quay4 have")
    later = with_private(private(RADIUS, begins=AT + timedelta(days=2), days=90))
    (finding,) = judged(plan(), seen(plan(), eap={"eap/quay3": later})).findings
    assert finding.rule == "eap-not-yet-valid"
    assert finding.remedy.startswith("Go back to the certificate before it")
    most = judged(plan(), seen(plan(), eap={"eap/": old, "eap/quay3": eap_chain()}))
    (finding,) = most.findings
    assert (finding.rule, finding.nodes) == ("eap-expired", ("quay1", "quay2", "quay4"))
    assert finding.remedy.startswith("Import the certificate that quay3 has")


def test_a_fault_that_others_share_explains_a_difference_between_a_few() -> None:
    """quay3 and quay4 lack the intermediate; quay4's certificate is another one besides."""
    other = with_private(private(RADIUS))
    answers = {"eap/quay3": eap_chain()[:1], "eap/quay4": other[:1]}
    result = judged(plan(), seen(plan(), eap=answers))
    assert told(result) == [("eap-chain-incomplete", "eap", ("quay3", "quay4"), None)]
    assert "eap-chain-differs" in folded(result)


def test_an_expired_certificate_everywhere_explains_no_difference() -> None:
    """The twin: all certificates have ended, and two of them differ besides."""
    begins = AT - timedelta(days=91)
    one = with_private(private(RADIUS, begins=begins, days=90))
    other = with_private(private(RADIUS, begins=begins, days=90))
    of = plan(clients=clients(by_hand=("apple-eap", "android-eap")))
    result = judged(of, seen(of, eap={"eap/": one, "eap/quay3": other}))
    assert set(told(result)) == {
        ("eap-expired", "eap", NODES, None),
        ("eap-leaf-differs", "eap", ("quay3",), None),
    }


def test_the_end_of_an_older_certificate_goes_under_the_missed_renewal() -> None:
    old = with_private(private(RADIUS, begins=AT - timedelta(days=80), days=90))
    new = with_private(private(RADIUS, begins=AT - timedelta(days=2), days=90))
    one = judged(plan(), seen(plan(), eap={"eap/": new, "eap/quay3": old}))
    assert told(one) == [("eap-half-renewed", "eap", ("quay3",), None)]
    assert one.findings[0].verdict is Verdict.DUE
    assert one.findings[0].due == AT + timedelta(days=10)
    most = judged(plan(), seen(plan(), eap={"eap/": old, "eap/quay3": new}))
    assert told(most) == [("eap-expiring", "eap", ("quay1", "quay2", "quay4"), None)]
    assert "eap-half-renewed" in folded(most)


def test_a_fault_under_one_name_does_not_explain_one_under_another() -> None:
    """The guests' name has a private root; the node's own name is not covered at all."""
    chain = with_private(private(GUEST))
    result = judged(plan(), seen(plan(), web={"web/quay3": chain}))
    assert told(result) == [
        ("web-name-mismatch", "web", ("quay3",), host("quay3")),
        ("web-private-root", "web", ("quay3",), GUEST),
    ]


def test_a_fault_at_one_node_does_not_explain_one_at_another() -> None:
    leaf = make("x", ca(FOREIGN_ROOT), names=[*HOSTS, GUEST])
    answers = {
        "web/quay3": (leaf.der, ca(FOREIGN_ROOT).der),
        "web/quay4": with_public(public(host("quay4"))),
    }
    result = judged(plan(), seen(plan(), web=answers))
    assert told(result) == [
        ("web-unknown-root", "web", ("quay3",), None),
        ("web-name-mismatch", "web", ("quay4",), GUEST),
    ]


def test_a_node_that_is_down_keeps_a_finding_for_each_endpoint() -> None:
    """Different services, different remedies."""
    survey = seen(plan(), web={"web/quay3": Outcome.SILENT}, eap={"eap/quay3": Outcome.SILENT})
    assert told(judged(plan(), survey)) == [
        ("web-silent", "web", ("quay3",), None),
        ("eap-silent", "eap", ("quay3",), None),
    ]


def test_a_name_without_an_address_explains_that_nothing_was_reached() -> None:
    of = plan(nodes=nodes(addresses=None))
    survey = seen(
        of,
        dns={"northpier": ("192.0.2.11",), host("quay3"): LookupOutcome.NO_NAME},
        web={"web/quay3": Outcome.UNREACHABLE},
        eap={"eap/quay3": Outcome.UNREACHABLE},
    )
    result = judged(of, survey)
    assert told(result) == [("dns-no-address", "dns", ("quay3",), host("quay3"))]
    assert folded(result) == ["web-silent", "eap-silent"]


def test_an_address_of_the_plan_is_unreachable_for_its_own_reason() -> None:
    survey = seen(
        plan(),
        dns={host("quay3"): LookupOutcome.NO_NAME},
        web={"web/quay3": Outcome.UNREACHABLE},
    )
    assert [rule for rule, *_ in told(judged(plan(), survey))] == ["dns-no-address", "web-silent"]


def test_the_finding_on_top_takes_over_who_feels_what_is_below() -> None:
    of = plan(clients=clients("chromium-web", "node"))
    leaf = make("x", ca(FOREIGN_ROOT), names=[*HOSTS, GUEST])
    chain = (leaf.der, ca(FOREIGN_ROOT).der)
    (finding,) = judged(of, seen(of, web={"web/quay3": chain})).findings
    assert [(r.client, r.does.value) for r in finding.reactions] == [
        ("chromium-web", "warns"),
        ("node", "refuses"),
    ]
    assert finding.verdict is Verdict.BLOCKED


def test_of_what_one_client_does_about_a_cause_the_worst_is_told() -> None:
    """Set up by hand it is warned of another certificate, and refuses one that has expired."""
    of = plan(clients=clients(by_hand=("android-eap",)))
    old = with_private(private(RADIUS, begins=AT - timedelta(days=91), days=90))
    (finding,) = judged(of, seen(of, eap={"eap/quay3": old})).findings
    assert "eap-leaf-differs" in [inner.rule for inner in finding.folded]
    assert [(r.client, r.does.value) for r in finding.reactions] == [("android-eap", "refuses")]
    assert finding.verdict is Verdict.BLOCKED


def test_what_is_accepted_is_not_mixed_with_what_is_not() -> None:
    known = Acceptance("cluster-join-untrusted", ("quay3",), "joins in spring", AT.date())
    of = plan(accepted=(known,))
    leaf = make("x", ca(FOREIGN_ROOT), names=[*HOSTS, GUEST])
    result = judged(of, seen(of, web={"web/quay3": (leaf.der, ca(FOREIGN_ROOT).der)}))
    assert set(told(result)) == {
        ("web-unknown-root", "web", ("quay3",), None),
        ("cluster-join-untrusted", "cluster", ("quay3",), None),
    }


def test_ids_stay_the_same_whatever_else_is_found_and_when() -> None:
    chain = with_public(public(host("quay3")))
    first = judged(plan(), seen(plan(), web={"web/quay3": chain}))
    again = seen(plan(), web={"web/quay3": chain, "web/quay4": Outcome.CLOSED})
    shuffled = replace(again, handshakes=tuple(reversed(again.handshakes)))
    later = judged(plan(), shuffled, at=AT + timedelta(days=1))
    (mismatch,) = [f for f in later.findings if f.rule == "web-name-mismatch"]
    assert mismatch.id == first.findings[0].id
    other = judged(plan(), seen(plan(), web={"web/quay2": chain}))
    assert other.findings[0].id != first.findings[0].id


JUNK = b"\x30\x03\x02\x01\x05"
"""DER, and no certificate."""


def unparsable(endpoint: Endpoint, node: str) -> Survey:
    """Return a survey in which the handshakes with one node broke at such a certificate."""
    survey = seen(plan())
    broken = []
    for record in survey.handshakes:
        if record.endpoint is endpoint and record.nodes == (node,) and record.served is not None:
            served = replace(record.served, chain=(fingerprint(JUNK),), key_proven=None)
            record = replace(record, outcome=Outcome.MALFORMED, served=served)  # noqa: PLW2901  # the same record, broken
        broken.append(record)
    return replace(
        survey,
        handshakes=tuple(broken),
        certificates=survey.certificates | {fingerprint(JUNK): JUNK},
    )


def test_a_handshake_that_breaks_at_an_unparsable_certificate_is_that_certificates_fault() -> None:
    for endpoint in (Endpoint.WEB, Endpoint.EAP):
        result = judged(plan(), unparsable(endpoint, "quay2"))
        assert told(result) == [(f"{endpoint}-malformed", endpoint, ("quay2",), None)]
        assert "is malformed" in result.findings[0].says
        assert result.notes == ()
