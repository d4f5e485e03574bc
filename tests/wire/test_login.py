"""Logins against servers in memory: those that prove nothing, break off, or want more than is due.

That a login works is shown on a server that shares no code with it (`tests/peers/test_login.py`).
"""

from base64 import encodebytes
from collections.abc import Generator
from contextlib import suppress
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from OpenSSL import SSL
from rich.pretty import pretty_repr

from probe.limits import DEFAULT, Limits
from probe.observation.model import Method, Outcome, TlsVersion
from probe.records import replace
from probe.wire import eap, openssl
from probe.wire.credential import Account, ClientCertificate, CredentialError, Inner
from probe.wire.eap import EapPacket
from probe.wire.fragments import Fragment
from probe.wire.hello import Hello, connection
from probe.wire.login import Login
from probe.wire.mppe import SessionKeys, session_keys
from probe.wire.tls import TlsClient
from tests.wire.eapserver import Answer, EapServer
from tests.wire.handmade import tls12_flight
from tests.wire.loginserver import Held, LoginServer, Script, accept, hold, reject
from tests.wire.pki import MemoryServer, der, make_chain, make_key, server_context
from tests.wire.test_conversation import challenge, request

TLS12, TLS13 = TlsVersion.TLS1_2, TlsVersion.TLS1_3
CHAIN = make_chain("rsa")
ACCOUNT = Account("ferryman", "a lantern in the fog")
BY_PAP = replace(ACCOUNT, inner=Inner.PAP)
Play = Generator[bytes | Answer | None, bytes, None]

IDENTITY = b"\x01"
CHALLENGE = b"\x1a\x01\x07\0\x1a\x10" + bytes(range(16)) + b"quay1"
"""EAP-MSCHAPv2 as PEAP version 0 has it, without a header: [MS-CHAP] 2.2, [MS-PEAP] 3.1.5.6."""
WRONG_PROOF = b"S=" + b"0123456789ABCDEF0123456789ABCDEF01234567" + b" M=welcome"
RESULT = b"\x01\x09\0\x0b\x21\x80\x03\0\x02\0\x01"
"""The TLV that says success, with its header."""


def context(version: TlsVersion = TLS13) -> SSL.Context:
    return server_context(CHAIN.key, CHAIN.leaf, CHAIN.intermediate, version=version)


def certificate() -> ClientCertificate:
    pem = CHAIN.leaf.public_bytes(Encoding.PEM) + CHAIN.intermediate.public_bytes(Encoding.PEM)
    key = CHAIN.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    return ClientCertificate.read(pem, key)


def wants_certificate(version: TlsVersion, *, takes_it: bool) -> SSL.Context:
    found = context(version)
    found.set_verify(SSL.VERIFY_PEER | SSL.VERIFY_FAIL_IF_NO_PEER_CERT, lambda *_: takes_it)
    return found


def mschap(code: int, message: bytes) -> bytes:
    return bytes((0x1A, code, 7)) + (4 + len(message)).to_bytes(2) + message


def saying(*said: bytes | Answer | None) -> Script:
    """Say this, one after another, whatever is heard."""

    def script(_: SSL.Connection) -> Play:
        for each in (*said, reject()):  # noqa: UP028  # a tuple takes nothing that is sent
            yield each

    return script


def in_peap(*said: bytes | Answer, version: TlsVersion = TLS13, account: Account = ACCOUNT) -> Held:
    """What becomes of a login by PEAP when the server says this, one after another."""
    server = LoginServer(context(version), Method.PEAP, saying(*said))
    return hold(server, Method.PEAP, account)


# ---------------------------------------------------------------- before approval


@pytest.mark.parametrize("method", [Method.PEAP, Method.EAP_TTLS, Method.EAP_TLS])
@pytest.mark.parametrize("version", [TLS12, TLS13])
def test_it_waits_with_the_chain_in_hand(version: TlsVersion, method: Method) -> None:
    """Identity, ClientHello, then what acknowledges fragments: nothing else has left by then."""
    script = saying()
    server = LoginServer(wants_certificate(version, takes_it=True), method, script)
    held = hold(server, method, None, version=version)
    assert held.login.certificates == der(CHAIN.leaf, CHAIN.intermediate)
    assert held.login.served is not None
    assert held.login.served.key_proven is True
    seen = held.login.login
    assert (seen.sent, seen.accepted, seen.detail) == (False, None, "declined by the test")
    assert held.login.outcome is Outcome.SERVED
    assert held.before_approval is not None
    packets = [EapPacket.parse(each) for each in held.sent[2 : held.before_approval]]
    assert all(Fragment.parse(packet.data).acknowledges for packet in packets)
    assert len(held.sent) == held.before_approval + 1
    # RFC 9846, 6.1: user_canceled and close_notify, in the clear.
    farewell = Fragment.parse(EapPacket.parse(held.sent[-1]).data)
    assert farewell.data == bytes.fromhex("1503030002015a15030300020100")
    assert server.inside_heard == []


