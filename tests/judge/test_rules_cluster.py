"""Nodes together: whether they accept each other, and cover what they all serve."""

from probe.assessment import Verdict
from probe.plan.model import FAMILIES
from tests.judge.pki import make
from tests.judge.world import (
    FOREIGN_ROOT,
    GUEST,
    HOSTS,
    NODES,
    ca,
    clients,
    folded,
    guest_service,
    host,
    judged,
    plan,
    private,
    public,
    seen,
    told,
    trust,
    web_chain,
    with_private,
    with_public,
)


def closed_circle() -> object:
    """Nodes trust the public root only, while staff has the private one too."""
    known = trust()
    return type(known)(known.public, known.web, known.staff, known.eap, known.public)


def test_a_root_that_other_nodes_do_not_have() -> None:
    of = plan(trust=closed_circle(), services=())
    chain = with_private(private(*HOSTS))
    result = judged(of, seen(of, web={"web/quay3": chain}))
    assert told(result) == [("cluster-join-untrusted", "cluster", ("quay3",), None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert finding.clients == ("node",)
    assert '"Northpier Root"' in finding.remedy


def test_why_other_nodes_refuse_is_told() -> None:
    """An incomplete chain leads to a root that they have: that is not why."""
    itself = make("quay3", names=[*HOSTS, GUEST])
    for chain, why in (
        (web_chain()[:1], 'it comes without the CA certificate "Saltmarsh Issuing"'),
        ((itself.der,), "it is its own issuer"),
        (with_public(public(GUEST)), f"it lacks {host('quay3')}"),
    ):
        (finding,) = judged(plan(), seen(plan(), web={"web/quay3": chain})).findings
        (refused,) = [f.says for f in finding.folded if f.rule == "cluster-join-untrusted"]
        assert why in refused


def test_the_same_certificate_is_fine_where_nodes_have_the_root() -> None:
    of = plan(services=())
    assert told(judged(of, seen(of, web={"web/quay3": with_private(private(*HOSTS))}))) == []


def test_nodes_that_call_nobody_are_not_asked() -> None:
    """The plan does not name `node` among the clients on site."""
    without = clients(*(family for family in FAMILIES if family != "node"))
    of = plan(trust=closed_circle(), services=(), clients=without)
    assert told(judged(of, seen(of, web={"web/quay3": with_private(private(*HOSTS))}))) == []


def test_what_browsers_refuse_explains_what_nodes_refuse() -> None:
    leaf = make("quay3", ca(FOREIGN_ROOT), names=[*HOSTS, GUEST])
    result = judged(plan(), seen(plan(), web={"web/quay3": (leaf.der, ca(FOREIGN_ROOT).der)}))
    assert told(result) == [("web-unknown-root", "web", ("quay3",), None)]
    assert folded(result) == ["cluster-join-untrusted"]
    assert result.findings[0].verdict is Verdict.BLOCKED
    assert "node" in result.findings[0].clients


def test_a_node_that_does_not_cover_its_own_name() -> None:
    chain = with_public(public(GUEST))
    result = judged(plan(), seen(plan(), web={"web/quay3": chain}))
    assert told(result) == [("web-name-mismatch", "web", ("quay3",), host("quay3"))]
    assert folded(result) == ["cluster-join-untrusted"]
    assert result.findings[0].verdict is Verdict.BLOCKED


def test_a_node_behind_a_virtual_address_that_does_not_cover_the_name() -> None:
    of = plan(services=(guest_service(addresses=("192.0.2.80",)),))
    own = with_public(public(host("quay3")))
    result = judged(of, seen(of, web={"web/quay3": own}))
    assert told(result) == [("cluster-name-uncovered", "cluster", ("quay3",), GUEST)]
    assert result.findings[0].verdict is Verdict.WARNED
    assert "port 443" in result.findings[0].says


def test_nodes_behind_a_balancer_that_ends_tls_need_not_cover_the_name() -> None:
    """What the virtual address shows, no node serves."""
    of = plan(services=(guest_service(addresses=("192.0.2.80",)),))
    answers = {f"web/{node}/": with_public(public(host(node))) for node in NODES}
    answers["192.0.2.80"] = with_public(public(GUEST))
    assert told(judged(of, seen(of, web=answers))) == []


def test_the_virtual_address_may_show_the_fault_itself() -> None:
    of = plan(services=(guest_service(addresses=("192.0.2.80",)),))
    wrong = with_public(public(*HOSTS))
    result = judged(of, seen(of, web={"web/": wrong}))
    assert told(result) == [("web-name-mismatch", "web", NODES, GUEST)]
    assert folded(result) == ["cluster-name-uncovered"]
