"""radsecproxy in front of hostapd: what `probe` sees of a RadSec server of other hands, and inside.

It always demands a certificate, cuts no chain short and proves its key; what it cannot show comes
from the lab: a server that demands none, speaks nothing inside TLS, or signs with another secret.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.peers import pki
from tests.peers.hostapd import Radius, hostapd
from tests.peers.plans import eap_table, fingerprints, node_table, write_plan
from tests.peers.proxy import Proxy, radsecproxy
from tests.peers.servers import Running
from tests.running import Result, probe

OURS = ("access-point", "private-issuing")
THEIRS = ("radsec-p-256", "private-issuing")
BEHIND = ("radius-rsa-2048", "private-issuing")


@contextmanager
def running(
    directory: Path, *labels: str, versions: str = "TLS1_2:TLS1_3"
) -> Iterator[tuple[Running, Running]]:
    """Run the proxy with these certificates, and hostapd behind it."""
    root = pki.issued("private-root")[0].pem.decode("ascii")
    with hostapd(directory / "hostapd", Radius(pki.keys(*BEHIND))) as server:
        setup = Proxy(pki.keys(*labels), root, server.port, versions)
        with radsecproxy(directory / "proxy", setup) as proxy:
            yield proxy, server


def write_radsec_plan(
    directory: Path, port: int, *, shows: tuple[str, ...] = OURS, eap: bool = True, more: str = ""
) -> Path:
    """Write the plan, and the certificate and key that it shows; none: it has none."""
    lines = [
        f"[radsec]\nport = {port}",
        'roots = ["private-root.pem"]',
        f'names = ["{pki.RADSEC}"]',
    ]
    if shows:
        chain = pki.issued(*shows)
        (directory / "peer.pem").write_bytes(b"".join(one.pem for one in chain))
        key = directory / "peer.key"
        key.touch(mode=0o600)
        key.write_bytes(chain[0].key_pem)
        lines += ['certificate = "peer.pem"', 'key = { file = "peer.key" }']
    tables = [eap_table(1812, "PEAP")] if eap else []
    return write_plan(directory, "\n".join([*lines, more, ""]), *tables, node_table())


def looked(directory: Path, port: int, *arguments: str, **plan: object) -> Result:
    written = write_radsec_plan(directory, port, **plan)  # type: ignore[arg-type]  # passed through
    return probe(written, "--only", "radsec", *arguments)


@pytest.mark.parametrize("labels", [THEIRS, ("radsec-rsa-2048", "private-issuing")])
@pytest.mark.parametrize(
    ("versions", "tls"), [("TLS1_3:TLS1_3", "TLSv1.3"), ("TLS1_2:TLS1_2", "TLSv1.2")]
)
def test_the_chain_and_what_is_said_inside(
    tmp_path: Path, labels: tuple[str, ...], versions: str, tls: str
) -> None:
    with running(tmp_path, *labels, versions=versions) as (proxy, server):
        result = looked(tmp_path, proxy.port)
        log = server.logged()
    (entry,) = result.endpoints("radsec")
    assert (entry["outcome"], entry["tls"], entry["key_proven"]) == ("served", tls, True)
    assert entry["chain"] == fingerprints(*labels)
    assert entry["asked"]["server_name"] == pki.RADSEC
    assert entry["client_authorities"] == ["CN=Northpier Root"]
    assert entry["radsec"]["certificate_asked"] is True
    assert entry["radsec"]["alpn"] is None
    (inside,) = result.closer("inside", "radsec")
    assert (inside["outcome"], inside["chain"]) == ("served", fingerprints(*labels))
    assert inside["radsec"]["status_reply"] == "Access-Accept"
    assert inside["radsec"]["eap_outcome"] == "served"
    assert inside["radsec"]["eap_chain"] == fingerprints(*BEHIND)
    assert inside["method"] == "PEAP"
    assert inside["round_trips"] == 3
    # hostapd's own log: one session, begun and ended.
    assert log.count("RADIUS SRV: Creating a new session") == 1
    assert log.count("EAP authentication failed") == 1
    assert result.findings() == set()
    assert result.status == 0


def test_without_a_certificate_nothing_is_said_inside(tmp_path: Path) -> None:
    """Under TLS 1.3 too, where the refusal would come behind the chain."""
    with running(tmp_path, *THEIRS) as (proxy, server):
        result = looked(tmp_path, proxy.port, shows=())
        log = server.logged()
    (entry,) = result.endpoints("radsec")
    assert (entry["outcome"], entry["radsec"]["certificate_asked"]) == ("served", True)
    assert result.closer("inside", "radsec") == []
    assert "Creating a new session" not in log
    assert (result.findings(), result.status) == (set(), 0)


@pytest.mark.parametrize("versions", ["TLS1_3:TLS1_3", "TLS1_2:TLS1_2"])
def test_a_strangers_certificate_is_refused(tmp_path: Path, versions: str) -> None:
    with running(tmp_path, *THEIRS, versions=versions) as (proxy, server):
        result = looked(tmp_path, proxy.port, shows=("stranger", "public-issuing"))
        log = server.logged()
    (inside,) = result.closer("inside", "radsec")
    assert (inside["outcome"], inside["alert"]) == ("refused", "unknown_ca")
    assert inside["chain"] == fingerprints(*THEIRS)
    assert "Creating a new session" not in log
    assert result.findings() == {("radsec-refused", "radsec", ("quay1",), None)}
    assert result.status == 4  # unseen: it may be our own certificate's fault


def test_without_eap_in_the_plan_a_sign_of_life_is_all(tmp_path: Path) -> None:
    with running(tmp_path, *THEIRS) as (proxy, server):
        result = looked(tmp_path, proxy.port, eap=False)
        log = server.logged()
    (inside,) = result.closer("inside", "radsec")
    assert inside["radsec"]["status_reply"] == "Access-Accept"
    assert inside["radsec"]["eap_outcome"] is None
    assert "Creating a new session" not in log


def test_in_depth_it_is_the_same_and_old_versions_are_refused(tmp_path: Path) -> None:
    with running(tmp_path, *THEIRS) as (proxy, _):
        plan = write_radsec_plan(tmp_path, proxy.port)
        result = probe(plan, "--only", "radsec", command=("node", "quay1"))
    old = result.closer("old-version", "radsec")
    assert [one["outcome"] for one in old] == ["refused", "refused"]
    assert (result.findings(), result.status) == (set(), 0)


@pytest.mark.parametrize(
    ("labels", "rule"),
    [
        (("radsec-p-256",), "radsec-chain-incomplete"),
        (("radsec-ended", "private-issuing"), "radsec-expired"),
        (("web-p-256", "public-issuing"), "radsec-unknown-root"),
        (("radius-p-256", "private-issuing"), "radsec-name-mismatch"),
        (("access-point", "private-issuing"), "radsec-wrong-purpose"),
    ],
)
def test_what_is_wrong_with_its_certificate(
    tmp_path: Path, labels: tuple[str, ...], rule: str
) -> None:
    """It serves whatever it is given. What goes under the finding is not of interest here."""
    with running(tmp_path, *labels) as (proxy, _):
        result = looked(tmp_path, proxy.port, shows=())
    (entry,) = result.endpoints("radsec")
    assert entry["chain"] == fingerprints(*labels)
    assert (rule, "radsec", ("quay1",), None) in result.findings()
    assert result.status == 1


def test_a_port_that_nobody_has(tmp_path: Path) -> None:
    with running(tmp_path, *THEIRS) as (proxy, _):
        port = proxy.port
    result = looked(tmp_path, port)
    assert result.findings() == {("radsec-closed", "radsec", ("quay1",), None)}
    (inside,) = result.closer("inside", "radsec")
    assert inside["detail"].startswith("as the visit before")