OAKLEY_2 = """\
-----BEGIN DH PARAMETERS-----
MIGHAoGBAP//////////yQ/aoiFowjTExmKLgNwc0SkCTgiKZ8x0Agu+pjsTmyJR
Sgh5jjQE3e+VGbPNOkMbMCsKbfJfFDdP4TVtbVHCReSFtXZiXn7G9ExC6aY37WsL
/1y29Aa37e44a/taiZ+lrp8kEXxLH+ZJKGZR7OZTgf//////////AgEC
-----END DH PARAMETERS-----
"""
"""RFC 2409, 6.2: 1024 bits."""


def test_nothing_is_said_over_a_weak_key_exchange(tmp_path: Path) -> None:
    """The certificate and the signature are good, and what is said could be read all the same
    (RFC 9325, 4.5). Whoever only looks at the chain takes it."""
    (tmp_path / "dh.pem").write_text(OAKLEY_2, "ascii")
    found = context(TLS12)
    found.set_cipher_list(b"DHE-RSA-AES128-GCM-SHA256:@SECLEVEL=0")
    found.load_tmp_dh(tmp_path / "dh.pem")
    server = LoginServer(found, Method.EAP_TTLS, saying())
    held = hold(server, Method.EAP_TTLS, BY_PAP, version=TLS12)
    assert held.before_approval is None
    assert held.login.login.sent is False
    assert "dh key too small" in (held.login.login.detail or "")
    assert server.inside_heard == []
    careless = TlsClient(Hello(versions=(TLS12,)), DEFAULT)
    careless.receive(MemoryServer(found).receive(careless.start()))
    assert careless.served is not None
    assert careless.served.key_proven is True


@pytest.mark.parametrize(("careful", "answer"), [(True, 21), (False, 22)])
def test_a_login_is_not_begun_again_behind_the_handshake(careful: bool, answer: int) -> None:
    """RFC 5246, 7.4.1.1: a client that does not want to renegotiate answers HelloRequest by an
    alert, and not by another ClientHello."""
    client = connection(Hello(versions=(TLS12,), careful=careful))
    server = SSL.Connection(context(TLS12), None)
    server.set_accept_state()

    def step(one: SSL.Connection, came: bytes) -> bytes:
        if came:
            one.bio_write(came)
        with suppress(SSL.WantReadError):
            one.do_handshake()
        with suppress(SSL.WantReadError):
            one.recv(1)
        with suppress(SSL.WantReadError):
            return one.bio_read(1 << 16)
        return b""

    flight = step(client, b"")
    for one in (server, client, server, client):
        flight = step(one, flight)
    server.renegotiate()
    with suppress(SSL.WantReadError):
        server.do_handshake()
    assert step(client, server.bio_read(1 << 16))[0] == answer


def test_an_unproven_key_is_never_asked_about() -> None:
    """A flight whose signature another key made: there is no question of sending anything."""
    login = Login(
        identity="anonymous",
        method=Method.PEAP,
        hello=Hello(versions=(TLS12,)),
        fragment_size=1400,
        limits=DEFAULT,
    )
    login.start()
    hello = login.receive(request(1, eap.Type.PEAP, Fragment(start=True)))
    assert hello is not None
    flight = tls12_flight(hello[6:], der(CHAIN.leaf), make_key("rsa", 7))
    assert login.receive(request(2, eap.Type.PEAP, Fragment(flight))) is None
    assert login.finished
    assert not login.awaiting_approval
    assert login.served is not None
    assert login.served.key_proven is False
    assert login.login.sent is False
    with pytest.raises(ValueError, match="nothing awaits approval"):
        login.approve(ACCOUNT)


