"""Reverse records and wildcards, which make notes; and failures at other types than addresses."""

from typing import Any

import pytest

from probe.assessment import Verdict
from probe.observation.model import LookupAsk, LookupOutcome
from probe.observe.agenda import Depth
from probe.plan.model import Resolver
from tests.judge.names import RESOLVER, having, said
from tests.judge.world import GUEST, NODES, host, judged, noted, plan, seen, told

DOMAIN = "northpier.example"
REVERSE = "13.2.0.192.in-addr.arpa"
QUAY3 = host("quay3")


def ptr(data: Any, **more: Any) -> Any:
    return said(REVERSE, "PTR", data, nodes=("quay3",), **more)


def forward(target: str, *addresses: str) -> Any:
    """Return what the resolver said of a name that the reverse record gives."""
    asked = LookupAsk(REVERSE, "PTR", RESOLVER)
    return said(target, "A", addresses, nodes=("quay3",), question=asked)


# ---------------------------------------------------------------- reverse records


@pytest.mark.parametrize("way", [LookupOutcome.NO_NAME, LookupOutcome.NO_DATA])
def test_an_absent_reverse_record_is_a_note(way: LookupOutcome) -> None:
    result = judged(plan(), having(seen(plan()), ptr(way)))
    assert (told(result), noted(result)) == ([], [("dns-reverse-differs", ("quay3",))])
    assert result.notes[0].says == "Reverse records of quay3: 192.0.2.13 has none."


def test_a_reverse_record_of_another_name_is_a_note() -> None:
    result = judged(plan(), having(seen(plan()), ptr(("old.example",))))
    assert result.notes[0].says == "Reverse records of quay3: 192.0.2.13 names old.example."


def test_a_reverse_record_that_does_not_lead_back_is_a_note() -> None:
    pairs = ptr((QUAY3,)), forward(QUAY3, "192.0.2.99")
    result = judged(plan(), having(seen(plan()), *pairs))
    assert "which does not have this address" in result.notes[0].says
    healthy = ptr((QUAY3,)), forward(QUAY3, "192.0.2.13")
    assert noted(judged(plan(), having(seen(plan()), *healthy))) == []


def test_a_reverse_record_of_the_service_will_do() -> None:
    pairs = ptr((GUEST,)), forward(GUEST, "192.0.2.11", "192.0.2.13")
    assert noted(judged(plan(), having(seen(plan()), *pairs))) == []


def test_one_resolver_that_leads_back_is_enough() -> None:
    """Reverse zones of inner addresses are there inside only."""
    of = plan(resolvers=(Resolver(RESOLVER), Resolver("10.0.9.53", "guest")))
    pairs = ptr((QUAY3,)), ptr(LookupOutcome.NO_NAME, by="10.0.9.53", view="guest")
    assert noted(judged(of, having(seen(of), *pairs))) == []


def test_all_nodes_make_one_note() -> None:
    pairs = [
        said(f"{place}.2.0.192.in-addr.arpa", "PTR", (), nodes=(node,))
        for place, node in enumerate(NODES, 11)
    ]
    result = judged(plan(), having(seen(plan()), *pairs))
    assert noted(result) == [("dns-reverse-differs", NODES)]
    assert result.notes[0].says.endswith(
        ": 192.0.2.11, 192.0.2.12, 192.0.2.13 and 192.0.2.14 have none."
    )


def test_an_ipv6_address_is_told_by_its_reverse_name() -> None:
    """RFC 3596, 2.5."""
    name = "3.1.0.0" + ".0" * 20 + ".8.b.d.0.1.0.0.2.ip6.arpa"
    pair = said(name, "PTR", (), nodes=("quay3",))
    (note,) = judged(plan(), having(seen(plan()), pair)).notes
    assert "2001:db8::13 has none" in note.says


# ---------------------------------------------------------------- wildcards


def beside(*data: str, kind: str = "A", **more: Any) -> Any:
    asked = LookupAsk(f"*.{DOMAIN}", kind, RESOLVER)
    return said(f"quf7m2kx.{DOMAIN}", kind, data, question=asked, **more)


