"""Several resolvers and views: split DNS is healthy, and what is not is one finding a name."""

from typing import Any

import pytest

from probe.assessment import Verdict
from probe.observation.merge import merge
from probe.observation.model import LookupOutcome, Outcome
from probe.observe.agenda import Depth, agenda
from probe.plan.model import Audience, Plan, Resolver
from probe.records import replace
from tests.judge.names import having, led, said
from tests.judge.pki import authority, make
from tests.judge.world import (
    GUEST,
    NODES,
    folded,
    guest_service,
    host,
    judged,
    nodes,
    plan,
    seen,
    told,
)

INNER, OUTER = Resolver("192.0.2.53"), Resolver("10.0.9.53", "guest")
BOTH = (INNER, OUTER)
QUAY3 = host("quay3")
ALL = ("192.0.2.11", "192.0.2.12", "192.0.2.13", "192.0.2.14")
PUBLIC = ("203.0.113.11", "203.0.113.12", "203.0.113.13", "203.0.113.14")


def split(**changes: Any) -> Plan:
    """Return the plan of nodes with an inner and an outer address each."""
    return plan(
        nodes=tuple(
            replace(node, addresses=(*(node.addresses or ()), f"203.0.113.{place}"))
            for place, node in enumerate(nodes(), 11)
        ),
        resolvers=BOTH,
        **changes,
    )


def by_view(inner: object, outer: object, name: str = GUEST) -> dict[str, Any]:
    return {f"53/{name}": inner, f"@guest/{name}": outer}


def hosts_split() -> dict[str, Any]:
    """Return what the two views say of the nodes' own names in a clean split."""
    given: dict[str, Any] = {}
    for node, inner, outer in zip(NODES, ALL, PUBLIC, strict=True):
        given |= by_view((inner,), (outer,), host(node))
    return given


# ---------------------------------------------------------------- healthy


@pytest.mark.parametrize(
    ("inner", "outer"),
    [
        (ALL, PUBLIC),
        (PUBLIC, ALL),
        ((*ALL, *PUBLIC), (*ALL, *PUBLIC)),
        # Each node once by each view, though by the other's kind of address.
        ((*ALL[:2], *PUBLIC[2:]), (*PUBLIC[:2], *ALL[2:])),
    ],
)
def test_a_clean_split_is_healthy(inner: tuple[str, ...], outer: tuple[str, ...]) -> None:
    of = split()
    survey = seen(of, dns=hosts_split() | by_view(inner, outer))
    assert told(judged(of, survey)) == []


def test_a_guest_view_without_names_of_the_staff_is_healthy_however_it_says_so() -> None:
    of = plan(resolvers=BOTH)
    for way in (LookupOutcome.NO_NAME, LookupOutcome.REFUSED, LookupOutcome.LAME, ()):
        given = {f"@guest/{host(node)}": way for node in NODES}
        assert told(judged(of, seen(of, dns=given))) == []


def test_an_inner_alias_that_guests_cannot_follow_is_healthy() -> None:
    of = plan(resolvers=BOTH)
    survey = seen(of, dns={f"@guest/{QUAY3}": LookupOutcome.ALIAS_BROKEN})
    assert told(judged(of, survey)) == []


@pytest.mark.parametrize("view", ["guest", "Guest WiFi", "public", "Public"])
def test_views_of_guests_and_of_the_public_are_alike(view: str) -> None:
    of = plan(resolvers=(INNER, Resolver("10.0.9.53", view)))
    given = {f"@{view}/{host(node)}": LookupOutcome.NO_NAME for node in NODES}
    assert told(judged(of, seen(of, dns=given))) == []


def test_names_of_the_staff_may_lead_elsewhere_for_guests() -> None:
    of = plan(resolvers=BOTH)
    survey = seen(of, dns={f"@guest/{QUAY3}": ("203.0.113.80",)})
    assert told(judged(of, survey)) == []


def test_a_view_without_any_aaaa_is_healthy() -> None:
    six = tuple(
        replace(node, addresses=(*(node.addresses or ()), f"2001:db8::{place}"))
        for place, node in enumerate(nodes(), 11)
    )
    of = plan(nodes=six, resolvers=BOTH)
    given = {f"@guest/{name}/AAAA": () for name in (GUEST, *map(host, NODES))}
    assert told(judged(of, seen(of, dns=given))) == []


def test_some_of_the_addresses_are_enough_where_the_plan_says_so() -> None:
    of = plan(services=(guest_service(any_of=True),), resolvers=BOTH)
    for inner, outer in ((ALL[:1], ALL[1:]), (ALL[:2], ALL), ((ALL[0], "198.51.100.9"), ALL)):
        assert told(judged(of, seen(of, dns=by_view(inner, outer)))) == []


def test_none_of_them_is_not_enough() -> None:
    of = plan(services=(guest_service(any_of=True),))
    result = judged(of, seen(of, dns={GUEST: ("198.51.100.9",)}))
    assert told(result) == [("dns-wrong-address", "dns", NODES, GUEST)]


