"""nginx serves what it was given; `probe cluster` must report exactly that."""

from pathlib import Path

import pytest

from tests.peers.pki import GUEST, HOST, keys
from tests.peers.plans import fingerprints, node_table, write_plan
from tests.peers.servers import Site, nginx
from tests.running import Result, probe

RSA = ("web-rsa-2048", "public-issuing")
ECDSA = ("web-p-256", "public-issuing")
SERVICE = f'[[service]]\nname = "{GUEST}"\nendpoint = "web"\naudience = "guests"\n'


def visit(directory: Path, *sites: Site, tls: str = "TLSv1.2 TLSv1.3") -> Result:
    with nginx(directory / "nginx", sites, protocols=tls) as server:
        web = f"[web]\nport = {server.port}\n"
        return probe(write_plan(directory, web, SERVICE, node_table()), "--only", "web")


@pytest.mark.parametrize("tls", ["TLSv1.2", "TLSv1.3"])
@pytest.mark.parametrize("labels", [RSA, ECDSA], ids=["rsa", "ecdsa"])
def test_the_chain_is_the_configured_one(tmp_path: Path, labels: tuple[str, ...], tls: str) -> None:
    result = visit(tmp_path, Site(HOST, (keys(*labels),)), tls=tls)
    entries = result.endpoints("web")
    assert [entry["name"] for entry in entries] == [GUEST, HOST]
    for entry in entries:
        assert entry["outcome"] == "served"
        assert entry["chain"] == fingerprints(*labels)
        assert entry["tls"] == tls
        assert entry["key_family"] == ("rsa" if labels is RSA else "ecdsa")
        assert entry["key_proven"] is True
    assert (result.status, result.findings()) == (0, set())


@pytest.mark.parametrize(
    ("labels", "rules"),
    [
        pytest.param(RSA[:1], {"web-chain-incomplete"}, id="leaf-only"),
        pytest.param((*RSA, "public-root"), set(), id="root-served"),
        pytest.param((RSA[0], "public-root", RSA[1]), set(), id="misordered"),
        pytest.param((*RSA, "private-root", RSA[1]), set(), id="surplus"),
    ],
)
def test_odd_chains_are_reported_as_served(
    tmp_path: Path, labels: tuple[str, ...], rules: set[str]
) -> None:
    result = visit(tmp_path, Site(HOST, (keys(*labels),)))
    for entry in result.endpoints("web"):
        assert entry["chain"] == fingerprints(*labels)
    assert {rule for rule, *_ in result.findings()} == rules


def test_each_name_gets_its_own_certificate(tmp_path: Path) -> None:
    """Server name indication (RFC 6066, 3): the name opened decides what is served."""
    guest = ("web-guest", "public-issuing")
    result = visit(tmp_path, Site(HOST, (keys(*RSA),)), Site(GUEST, (keys(*guest),)))
    assert {entry["name"]: entry["chain"] for entry in result.endpoints("web")} == {
        HOST: fingerprints(*RSA),
        GUEST: fingerprints(*guest),
    }
    assert (result.status, result.findings()) == (0, set())


def test_a_name_that_the_certificate_lacks_is_found(tmp_path: Path) -> None:
    """The twin: only the guests' certificate is there, and the node's own name gets it too."""
    result = visit(tmp_path, Site(GUEST, (keys("web-guest", "public-issuing"),)))
    assert ("web-name-mismatch", "web", ("quay1",), HOST) in result.findings()
    assert result.status == 1


def test_a_server_with_two_key_families_shows_one_of_them(tmp_path: Path) -> None:
    result = visit(tmp_path, Site(HOST, (keys(*RSA), keys(*ECDSA))))
    expected = {"rsa": fingerprints(*RSA), "ecdsa": fingerprints(*ECDSA)}
    for entry in result.endpoints("web"):
        assert entry["chain"] == expected[entry["key_family"]]
    assert result.findings() == set()


def test_a_stopped_server_is_closed(tmp_path: Path) -> None:
    with nginx(tmp_path / "nginx", [Site(HOST, (keys(*RSA),))]) as server:
        plan = write_plan(tmp_path, f"[web]\nport = {server.port}\n", node_table())
    result = probe(plan, "--only", "web")
    assert result.findings() == {("web-closed", "web", ("quay1",), None)}
    assert result.status == 1
