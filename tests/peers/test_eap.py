"""hostapd's EAP server serves what it was given; `probe cluster` must report exactly that."""

from pathlib import Path
from typing import Any

import pytest

from tests.peers.hostapd import Radius, hostapd, left_behind, sessions
from tests.peers.pki import ECDSA, LONG, RSA, issued, keys
from tests.peers.plans import eap_table, fingerprints, node_table, write_plan
from tests.peers.rounds import after_the_proof, hostapd_fragments, round_trips
from tests.running import Result, probe


def visit(
    directory: Path, setup: Radius, *methods: str, more: str = ""
) -> tuple[Result, dict[str, Any], str]:
    """Probe one hostapd by EAP; return the result, its one EAP entry, and the server's log."""
    with hostapd(directory / "hostapd", setup) as server:
        plan = write_plan(directory, eap_table(server.port, *methods, more=more), node_table())
        result = probe(plan, "--only", "eap")
        log = server.logged()
    (entry,) = result.endpoints("eap")
    return result, entry, log


def told_by(log: str, *, method: str, fragment: int) -> int:
    """Return the round trips that the one session of a server's log asks for."""
    (session,) = sessions(log)
    assert session.flight is not None
    assert session.agreed is not None
    fragments = hostapd_fragments(session.flight, after_the_proof(method, session.agreed), fragment)
    return round_trips(len(session.proposed) - 1, fragments)


@pytest.mark.parametrize(("labels", "fragment"), [(RSA, 300), (ECDSA, 1398)], ids=["rsa", "ecdsa"])
@pytest.mark.parametrize("tls", ["TLSv1.2", "TLSv1.3"])
@pytest.mark.parametrize(("method", "naks"), [("PEAP", 0), ("EAP-TTLS", 1), ("EAP-TLS", 1)])
def test_the_chain_is_the_configured_one(
    tmp_path: Path, method: str, naks: int, tls: str, labels: tuple[str, ...], fragment: int
) -> None:
    setup = Radius(keys(*labels), fragment_size=fragment, tls=(tls,))
    result, entry, log = visit(tmp_path, setup, method)
    assert entry["outcome"] == "served"
    assert entry["chain"] == fingerprints(*labels)
    assert entry["method"] == method
    assert entry["tls"] == tls
    assert entry["key_family"] == ("rsa" if labels is RSA else "ecdsa")
    assert entry["key_proven"] is True
    assert entry["round_trips"] == told_by(log, method=method, fragment=fragment)
    assert len(entry["proposed"]) == 1 + naks
    assert result.findings() == set()
    assert result.status == 0


@pytest.mark.parametrize("tls", ["TLSv1.2", "TLSv1.3"])
@pytest.mark.parametrize(
    ("labels", "rules"),
    [
        pytest.param(RSA[:1], {"eap-chain-incomplete"}, id="leaf-only"),
        pytest.param((*RSA, "private-root"), set(), id="root-served"),
        pytest.param((RSA[0], "private-root", RSA[1]), set(), id="misordered"),
        pytest.param((*RSA, RSA[1], "public-root"), set(), id="surplus"),
        pytest.param(LONG, set(), id="long"),
    ],
)
def test_odd_chains_are_reported_as_served(
    tmp_path: Path, labels: tuple[str, ...], rules: set[str], tls: str
) -> None:
    setup = Radius(keys(*labels), fragment_size=1398, tls=(tls,))
    result, entry, log = visit(tmp_path, setup, "PEAP")
    assert entry["chain"] == fingerprints(*labels)
    assert entry["round_trips"] == told_by(log, method="PEAP", fragment=1398)
    assert {rule for rule, *_ in result.findings()} == rules


@pytest.mark.parametrize(
    ("labels", "fragment", "expected"),
    [(RSA, 1024, 4), (LONG, 500, 18), (LONG, 1024, 10), (LONG, 1398, 7)],
)
def test_round_trips_are_those_of_another_client(
    tmp_path: Path, labels: tuple[str, ...], fragment: int, expected: int
) -> None:
    """Figures that a client written apart from this one took of this server, under TLS 1.2."""
    _, entry, _ = visit(tmp_path, Radius(keys(*labels), fragment_size=fragment), "PEAP")
    assert entry["round_trips"] == expected


