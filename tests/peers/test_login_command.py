"""`probe node --login` against hostapd: the whole way, from the look over approval to Accept."""

import json
import subprocess
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from lab.authority import Blueprint, Workshop
from tests.peers.hostapd import CURRENT, Radius, hostapd
from tests.peers.pki import EXPECTED, keys
from tests.peers.plans import eap_table, node_table, write_plan
from tests.running import PROBE, Result, probe

SOUND = ("radius-rsa-2048", "private-issuing")
PASSWORD = "lantern-and-mooring"  # noqa: S105  # made up, and good on loopback only
SETUP = Radius(
    keys(*SOUND),
    tls=CURRENT,
    inner=(
        f'"ferryman" MSCHAPV2,TTLS-MSCHAPV2,TTLS-PAP "{PASSWORD}" [2]\n'
        "radius_accept_attr=64:d:13\nradius_accept_attr=65:d:6\nradius_accept_attr=81:s:quayside"
    ),
)
VLAN = {
    "Tunnel-Type": "VLAN",
    "Tunnel-Medium-Type": "IEEE-802",
    "Tunnel-Private-Group-ID": "quayside",
}


@cache
def devices() -> Workshop:
    """Return the workshop of clients' certificates."""
    blueprints = (
        Blueprint("devices", common_name="Northpier Devices", key="RSA-2048", authority=True),
        Blueprint(
            "tablet",
            issuer="devices",
            common_name="tablet.devices.northpier.example",
            purposes=("client",),
        ),
    )
    return Workshop(blueprints, datetime.now(UTC).replace(microsecond=0))


@dataclass(frozen=True)
class Ended:
    """What came of one login."""

    result: Result
    entry: dict[str, Any]
    log: str

    @property
    def login(self) -> dict[str, Any]:
        login: dict[str, Any] = self.entry["login"]
        return login


def account(directory: Path, *lines: str, name: str = "ferryman", password: str = PASSWORD) -> str:
    """Return a plan's [login] by an account, with its password in a file."""
    secret = directory / "account.secret"
    secret.touch(mode=0o600)
    secret.write_text(password, "utf-8")
    return "\n".join(
        ["[login]", *lines, f'account = "{name}"', 'password = { file = "account.secret" }', ""]
    )


def certificate(directory: Path) -> str:
    """Return a plan's [login] by the tablet's certificate."""
    tablet = devices()["tablet"]
    (directory / "tablet.pem").write_bytes(tablet.pem)
    key = directory / "tablet.key"
    key.touch(mode=0o600)
    key.write_bytes(tablet.key_pem)
    return '[login]\ncertificate = "tablet.pem"\nkey = { file = "tablet.key" }\n'


def log_in(directory: Path, login: str, setup: Radius = SETUP, more: str = "") -> Ended:
    """Run `probe node --login` against one hostapd."""
    with hostapd(directory / "hostapd", setup) as server:
        table = eap_table(server.port, "PEAP", "EAP-TTLS", "EAP-TLS", more=more)
        plan = write_plan(directory, table, login, node_table())
        arguments = ("--only", "eap", "--repeat", "1", "--login")
        result = probe(plan, *arguments, command=("node", "quay1"))
        log = server.logged()
    (entry,) = result.closer("login", "eap")
    return Ended(result, entry, log)


def with_devices(setup: Radius) -> Radius:
    """Return a server that takes certificates of the devices' CA."""
    files = (*setup.files, ("devices.pem", devices()["devices"].pem.decode()))
    return replace(setup, files=files, more=(*setup.more, "ca_cert=devices.pem"))


PEAP = ('method = "PEAP"',)
TTLS = ('method = "EAP-TTLS"',)
TTLS_PAP = ('method = "EAP-TTLS"', 'inner = "PAP"')


@pytest.mark.parametrize(
    ("lines", "inner", "tls"),
    [
        # Under TLS 1.3 hostapd binds PEAP version 0 otherwise than RFC 9427 (`test_login.py`).
        (PEAP, "MSCHAPv2", "TLSv1.2"),
        (TTLS, "MSCHAPv2", "TLSv1.2"),
        (TTLS, "MSCHAPv2", "TLSv1.3"),
        (TTLS_PAP, "PAP", "TLSv1.2"),
        (TTLS_PAP, "PAP", "TLSv1.3"),
    ],
)
def test_an_account_is_let_in(tmp_path: Path, lines: tuple[str, ...], inner: str, tls: str) -> None:
    setup = replace(SETUP, tls=(tls,))
    ended = log_in(tmp_path, account(tmp_path, *lines), setup)
    assert ended.login["sent"] is True
    assert ended.login["accepted"] is True
    assert ended.login["detail"] is None
    assert ended.login["inner"] == inner
    assert ended.login["keys_agree"] is True
    said = {one["name"]: one["value"] for one in ended.login["attributes"]}
    assert said.items() >= VLAN.items()
    assert not any("MPPE" in name or "Vendor" in name for name in said)
    assert ended.entry["tls"] == tls
    assert ended.entry["outcome"] == "served"
    assert ended.result.document["complete"] is True
    assert (ended.result.status, ended.result.stderr) == (0, "")
    assert ended.log.count("CTRL-EVENT-EAP-SUCCESS") == 1