def test_a_planned_address_of_which_nobody_knows_is_not_missing() -> None:
    """Planned IPv4 addresses can come in A answers only, and that question failed."""
    both = nodes(addresses=("192.0.2.13", "2001:db8::13"))[2:3]
    of = plan(nodes=both, services=())
    survey = seen(of, dns={f"{host('quay1')}/A": LookupOutcome.FAILED})
    name = both[0].host
    survey = seen(of, dns={f"{name}/A": LookupOutcome.FAILED, f"{name}/AAAA": ("2001:db8::13",)})
    assert told(judged(of, survey)) == [("dns-no-answer", "dns", ("quay3",), name)]


def test_one_node_that_is_asked_alone_is_judged_alone() -> None:
    """The name leads to the other nodes too, which were not asked."""
    of = plan()
    asked = {question.id for question in agenda(of, Depth.SWEEP, nodes=("quay3",))}
    survey = seen(of)
    part = replace(
        survey,
        questions=tuple(agenda(of, Depth.SWEEP, nodes=("quay3",))),
        lookups=tuple(one for one in survey.lookups if one.question in asked),
        handshakes=tuple(one for one in survey.handshakes if one.question in asked),
    )
    assert told(judged(of, part)) == []


# ---------------------------------------------------------------- partly wrong


