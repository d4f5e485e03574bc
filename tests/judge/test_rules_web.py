"""Web endpoints: reachability and names, from literal observations."""

from datetime import timedelta

import pytest

from probe.assessment import Verdict
from probe.observation.model import (
    Endpoint,
    Handshake,
    HandshakeAsk,
    KeyFamily,
    Outcome,
    Phase,
)
from probe.plan.model import Audience
from probe.records import replace
from tests.judge.pki import AT, make
from tests.judge.world import (
    GUEST,
    HOSTS,
    NODES,
    ca,
    clients,
    folded,
    guest_service,
    host,
    judged,
    nodes,
    plan,
    public,
    seen,
    told,
    with_public,
)


@pytest.mark.parametrize(
    ("outcome", "rule", "verdict"),
    [
        (Outcome.CLOSED, "web-closed", Verdict.BLOCKED),
        (Outcome.CUT_OFF, "web-closed", Verdict.BLOCKED),
        (Outcome.SILENT, "web-silent", Verdict.UNSEEN),
        (Outcome.UNREACHABLE, "web-silent", Verdict.UNSEEN),
        (Outcome.REFUSED, "web-refused", Verdict.BLOCKED),
        (Outcome.NOT_TLS, "web-not-tls", Verdict.BLOCKED),
        (Outcome.MALFORMED, "web-not-tls", Verdict.BLOCKED),
    ],
)
def test_a_visit_without_a_certificate_is_one_finding(
    outcome: Outcome, rule: str, verdict: Verdict
) -> None:
    """Both names of the node end alike: it is about the endpoint, not about a name."""
    result = judged(plan(), seen(plan(), web={"web/quay3": outcome}))
    assert told(result) == [(rule, "web", ("quay3",), None)]
    assert result.findings[0].verdict is verdict
    assert result.findings[0].addresses == ("192.0.2.13",)
    assert [row.what for row in result.findings[0].evidence] == [
        "quay3 at 192.0.2.13, port 443",
        "quay3 at 192.0.2.13, port 443",
        "to see it",
    ]


def test_what_to_do_fits_how_a_visit_ended() -> None:
    """A port that is open and cuts is not opened by starting the service."""
    for outcome, words in (
        (Outcome.CLOSED, "Start the web service"),
        (Outcome.CUT_OFF, "the connection is cut or stalls"),
        (Outcome.SILENT, "firewalls"),
        (Outcome.UNREACHABLE, "routes"),
    ):
        (finding,) = judged(plan(), seen(plan(), web={"web/quay3": outcome})).findings
        assert words in finding.remedy


def test_an_address_that_is_not_covered_is_looked_at_by_name_first() -> None:
    of = plan(nodes=(replace(nodes(("quay1",))[0], host="192.0.2.11"),), services=())
    (finding,) = judged(of, seen(of)).findings
    assert finding.rule == "web-name-mismatch"
    assert finding.remedy.startswith("Look at it by the name that clients open")
    named = plan(nodes=(replace(of.nodes[0], name="192.0.2.11"),), services=())
    (finding,) = judged(named, seen(named)).findings
    assert finding.evidence[0].where == "192.0.2.11, port 443, opened as 192.0.2.11"


def test_several_nodes_that_end_alike_are_one_finding() -> None:
    survey = seen(plan(), web={"web/quay2": Outcome.CLOSED, "web/quay4": Outcome.CLOSED})
    assert told(judged(plan(), survey)) == [("web-closed", "web", ("quay2", "quay4"), None)]


def test_a_name_that_alone_is_refused_is_named() -> None:
    alert = replace(_record(Outcome.REFUSED), alert="unrecognized_name")
    survey = seen(plan(), web={f"web/quay3/192.0.2.13:443/{GUEST}": alert})
    result = judged(plan(), survey)
    assert told(result) == [("web-refused", "web", ("quay3",), GUEST)]
    assert "unrecognized_name" in result.findings[0].says


def test_a_refusal_of_a_narrow_hello_may_be_about_our_offer() -> None:
    survey = seen(plan(), web={"web/quay3": Outcome.REFUSED})
    narrowed = replace(
        survey,
        handshakes=tuple(
            replace(r, asked=replace(r.asked, key_family=KeyFamily.RSA)) for r in survey.handshakes
        ),
    )
    assert [f.verdict for f in judged(plan(), narrowed).findings] == [Verdict.UNSEEN]


def test_silence_where_this_machine_was_answered_before_is_blocked() -> None:
    before = seen(plan(), taken=AT - timedelta(days=1))
    now = seen(plan(), web={"web/quay3": Outcome.SILENT})
    assert judged(plan(), now, before=before).findings[0].verdict is Verdict.BLOCKED
    elsewhere = replace(before, taken=(replace(before.taken[0], machine="harbour"),))
    assert judged(plan(), now, before=elsewhere).findings[0].verdict is Verdict.UNSEEN


