"""The lab's name server, asked with dnspython's client."""

import socket
from pathlib import Path

import dns.exception
import dns.flags
import dns.message
import dns.query
import dns.rcode
import dns.rdatatype
import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario


def ask(lab: Cluster, name: str, kind: str = "A", *, server: int = 0) -> dns.message.Message:
    address, port = lab.resolvers[server].rsplit(":", 1)
    query = dns.message.make_query(name, kind)
    answer, _ = dns.query.udp_with_fallback(query, address, port=int(port), timeout=2)
    return answer


def data(answer: dns.message.Message) -> list[str]:
    return sorted(str(record) for records in answer.answer for record in records)


def test_nodes_and_services_lead_to_the_addresses_of_the_plan(tmp_path: Path) -> None:
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab:
        addresses = [lab.web_place(node)[0] for node in lab.names]
        answer = ask(lab, "quay2.northpier.example")
        assert data(answer) == addresses[1:2]
        assert answer.flags & dns.flags.AA
        assert data(ask(lab, "GUEST.northpier.example")) == addresses


def test_over_tcp_it_says_the_same(tmp_path: Path) -> None:
    with Cluster(Scenario.load("healthy-alias"), directory=tmp_path) as lab:
        address, port = lab.resolvers[0].rsplit(":", 1)
        query = dns.message.make_query("onboard.northpier.example", "A")
        cut = dns.query.udp(query, address, port=int(port), timeout=5)
        assert cut.flags & dns.flags.TC
        assert not cut.answer
        whole = dns.query.tcp(query, address, port=int(port), timeout=5)
        assert data(whole) == [lab.web_place(node)[0] for node in lab.names]


def test_an_alias_comes_with_what_it_leads_to(tmp_path: Path) -> None:
    with Cluster(Scenario.load("healthy-alias"), directory=tmp_path) as lab:
        answer = ask(lab, "guest.northpier.example")
        addresses = [lab.web_place(node)[0] for node in lab.names]
    assert data(answer) == [*addresses, "portal.northpier.example."]


@pytest.mark.parametrize(
    ("scenario", "name", "code"),
    [
        ("dns-no-address", "quay3.northpier.example", dns.rcode.NXDOMAIN),
        ("dns-no-address-empty", "onboard.northpier.example", dns.rcode.NOERROR),
        ("healthy-cluster", "nowhere.northpier.example", dns.rcode.NXDOMAIN),
        # It plays a resolver, so it knows the rest of the world; there is nothing in it.
        ("healthy-cluster", "www.other.example", dns.rcode.NXDOMAIN),
        ("healthy-cluster", "11.1.77.127.in-addr.arpa", dns.rcode.NXDOMAIN),
        # What has names below it exists (RFC 8020).
        ("healthy-cluster", "example", dns.rcode.NOERROR),
    ],
)
def test_what_is_not_there_is_told_by_its_code(
    tmp_path: Path, scenario: str, name: str, code: dns.rcode.Rcode
) -> None:
    with Cluster(Scenario.load(scenario), directory=tmp_path) as lab:
        answer = ask(lab, name)
    assert (answer.rcode(), answer.answer) == (code, [])


def test_a_name_without_the_record_asked_for_is_empty_and_not_missing(tmp_path: Path) -> None:
    """RFC 2308, 2.2: NODATA is NOERROR with an SOA in the authority section."""
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab:
        answer = ask(lab, "quay1.northpier.example", "AAAA")
    assert (answer.rcode(), answer.answer) == (dns.rcode.NOERROR, [])
    assert answer.authority[0].rdtype == dns.rdatatype.SOA


def test_a_wrong_address_is_what_was_configured(tmp_path: Path) -> None:
    with Cluster(Scenario.load("dns-wrong-address"), directory=tmp_path) as lab:
        assert data(ask(lab, "quay3.northpier.example")) == ["127.99.0.14"]


def test_one_of_two_name_servers_fails(tmp_path: Path) -> None:
    with Cluster(Scenario.load("dns-no-answer"), directory=tmp_path) as lab:
        assert ask(lab, "quay1.northpier.example").rcode() == dns.rcode.NOERROR
        assert ask(lab, "quay1.northpier.example", server=1).rcode() == dns.rcode.SERVFAIL


def test_silence_and_garbage_concern_the_one_name(tmp_path: Path) -> None:
    for scenario, error in (
        ("dns-no-answer-silent", dns.exception.Timeout),
        ("dns-no-answer-garbage", dns.exception.DNSException),
    ):
        with Cluster(Scenario.load(scenario), directory=tmp_path) as lab:
            assert data(ask(lab, "quay1.northpier.example"))
            address, port = lab.resolvers[0].rsplit(":", 1)
            query = dns.message.make_query("quay3.northpier.example", "A")
            with pytest.raises(error):
                dns.query.udp(query, address, port=int(port), timeout=0.3)


def test_nonsense_is_ignored_and_the_server_lives_on(tmp_path: Path) -> None:
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab:
        address, port = lab.resolvers[0].rsplit(":", 1)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as plain:
            for nonsense in (b"", b"\x00", b"\xff" * 12, b"\x00" * 600):
                plain.sendto(nonsense, (address, int(port)))
        assert data(ask(lab, "quay1.northpier.example"))