def test_a_planned_address_that_no_view_has() -> None:
    result = judged(plan(), seen(plan(), dns={GUEST: ALL[:3]}))
    assert told(result) == [("dns-partly-wrong", "dns", ("quay4",), GUEST)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.WARNED
    assert "192.0.2.14 of quay4" in finding.says
    assert "add 192.0.2.14 of quay4" in finding.remedy.lower()


def test_two_views_that_lack_the_same_are_one_finding() -> None:
    of = plan(resolvers=BOTH)
    result = judged(of, seen(of, dns={GUEST: ALL[:3]}))
    assert told(result) == [("dns-partly-wrong", "dns", ("quay4",), GUEST)]


def test_foreign_and_missing_together_are_one_finding() -> None:
    result = judged(plan(), seen(plan(), dns={GUEST: (*ALL[:3], "198.51.100.9")}))
    assert told(result) == [("dns-partly-wrong", "dns", NODES, GUEST)]
    assert "leads to 198.51.100.9" in result.findings[0].says
    assert "192.0.2.14" in result.findings[0].says


def test_what_stands_at_the_foreign_address_is_evidence() -> None:
    survey = seen(plan(), dns={GUEST: (*ALL, "198.51.100.9")})
    stranger = (make("old.example", authority("Another CA"), names=("old.example",)).der,)
    survey = led(survey, GUEST, "198.51.100.9", stranger)
    result = judged(plan(), survey)
    assert told(result) == [("dns-partly-wrong", "dns", NODES, GUEST)]
    (row,) = [r for r in result.findings[0].evidence if r.what == "198.51.100.9, port 443"]
    assert row.value == (
        'serves the certificate "old.example", which does not have the name and is not trusted here'
    )


# ---------------------------------------------------------------- views differ


def test_a_view_that_lacks_some_of_what_another_has() -> None:
    of = plan(resolvers=BOTH)
    result = judged(of, seen(of, dns=by_view(ALL, ALL[:2])))
    assert told(result) == [("dns-views-differ", "dns", ("quay3", "quay4"), GUEST)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.WARNED
    assert "resolver 10.0.9.53 (guest view) lacks 192.0.2.13 and 192.0.2.14" in finding.says
    assert "which resolver 192.0.2.53 gives" in finding.says
    assert finding.addresses == ALL[2:]


def test_each_view_lacks_something() -> None:
    of = plan(resolvers=BOTH)
    result = judged(of, seen(of, dns=by_view(ALL[:3], ALL[1:])))
    assert told(result) == [("dns-views-differ", "dns", ("quay1", "quay4"), GUEST)]


@pytest.mark.parametrize(
    ("outer", "rule"),
    [
        (LookupOutcome.NO_NAME, "dns-no-address"),
        (LookupOutcome.ALIAS_BROKEN, "dns-broken-alias"),
        (("198.51.100.9",), "dns-wrong-address"),
        ((*ALL, "198.51.100.9"), "dns-partly-wrong"),
    ],
)
def test_that_another_view_is_right_goes_under_what_is_wrong(outer: object, rule: str) -> None:
    of = plan(resolvers=BOTH)
    result = judged(of, seen(of, dns=by_view(ALL, outer)))
    assert told(result) == [(rule, "dns", NODES, GUEST)]
    assert folded(result) == ["dns-views-differ"]
    (below,) = result.findings[0].folded
    assert "by resolver 192.0.2.53, and not by resolver 10.0.9.53 (guest view)" in below.says


def test_the_guest_view_that_lacks_the_portal_is_one_finding() -> None:
    """And none for the names of the staff that it lacks too."""
    of = plan(resolvers=BOTH)
    given: dict[str, Any] = {f"@guest/{host(node)}": LookupOutcome.NO_NAME for node in NODES}
    given[f"@guest/{GUEST}"] = LookupOutcome.NO_NAME
    assert told(judged(of, seen(of, dns=given))) == [("dns-no-address", "dns", NODES, GUEST)]


def test_a_clean_split_whose_one_half_is_wrong() -> None:
    """What that half ought to have given is not missed a second time."""
    of = split()
    survey = seen(of, dns=hosts_split() | by_view(ALL, ("198.51.100.9",)))
    assert told(judged(of, survey)) == [("dns-wrong-address", "dns", NODES, GUEST)]


# ---------------------------------------------------------------- aliases and short names


@pytest.mark.parametrize("kinds", [("A", "AAAA"), ("A",), ("AAAA",)])
def test_an_alias_that_leads_nowhere(kinds: tuple[str, ...]) -> None:
    """RFC 1034, 3.6.2; one finding for both record types."""
    given: dict[str, Any] = {QUAY3: ()}
    given |= {f"{QUAY3}/{kind}": LookupOutcome.ALIAS_BROKEN for kind in kinds}
    result = judged(plan(), seen(plan(), dns=given))
    assert told(result) == [("dns-broken-alias", "dns", ("quay3",), QUAY3)]
    assert result.findings[0].verdict is Verdict.BLOCKED


def test_the_target_of_a_broken_alias_is_named() -> None:
    pairs = [
        said(QUAY3, kind, LookupOutcome.ALIAS_BROKEN, nodes=("quay3",), aliases=("a.example",))
        for kind in ("A", "AAAA")
    ]
    (finding,) = judged(plan(), having(seen(plan()), *pairs)).findings
    assert finding.says == (
        f"{QUAY3} is an alias of a.example that leads to no address, says resolver 192.0.2.53."
    )
    assert QUAY3 in finding.remedy


def test_an_alias_that_is_broken_for_one_type_is_advised() -> None:
    """RFC 4074, 4.2: some servers deny the name where it has no AAAA; clients may believe it."""
    result = judged(plan(), seen(plan(), dns={f"{QUAY3}/AAAA": LookupOutcome.ALIAS_BROKEN}))
    assert [(f.rule, f.verdict) for f in result.findings] == [("dns-broken-alias", Verdict.ADVISED)]


def test_nothing_is_visited_where_a_broken_alias_leads() -> None:
    free = plan(nodes=nodes(addresses=None), services=())
    given = {QUAY3: LookupOutcome.ALIAS_BROKEN}
    result = judged(free, seen(free, dns=given, web={"quay3": Outcome.UNREACHABLE}))
    assert "dns-broken-alias" in [finding.rule for finding in result.findings]
    broken = next(f for f in result.findings if f.rule == "dns-broken-alias")
    assert {below.rule for below in broken.folded} <= {"web-silent", "eap-silent"}


def test_a_short_name_is_explained() -> None:
    short = tuple(replace(node, host=node.name) for node in nodes())
    of = plan(nodes=short)
    result = judged(of, seen(of, dns={"/quay3/": LookupOutcome.NO_NAME}))
    missing = next(f for f in result.findings if f.rule == "dns-no-address")
    assert missing.name == "quay3"
    assert "without any search suffix" in missing.says
    assert "in full" in missing.remedy


def test_audience_decides_who_has_to_find_the_name() -> None:
    of = plan(services=(guest_service(audience=Audience.STAFF),), resolvers=BOTH)
    survey = seen(of, dns={f"@guest/{GUEST}": LookupOutcome.NO_NAME})
    assert told(judged(of, survey)) == []


def test_the_own_resolver_of_a_machine_among_guests_is_a_guest_view() -> None:
    of = plan(resolvers=(Resolver("system"),))
    survey = seen(of, dns={host(node): LookupOutcome.NO_NAME for node in NODES})
    assert len(told(judged(of, survey))) == 4
    among = replace(
        survey,
        taken=tuple(replace(one, vantage="guest wifi") for one in survey.taken),
        lookups=tuple(replace(one, vantage="guest wifi") for one in survey.lookups),
    )
    assert told(judged(of, among)) == []


def test_surveys_from_two_places_are_held_against_the_plan_one_by_one() -> None:
    of = plan(resolvers=(Resolver("system"),))
    office, harbour = seen(of), seen(of, dns={QUAY3: ("198.51.100.9",)})
    both = merge(
        replace(
            one,
            taken=tuple(replace(taken, vantage=place) for taken in one.taken),
            lookups=tuple(replace(lookup, vantage=place) for lookup in one.lookups),
        )
        for one, place in ((office, "head office"), (harbour, "harbour"))
    )
    result = judged(of, both)
    assert told(result) == [("dns-wrong-address", "dns", ("quay3",), QUAY3)]
    assert "the system's resolver, asked from harbour" in result.findings[0].says
    assert folded(result) == ["dns-views-differ"]