def test_a_name_with_the_answer_of_any_other_is_a_note() -> None:
    """RFC 4592, 2."""
    pairs = beside("192.0.2.13"), beside(kind="AAAA")
    result = judged(plan(), having(seen(plan()), *pairs))
    assert (told(result), noted(result)) == ([], [("dns-wildcard-answer", ("quay3",))])
    assert QUAY3 in result.notes[0].says


def test_a_name_with_records_of_its_own_beside_a_wildcard_is_none() -> None:
    pairs = beside("192.0.2.80"), beside(kind="AAAA")
    assert noted(judged(plan(), having(seen(plan()), *pairs))) == []


def test_half_a_comparison_says_nothing() -> None:
    asked = LookupAsk(f"*.{DOMAIN}", "AAAA", RESOLVER)
    failed = said(f"quf7m2kx.{DOMAIN}", "AAAA", LookupOutcome.SILENT, question=asked)
    result = judged(plan(), having(seen(plan()), beside("192.0.2.13"), failed))
    assert noted(result) == []
    assert [(f.rule, f.verdict) for f in result.findings] == [("dns-no-answer", Verdict.UNSEEN)]
    assert "names that nobody planned" in result.findings[0].says


def test_a_failure_about_a_random_name_has_the_same_id_whatever_was_drawn() -> None:
    asked = LookupAsk(f"*.{DOMAIN}", "A", RESOLVER)
    found = set()
    for label in ("quf7m2kx", "zt9w4hne"):
        failed = said(f"{label}.{DOMAIN}", "A", LookupOutcome.FAILED, question=asked)
        (finding,) = judged(plan(), having(seen(plan()), failed)).findings
        found.add((finding.id, finding.name, finding.says))
    assert len(found) == 1
    assert found.pop()[1] == DOMAIN


# ---------------------------------------------------------------- what failed


@pytest.mark.parametrize("depth", list(Depth))
def test_a_silent_resolver_is_one_finding_for_all_types(depth: Depth) -> None:
    survey = seen(plan(), dns={"dns/": LookupOutcome.SILENT}, depth=depth)
    result = judged(plan(), survey)
    assert told(result) == [("dns-no-answer", "dns", NODES, None)]


@pytest.mark.parametrize("kind", ["CAA", "TLSA", "PTR"])
@pytest.mark.parametrize("way", [LookupOutcome.FAILED, LookupOutcome.SILENT, LookupOutcome.INVALID])
def test_a_resolver_that_fails_for_one_type_alone_says_which(kind: str, way: LookupOutcome) -> None:
    survey = seen(plan(), dns={f"/{kind}": way}, depth=Depth.NODE)
    result = judged(plan(), survey)
    assert [(f.rule, f.verdict) for f in result.findings] == [("dns-no-answer", Verdict.UNSEEN)]
    assert kind in result.findings[0].says
    assert result.findings[0].remedy.endswith(".")


def test_failed_validation_of_addresses_blocks_and_takes_the_rest_along() -> None:
    survey = seen(plan(), dns={"dns/": LookupOutcome.INVALID}, depth=Depth.NODE)
    result = judged(plan(), survey)
    assert [(f.rule, f.verdict) for f in result.findings] == [("dns-no-answer", Verdict.BLOCKED)]


def test_reverse_records_that_a_guest_view_does_not_tell_are_nothing() -> None:
    of = plan(resolvers=(Resolver(RESOLVER), Resolver("10.0.9.53", "guest")))
    given = {
        f"10.0.9.53@guest/{place}.2.0.192.in-addr.arpa": LookupOutcome.REFUSED
        for place in range(11, 15)
    }
    survey = seen(of, dns=given, depth=Depth.NODE)
    assert told(judged(of, survey)) == []


def test_reverse_records_of_a_zone_that_a_server_does_not_have_are_nothing() -> None:
    for way in (LookupOutcome.REFUSED, LookupOutcome.LAME):
        survey = seen(plan(), dns={"/PTR": way}, depth=Depth.NODE)
        assert told(judged(plan(), survey)) == []