def test_nothing_is_said_of_a_certificate_that_was_not_seen() -> None:
    result = judged(plan(), seen(plan(), web={"web/": Outcome.CLOSED}))
    assert told(result) == [("web-closed", "web", NODES, None)]


def test_one_closed_address_of_two_is_named() -> None:
    of = plan(nodes=nodes(("quay1",), addresses=("192.0.2.11", "192.0.2.21")), services=())
    survey = seen(of, web={"192.0.2.21": Outcome.CLOSED})
    (finding,) = judged(of, survey).findings
    assert (finding.rule, finding.addresses) == ("web-closed", ("192.0.2.21",))


def test_a_virtual_address_is_named_after_its_service() -> None:
    of = plan(services=(guest_service(addresses=("192.0.2.80",)),))
    result = judged(of, seen(of, web={"192.0.2.80": Outcome.CLOSED}))
    assert told(result) == [("web-closed", "web", NODES, GUEST)]
    assert "virtual address 192.0.2.80" in result.findings[0].says


def test_a_name_that_the_certificate_lacks() -> None:
    """RFC 9525, 6: the certificate of one node covers its own name only."""
    chain = with_public(public(host("quay3")))
    result = judged(plan(), seen(plan(), web={"web/quay3": chain}))
    assert told(result) == [("web-name-mismatch", "web", ("quay3",), GUEST)]
    assert folded(result) == ["cluster-name-uncovered"]
    (finding,) = result.findings
    assert finding.verdict is Verdict.WARNED
    words = {reaction.client: reaction.words for reaction in finding.reactions}
    assert words["chromium-web"] == "NET::ERR_CERT_COMMON_NAME_INVALID"
    assert "captive-web" in words


def test_captive_browsers_open_no_names_of_the_staff() -> None:
    chain = with_public(public(GUEST, *(h for h in HOSTS if h != host("quay3"))))
    of = plan(clients=clients("chromium-web", "captive-web"))
    result = judged(of, seen(of, web={"web/quay3": chain}))
    assert told(result) == [("web-name-mismatch", "web", ("quay3",), host("quay3"))]
    assert result.findings[0].clients == ("chromium-web",)


def test_a_wildcard_covers_every_name_on_its_level() -> None:
    chain = with_public(public("*.northpier.example"))
    assert told(judged(plan(), seen(plan(), web={"web/": chain}))) == []


def test_one_certificate_that_lacks_several_names_is_one_finding() -> None:
    chain = with_public(public("spare.northpier.example"))
    of = plan(clients=clients("chromium-web"))
    result = judged(of, seen(of, web={"web/quay3": chain}))
    assert told(result) == [("web-name-mismatch", "web", ("quay3",), None)]
    assert GUEST in result.findings[0].says
    assert host("quay3") in result.findings[0].says


def test_one_name_that_every_own_certificate_lacks_is_one_finding() -> None:
    own = {f"web/{node}": with_public(public(host(node))) for node in NODES}
    result = judged(plan(), seen(plan(), web=own))
    assert told(result) == [("web-name-mismatch", "web", NODES, GUEST)]


def test_without_a_browser_on_site_a_mismatch_is_advised() -> None:
    """Nobody on site feels it, and it is against a published rule all the same."""
    of = plan(clients=clients("windows-eap"))
    chain = with_public(public(host("quay3")))
    result = judged(of, seen(of, web={"web/quay3": chain}))
    assert [(f.rule, f.verdict, f.reactions) for f in result.findings] == [
        ("web-name-mismatch", Verdict.ADVISED, ())
    ]


def test_a_balancer_tells_which_node_answered_by_its_chain() -> None:
    """The virtual address shows the certificate that quay2 alone serves for the name."""
    of = plan(services=(guest_service(addresses=("192.0.2.80",)),))
    wrong = with_public(public(host("quay2")))
    survey = seen(of, web={"web/quay2": wrong, "192.0.2.80": wrong})
    result = judged(of, survey)
    assert told(result) == [("web-name-mismatch", "web", ("quay2",), GUEST)]


def test_a_guest_host_is_judged_by_the_roots_of_guests() -> None:
    open_hosts = plan(nodes=nodes(host_audience=Audience.GUESTS))
    assert told(judged(open_hosts, seen(open_hosts))) == []
    leaf = make(host("quay3"), ca("Northpier Issuing", "Northpier Root"), names=[*HOSTS, GUEST])
    chain = (leaf.der, ca("Northpier Issuing", "Northpier Root").der)
    result = judged(open_hosts, seen(open_hosts, web={"web/quay3": chain}))
    assert told(result) == [("web-private-root", "web", ("quay3",), None)]


def _record(outcome: Outcome) -> Handshake:
    return Handshake("", Endpoint.WEB, (), HandshakeAsk("", 443), AT, 0.0, outcome, Phase.HELLO)
