"""TLSA records against what is served (RFC 6698; RFC 7671)."""

from hashlib import sha256, sha512
from typing import Any

import pytest

from probe.assessment import Verdict
from probe.certificate.facts import facts_of
from probe.observation.model import Outcome
from tests.judge.names import having, said
from tests.judge.pki import make
from tests.judge.world import (
    GUEST,
    HOSTS,
    NODES,
    OWN,
    PUBLIC_ISSUING,
    PUBLIC_ROOT,
    ca,
    folded,
    judged,
    plan,
    public,
    seen,
    told,
    web_chain,
    with_public,
)

PLACE = f"_443._tcp.{GUEST}"


def tlsa(*records: str, secure: bool = True, **more: Any) -> Any:
    return said(PLACE, "TLSA", records, dnssec="secure" if secure else None, **more)


def key(der: bytes) -> bytes:
    return facts_of(der).spki


LEAF = web_chain()[0]
ISSUING, ROOT = ca(PUBLIC_ISSUING, PUBLIC_ROOT).der, ca(PUBLIC_ROOT).der
WRONG = f"3 1 1 {'ab' * 32}"


@pytest.mark.parametrize(
    "record",
    [
        f"3 1 1 {sha256(key(LEAF)).hexdigest()}",
        f"3 1 1 {sha256(key(LEAF)).hexdigest().upper()}",
        f"3 0 2 {sha512(LEAF).hexdigest()}",
        f"1 0 0 {LEAF.hex()}",
        f"2 1 1 {sha256(key(ISSUING)).hexdigest()}",
        f"0 0 1 {sha256(ISSUING).hexdigest()}",
        # The root is not served; it is known from the plan.
        f"2 0 1 {sha256(ROOT).hexdigest()}",
        f"0 1 2 {sha512(key(ROOT)).hexdigest()}",
    ],
    ids=lambda record: record[:5],
)
def test_a_record_that_matches_is_healthy(record: str) -> None:
    assert told(judged(plan(), having(seen(plan()), tlsa(record)))) == []
    # One among several is enough: the record of the next certificate stands there beforehand.
    assert told(judged(plan(), having(seen(plan()), tlsa(WRONG, record)))) == []


@pytest.mark.parametrize(
    "record",
    [
        WRONG,
        # A record of a CA certificate does not speak of the leaf, and the other way round.
        f"2 1 1 {sha256(key(LEAF)).hexdigest()}",
        f"3 1 1 {sha256(key(ISSUING)).hexdigest()}",
        f"3 0 1 {sha256(key(LEAF)).hexdigest()}",
    ],
    ids=lambda record: record[:5],
)
def test_a_record_that_does_not_match_is_advised(record: str) -> None:
    result = judged(plan(), having(seen(plan()), tlsa(record)))
    assert told(result) == [("dns-tlsa-mismatch", "dns", NODES, GUEST)]
    (finding,) = result.findings
    assert finding.verdict is Verdict.ADVISED
    assert f"TLSA 3 1 1 {sha256(key(LEAF)).hexdigest()}" in finding.remedy
    assert "quay1" in finding.remedy
    assert PLACE in finding.says


def test_records_that_are_not_secure_count_for_nothing() -> None:
    """RFC 6698, 4.1."""
    assert told(judged(plan(), having(seen(plan()), tlsa(WRONG, secure=False)))) == []


def test_records_that_nobody_can_use_count_for_nothing() -> None:
    unusable = f"4 1 1 {'ab' * 32}", "3 1 1 ab"
    assert told(judged(plan(), having(seen(plan()), tlsa(*unusable)))) == []
    assert told(judged(plan(), having(seen(plan()), tlsa(*unusable, WRONG)))) != []


def test_the_node_that_serves_another_certificate_is_named() -> None:
    other = with_public(public(*HOSTS, GUEST, OWN, key_label="another"))
    record = f"3 1 1 {sha256(key(LEAF)).hexdigest()}"
    survey = having(seen(plan(), web={"web/quay3": other}), tlsa(record))
    assert ("dns-tlsa-mismatch", "dns", ("quay3",), GUEST) in told(judged(plan(), survey))


def test_several_certificates_under_the_same_records_are_one_finding() -> None:
    leaves = {node: public(*HOSTS, GUEST, key_label=node) for node in NODES}
    web = {f"web/{node}/": with_public(leaf) for node, leaf in leaves.items()}
    result = judged(plan(), having(seen(plan(), web=web), tlsa(WRONG)))
    assert told(result) == [("dns-tlsa-mismatch", "dns", NODES, GUEST)]
    assert result.findings[0].remedy.count("TLSA 3 1 1 ") == 4


def test_one_certificate_under_several_records_is_one_finding() -> None:
    other = said(f"_443._tcp.{HOSTS[2]}", "TLSA", (f"3 1 1 {'cd' * 32}",), dnssec="secure")
    result = judged(plan(), having(seen(plan()), tlsa(WRONG), other))
    assert told(result) == [("dns-tlsa-mismatch", "dns", NODES, None)]


def test_what_hangs_together_by_a_third_is_one_finding() -> None:
    """The certificate of the first node, and the records of the second's, meet at the third."""
    records = (WRONG, f"3 1 1 {'cd' * 32}", f"3 1 1 {'cd' * 32}")
    pairs = [
        said(f"_443._tcp.{name}", "TLSA", (record,), dnssec="secure")
        for name, record in zip(HOSTS, records, strict=False)
    ]
    other = with_public(public(*HOSTS, GUEST, OWN, key_label="another"))
    survey = having(seen(plan(), web={"web/quay2": other}), *pairs)
    found = [one for one in judged(plan(), survey).findings if one.rule == "dns-tlsa-mismatch"]
    assert [(one.nodes, one.name, len(one.certificates)) for one in found] == [
        (("quay1", "quay2", "quay3"), None, 2)
    ]


def test_a_certificate_that_has_to_go_altogether_explains_it() -> None:
    stranger = (make(GUEST, names=(*HOSTS, GUEST)).der,)
    record = f"3 1 1 {sha256(key(LEAF)).hexdigest()}"
    survey = having(seen(plan(), web={"web/quay3": stranger}), tlsa(record))
    result = judged(plan(), survey)
    assert "dns-tlsa-mismatch" not in [finding.rule for finding in result.findings]
    assert "dns-tlsa-mismatch" in folded(result)


def test_a_set_that_is_not_whole_is_unseen() -> None:
    survey = having(seen(plan()), tlsa(WRONG, detail="40 of 296 records are left out"))
    assert [f.verdict for f in judged(plan(), survey).findings] == [Verdict.UNSEEN]


def test_where_nothing_is_served_nothing_is_compared() -> None:
    survey = having(seen(plan(), web={"web/": Outcome.CLOSED}), tlsa(WRONG))
    assert [finding.rule for finding in judged(plan(), survey).findings] == ["web-closed"]


def test_another_port_has_records_of_its_own() -> None:
    pair = said(f"_8443._tcp.{GUEST}", "TLSA", (WRONG,), dnssec="secure")
    assert told(judged(plan(), having(seen(plan()), pair))) == []