def test_a_server_with_two_key_families_shows_one_of_them(tmp_path: Path) -> None:
    setup = Radius(keys(*RSA), second=keys(*ECDSA))
    result, entry, _ = visit(tmp_path, setup, "PEAP")
    expected = {"rsa": fingerprints(*RSA), "ecdsa": fingerprints(*ECDSA)}
    assert entry["chain"] == expected[entry["key_family"]]
    assert result.findings() == set()


def test_certificates_come_whole(tmp_path: Path) -> None:
    result, _, _ = visit(tmp_path, Radius(keys(*RSA)), "PEAP")
    reported = {entry["pem"] for entry in result.document["certificates"].values()}
    assert {one.pem.decode() for one in issued(*RSA)} <= reported


def test_a_sweep_visits_by_two_methods_and_compares_nothing_wrongly(tmp_path: Path) -> None:
    """Three methods in the plan: one conversation for the first, one for the rest."""
    with hostapd(tmp_path / "hostapd", Radius(keys(*RSA))) as server:
        table = eap_table(server.port, "PEAP", "EAP-TTLS", "EAP-TLS")
        result = probe(write_plan(tmp_path, table, node_table()), "--only", "eap")
    assert {entry["method"] for entry in result.endpoints("eap")} == {"PEAP", "EAP-TTLS"}
    assert len(result.endpoints("eap")) == 2
    assert all(entry["chain"] == fingerprints(*RSA) for entry in result.endpoints("eap"))
    assert (result.status, result.findings()) == (0, set())


@pytest.mark.parametrize("tls", ["TLSv1.2", "TLSv1.3"])
def test_the_conversation_is_ended_politely(tmp_path: Path, tls: str) -> None:
    """No session is left behind: the server read our alert and rejected at once."""
    setup = Radius(keys(*RSA), tls=(tls,))
    _, _, log = visit(tmp_path, setup, "PEAP")
    assert "remote TLS alert: user canceled" in log
    assert "Sending Access-Reject" in log
    assert left_behind(log) == []


# ---------------------------------------------------------------- no chain

QUICK = "[limits]\nradius_first_wait = 0.1\nradius_longest_wait = 0.2\nradius_silence = 0.7\n"


def test_a_wrong_secret_meets_silence(tmp_path: Path) -> None:
    """RFC 3579, 3.2: a request with a wrong Message-Authenticator is silently discarded."""
    setup = Radius(keys(*RSA), secret="another-secret")  # noqa: S106  # made up
    result, entry, log = visit(tmp_path, setup, "PEAP", more=QUICK)
    assert (entry["outcome"], entry["chain"]) == ("silent", [])
    assert result.findings() == {("eap-silent", "eap", ("quay1",), None)}
    assert result.status == 4
    assert "Invalid Message-Authenticator" in log


def test_an_unknown_identity_is_rejected_early(tmp_path: Path) -> None:
    result, entry, _ = visit(tmp_path, Radius(keys(*RSA), users='"ferryman" PEAP'), "PEAP")
    assert (entry["outcome"], entry["phase"]) == ("rejected", "identity")
    assert result.findings() == {("eap-rejected-early", "eap", ("quay1",), None)}
    assert result.status == 4


def test_a_method_that_is_not_offered_is_refused(tmp_path: Path) -> None:
    result, entry, _ = visit(tmp_path, Radius(keys(*RSA), users="* MD5"), "PEAP")
    assert (entry["outcome"], entry["phase"]) == ("method-refused", "method")
    assert result.findings() == {("eap-method-refused", "eap", ("quay1",), None)}
    assert result.status == 1


def test_a_server_without_a_common_tls_version_refuses(tmp_path: Path) -> None:
    """It answers the ClientHello with an Access-Reject, and often without any alert."""
    setup = Radius(keys(*RSA), tls=())
    result, entry, _ = visit(tmp_path, setup, "PEAP")
    assert (entry["outcome"], entry["phase"]) == ("refused", "hello")
    assert {rule for rule, *_ in result.findings()} == {"eap-refused"}


def test_a_stopped_server_is_closed(tmp_path: Path) -> None:
    with hostapd(tmp_path / "hostapd", Radius(keys(*RSA))) as server:
        plan = write_plan(tmp_path, eap_table(server.port, "PEAP"), node_table())
    result = probe(plan, "--only", "eap")
    assert result.findings() == {("eap-closed", "eap", ("quay1",), None)}
    assert result.status == 1
