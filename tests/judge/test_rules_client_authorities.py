"""The CAs that servers ask clients' certificates of: compared, and held against the plan's."""

import pytest

from probe.assessment import Verdict
from probe.limits import DEFAULT
from probe.plan.model import Plan
from probe.records import replace
from tests.judge.eap_world import TLS, Said, said, surveyed
from tests.judge.pki import Made, authority
from tests.judge.world import (
    NODES,
    PRIVATE_ROOT,
    ca,
    clients,
    folded,
    judged,
    noted,
    plan,
    roots,
    told,
    trust,
)

THIRD = ("quay3",)
DIFFER, MISSING = "eap-client-authorities-differ", "eap-client-authority-missing"
DEVICE = "CN=Northpier Device CA"
STAFF = "CN=Northpier Staff CA,O=Northpier Ferries"


def asking(node: str, *names: str) -> Said:
    return said(node, "EAP-TLS", methods=(TLS,), eap={"client_authorities": names})


def everybody(*names: str, but: str = "") -> list[Said]:
    return [asking(node, *names) for node in NODES if node != but]


def of_devices(*issuers: Made) -> Plan:
    store = roots("device-ca.pem", *(issuers or (authority("Northpier Device CA"),)))
    return plan(trust=replace(trust(), client_issuers=(store,)), clients=clients("windows-eap"))


def test_a_node_that_asks_for_others() -> None:
    """RFC 5246, 7.4.4: a client has a certificate of one of them, or none to show."""
    result = judged(
        plan(), surveyed(*everybody(DEVICE, STAFF, but="quay3"), asking("quay3", DEVICE))
    )
    assert told(result) == [(DIFFER, "eap", THIRD, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert '"Northpier Staff CA"' in finding.says
    assert "quay3" in finding.remedy
    assert [row.what for row in finding.evidence] == ["quay1, quay2 and quay4", "quay3"]


def test_the_order_of_names_is_no_difference() -> None:
    survey = surveyed(*everybody(DEVICE, STAFF, but="quay3"), asking("quay3", STAFF, DEVICE))
    result = judged(plan(), survey)
    assert told(result) == []
    assert noted(result) == []


def test_the_planned_issuer_is_missing_at_one_node() -> None:
    survey = surveyed(*everybody(DEVICE, STAFF, but="quay3"), asking("quay3", STAFF))
    result = judged(of_devices(), survey)
    assert told(result) == [(MISSING, "eap", THIRD, None)]
    assert folded(result) == [DIFFER]
    (finding,) = result.findings
    assert (finding.verdict, finding.clients) == (Verdict.BLOCKED, ("windows-eap",))
    assert '"Northpier Device CA"' in finding.remedy
    assert "quay3" in finding.remedy
    assert '"Northpier Staff CA"' in finding.evidence[0].value


def test_the_planned_issuer_is_missing_everywhere() -> None:
    result = judged(of_devices(), surveyed(*everybody(STAFF)))
    assert told(result) == [(MISSING, "eap", NODES, None)]


def test_others_besides_the_planned_one_are_a_note() -> None:
    """The plan's clients find their CA at every node."""
    survey = surveyed(*everybody(DEVICE, but="quay3"), asking("quay3", DEVICE, STAFF))
    result = judged(of_devices(), survey)
    assert told(result) == []
    assert noted(result) == [(DIFFER, THIRD)]


def test_a_root_above_the_planned_issuer_names_it() -> None:
    """RFC 5246, 7.4.4: a name may be that of a root or of a subordinate CA."""
    issuer = authority("Northpier Device CA", ca(PRIVATE_ROOT))
    result = judged(of_devices(issuer), surveyed(*everybody(f"CN={PRIVATE_ROOT}")))
    assert told(result) == []


def test_a_ca_below_a_planned_root_names_it() -> None:
    root = authority("Northpier Device Root")
    below = authority("Northpier Device CA", root)
    result = judged(of_devices(root, below), surveyed(*everybody(DEVICE)))
    assert told(result) == []


def test_a_sister_of_the_planned_issuer_does_not_name_it() -> None:
    """The twin."""
    root = ca(PRIVATE_ROOT)
    issuer = authority("Northpier Device CA", root)
    result = judged(of_devices(issuer), surveyed(*everybody("CN=Northpier Issuing")))
    assert told(result) == [(MISSING, "eap", NODES, None)]


@pytest.mark.parametrize("spelled", ["CN=northpier device ca", "CN=Northpier  Device CA"])
def test_spellings_of_one_name_are_one(spelled: str) -> None:
    """RFC 5280, 7.1: without regard to case, and to how many spaces stand between words."""
    assert told(judged(of_devices(), surveyed(*everybody(spelled)))) == []


def test_no_names_at_all_are_a_note() -> None:
    """Where the plan says that clients have certificates; else it is of no interest."""
    for of, notes in ((plan(), []), (of_devices(), [(MISSING, NODES)])):
        result = judged(of, surveyed(*everybody()))
        assert told(result) == []
        assert noted(result) == notes


def test_none_at_one_node_and_some_at_others_is_no_difference() -> None:
    result = judged(of_devices(), surveyed(*everybody(DEVICE, but="quay3"), asking("quay3")))
    assert told(result) == []
    assert noted(result) == [(MISSING, THIRD)]


def test_where_no_request_was_seen_nothing_is_said() -> None:
    unseen = [said(node, "EAP-TLS", methods=(TLS,)) for node in NODES]
    result = judged(of_devices(), surveyed(*unseen))
    assert told(result) == []
    assert noted(result) == []


def test_of_a_list_that_was_cut_nothing_is_said_to_be_missing() -> None:
    names = [f"CN=CA {number}" for number in range(DEFAULT.client_authorities)]
    assert told(judged(of_devices(), surveyed(*everybody(*names)))) == []
    assert told(judged(of_devices(), surveyed(*everybody(*names[:-1])))) != []


def test_odd_names_are_shown_and_cut() -> None:
    odd = ("0x" + "ff" * 5_000, "", "CN=" + "x" * 5_000)
    (finding,) = judged(of_devices(), surveyed(*everybody(*odd))).findings
    assert finding.rule == MISSING
    assert all(len(row.value) < 600 for row in finding.evidence)
