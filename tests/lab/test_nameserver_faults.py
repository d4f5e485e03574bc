"""What the lab's name server can do beside plain answers: views, wildcards, and misbehaving.

Asked with dnspython's client, or by plain sockets where its client would refuse what comes.
"""

import hashlib
import socket
from pathlib import Path

import dns.exception
import dns.flags
import dns.message
import dns.name
import dns.query
import dns.rcode
import dns.rdatatype
import dns.reversename
import msgspec
import pytest
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from lab.cluster import Cluster
from lab.scenario import FOLDER, Scenario, ScenarioError
from lab.tables import NameServerSettings, Records
from lab.zone import NameFault, Zone, Zones
from tests.lab.test_nameserver import ask, data

HOST = "quay1.northpier.example"
GUEST = "guest.northpier.example"
OTHER = "00ff" * 16
"""Nobody's digest."""


def lab(folder: Path, **changes: object) -> Cluster:
    """Return the healthy cluster with some of its tables replaced."""
    scenario = msgspec.structs.replace(Scenario.load("healthy-cluster"), **changes)
    return Cluster(scenario, directory=folder)


def saying(folder: Path, name: str, **said: object) -> Cluster:
    """Return the healthy cluster whose name server says that of one name."""
    return lab(folder, record={name: msgspec.convert(said, Records)})


def place(running: Cluster) -> tuple[str, int]:
    address, _, port = running.resolvers[0].rpartition(":")
    return address, int(port)


