"""What is looked at once for visits that are alike is looked at anew for those that are not.

Each test has two visits that differ in one thing alone. Whoever left that out of what makes visits
alike would tell of the one what holds for the other. What is found is by the rules' own tests.
"""

import pytest

from probe.observation.model import Endpoint
from probe.plan.model import Audience, Service
from probe.records import replace
from tests.judge.test_authority import a_response
from tests.judge.test_rules_issue import by_handshake, of_a_programme, with_ways, without_list
from tests.judge.test_rules_revocation import ISSUING, chain, web_leaf, with_list
from tests.judge.world import (
    GUEST,
    HOSTS,
    NODES,
    guest_service,
    judged,
    plan,
    private,
    seen,
    told,
    with_private,
    with_public,
)

STAFF = "desk.northpier.example"
DESK = Service(STAFF, Endpoint.WEB, Audience.STAFF, NODES)


@pytest.mark.parametrize("services", [(DESK, guest_service()), (guest_service(), DESK)])
def test_services_of_staff_and_of_guests_by_one_chain(services: tuple[Service, ...]) -> None:
    """Staff have the private root, and guests have not."""
    of = plan(services=services)
    served = with_private(private(*HOSTS, GUEST, STAFF))
    found = judged(of, seen(of, web={"web/": served})).findings
    assert [(one.rule, one.name) for one in found] == [("web-private-root", GUEST)]


@pytest.mark.parametrize("node", NODES)
def test_a_staple_speaks_for_the_node_that_sends_it(node: str) -> None:
    of, leaf = plan(), web_leaf(with_list())
    survey = seen(of, web={"web/": chain(leaf)})
    handshakes = tuple(
        replace(record, served=replace(record.served, staple=a_response(leaf, ISSUING)))
        if record.endpoint is Endpoint.WEB and record.served and record.nodes == (node,)
        else record
        for record in survey.handshakes
    )
    others = tuple(each for each in NODES if each != node)
    result = judged(of, replace(survey, handshakes=handshakes))
    assert told(result) == [("web-revocation-unknown", "web", others, None)]


def test_timestamps_speak_for_the_node_that_sends_them() -> None:
    served = with_public(without_list(*HOSTS, GUEST))
    of = of_a_programme()
    survey = with_ways(seen(of, web={"web/": served}), timestamps=by_handshake(2))
    result = told(judged(of, survey))
    assert result == [("web-too-few-timestamps", "web", ("quay1", "quay2", "quay4"), None)]
