"""Complete logins against hostapd, which shares no line with this project: what it lets in, what it
turns away, and that both sides then hold the same keys."""

import dataclasses
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.serialization import Encoding

from lab.authority import Blueprint, Workshop
from probe.observation.model import Method, Outcome, Phase, TlsVersion
from probe.records import replace
from probe.wire.credential import Account, ClientCertificate, Credential, Inner
from probe.wire.login import Login
from probe.wire.mppe import SessionKeys
from probe.wire.radius import Reply
from tests.peers.hostapd import Radius, hostapd
from tests.peers.logins import Held, log_in
from tests.peers.pki import issued, keys
from tests.peers.servers import Running

TLS12, TLS13 = TlsVersion.TLS1_2, TlsVersion.TLS1_3
CHAIN = ("radius-rsa-2048", "private-issuing")
PASSWORD = "a ferry at dawn, £5"  # noqa: S105  # made up, and good on loopback only
ACCOUNT = Account("ferryman", PASSWORD)
BY_PAP = replace(ACCOUNT, inner=Inner.PAP)
USERS = (
    f'"ferryman" MSCHAPV2,TTLS-MSCHAPV2,TTLS-PAP "{PASSWORD}" [2]\n'
    "radius_accept_attr=64:d:13\nradius_accept_attr=65:d:6\nradius_accept_attr=81:s:quayside\n"
    f'"HARBOUR\\ferryman" MSCHAPV2 "{PASSWORD}" [2]'
)
VLAN = {
    ("Tunnel-Type", "VLAN"),
    ("Tunnel-Medium-Type", "IEEE-802"),
    ("Tunnel-Private-Group-ID", "quayside"),
}

# ---------------------------------------------------------------- the clients' certificates

DEVICES = (
    Blueprint("devices", common_name="Northpier Devices", key="RSA-2048", authority=True),
    *(
        Blueprint(
            label,
            issuer="devices",
            common_name=f"{label}.devices.northpier.example",
            names=(f"{label}.devices.northpier.example",),
            key=key,
            purposes=("client",),
            ends=ends,
        )
        for label, key, ends in (
            ("tablet", "RSA-2048", 300),
            ("scanner", "P-256", 300),
            ("expired", "RSA-2048", -2),
            ("revoked", "RSA-2048", 300),
        )
    ),
    Blueprint("strangers", common_name="Strangers", key="RSA-2048", authority=True),
    Blueprint("stranger", issuer="strangers", common_name="a stranger", purposes=("client",)),
)


@cache
def devices() -> Workshop:
    return Workshop(DEVICES, datetime.now(UTC).replace(microsecond=0))


def certificate(label: str) -> ClientCertificate:
    (one,) = devices().chain((label,))
    return ClientCertificate.read(one.pem, one.key_pem)


@cache
def trusted() -> str:
    """The devices' CA, and its list, which holds one of them."""
    ca, revoked = devices().chain(("devices", "revoked"))
    now = datetime.now(UTC)
    entry = x509.RevokedCertificateBuilder(revoked.certificate.serial_number, now)
    crl = (
        x509.CertificateRevocationListBuilder()
        .issuer_name(ca.certificate.subject)
        .last_update(now - timedelta(hours=1))
        .next_update(now + timedelta(days=1))
        .add_revoked_certificate(entry.build())
        .sign(ca.key, hashes.SHA256())  # type: ignore[arg-type]  # an RSA key, as it says above
    )
    return ca.pem.decode() + crl.public_bytes(Encoding.PEM).decode()


@contextmanager
def server(directory: Path, tls: TlsVersion, **changes: object) -> Iterator[Running]:
    setup = Radius(
        keys(*CHAIN),
        tls=(tls.value,),
        inner=USERS,
        more=("ca_cert=devices.pem", "check_crl=1"),
        files=(("devices.pem", trusted()),),
        shows_keys=True,
    )
    with hostapd(directory / "hostapd", dataclasses.replace(setup, **changes)) as running:  # type: ignore[arg-type]  # fields of Radius
        yield running


def always(credential: Credential) -> Callable[[Login], Credential]:
    return lambda _: credential


def derived(log: str) -> bytes:
    """The last key that hostapd says it has derived for the session: the MSK."""
    dumps = re.findall(
        r"EAP-(?:TTLS|PEAP|TLS): Derived key - hexdump\(len=\d+\): ([0-9a-f ]+)", log
    )
    return bytes.fromhex(dumps[-1])[:64]


# ---------------------------------------------------------------- it lets in

