"""For whom nothing changes, and where a missing certificate was found: what reports may say so."""

from datetime import timedelta

import pytest

from probe.observation.model import Endpoint, Outcome
from probe.plan.model import FAMILIES, Acceptance
from tests.judge.pki import AT
from tests.judge.world import (
    GUEST,
    HOSTS,
    RADIUS,
    clients,
    judged,
    plan,
    private,
    public,
    seen,
    with_private,
    with_public,
)

WEB = ("chromium-web", "firefox-web", "apple-web", "captive-web")
EAP = ("windows-eap", "apple-eap", "android-eap", "linux-eap")


def test_in_a_healthy_cluster_nothing_changes_for_anybody() -> None:
    assert judged(plan(), seen(plan())).headline.no_change == FAMILIES


def test_only_clients_on_site_are_spoken_of() -> None:
    few = plan(clients=clients("linux-eap", "chromium-web"))
    assert judged(few, seen(few)).headline.no_change == ("chromium-web", "linux-eap")


@pytest.mark.parametrize("ends", ["ended", "soon"])
def test_who_is_blocked_now_or_on_a_day_that_is_known_is_not_among_them(ends: str) -> None:
    days = {"ended": 79, "soon": 90}[ends]
    chain = with_private(private(RADIUS, begins=AT - timedelta(days=80), days=days))
    found = judged(plan(), seen(plan(), eap={"eap/": chain})).headline.no_change
    assert found == (*WEB, "node")


def test_silence_is_no_word_that_nothing_changes() -> None:
    found = judged(plan(), seen(plan(), eap={"eap/quay3": Outcome.SILENT})).headline.no_change
    assert found == (*WEB, "node")


def test_a_port_that_is_closed_may_be_met_by_anybody_who_comes_there() -> None:
    found = judged(plan(), seen(plan(), web={"web/quay3": Outcome.CLOSED})).headline.no_change
    assert found == EAP


def test_of_clients_that_met_no_server_nothing_is_said() -> None:
    found = judged(plan(), seen(plan(), web={"web/": Outcome.SILENT})).headline.no_change
    assert found == EAP


@pytest.mark.parametrize(
    ("left", "rest"), [("eap/quay3", (*WEB, "node")), ("web/quay3", EAP), ("dns/", EAP)]
)
def test_of_clients_whose_questions_were_left_open_nothing_is_said(
    left: str, rest: tuple[str, ...]
) -> None:
    """As where a run is interrupted: there is no finding then, and no answer either."""
    assert judged(plan(), seen(plan(), without=[left])).headline.no_change == rest


def test_what_the_plan_takes_as_known_is_felt_all_the_same() -> None:
    known = Acceptance("eap-expiring", (), "until spring", (AT + timedelta(days=9)).date())
    taken = plan(accepted=(known,))
    chain = with_private(private(RADIUS, begins=AT - timedelta(days=80), days=90))
    result = judged(taken, seen(taken, eap={"eap/": chain}))
    (finding,) = result.findings
    assert finding.accepted is not None
    assert not finding.counts
    assert result.headline.no_change == (*WEB, "node")


def test_other_nodes_come_by_the_names_that_dns_leads_astray() -> None:
    result = judged(plan(), seen(plan(), dns={f"{HOSTS[2]}/A": ["192.0.2.99"]}))
    assert "node" not in {client for finding in result.findings for client in finding.clients}
    assert result.headline.no_change == ("captive-web", *EAP)


def test_a_missing_certificate_is_known_where_another_node_sends_it() -> None:
    leaf = public(*HOSTS, GUEST)
    whole = with_public(leaf)
    result = judged(plan(), seen(plan(), web={"web/": whole, "web/quay3": whole[:1]}))
    (short,) = [row for row in result.served if row.missing]
    (other,) = [row for row in result.served if row.endpoint is Endpoint.WEB and row != short]
    assert short.nodes == ("quay3",)
    assert short.lacking == other.chain[1:]
    assert result.fetched_from == {}


def test_a_missing_certificate_that_nobody_has_is_not_known() -> None:
    whole = with_public(public(*HOSTS, GUEST))
    result = judged(plan(), seen(plan(), web={"web/": whole[:1]}))
    assert [row.lacking for row in result.served if row.missing] == [()]