@pytest.mark.parametrize("tls", ["TLSv1.2", "TLSv1.3"])
def test_a_certificate_is_let_in(tmp_path: Path, tls: str) -> None:
    setup = with_devices(replace(SETUP, tls=(tls,)))
    ended = log_in(tmp_path, certificate(tmp_path), setup)
    assert ended.login["sent"] is True
    assert ended.login["accepted"] is True
    assert ended.login["keys_agree"] is True
    assert ended.entry["method"] == "EAP-TLS"
    assert ended.result.status == 0


@pytest.mark.parametrize(
    ("name", "password", "why", "proofs"),
    [
        ("ferryman", "another password", "MSCHAPv2 error 691 (authentication failure)", 1),
        ("stowaway", PASSWORD, "the result inside TLS is a failure", 0),
    ],
)
def test_who_is_not_let_in_is_told_so_once(
    tmp_path: Path, name: str, password: str, why: str, proofs: int
) -> None:
    """It is an answer, and no rule speaks of it: the verdict is that of everything else."""
    given = account(tmp_path, 'method = "PEAP"', name=name, password=password)
    ended = log_in(tmp_path, given)
    assert ended.login["sent"] is True
    assert ended.login["accepted"] is False
    assert ended.login["keys_agree"] is None
    assert ended.result.document["complete"] is True
    assert ended.result.document["findings"] == []
    assert ended.result.status == 0
    assert ended.result.stderr.startswith("probe: the login was rejected")
    assert why in ended.login["detail"]
    assert ended.log.count("EAP-MSCHAPV2: Invalid NT-Response") == proofs
    assert password not in ended.result.stderr + json.dumps(ended.result.document)


@pytest.mark.parametrize(
    ("served", "expected", "why"),
    [
        pytest.param(SOUND, "radius.another.example", "no entry is", id="wrong-name"),
        pytest.param(
            ("web-guest", "public-issuing"), "guest.northpier.example", "root", id="unknown-root"
        ),
        pytest.param(SOUND[:1], EXPECTED, "Northpier Issuing", id="incomplete"),
    ],
)
@pytest.mark.parametrize("method", ["PEAP", "EAP-TTLS", "EAP-TLS"])
def test_a_server_that_is_not_sound_is_asked_for_nothing_more(
    tmp_path: Path, method: str, served: tuple[str, ...], expected: str, why: str
) -> None:
    """hostapd's own log has no identity and no certificate from inside TLS. That the plan takes the
    finding as known is no approval."""
    by_certificate = method == "EAP-TLS"
    login = certificate(tmp_path) if by_certificate else account(tmp_path, f'method = "{method}"')
    setup = with_devices(replace(SETUP, keys=keys(*served)))
    for rule in ("eap-name-unexpected", "eap-unknown-root", "eap-chain-incomplete"):
        login += f'[[accept]]\nrule = "{rule}"\nreason = "known"\nuntil = 2090-01-01\n'
    with hostapd(tmp_path / "hostapd", setup) as server:
        table = eap_table(server.port, method).replace(EXPECTED, expected)
        plan = write_plan(tmp_path, table, login, node_table())
        arguments = ("--only", "eap", "--repeat", "1", "--login")
        result = probe(plan, *arguments, command=("node", "quay1"))
        log = server.logged()
    (entry,) = result.closer("login", "eap")
    assert entry["outcome"] == "not-asked"
    assert entry["login"]["sent"] is False
    assert entry["login"]["accepted"] is None
    assert why in entry["login"]["detail"]
    assert entry["id"] in result.document["unseen"]
    assert result.status == 1
    assert "nothing of the credential was sent" in result.stderr
    assert "ferryman" not in log
    assert "tablet" not in log
    assert "SUCCESS" not in log


def test_people_are_told_of_it_on_the_first_screen(tmp_path: Path) -> None:
    with hostapd(tmp_path / "hostapd", replace(SETUP, tls=("TLSv1.2",))) as server:
        table = eap_table(server.port, "PEAP")
        login = account(tmp_path, 'method = "PEAP"')
        plan = write_plan(tmp_path, table, login, node_table())
        done = subprocess.run(
            [PROBE, "node", "quay1", plan, "--only", "eap", "--repeat", "1", "--login"],
            capture_output=True,
            check=False,
            encoding="utf-8",
            stdin=subprocess.DEVNULL,
            timeout=60,
        )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    said = done.stdout.split("\nWhat is served\n")[0]
    assert "by PEAP with MSCHAPv2: accepted" in said
    assert "the key material (MS-MPPE) is the same on both sides" in said
    assert "Tunnel-Private-Group-ID=quayside" in said
    assert "The login proves the way for its own account" in done.stdout