@pytest.mark.parametrize("version", [TLS12, TLS13])
def test_an_early_accept_is_no_login(version: TlsVersion) -> None:
    server = EapServer(context(version))

    def answer(octets: bytes) -> Answer:
        first = EapPacket.parse(octets).type == eap.Type.IDENTITY
        return EapServer.answer(server, octets) if first else accept()

    server.answer = answer  # type: ignore[method-assign]  # one server that lets anybody in
    held = hold(server, Method.PEAP, ACCOUNT, version=version)
    assert held.login.outcome is Outcome.MALFORMED
    assert held.login.login.sent is False
    assert held.login.login.detail == "Access-Accept before anything was proven"


def test_the_kind_of_credential_has_to_fit() -> None:
    def script(_: SSL.Connection) -> Play:
        yield reject()

    for method, wrong in (
        (Method.PEAP, certificate()),
        (Method.PEAP, BY_PAP),
        (Method.EAP_TLS, ACCOUNT),
    ):
        server = LoginServer(wants_certificate(TLS13, takes_it=True), method, script)
        with pytest.raises(ValueError, match=r"credential|PAP"):
            hold(server, method, wrong)
        assert server.inside_heard == []


def test_teap_logs_nobody_in() -> None:
    with pytest.raises(ValueError, match="TEAP"):
        Login(identity="a", method=Method.TEAP, hello=Hello(), fragment_size=900, limits=DEFAULT)


