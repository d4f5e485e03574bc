"""Names: what resolvers say, held against the plan."""

import pytest

from probe.assessment import Verdict
from probe.observation.model import Endpoint, LookupOutcome
from probe.observe.agenda import Depth
from probe.plan.model import Audience, Resolver, Service
from tests.judge.names import having, said
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


# ---------------------------------------------------------------- simple servers


@pytest.mark.parametrize("way", [LookupOutcome.REFUSED, LookupOutcome.LAME])
@pytest.mark.parametrize("depth", list(Depth))
def test_a_server_that_knows_a_records_alone_is_healthy(way: LookupOutcome, depth: Depth) -> None:
    """RFC 4074, 4.3: clients take the A records where AAAA is declined."""
    given = {f"/{kind}": way for kind in ("AAAA", "CAA", "TLSA", "PTR")}
    survey = seen(plan(), dns=given, depth=depth)
    beside = [lookup for lookup in survey.lookups if lookup.question.split("/")[2][:1] == "*"]
    assert bool(beside) == (depth is Depth.NODE)
    assert told(judged(plan(), survey)) == []


def test_a_declined_type_of_which_the_plan_has_addresses_is_unseen() -> None:
    six = plan(nodes=nodes(("quay3",), addresses=("192.0.2.13", "2001:db8::13")), services=())
    survey = seen(six, dns={f"{QUAY3}/AAAA": LookupOutcome.REFUSED})
    assert told(judged(six, survey)) == [("dns-no-answer", "dns", ("quay3",), QUAY3)]


# ---------------------------------------------------------------- what is said


def test_all_planned_addresses_are_to_be_set_unless_some_are_enough() -> None:
    survey = seen(plan(), dns={GUEST: ("203.0.113.9",)})
    (finding,) = judged(plan(), survey).findings
    wanted = "192.0.2.11, 192.0.2.12, 192.0.2.13 and 192.0.2.14"
    assert finding.remedy.startswith(f"Set the address records of {GUEST} to {wanted}, or correct")
    some = plan(services=(guest_service(any_of=True),))
    (finding,) = judged(some, seen(some, dns={GUEST: ("203.0.113.9",)})).findings
    assert "192.0.2.13 or 192.0.2.14" in finding.remedy


def test_the_record_behind_an_alias_is_the_one_to_change() -> None:
    """RFC 1034, 3.6.2: no other record stands beside an alias."""
    alias = ("old.hoster.example",)
    wrong = (
        said(GUEST, "A", ("203.0.113.9",), aliases=alias),
        said(GUEST, "AAAA", (), aliases=alias),
    )
    (finding,) = judged(plan(), having(seen(plan()), *wrong)).findings
    assert "as an alias of old.hoster.example" in finding.says
    assert f"records of old.hoster.example (or let {GUEST} be another alias) to" in finding.remedy
    empty = (said(GUEST, "A", (), aliases=alias), said(GUEST, "AAAA", (), aliases=alias))
    (finding,) = judged(plan(), having(seen(plan()), *empty)).findings
    assert (finding.rule, finding.name) == ("dns-no-address", GUEST)
    assert finding.remedy.startswith("Give old.hoster.example address records (192.0.2.11")


def test_one_view_of_several_is_named_as_the_place_to_change() -> None:
    of = plan(resolvers=(Resolver("192.0.2.53"), Resolver("10.0.9.53", "guest")))
    (finding,) = judged(of, seen(of, dns={f"@guest/{GUEST}": ("203.0.113.9",)})).findings
    assert "192.0.2.14 as resolver 10.0.9.53 (guest view) sees it, or correct" in finding.remedy


def test_only_what_the_plan_can_say_is_proposed() -> None:
    """A node's own name has no key `answers`."""
    survey = seen(plan(), dns={QUAY3: ("192.0.2.13", "203.0.113.9")})
    assert "any-of" not in judged(plan(), survey).findings[0].remedy
    survey = seen(plan(), dns={GUEST: ("192.0.2.13", "203.0.113.9")})
    assert "any-of" in judged(plan(), survey).findings[0].remedy


def test_one_type_that_fails_is_named() -> None:
    survey = seen(plan(), dns={f"{QUAY3}/AAAA": LookupOutcome.SILENT})
    (finding,) = judged(plan(), survey).findings
    assert finding.says == f"Resolver 192.0.2.53 gave no answer about AAAA records of {QUAY3}."
    assert "answers other questions and not those about AAAA records" in finding.remedy


def test_why_a_resolver_failed_is_told() -> None:
    detail = "the answer is cut short, and TCP is closed"
    failed = said(QUAY3, "A", LookupOutcome.FAILED, nodes=("quay3",), detail=detail)
    (finding,) = judged(plan(), having(seen(plan()), failed)).findings
    assert finding.says == f"Resolver 192.0.2.53 fails to resolve A records of {QUAY3}: {detail}."


def test_several_resolvers_are_told_in_the_plural() -> None:
    of = plan(resolvers=(Resolver("192.0.2.53"), Resolver("192.0.2.54")))
    (finding,) = judged(of, seen(of, dns={f"/{QUAY3}/A": LookupOutcome.FAILED})).findings
    assert finding.says.startswith("Resolver 192.0.2.53 and resolver 192.0.2.54 fail to resolve")
    assert "their logs, and that they reach" in finding.remedy