ACCEPTED = [
    (Method.PEAP, ACCOUNT, 0, TLS12),
    (Method.PEAP, ACCOUNT, 1, TLS12),
    (Method.PEAP, ACCOUNT, 1, TLS13),
    *((Method.EAP_TTLS, ACCOUNT, 0, tls) for tls in (TLS12, TLS13)),
    *((Method.EAP_TTLS, BY_PAP, 0, tls) for tls in (TLS12, TLS13)),
]


@pytest.mark.parametrize(("method", "account", "version", "tls"), ACCEPTED)
def test_an_account_is_let_in(
    tmp_path: Path, method: Method, account: Account, version: int, tls: TlsVersion
) -> None:
    with server(tmp_path, tls) as running:
        held = log_in(running.port, method, always(account), tls=tls, peap_version=version)
        log = running.logged()
    came_in(held, log, tls)
    if method is Method.PEAP and version == 0:
        assert "EAP-PEAP: Valid cryptobinding TLV received" in log
    login = held.login.login
    assert login.inner == account.inner.value
    assert set(login.attributes) >= VLAN
    assert "Vendor-Specific 311" not in dict(login.attributes)
    assert not any(b"ferryman" in eap or b"dawn" in eap for eap in held.sent)


@pytest.mark.parametrize("label", ["tablet", "scanner"])
@pytest.mark.parametrize("tls", [TLS12, TLS13])
def test_a_certificate_is_let_in(tmp_path: Path, tls: TlsVersion, label: str) -> None:
    with server(tmp_path, tls) as running:
        held = log_in(running.port, Method.EAP_TLS, always(certificate(label)), tls=tls)
        log = running.logged()
    came_in(held, log, tls)
    assert held.login.login.inner is None
    if tls is TLS13:
        # RFC 9190, 2.1.8: under TLS 1.2 the certificate goes in the clear.
        assert not any(label.encode() in eap for eap in held.sent)


def came_in(held: Held, log: str, tls: TlsVersion) -> None:
    conversation, login = held.login, held.login.login
    assert held.last.kind == "Access-Accept"
    assert (conversation.outcome, conversation.phase) == (Outcome.SERVED, Phase.FINISH)
    assert conversation.certificates == tuple(one.der for one in issued(*CHAIN))
    assert conversation.served is not None
    assert conversation.served.tls is tls
    assert conversation.served.key_proven is True
    assert (login.sent, login.accepted, login.detail) == (True, True, None)
    # Both sides' keys: ours against what came, and what came against what hostapd says it has.
    assert login.keys_agree is True
    sent = held.last.session_keys
    assert sent is not None
    assert sent.receive is not None
    assert sent.send is not None
    assert sent.receive + sent.send == derived(log)


@pytest.mark.parametrize("fragment", [100, 400])
@pytest.mark.parametrize("tls", [TLS12, TLS13])
def test_small_fragments_carry_a_login(tmp_path: Path, tls: TlsVersion, fragment: int) -> None:
    with server(tmp_path, tls, fragment_size=fragment) as running:
        held = log_in(
            running.port,
            Method.EAP_TLS,
            always(certificate("tablet")),
            tls=tls,
            fragment_size=fragment,
        )
        came_in(held, running.logged(), tls)


def test_a_domain_is_not_hashed(tmp_path: Path) -> None:
    """RFC 2759, 8.2: the name is hashed without the domain before it."""
    account = replace(ACCOUNT, name="HARBOUR\\ferryman")
    with server(tmp_path, TLS12) as running:
        held = log_in(running.port, Method.PEAP, always(account))
    assert held.login.login.accepted is True


def test_cryptobinding_of_this_server_under_tls_1_3_does_not_hold(tmp_path: Path) -> None:
    """hostapd 2.10 exports 64 octets for PEAP's tunnel key, where RFC 9427, 2.1 says 128. Under
    TLS 1.3 the length goes into the exporter, so the keys differ: a careful supplicant stays out.
    """
    with server(tmp_path, TLS13) as running:
        held = log_in(running.port, Method.PEAP, always(ACCOUNT), tls=TLS13)
    login = held.login.login
    assert (login.sent, login.accepted) == (True, False)
    assert login.detail is not None
    assert "takes its tunnel key from 64 octets" in login.detail


@pytest.mark.parametrize("tls", [TLS12, TLS13])
def test_other_keys_do_not_agree(tmp_path: Path, tls: TlsVersion) -> None:
    """The twin of the above: one bit of one key is turned on the way."""

    def turned(reply: Reply) -> Reply:
        sent = reply.session_keys
        if sent is None or sent.send is None:
            return reply
        other = bytes((sent.send[0] ^ 1,)) + sent.send[1:]
        return replace(reply, session_keys=SessionKeys(sent.receive, other))

    with server(tmp_path, tls) as running:
        held = log_in(running.port, Method.EAP_TTLS, always(ACCOUNT), tls=tls, on_the_way=turned)
    assert (held.login.login.accepted, held.login.login.keys_agree) == (True, False)