def test_without_a_way_to_hold_a_certificate_back_none_is_used(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(openssl, "HAS_HOLDING", False)
    with pytest.raises(ValueError, match="hold a certificate back"):
        Login(identity="a", method=Method.EAP_TLS, hello=Hello(), fragment_size=900, limits=DEFAULT)


# ---------------------------------------------------------------- EAP-TLS


@pytest.mark.parametrize("version", [TLS12, TLS13])
def test_an_alert_about_our_certificate_is_acknowledged(version: TlsVersion) -> None:
    """RFC 5216, 2.1.3 and RFC 9190, 2.1.4: an empty response, then the server says Failure."""
    script = saying(accept())
    server = LoginServer(wants_certificate(version, takes_it=False), Method.EAP_TLS, script)
    held = hold(server, Method.EAP_TLS, certificate(), version=version)
    seen = held.login.login
    assert (seen.sent, seen.accepted) == (True, False)
    assert seen.detail == "the server sent the alert unknown_ca"
    assert server.acknowledged_alert
    assert held.login.outcome is Outcome.SERVED


@pytest.mark.parametrize(
    ("said", "detail"),
    [
        ((b"\0",), None),
        ((), "accepted, but the server owes its protected success indication (RFC 9190, 2.5)"),
    ],
)
def test_the_last_word_of_the_server_is_missed(said: tuple[bytes, ...], detail: str | None) -> None:
    """RFC 9190, 2.5: one octet 0 under TLS 1.3, before the success."""
    script = saying(*said, accept())
    server = LoginServer(wants_certificate(TLS13, takes_it=True), Method.EAP_TLS, script)
    seen = hold(server, Method.EAP_TLS, certificate()).login.login
    assert (seen.sent, seen.accepted, seen.detail) == (True, True, detail)
    assert seen.keys_agree is None


def test_other_data_in_eap_tls_are_an_error() -> None:
    def script(_: SSL.Connection) -> Play:
        yield b"good morning"
        yield accept()

    server = LoginServer(wants_certificate(TLS13, takes_it=True), Method.EAP_TLS, script)
    seen = hold(server, Method.EAP_TLS, certificate()).login.login
    assert (seen.accepted, seen.detail) == (None, "12 octets of application data in EAP-TLS")


@pytest.mark.parametrize("version", [TLS12, TLS13])
def test_a_server_that_wants_no_certificate_is_told(version: TlsVersion) -> None:
    def script(_: SSL.Connection) -> Play:
        yield b"\0" if version is TLS13 else None
        yield accept()

    server = LoginServer(context(version), Method.EAP_TLS, script)
    seen = hold(server, Method.EAP_TLS, certificate(), version=version).login.login
    assert (seen.accepted, seen.detail) == (
        True,
        "accepted, but the server asked for no certificate",
    )


# ---------------------------------------------------------------- PEAP


@pytest.mark.parametrize("version", [TLS12, TLS13])
def test_a_server_that_does_not_know_the_password_is_left(version: TlsVersion) -> None:
    """RFC 2759, 5: "the peer MUST end the session"."""
    script = saying(IDENTITY, CHALLENGE, mschap(3, WRONG_PROOF), RESULT, accept())
    server = LoginServer(context(version), Method.PEAP, script)
    held = hold(server, Method.PEAP, ACCOUNT, version=version)
    seen = held.login.login
    assert (seen.sent, seen.accepted) == (True, None)
    assert seen.detail == (
        "the server's answer does not prove that it knows the password (RFC 2759, 5)"
    )
    # Name and response, and nothing after the wrong proof but close_notify.
    assert len(server.inside_heard) == 2
    assert held.login.outcome is Outcome.SERVED


def test_the_response_is_made_once() -> None:
    held = in_peap(IDENTITY, CHALLENGE, CHALLENGE)
    assert held.login.login.detail == "a second MSCHAPv2 challenge"


def test_a_retry_that_is_offered_is_not_taken() -> None:
    """RFC 2759, 6: R=1 offers one, with a challenge. The answer acknowledges, and no more."""
    said = b"E=691 R=1 C=00112233445566778899AABBCCDDEEFF V=3 M=no such luck"

    def script(_: SSL.Connection) -> Play:
        yield IDENTITY
        yield CHALLENGE
        heard = yield mschap(4, said)
        assert heard == b"\x1a\x04"
        yield reject()

    server = LoginServer(context(), Method.PEAP, script)
    seen = hold(server, Method.PEAP, ACCOUNT).login.login
    assert (seen.accepted, seen.detail) == (
        False,
        "MSCHAPv2 error 691 (authentication failure): no such luck",
    )
    assert len(server.inside_heard) == 3


def test_an_accept_without_proof_is_doubted() -> None:
    seen = in_peap(IDENTITY, CHALLENGE, accept()).login.login
    assert (seen.accepted, seen.detail) == (
        True,
        "accepted, but the server owes its proof that it knows the password (RFC 2759, 5)",
    )


def test_another_inner_method_is_asked_for() -> None:
    """RFC 3748, 5.3.1, without a header: type 3, then the one that is spoken here."""

    def script(_: SSL.Connection) -> Play:
        heard = yield IDENTITY
        assert heard == b"\x01ferryman"
        heard = yield b"\x06Password:"
        assert heard == b"\x03\x1a"
        yield reject()

    server = LoginServer(context(), Method.PEAP, script)
    seen = hold(server, Method.PEAP, ACCOUNT).login.login
    assert (seen.accepted, seen.detail) == (False, "inside PEAP it proposes GTC")


def test_packets_that_are_never_shortened_are_answered_whole() -> None:
    """[MS-PEAP] 3.1.5.6: capabilities (Expanded) have a header in version 0 too."""

    def script(_: SSL.Connection) -> Play:
        yield IDENTITY
        heard = yield bytes.fromhex("0105000cfe0001370000002200000000")[:12]
        assert heard == bytes.fromhex("02050006031a")
        yield reject()

    hold(LoginServer(context(), Method.PEAP, script), Method.PEAP, ACCOUNT)


def test_a_failure_inside_is_agreed_to() -> None:
    """[MS-PEAP] 3.2.5.4.7: a Result TLV of 2 is answered by one of 2; so is a success that is not
    due."""

    def script(_: SSL.Connection) -> Play:
        yield IDENTITY
        heard = yield bytes.fromhex("0109000b21800300020002")
        assert heard == bytes.fromhex("0209000b21800300020002")
        heard = yield bytes.fromhex("010a000b21800300020001")
        assert heard == bytes.fromhex("020a000b21800300020002")
        yield reject()

    seen = hold(LoginServer(context(), Method.PEAP, script), Method.PEAP, ACCOUNT).login.login
    assert (seen.accepted, seen.detail) == (False, "the result inside TLS is a failure")


@pytest.mark.parametrize(
    ("said", "detail"),
    [
        (b"\x1a", "an MSCHAPv2 packet whose length does not add up"),
        (b"\x1a\x01\x07\0\x0a\x04quay", "an MSCHAPv2 packet whose length does not add up"),
        (mschap(1, b"\x04quay"), "an MSCHAPv2 challenge that has not 16 octets"),
        (mschap(3, WRONG_PROOF), "an MSCHAPv2 packet of code 3 out of turn"),
        (mschap(9, b""), "an MSCHAPv2 packet of code 9 out of turn"),
        (b"\x03\x1a", "inside PEAP: a Request of type Nak"),
        (bytes.fromhex("010900092180030002"), "a TLV is cut off"),
        (bytes.fromhex("0109000521"), "TLVs without a result"),
        (bytes.fromhex("0109000921c0630000"), None),
        (bytes.fromhex("03090004"), "EAP-Success inside TLS before anything was proven"),
        (bytes.fromhex("0209000b21800300020001"), "inside PEAP: EAP Response"),
    ],
)
def test_what_breaks_peap_ends_it(said: bytes, detail: str | None) -> None:
    seen = in_peap(IDENTITY, said).login.login
    expected = "TLV 99 of 0 octets is mandatory and not known here" if detail is None else detail
    assert (seen.sent, seen.accepted, seen.detail) == (True, None, expected)


def test_a_talk_without_an_end_is_left() -> None:
    limits = Limits(eap_rounds=12)

    def script(_: SSL.Connection) -> Play:
        while True:
            yield IDENTITY

    server = LoginServer(context(), Method.PEAP, script)
    held = hold(server, Method.PEAP, ACCOUNT, limits=limits)
    assert held.login.finished
    assert len(held.sent) == 13
    assert held.login.login.accepted is None


# ---------------------------------------------------------------- EAP-TTLS


def in_ttls(account: Account, *said: bytes | Answer) -> tuple[Held, list[bytes]]:
    server = LoginServer(context(), Method.EAP_TTLS, saying(None, *said))
    return hold(server, Method.EAP_TTLS, account), server.inside_heard


def test_pap_fills_the_password_up() -> None:
    """RFC 5281, 10.1 and 11.2.5: User-Name (1) and User-Password (2), both mandatory, filled up to
    four octets, the password to sixteen before that."""
    held, heard = in_ttls(BY_PAP, accept())
    name = bytes.fromhex("0000000140000010") + b"ferryman"
    password = bytes.fromhex("0000000240000028") + b"a lantern in the fog" + bytes(12)
    assert heard == [name + password]
    seen = held.login.login
    assert (seen.sent, seen.accepted, seen.detail, seen.inner) == (True, True, None, "PAP")


def test_mschapv2_goes_as_microsoft_attributes() -> None:
    """RFC 5281, 11.2.4: User-Name, MS-CHAP-Challenge (311/11) and MS-CHAP2-Response (311/25)."""
    _, (heard,) = in_ttls(ACCOUNT, accept())
    assert heard[:16] == bytes.fromhex("0000000140000010") + b"ferryman"
    assert heard[16:28] == bytes.fromhex("0000000bc000001c00000137")
    assert heard[44:56] == bytes.fromhex("00000019c000003e00000137")
    assert len(heard) == 56 + 50 + 2
    assert heard[57] == 0  # flags
    assert heard[74:82] == bytes(8)  # reserved


@pytest.mark.parametrize(
    ("said", "detail"),
    [
        (bytes.fromhex("00000063400000"), "an attribute of EAP-TTLS is cut off"),
        (bytes.fromhex("0000006340000007"), "an attribute of EAP-TTLS has length 7"),
        (bytes.fromhex("00000063400000ff"), "an attribute of EAP-TTLS has length 255"),
        (bytes.fromhex("00000063c000000800000137"), "an attribute of EAP-TTLS has length 8"),
        (
            bytes.fromhex("0000006340000008"),
            "attribute 99 of EAP-TTLS is mandatory and not known here",
        ),
    ],
)
@pytest.mark.parametrize("account", [ACCOUNT, BY_PAP])
def test_what_breaks_ttls_ends_it(account: Account, said: bytes, detail: str) -> None:
    held, heard = in_ttls(account, said)
    seen = held.login.login
    assert (seen.sent, seen.accepted, seen.detail) == (True, None, detail)
    assert len(heard) == 1


def test_attributes_that_may_be_passed_over_are() -> None:
    held, _ = in_ttls(BY_PAP, bytes.fromhex("0000006300000008"), accept())
    assert held.login.login.detail is None


def test_a_wrong_proof_in_ttls_is_left() -> None:
    success = b"\0\0\0\x1a\xc0\0\0\x37\0\0\x01\x37" + b"\x00" + WRONG_PROOF[:42] + b"\0"
    held, heard = in_ttls(ACCOUNT, success, accept())
    seen = held.login.login
    assert (seen.sent, seen.accepted) == (True, None)
    assert len(heard) == 1


# ---------------------------------------------------------------- anything

OCTETS = st.binary(max_size=80)
BEGINNINGS = (b"\x1a\x01\x07", b"\x1a\x03\x07", b"\x01\x09\0", b"\0\0\0\x1a\xc0\0\0", b"")


@settings(max_examples=60, deadline=None, database=None, derandomize=True)
@given(st.lists(st.builds(bytes.__add__, st.sampled_from(BEGINNINGS), OCTETS), max_size=4))
@pytest.mark.parametrize(
    ("method", "account", "version"),
    [
        (Method.PEAP, ACCOUNT, 0),
        (Method.PEAP, ACCOUNT, 1),
        (Method.EAP_TTLS, ACCOUNT, 0),
        (Method.EAP_TTLS, BY_PAP, 0),
    ],
)
def test_whatever_is_said_inside_ends_in_a_verdict(
    method: Method, account: Account, version: int, said: list[bytes]
) -> None:
    """Never an exception, and never accepted without an Access-Accept."""
    first = (IDENTITY,) if method is Method.PEAP and not version else (None,)
    server = LoginServer(context(), method, saying(*first, *said), version=version)
    held = hold(server, method, account, peap_version=version)
    assert held.login.finished
    assert held.login.outcome is Outcome.SERVED
    assert held.login.login.accepted is not True
    assert sum(b"\x1a\x02" in heard[:6] for heard in server.inside_heard) <= 1


@settings(deadline=None, database=None, derandomize=True)
@given(st.lists(st.builds(bytes.__add__, st.sampled_from((b"\0\0\x01\x37", b"")), OCTETS)))
def test_whatever_stands_in_a_reply_is_no_traceback(values: list[bytes]) -> None:
    """RFC 2548, 2.4.2: what does not add up decrypts to nothing."""
    keys = session_keys(values, b"secret", bytes(16))
    assert keys is None or keys.send is not None or keys.receive is not None


# ---------------------------------------------------------------- secrets and credentials


def test_nothing_shows_a_secret() -> None:
    held, _ = in_ttls(BY_PAP, accept())
    shown = repr((ACCOUNT, certificate(), held.login.login, vars(held.login)))
    assert "lantern" not in shown
    assert "PRIVATE" not in shown


def test_session_keys_are_not_shown() -> None:
    reply = replace(challenge(None), session_keys=SessionKeys(b"lantern", b"lantern"))
    assert reply.session_keys is not None
    assert "session_keys" not in repr(reply)
    assert "lantern" not in repr((reply, reply.session_keys))
    assert "lantern" not in pretty_repr((reply, reply.session_keys))


@pytest.mark.parametrize(
    ("name", "password"),
    [("", "x"), ("x" * 254, "x"), ("x", "x" * 257), ("x", "\udcff"), ("\ud800", "x")],
)
def test_an_account_that_cannot_be_said_is_refused(name: str, password: str) -> None:
    with pytest.raises(CredentialError) as refused:
        Account(name, password)
    assert refused.value.__cause__ is None
    assert "xx" not in str(refused.value)


def armoured(certificate: bytes) -> bytes:
    label = b"CERTIFICATE-----\n"
    return b"-----BEGIN " + label + encodebytes(certificate) + b"-----END " + label


def test_a_certificate_that_cannot_be_used_is_refused() -> None:
    pem = CHAIN.leaf.public_bytes(Encoding.PEM)
    key = CHAIN.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    locked = CHAIN.key.private_bytes(
        Encoding.PEM, PrivateFormat.PKCS8, BestAvailableEncryption(b"a lantern")
    )
    other = make_key("rsa", 9).private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    version_10 = CHAIN.leaf.public_bytes(Encoding.DER).replace(
        b"\xa0\3\2\1\2", b"\xa0\3\2\1\x09", 1
    )
    for certificates, private, why in (
        (b"", key, "certificate cannot be read"),
        (key, key, "certificate cannot be read"),
        (armoured(version_10), key, "certificate cannot be read"),
        (pem, b"", "key cannot be read"),
        (pem, pem, "key cannot be read"),
        (pem, locked, "key cannot be read"),
        (pem, other, "not that of its certificate"),
    ):
        with pytest.raises(CredentialError, match=why):
            ClientCertificate.read(certificates, private)
