"""The CAs that independent servers name when they ask for a client's certificate (EAP-TLS)."""

from collections.abc import Sequence
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from tests.peers.freeradius import Setup, freeradius, talks
from tests.peers.hostapd import CURRENT, EVERY_VERSION, Radius, hostapd, left_behind, sessions
from tests.peers.looking import ONE_BY_ONE, Looked, check_rounds, look
from tests.peers.pki import LONG, RSA, issued, keys
from tests.peers.plans import eap_table, fingerprints, node_table, write_plan
from tests.peers.servers import Running
from tests.peers.ways import OTHER

CLIENTS = "public-root"
"""Here the CA of the clients' certificates: any would do."""
OTHERS = ("private-root", "private-issuing")
MANY = (CLIENTS, *OTHERS, *(f"ring-{number}" for number in range(1, 10)))

TEXTS = {
    "public-root": "CN=Lab Public Root",
    "private-root": "CN=Northpier Root",
    "private-issuing": "CN=Northpier Issuing",
    **{f"ring-{number}": f"CN=Northpier Ring {number}" for number in range(1, 10)},
}


def named(directory: Path, *labels: str) -> Path:
    """Return a file of CAs for a server to name."""
    path = directory / f"named-{'-'.join(labels)[:40]}.pem"
    path.write_bytes(b"".join(one.pem for one in issued(*labels)))
    return path


def subjects(*labels: str) -> list[bytes]:
    """Return their names in DER, as their maker's library writes them."""
    return [one.certificate.subject.public_bytes() for one in issued(*labels)]


def look_at(
    directory: Path,
    serving: AbstractContextManager[Running],
    *methods: str,
    command: Sequence[str] = ("node", "quay1"),
    client_issuers: Sequence[str] = (CLIENTS,),
) -> Looked:
    with serving as server:
        table = eap_table(server.port, *methods)
        tables = (table, ONE_BY_ONE, node_table())
        plan = write_plan(directory, *tables, client_issuers=client_issuers)
        result, records = look(plan, command=command)
        return Looked(result, records, server.logged())


@pytest.mark.parametrize(
    ("tls", "fragment"), list(zip(EVERY_VERSION, (1400, 300, 300, 1020), strict=True))
)
def test_the_names_are_the_configured_ones(tmp_path: Path, tls: str, fragment: int) -> None:
    """Under TLS 1.2 they come behind the certificate and under 1.3 before it; what is read on for
    them is no round trip up to the chain."""
    setup = Radius(
        keys(*LONG), tls=(tls,), fragment_size=fragment, authorities=named(tmp_path, *MANY)
    )
    seen = look_at(tmp_path, hostapd(tmp_path / "hostapd", setup), "EAP-TLS", "PEAP")
    shown = [one for one in seen.records if one.served is not None and one.served.tls == tls]
    assert shown
    for record in shown:
        assert record.eap is not None
        assert record.served is not None
        assert list(record.served.chain) == fingerprints(*LONG)
        if record.asked.until_request and record.eap.method == "EAP-TLS":
            assert record.eap.client_authorities == tuple(TEXTS[label] for label in MANY)
    check_rounds(seen.conversations(), fragment, subjects(*MANY))
    assert left_behind(seen.log) == []
    rules = {rule for rule, *_ in seen.result.findings()}
    assert rules == (set() if tls in CURRENT else {"eap-old-tls"})


@pytest.mark.parametrize("highest", ["1.2", "1.3"])
def test_freeradius_names_them_too(tmp_path: Path, highest: str) -> None:
    setup = Setup(keys(*RSA), highest=highest, authorities=named(tmp_path, *MANY), most=1)
    seen = look_at(tmp_path, freeradius(tmp_path / "freeradius", setup), "PEAP", "EAP-TLS")
    record = seen.record("EAP-TLS")
    assert record.eap is not None
    assert set(record.eap.client_authorities or ()) == {TEXTS[label] for label in MANY}
    assert seen.result.findings() == set()
    assert all(talked.over for talked in talks(seen.log))


@pytest.mark.parametrize("command", [("node", "quay1"), ("cluster",)], ids=["node", "sweep"])
@pytest.mark.parametrize("tls", CURRENT)
def test_a_planned_client_issuer_that_is_not_named_is_missed(
    tmp_path: Path, tls: str, command: tuple[str, ...]
) -> None:
    """A sweep reads on for the names too, where the plan says which CA clients come from."""
    setup = Radius(keys(*RSA), tls=(tls,), authorities=named(tmp_path, *OTHERS))
    serving = hostapd(tmp_path / "hostapd", setup)
    seen = look_at(tmp_path, serving, "PEAP", "EAP-TLS", command=command)
    assert seen.result.findings() == {("eap-client-authority-missing", "eap", ("quay1",), None)}
    finding = seen.finding("eap-client-authority-missing")
    assert finding["verdict"] == "blocked"
    assert "Lab Public Root" in finding["says"]
    assert "quay1" in finding["remedy"]
    assert left_behind(seen.log) == []


def test_a_server_that_names_nobody_is_a_note(tmp_path: Path) -> None:
    """An empty list admits any (RFC 5246, 7.4.4)."""
    serving = hostapd(tmp_path / "hostapd", Radius(keys(*RSA), tls=CURRENT))
    seen = look_at(tmp_path, serving, "PEAP", "EAP-TLS")
    record = seen.record("EAP-TLS")
    assert record.eap is not None
    assert record.eap.client_authorities == ()
    assert seen.result.findings() == set()
    assert "eap-client-authority-missing" in seen.notes()


def test_nodes_that_name_different_cas_are_told_apart(tmp_path: Path) -> None:
    """One by hostapd and one by FreeRADIUS, which answers from where it was asked; the same
    certificate. One names the clients' CA."""
    radius = Radius(keys(*RSA), tls=CURRENT, authorities=named(tmp_path, CLIENTS, *OTHERS))
    setup = Setup(keys(*RSA), authorities=named(tmp_path, *OTHERS))
    with (
        hostapd(tmp_path / "hostapd", radius) as first,
        freeradius(tmp_path / "freeradius", setup) as second,
    ):
        plan = write_plan(
            tmp_path,
            eap_table(first.port, "PEAP", "EAP-TLS"),
            node_table("quay1"),
            node_table("quay2", f"eap.port = {second.port}", address=OTHER),
            client_issuers=(CLIENTS,),
        )
        result, _ = look(plan, command=("cluster",))
        logs = first.logged(), second.logged()
    assert result.findings() == {("eap-client-authority-missing", "eap", ("quay2",), None)}
    (finding,) = result.document["findings"]
    assert [one["rule"] for one in finding["folded"]] == ["eap-client-authorities-differ"]
    assert len(sessions(logs[0])) == len(talks(logs[1])) == 2
    assert left_behind(logs[0]) == []
    assert all(talked.over for talked in talks(logs[1]))