# ---------------------------------------------------------------- it turns away

WRONG = replace(ACCOUNT, password="a ferry at dusk")  # noqa: S106  # made up
NOBODY = replace(ACCOUNT, name="nobody")
REASONS = {
    Method.PEAP: "MSCHAPv2 error 691 (authentication failure)",
    Method.EAP_TTLS: "MSCHAPv2 without an error code",
}


@pytest.mark.parametrize(
    ("method", "account", "version", "tls"), [*ACCEPTED, (Method.PEAP, ACCOUNT, 0, TLS13)]
)
def test_a_wrong_password_is_tried_once(
    tmp_path: Path, method: Method, account: Account, version: int, tls: TlsVersion
) -> None:
    wrong = replace(account, password=WRONG.password)
    with server(tmp_path, tls) as running:
        held = log_in(running.port, method, always(wrong), tls=tls, peap_version=version)
        log = running.logged()
    login = held.login.login
    assert held.last.kind == "Access-Reject"
    assert held.login.outcome is Outcome.SERVED
    assert (login.sent, login.accepted, login.keys_agree) == (True, False, None)
    expected = "without a reason" if account is BY_PAP else REASONS[method]
    assert (login.detail or "").startswith(expected)
    tries = re.findall(
        r"EAP-MSCHAPV2: Received Response|EAP-TTLS/MSCHAPV2: (?:Incorrect|Invalid) |"
        r"EAP-TTLS/PAP: Invalid user password|EAP-MSCHAPV2: Invalid NT-Response",
        log,
    )
    assert len(tries) == 1


@pytest.mark.parametrize(("method", "account", "version", "tls"), ACCEPTED)
def test_an_unknown_account_is_turned_away(
    tmp_path: Path, method: Method, account: Account, version: int, tls: TlsVersion
) -> None:
    nobody = replace(account, name="nobody")
    with server(tmp_path, tls) as running:
        held = log_in(running.port, method, always(nobody), tls=tls, peap_version=version)
    assert held.last.kind == "Access-Reject"
    assert (held.login.login.sent, held.login.login.accepted) == (True, False)
    assert held.login.login.detail is not None


@pytest.mark.parametrize(
    ("label", "alert"),
    [
        ("expired", "certificate expired"),
        ("revoked", "certificate revoked"),
        ("stranger", "unknown CA"),
    ],
)
@pytest.mark.parametrize("tls", [TLS12, TLS13])
def test_a_bad_certificate_is_turned_away(
    tmp_path: Path, tls: TlsVersion, label: str, alert: str
) -> None:
    """This server makes an alert that says why, and then keeps it to itself: the reject comes
    without a reason, against RFC 9190, 2.1.4."""
    with server(tmp_path, tls) as running:
        held = log_in(running.port, Method.EAP_TLS, always(certificate(label)), tls=tls)
    assert f"local TLS alert: {alert}" in running.logged()
    login = held.login.login
    assert held.last.kind == "Access-Reject"
    assert (login.sent, login.accepted) == (True, False)
    assert login.detail == "without a reason"
    assert held.login.outcome is Outcome.SERVED


# ---------------------------------------------------------------- nothing is sent


@pytest.mark.parametrize("method", [Method.PEAP, Method.EAP_TTLS, Method.EAP_TLS])
@pytest.mark.parametrize("tls", [TLS12, TLS13])
def test_nothing_is_sent_without_approval(tmp_path: Path, tls: TlsVersion, method: Method) -> None:
    """The chain is in hand and its key proven; the server is left politely, with TLS unfinished."""
    asked: list[Sequence[bytes]] = []

    def decline(login: Login) -> None:
        assert login.served is not None
        assert login.served.key_proven is True
        asked.append(login.certificates)

    with server(tmp_path, tls) as running:
        held = log_in(running.port, method, decline, tls=tls)
    log = running.logged()
    assert asked == [tuple(one.der for one in issued(*CHAIN))]
    login = held.login.login
    assert held.login.outcome is Outcome.SERVED
    assert (login.sent, login.accepted, login.detail) == (False, None, "declined by the test")
    assert held.last.kind == "Access-Reject"
    assert "remote TLS alert: user canceled" in log
    assert "Removing completed session" in log
    assert "ferryman" not in log.split("AP-ENABLED", 1)[1]
    assert "SSL: Handshake finished" not in log
    assert "certificate request" in log or method is not Method.EAP_TLS
