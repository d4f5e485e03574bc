"""Nodes that call each other with their web certificates, and that are renewed together."""

from datetime import UTC, datetime, timedelta

import pytest

from probe.assessment import Verdict
from probe.plan.model import FAMILIES, Plan, Web
from tests.judge.pki import AT, CLIENT, SERVER
from tests.judge.world import (
    GUEST,
    HOSTS,
    NODES,
    Chain,
    clients,
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

THIRD = ("quay3",)
EVERY_NAME = (*HOSTS, GUEST)
BOTH = (SERVER, CLIENT)


def calling(**changes: object) -> Plan:
    """Nodes call each other with their web certificates."""
    return plan(nodes=nodes(web=Web(used_as_client=True)), **changes)


def of_both(*names: str, **changes: object) -> Chain:
    return with_public(public(*names, purposes=BOTH, **changes))


def test_a_certificate_that_is_for_servers_alone() -> None:
    """Measured: OpenSSL as a server refuses a caller's certificate without clientAuth."""
    of = calling()
    result = judged(of, seen(of, web={"web/": of_both(*EVERY_NAME)}))
    assert told(result) == []
    servers = with_public(public(*EVERY_NAME, begins=AT - timedelta(days=30, hours=1)))
    result = judged(of, seen(of, web={"web/": of_both(*EVERY_NAME), "web/quay3": servers}))
    assert told(result) == [("cluster-client-purpose", "cluster", THIRD, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert [(r.client, r.words) for r in finding.reactions] == [
        ("node", "unsuitable certificate purpose")
    ]


def test_a_plan_in_which_nodes_do_not_call() -> None:
    """The twin: the same certificates, and nobody calls with them."""
    assert told(judged(plan(), seen(plan()))) == []


def test_without_the_extension_a_certificate_is_for_every_purpose() -> None:
    """RFC 5280, 4.2.1.12; measured with OpenSSL as a server."""
    of = calling(services=())
    chain = with_private(private(*HOSTS, purposes=None))
    assert "cluster-client-purpose" not in {
        r for r, *_ in told(judged(of, seen(of, web={"web/": chain})))
    }


def test_where_no_other_node_is_on_site_it_is_the_plans_word() -> None:
    without = clients(*(family for family in FAMILIES if family != "node"))
    of = calling(clients=without)
    (finding,) = judged(of, seen(of)).findings
    assert (finding.rule, finding.verdict) == ("cluster-client-purpose", Verdict.BLOCKED)


LAST = datetime(2027, 3, 14, 12, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("ends", "due"),
    [
        # Chrome Root Program Policy 1.8, 1.3.2: leaves issued from 2027-03-15 on.
        (LAST, False),
        (datetime(2027, 3, 15, tzinfo=UTC), True),
        (datetime(2027, 5, 1, tzinfo=UTC), True),
    ],
)
def test_a_public_certificate_loses_the_purpose_when_it_is_renewed(
    ends: datetime, *, due: bool
) -> None:
    of = calling()
    begins = datetime(2026, 11, 1, tzinfo=UTC)
    days = (ends - begins) / timedelta(days=1)
    chain = of_both(*EVERY_NAME, begins=begins, days=days, logs=3)
    result = judged(of, seen(of, web={"web/": chain}))
    assert told(result) == ([("cluster-client-purpose", "cluster", NODES, None)] if due else [])
    for finding in result.findings:
        assert finding.verdict is Verdict.DUE
        assert finding.due == ends
        assert "2027-03-15" in finding.says


def test_a_private_ca_goes_on_issuing_for_clients() -> None:
    """The twin: what a browser's root programme demands binds public CAs."""
    of = calling(services=())
    chain = with_private(private(*HOSTS, purposes=BOTH, days=400))
    assert told(judged(of, seen(of, web={"web/": chain}))) == []


# ---------------------------------------------------------------- renewals

BEFORE = with_public(public(*EVERY_NAME, begins=AT - timedelta(days=45), days=85))
"""What all nodes had before the usual one; its end is not inside the warning window yet."""


def test_a_renewal_that_left_a_node_out() -> None:
    result = judged(plan(), seen(plan(), web={"web/quay3": BEFORE}))
    assert told(result) == [("cluster-half-renewed", "cluster", THIRD, None)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.ADVISED
    assert finding.due == AT + timedelta(days=40)
    assert finding.remedy.startswith("Import the certificate that quay1, quay2 and quay4 have")


def test_the_end_of_the_older_one_is_due_and_explained() -> None:
    survey = seen(plan(), web={"web/quay3": BEFORE})
    result = judged(plan(), survey, at=AT + timedelta(days=15))
    late = {f.rule: f for f in result.findings}["cluster-half-renewed"]
    assert late.verdict is Verdict.DUE
    assert "web-expiring" in [inner.rule for inner in late.folded]


def test_one_that_has_ended_explains_that_it_differs() -> None:
    old = with_public(public(*EVERY_NAME, begins=AT - timedelta(days=91), days=90))
    result = judged(plan(), seen(plan(), web={"web/quay3": old}))
    assert told(result) == [("web-expired", "web", THIRD, None)]
    assert "cluster-half-renewed" in folded(result)
    assert result.findings[0].remedy.startswith("Import the certificate that quay1, quay2 and")


def test_a_renewal_of_one_key_family_only() -> None:
    """Every node has a certificate of each; the RSA one of quay3 was forgotten."""
    new, old = (
        with_public(public(*EVERY_NAME, rsa_leaf=True, begins=AT - timedelta(days=ago), days=120))
        for ago in (30, 45)
    )
    names = (host("quay3"), GUEST)
    answers = {"/rsa": new} | {f"web/quay3/192.0.2.13:443/{name}/rsa": old for name in names}
    result = judged(plan(), seen(plan(), web=answers))
    assert told(result) == [("cluster-half-renewed", "cluster", THIRD, None)]


@pytest.mark.parametrize("days", [0.5, 20])
def test_certificates_of_one_node_each_are_no_renewal(days: float) -> None:
    """One with the names of each node, whenever it was issued; one for all on the same day."""
    own: dict[str, Chain] = {
        f"web/{node}": with_public(
            public(host(node), GUEST, begins=AT - timedelta(days=30 - days * place), days=120)
        )
        for place, node in enumerate(NODES[:2])
    }
    assert told(judged(plan(), seen(plan(), web=own))) == []


def test_a_renewal_of_every_node_at_its_own_time() -> None:
    """The same names in all, a certificate for each: none is overdue."""
    own: dict[str, Chain] = {
        f"web/{node}": with_public(
            public(*EVERY_NAME, begins=AT - timedelta(days=20 + 5 * place), days=120)
        )
        for place, node in enumerate(NODES)
    }
    assert told(judged(plan(), seen(plan(), web=own))) == []