def raw(running: Cluster, query: dns.message.Message) -> bytes:
    """Return what comes back over UDP, whatever it is."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as plain:
        plain.settimeout(5)
        plain.sendto(query.to_wire(), place(running))
        return plain.recv(65_535)


# ------------------------------------------------------------ what is there


def test_each_name_server_has_its_own_view(tmp_path: Path) -> None:
    servers = {
        "inside": NameServerSettings(),
        "guest": NameServerSettings(
            view="guest", record={GUEST: Records(A=("quay2",)), HOST: Records(absent=True)}
        ),
    }
    with lab(tmp_path, nameserver=servers) as running:
        addresses = [running.web_place(node)[0] for node in running.names]
        assert data(ask(running, GUEST)) == addresses
        assert data(ask(running, HOST)) == addresses[:1]
        assert data(ask(running, GUEST, server=1)) == addresses[1:2]
        assert ask(running, HOST, server=1).rcode() == dns.rcode.NXDOMAIN
        plan = running.plan_path.read_text("utf-8")
    assert 'view = "guest"' in plan


def test_a_name_server_may_know_its_own_zone_alone(tmp_path: Path) -> None:
    with lab(tmp_path, nameserver={"main": NameServerSettings(recursive=False)}) as running:
        assert data(ask(running, HOST))
        assert ask(running, "nowhere.northpier.example").rcode() == dns.rcode.NXDOMAIN
        for name in ("example", "www.other.example", "11.1.77.127.in-addr.arpa"):
            assert ask(running, name, "CAA").rcode() == dns.rcode.REFUSED


def test_records_are_what_the_scenario_says(tmp_path: Path) -> None:
    caa = ('0 issue "ca.example; account=7"', '128 tbs "x"')
    with saying(tmp_path, "northpier.example", CAA=list(caa)) as running:
        assert data(ask(running, "northpier.example", "CAA")) == sorted(caa)
        assert data(ask(running, HOST, "CAA")) == []  # climbing is the client's business


def test_records_of_keys_are_made_of_certificates(tmp_path: Path) -> None:
    said = ["3 1 1 web", "2 0 2 public-issuing", f"3 0 1 {OTHER}"]
    with saying(tmp_path, GUEST, TLSA=said) as running:
        port = running.web_place("quay1")[1]
        found = data(ask(running, f"_{port}._tcp.{GUEST}", "TLSA"))
        keys = [running.issued(f"web@{node}").certificate.public_key() for node in running.names]
        issuing = running.issued("public-issuing").certificate.public_bytes(Encoding.DER)
    expected = [
        hashlib.sha256(key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo))
        for key in keys
    ]
    lines = [f"3 1 1 {one.hexdigest()}" for one in expected]
    lines += [f"2 0 2 {hashlib.sha512(issuing).hexdigest()}", f"3 0 1 {OTHER}"]
    # dnspython writes the data in groups, with a space between them.
    assert sorted("".join(text.split()) for text in found) == sorted(
        "".join(line.split()) for line in lines
    )


def test_addresses_lead_back_where_the_scenario_says(tmp_path: Path) -> None:
    node = Scenario.load("healthy-cluster").node
    first = msgspec.structs.replace(node["quay1"], reverse=(HOST, "other.example"))
    with lab(tmp_path, node={**node, "quay1": first}) as running:
        owner = dns.reversename.from_address(running.web_place("quay1")[0])
        other = dns.reversename.from_address(running.web_place("quay2")[0])
        assert data(ask(running, owner.to_text(), "PTR")) == ["other.example.", f"{HOST}."]
        assert ask(running, other.to_text(), "PTR").rcode() == dns.rcode.NXDOMAIN


def test_a_wildcard_answers_for_names_that_are_not_there() -> None:
    """RFC 4592, 2.2.1: the example zone, and what its questions are to be answered with."""
    zone = Zone(
        "example",
        {
            "example": {},
            "*.example": {"TXT": ('"this is a wildcard"',), "MX": ("10 host1.example.",)},
            "sub.*.example": {"TXT": ('"this is not a wildcard"',)},
            "host1.example": {"A": ("192.0.2.1",)},
            "_ssh._tcp.host1.example": {"SRV": ("0 0 22 host1.example.",)},
            "_ssh._tcp.host2.example": {"SRV": ("0 0 22 host2.example.",)},
        },
    )
    zones = Zones((zone,))

    def told(name: str, kind: str) -> tuple[bool, bool]:
        said = zones.tell(dns.name.from_text(name), dns.rdatatype.from_text(kind))
        return said.complete, said.missing

    answered, no_data, no_name = (True, False), (False, False), (False, True)
    assert told("host3.example", "MX") == answered
    assert told("host3.example", "A") == no_data
    assert told("foo.bar.example", "TXT") == answered
    assert told("host1.example", "MX") == no_data
    assert told("sub.*.example", "MX") == no_data
    assert told("_telnet._tcp.host1.example", "SRV") == no_name
    assert told("host2.example", "TXT") == no_data
    assert zones.tell(dns.name.from_text("host3.example"), dns.rdatatype.MX).answer[
        0
    ].name == dns.name.from_text("host3.example")


def test_aliases_stand_in_a_row_and_end_where_the_name_did(tmp_path: Path) -> None:
    with saying(tmp_path, GUEST, aliases=18) as running:
        answer = ask(running, GUEST)
        addresses = [running.web_place(node)[0] for node in running.names]
    kinds = [records.rdtype for records in answer.answer]
    assert kinds == [dns.rdatatype.CNAME] * 18 + [dns.rdatatype.A]
    assert sorted(str(record) for record in answer.answer[-1]) == addresses


def test_aliases_in_a_circle_come_once_each(tmp_path: Path) -> None:
    circle = {
        GUEST: Records(CNAME=("portal.northpier.example",)),
        "portal.northpier.example": Records(CNAME=(GUEST,)),
    }
    with lab(tmp_path, record=circle) as running:
        answer = ask(running, GUEST)
    assert answer.rcode() == dns.rcode.NOERROR
    assert [str(records.name) for records in answer.answer] == [
        f"{GUEST}.",
        "portal.northpier.example.",
    ]


def test_a_name_may_hold_any_octets(tmp_path: Path) -> None:
    with saying(tmp_path, GUEST, CNAME=["\\027[2J<b>&.northpier.example"]) as running:
        answer = ask(running, GUEST)
    assert answer.rcode() == dns.rcode.NXDOMAIN
    assert answer.answer[0][0].target.labels[0] == b"\x1b[2J<b>&"


# ------------------------------------------------------------ signed zones


def test_a_signed_zone_is_told_to_those_who_ask_for_it(tmp_path: Path) -> None:
    """RFC 6840, 5.7: AD in a question asks for AD in the answer; DO does too (RFC 4035, 3.2.3)."""
    with lab(tmp_path, signed=True) as running:
        address, port = place(running)

        def secure(name: str, *, flags: int = 0, want_dnssec: bool = False) -> bool:
            query = dns.message.make_query(name, "A", want_dnssec=want_dnssec)
            query.flags |= flags
            answer = dns.query.udp(query, address, port=port, timeout=5)
            return bool(answer.flags & dns.flags.AD)

        assert secure(GUEST, flags=dns.flags.AD)
        assert secure(GUEST, want_dnssec=True)
        assert secure("nowhere.northpier.example", flags=dns.flags.AD)
        assert not secure(GUEST)
        assert not secure("www.other.example", flags=dns.flags.AD)


def test_an_alias_out_of_a_signed_zone_is_not_secure(tmp_path: Path) -> None:
    records = {
        GUEST: Records(CNAME=("portal.other.example",)),
        "portal.other.example": Records(A=("127.99.0.1",)),
    }
    with lab(tmp_path, signed=True, record=records) as running:
        address, port = place(running)
        query = dns.message.make_query(GUEST, "A", flags=dns.flags.RD | dns.flags.AD)
        answer = dns.query.udp(query, address, port=port, timeout=5)
    assert data(answer) == ["127.99.0.1", "portal.other.example."]
    assert not answer.flags & dns.flags.AD


def test_broken_signatures_fail_unless_the_client_validates_itself(tmp_path: Path) -> None:
    """RFC 4035, 3.2.2: CD is set by who is willing to take data that do not validate."""
    with saying(tmp_path, GUEST, fault="bogus") as running:
        address, port = place(running)
        assert ask(running, GUEST).rcode() == dns.rcode.SERVFAIL
        query = dns.message.make_query(GUEST, "A", flags=dns.flags.RD | dns.flags.CD)
        answer = dns.query.udp(query, address, port=port, timeout=5)
        assert answer.rcode() == dns.rcode.NOERROR
        assert len(data(answer)) == 3


# ------------------------------------------------------------ misbehaving


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (NameFault.FAILS, dns.rcode.SERVFAIL),
        (NameFault.REFUSES, dns.rcode.REFUSED),
        (NameFault.NOT_IMPLEMENTED, dns.rcode.NOTIMP),
    ],
)
def test_a_fault_may_concern_one_type_alone(
    tmp_path: Path, fault: NameFault, code: dns.rcode.Rcode
) -> None:
    with saying(tmp_path, GUEST, faults={"CAA": fault, "TLSA": fault}) as running:
        port = running.web_place("quay1")[1]
        assert ask(running, GUEST, "CAA").rcode() == code
        assert ask(running, f"_{port}._tcp.{GUEST}", "TLSA").rcode() == code
        assert len(data(ask(running, GUEST))) == 3
        assert ask(running, HOST, "CAA").rcode() == dns.rcode.NOERROR


def test_a_lame_server_refers_to_others_and_has_no_authority(tmp_path: Path) -> None:
    """RFC 2308, 2.2: a referral has name servers in the authority section, and no SOA."""
    with saying(tmp_path, GUEST, fault="lame") as running:
        answer = ask(running, GUEST)
    assert (answer.rcode(), answer.answer) == (dns.rcode.NOERROR, [])
    assert [records.rdtype for records in answer.authority] == [dns.rdatatype.NS]
    assert not answer.flags & (dns.flags.AA | dns.flags.RA)


def test_an_answer_may_have_another_id_or_question(tmp_path: Path) -> None:
    for fault in ("other-id", "other-question"):
        with saying(tmp_path, GUEST, fault=fault) as running:
            query = dns.message.make_query(GUEST, "A")
            answer = dns.message.from_wire(raw(running, query))
        assert not query.is_response(answer)
        assert (answer.id == query.id) == (fault == "other-question")


def test_a_compressed_name_may_point_at_itself(tmp_path: Path) -> None:
    with saying(tmp_path, GUEST, fault="pointer-loop") as running:
        query = dns.message.make_query(GUEST, "A")
        octets = raw(running, query)
    # All but the pointer is as it should be: header, question, one record.
    assert octets[:2] == query.id.to_bytes(2)
    assert octets[4:12] == b"\0\1\0\1\0\0\0\0"
    end = 12 + len(dns.name.from_text(GUEST).to_wire() or b"") + 4
    assert octets[end : end + 2] == (0xC000 | end).to_bytes(2)
    with pytest.raises(dns.exception.FormError):
        dns.message.from_wire(octets)


def test_a_flood_holds_the_right_addresses_too(tmp_path: Path) -> None:
    with saying(tmp_path, GUEST, fault="flood") as running:
        addresses = {running.web_place(node)[0] for node in running.names}
        found = set(data(ask(running, GUEST)))
        address, port = place(running)
        query = dns.message.make_query(GUEST, "A", use_edns=0, payload=1232)
        assert dns.query.udp(query, address, port=port, timeout=5).flags & dns.flags.TC
        assert set(data(dns.query.tcp(query, address, port=port, timeout=5))) == found
    assert addresses < found
    assert len(found) == 4_003


def test_over_tcp_an_answer_may_break_off(tmp_path: Path) -> None:
    with saying(tmp_path, GUEST, fault="cut-off") as running:
        address, port = place(running)
        query = dns.message.make_query(GUEST, "A")
        assert dns.query.udp(query, address, port=port, timeout=5).flags & dns.flags.TC
        with pytest.raises(EOFError):
            dns.query.tcp(query, address, port=port, timeout=5)


def test_tcp_may_be_closed(tmp_path: Path) -> None:
    with lab(tmp_path, nameserver={"main": NameServerSettings(tcp=False)}) as running:
        address, port = place(running)
        query = dns.message.make_query(GUEST, "A")
        assert data(dns.query.udp(query, address, port=port, timeout=5))
        with pytest.raises(ConnectionRefusedError):
            dns.query.tcp(query, address, port=port, timeout=5)


# ------------------------------------------------------------ nodes with more than one address


def test_a_node_may_have_a_second_interface(tmp_path: Path) -> None:
    node = Scenario.load("healthy-cluster").node
    first = msgspec.structs.replace(node["quay1"], outside=True)
    record = {GUEST: Records(A=("quay1/outside",))}
    with lab(tmp_path, node={**node, "quay1": first}, record=record) as running:
        both = data(ask(running, HOST))
        assert running.web_place("quay1")[0] in both
        (other,) = data(ask(running, GUEST))
        assert {other, running.web_place("quay1")[0]} == set(both)
        with socket.create_connection((other, running.web_place("quay1")[1]), timeout=5):
            pass


@pytest.mark.parametrize("single_address", [False, True])
def test_a_node_may_have_an_ipv6_address(tmp_path: Path, *, single_address: bool) -> None:
    """At the same port: a name is opened at one port, whatever its addresses are."""
    healthy = Scenario.load("healthy-cluster")
    for state in ("served", "closed"):
        first = msgspec.structs.replace(healthy.node["quay1"], ipv6=state)
        scenario = msgspec.structs.replace(healthy, node={**healthy.node, "quay1": first})
        with Cluster(scenario, directory=tmp_path, single_address=single_address) as running:
            port = running.web_place("quay1")[1]
            assert data(ask(running, HOST, "AAAA")) == ["::1"]
            assert data(ask(running, GUEST, "AAAA")) == ["::1"]
            assert data(ask(running, "quay2.northpier.example", "AAAA")) == []
            with socket.create_connection(running.web_place("quay1"), timeout=5):
                pass
            if state == "served":
                with socket.create_connection(("::1", port), timeout=5):
                    pass
            else:
                with pytest.raises(ConnectionRefusedError):
                    socket.create_connection(("::1", port), timeout=5)


# ------------------------------------------------------------ mistakes in a scenario


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("[record.x]\nA = ['quay1/outside']", "'quay1/outside' is no outside interface"),
        ("[record.x]\nTLSA = ['3 1 web']", "'3 1 web' is not usage, selector, matching"),
        ("[nameserver.a.record.x]\nA = ['b/c']", "[nameserver.a.record.'x']: 'b/c' is no outside"),
        ("[record.x]\nfault = 'tired'", "Invalid enum value 'tired'"),
        ("[record.x]\nfaults = { CAX = 'fails' }", "'CAX' is no type of records"),
    ],
)
def test_a_mistake_is_told(tmp_path: Path, table: str, says: str) -> None:
    base = tmp_path / "healthy-cluster.toml"
    base.write_bytes((FOLDER / base.name).read_bytes())
    path = tmp_path / "test.toml"
    path.write_text(f"based_on = 'healthy-cluster'\n{table}\n", "utf-8")
    with pytest.raises(ScenarioError) as caught:
        Scenario.read(path)
    assert says in str(caught.value)
