"""Names: what resolvers say, held against the plan."""

from probe.assessment import Verdict
from probe.observation.model import Endpoint, LookupOutcome
from probe.plan.model import Audience, Resolver, Service
from tests.judge.world import (
    GUEST,
    NODES,
    guest_service,
    host,
    judged,
    nodes,
    plan,
    seen,
    told,
)

QUAY3 = host("quay3")


def test_a_name_that_does_not_exist_blocks_whoever_opens_it() -> None:
    """RFC 2308, 2: NXDOMAIN."""
    result = judged(plan(), seen(plan(), dns={QUAY3: LookupOutcome.NO_NAME}))
    assert told(result) == [("dns-no-address", "dns", ("quay3",), QUAY3)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.BLOCKED
    assert finding.says == f"{QUAY3} does not exist, says resolver 192.0.2.53."
    assert "192.0.2.13" in finding.remedy
    assert [row.observation for row in finding.evidence] == [
        f"dns/192.0.2.53/{QUAY3}/A",
        f"dns/192.0.2.53/{QUAY3}/AAAA",
    ]


def test_an_empty_answer_is_told_from_a_missing_name() -> None:
    result = judged(plan(), seen(plan(), dns={GUEST: ()}))
    assert told(result) == [("dns-no-address", "dns", NODES, GUEST)]
    assert "exists, but has no address" in result.findings[0].says


def test_an_absent_aaaa_is_nothing_while_there_is_an_a() -> None:
    survey = seen(plan(), dns={f"{QUAY3}/AAAA": LookupOutcome.NO_DATA})
    assert told(judged(plan(), survey)) == []


def test_an_aaaa_alone_is_an_address() -> None:
    six = plan(nodes=nodes(addresses=("2001:db8::1",)))
    assert told(judged(six, seen(six))) == []


def test_half_an_answer_proves_no_absence() -> None:
    """The A record is absent, and nobody said whether there is an AAAA."""
    survey = seen(
        plan(), dns={f"{QUAY3}/A": LookupOutcome.NO_DATA, f"{QUAY3}/AAAA": LookupOutcome.FAILED}
    )
    result = judged(plan(), survey)
    assert told(result) == [("dns-no-answer", "dns", ("quay3",), QUAY3)]
    assert result.findings[0].verdict is Verdict.UNSEEN


def test_a_name_that_leads_to_none_of_the_planned_addresses_is_blocked() -> None:
    result = judged(plan(), seen(plan(), dns={QUAY3: ("198.51.100.9",)}))
    assert told(result) == [("dns-wrong-address", "dns", ("quay3",), QUAY3)]
    assert result.findings[0].verdict is Verdict.BLOCKED
    assert result.findings[0].addresses == ("198.51.100.9",)


def test_one_planned_address_among_others_is_partly_wrong() -> None:
    survey = seen(plan(), dns={QUAY3: ("198.51.100.9", "192.0.2.13")})
    result = judged(plan(), survey)
    assert told(result) == [("dns-partly-wrong", "dns", ("quay3",), QUAY3)]
    assert result.findings[0].verdict is Verdict.WARNED
    assert result.findings[0].addresses == ("198.51.100.9",)


def test_addresses_are_compared_as_addresses() -> None:
    six = plan(nodes=nodes(addresses=("2001:db8::1",)))
    survey = seen(six, dns={"northpier": ("2001:0DB8:0::1",)})
    assert told(judged(six, survey)) == []


def test_addresses_taken_from_dns_are_not_checked() -> None:
    free = plan(nodes=nodes(addresses=None))
    survey = seen(free, dns={"northpier": ("198.51.100.9",)})
    assert told(judged(free, survey)) == []


def test_a_service_name_may_lead_to_the_interface_that_answers_for_it() -> None:
    """Management and data interfaces: the host name leads to one, the service to the other."""
    web = nodes()[0].web
    split = tuple(
        type(node)(
            node.name,
            node.host,
            node.host_audience,
            node.addresses,
            type(web)(addresses=(f"203.0.113.{place}",)),
            node.eap,
        )
        for place, node in enumerate(nodes(), 11)
    )
    of = plan(nodes=split)
    data = tuple(f"203.0.113.{place}" for place in range(11, 15))
    assert told(judged(of, seen(of, dns={GUEST: data}))) == []
    assert told(judged(of, seen(of))) == []
    of_both = (*data[:2], "192.0.2.13", "192.0.2.14")
    assert told(judged(of, seen(of, dns={GUEST: of_both}))) == []
    assert told(judged(of, seen(of, dns={QUAY3: ("203.0.113.13",)}))) == [
        ("dns-wrong-address", "dns", ("quay3",), QUAY3)
    ]


def test_a_virtual_service_leads_to_its_virtual_address() -> None:
    of = plan(services=(guest_service(addresses=("192.0.2.80",)),))
    assert told(judged(of, seen(of))) == []
    assert told(judged(of, seen(of, dns={GUEST: ("192.0.2.11",)}))) == [
        ("dns-wrong-address", "dns", NODES, GUEST)
    ]


def test_staff_names_need_not_exist_in_a_guest_view() -> None:
    views = plan(resolvers=(Resolver("192.0.2.53"), Resolver("10.0.9.53", "guest")))
    private = {f"10.0.9.53@guest/{name}": LookupOutcome.NO_NAME for name in map(host, NODES)}
    assert told(judged(views, seen(views, dns=private))) == []


def test_names_of_guests_must_exist_in_a_guest_view() -> None:
    """The twin: the same view lacks the guests' own name."""
    views = plan(resolvers=(Resolver("192.0.2.53"), Resolver("10.0.9.53", "guest")))
    survey = seen(views, dns={f"10.0.9.53@guest/{GUEST}": LookupOutcome.NO_NAME})
    result = judged(views, survey)
    assert told(result) == [("dns-no-address", "dns", NODES, GUEST)]
    assert result.findings[0].says.endswith("says resolver 10.0.9.53 (guest view).")


def test_staff_names_must_exist_in_any_other_view() -> None:
    views = plan(resolvers=(Resolver("192.0.2.53"), Resolver("10.0.9.53", "office")))
    survey = seen(views, dns={f"10.0.9.53@office/{QUAY3}": LookupOutcome.NO_NAME})
    assert told(judged(views, survey)) == [("dns-no-address", "dns", ("quay3",), QUAY3)]


def test_a_silent_resolver_is_one_finding_whatever_it_was_asked() -> None:
    result = judged(plan(), seen(plan(), dns={"dns/": LookupOutcome.SILENT}))
    assert told(result) == [("dns-no-answer", "dns", NODES, None)]
    assert result.findings[0].verdict is Verdict.UNSEEN


def test_a_resolver_that_refuses_us_is_unseen() -> None:
    result = judged(plan(), seen(plan(), dns={QUAY3: LookupOutcome.REFUSED}))
    assert [(f.rule, f.verdict) for f in result.findings] == [("dns-no-answer", Verdict.UNSEEN)]


def test_a_validation_failure_blocks() -> None:
    """RFC 4035, 5.5: a validating resolver answers bogus data with an error."""
    result = judged(plan(), seen(plan(), dns={QUAY3: LookupOutcome.INVALID}))
    assert [(f.rule, f.verdict) for f in result.findings] == [("dns-no-answer", Verdict.BLOCKED)]


def test_two_resolvers_that_fail_for_one_name_share_the_cause() -> None:
    of = plan(resolvers=(Resolver("192.0.2.53"), Resolver("192.0.2.54")))
    result = judged(of, seen(of, dns={QUAY3: LookupOutcome.FAILED}))
    assert told(result) == [("dns-no-answer", "dns", ("quay3",), QUAY3)]


def test_a_virtual_radius_address_has_no_name_to_look_up() -> None:
    virtual = Service(
        "radius.northpier.example", Endpoint.EAP, Audience.STAFF, NODES, addresses=("192.0.2.90",)
    )
    of = plan(services=(virtual,))
    assert told(judged(of, seen(of))) == []
