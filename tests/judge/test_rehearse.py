"""Certificates that are not imported yet, judged as if they were served."""

from datetime import timedelta

import pytest

from probe.judge.rehearse import swap
from probe.observation.model import Endpoint, KeyFamily, Outcome, Survey, fingerprint
from probe.records import replace
from tests.judge.pki import AT
from tests.judge.world import (
    GUEST,
    HOSTS,
    NODES,
    RADIUS,
    eap_chain,
    guest_service,
    judged,
    plan,
    private,
    public,
    seen,
    told,
    web_chain,
    with_private,
    with_public,
)

SHORT = with_public(public(*HOSTS))
"""It lacks the guests' name."""


def leaves(survey: Survey, endpoint: Endpoint) -> dict[tuple[str, ...], set[str | None]]:
    """Return the leaves that clients met at the nodes of each visit; None: nothing was served."""
    found: dict[tuple[str, ...], set[str | None]] = {}
    for record in survey.handshakes:
        if record.endpoint is endpoint and record.asked.aspect is None:
            leaf = record.served.chain[0] if record.served else None
            found.setdefault(record.nodes, set()).add(leaf)
    return found


def test_a_good_certificate_mends_what_was_found() -> None:
    expired = with_public(public(*HOSTS, GUEST, begins=AT - timedelta(days=100), days=50))
    survey = seen(plan(), web={"quay4": expired})
    assert told(judged(plan(), survey)) == [("web-expired", "web", ("quay4",), None)]
    assert told(judged(plan(), swap(survey, web_chain(), ["quay4"], only=[Endpoint.WEB]))) == []


def test_a_bad_certificate_breaks_the_nodes_that_get_it_and_no_other() -> None:
    survey = swap(seen(plan()), SHORT, ["quay2", "quay3"], only=[Endpoint.WEB])
    assert told(judged(plan(), survey)) == [
        ("web-name-mismatch", "web", ("quay2", "quay3"), GUEST),
    ]


def test_both_worlds_get_it_unless_one_is_chosen() -> None:
    before, new = seen(plan()), with_private(private(RADIUS))
    old_web, old_eap = fingerprint(web_chain()[0]), fingerprint(eap_chain()[0])
    both, eap = swap(before, new, ["quay1"]), swap(before, new, ["quay1"], only=[Endpoint.EAP])
    assert leaves(both, Endpoint.WEB)["quay1",] == {fingerprint(new[0])}
    assert leaves(both, Endpoint.EAP)["quay1",] == {fingerprint(new[0])}
    assert leaves(eap, Endpoint.WEB)["quay1",] == {old_web}
    assert leaves(eap, Endpoint.EAP)["quay1",] == {fingerprint(new[0])}
    assert leaves(both, Endpoint.EAP)["quay2",] == {old_eap}


def test_an_import_opens_no_port() -> None:
    before = seen(plan(), web={"quay3": Outcome.CLOSED})
    after = swap(before, web_chain(), NODES, only=[Endpoint.WEB])
    assert leaves(after, Endpoint.WEB)["quay3",] == {None}
    assert told(judged(plan(), after)) == [("web-closed", "web", ("quay3",), None)]


def test_a_virtual_address_changes_with_all_of_its_nodes_only() -> None:
    of = plan(services=(guest_service(addresses=("192.0.2.80",)),))
    some = swap(seen(of), SHORT, NODES[:2], only=[Endpoint.WEB])
    every = swap(seen(of), SHORT, NODES, only=[Endpoint.WEB])
    assert leaves(some, Endpoint.WEB)[NODES] == {fingerprint(web_chain()[0])}
    assert leaves(every, Endpoint.WEB)[NODES] == {fingerprint(SHORT[0])}


def test_a_virtual_address_changes_with_the_node_that_is_seen_to_answer_there() -> None:
    of = plan(services=(guest_service(addresses=("192.0.2.80",)),))
    own = with_public(public(*HOSTS, GUEST, days=80))
    survey = seen(of, web={"quay2": own, "192.0.2.80": own})
    for done, leaf in ((["quay1", "quay3", "quay4"], own[0]), (["quay2"], SHORT[0])):
        after = swap(survey, SHORT, done, only=[Endpoint.WEB])
        assert leaves(after, Endpoint.WEB)[NODES] == {fingerprint(leaf)}


def test_a_visit_that_asked_for_another_key_family_is_left() -> None:
    before = seen(plan())
    for_rsa = replace(
        before,
        handshakes=tuple(
            replace(record, asked=replace(record.asked, key_family=KeyFamily.RSA))
            for record in before.handshakes
        ),
    )
    assert swap(for_rsa, web_chain(), NODES) == for_rsa


def test_nothing_is_claimed_that_was_not_seen() -> None:
    new = with_private(private(RADIUS))
    for record in swap(seen(plan()), new, NODES).handshakes:
        if record.asked.aspect is not None:
            continue  # a hello for another key family may be refused
        assert record.served is not None
        assert (record.served.key_proven, record.served.cipher) == (True, None)
        assert record.round_trips is None


def test_the_survey_given_stays_and_the_new_one_holds_what_it_shows() -> None:
    before = seen(plan())
    kept = dict(before.certificates)
    after = swap(before, SHORT, NODES, only=[Endpoint.WEB])
    assert before.certificates == kept
    assert set(after.certificates) == {fingerprint(der) for der in (*SHORT, *eap_chain())}
    assert after.questions == before.questions


def test_nothing_to_serve_and_unknown_nodes_are_refused() -> None:
    with pytest.raises(ValueError, match="no certificate"):
        swap(seen(plan()), (), NODES)
    with pytest.raises(ValueError, match="quay9"):
        swap(seen(plan()), web_chain(), ["quay1", "quay9"])
