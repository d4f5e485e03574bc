"""The TLS client joined in memory with a library's server, and with servers made by hand."""

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime

import pytest
from cryptography import x509
from hypothesis import given, settings
from hypothesis import strategies as st
from OpenSSL import SSL

from probe.limits import DEFAULT, Limits
from probe.observation.model import KeyFamily, Outcome, Phase, TlsVersion, fingerprint
from probe.records import replace
from probe.wire import hello as hello_room
from probe.wire import openssl
from probe.wire.head import HeadReader
from probe.wire.hello import WEB_ALPN, Hello, can_offer, not_offered
from probe.wire.tls import TlsClient
from tests.wire.handmade import ClientHello, record, tls12_flight, tls13_flight
from tests.wire.pki import MemoryServer, der, make_chain, make_key, server_context

EVERY_VERSION = tuple(TlsVersion)
FAST = settings(max_examples=150, deadline=None, database=None)


def visit(
    context: SSL.Context, hello: Hello | None = None, *, piece: int | None = None
) -> TlsClient:
    """Let a client and a server talk until the client is done, whole or in pieces."""
    client = TlsClient(hello or Hello(versions=EVERY_VERSION), DEFAULT)
    server = MemoryServer(context)
    octets = client.start()
    while not client.done:
        answer = server.receive(octets)
        assert answer, "both sides wait"
        octets = b""
        for start in range(0, len(answer), piece or len(answer)):
            octets += client.receive(answer[start : start + (piece or len(answer))])
    return client


def shapes(kind: str) -> dict[str, tuple[x509.Certificate, ...]]:
    chain = make_chain(kind)
    leaf, middle, root = chain.leaf, chain.intermediate, chain.root
    return {
        "plain": (leaf, middle),
        "leaf-only": (leaf,),
        "root-included": (leaf, middle, root),
        "misordered": (leaf, root, middle),
        "duplicated": (leaf, middle, middle, leaf),
        "long": (leaf, *(middle, root) * 12),
    }


@pytest.mark.parametrize("shape", list(shapes("ecdsa")))
@pytest.mark.parametrize("version", EVERY_VERSION)
@pytest.mark.parametrize("kind", ["rsa", "ecdsa"])
def test_chain_is_seen_as_served(kind: str, version: TlsVersion, shape: str) -> None:
    """Whatever the order: octet for octet."""
    certificates = shapes(kind)[shape]
    client = visit(server_context(make_chain(kind).key, *certificates, version=version))
    assert client.failure is None
    assert client.certificates == der(*certificates)
    assert client.served is not None
    assert client.served.chain == tuple(fingerprint(each) for each in der(*certificates))
    assert client.served.tls is version
    assert client.served.key_family == kind
    assert client.served.key_proven is True
    assert client.served.key_detail is None
    assert client.served.group == "x25519"
    assert client.phase is Phase.FINISH


@pytest.mark.parametrize(
    ("kind", "version", "scheme", "cipher"),
    [
        ("rsa", TlsVersion.TLS1_0, None, "ECDHE-RSA-AES256-SHA"),
        ("rsa", TlsVersion.TLS1_2, "rsa_pss_rsae_sha256", "ECDHE-RSA-AES256-GCM-SHA384"),
        ("ecdsa", TlsVersion.TLS1_2, "ecdsa_secp256r1_sha256", "ECDHE-ECDSA-AES256-GCM-SHA384"),
        ("rsa", TlsVersion.TLS1_3, "rsa_pss_rsae_sha256", "TLS_AES_256_GCM_SHA384"),
        ("ecdsa", TlsVersion.TLS1_3, "ecdsa_secp256r1_sha256", "TLS_AES_256_GCM_SHA384"),
        ("ed25519", TlsVersion.TLS1_3, "ed25519", "TLS_AES_256_GCM_SHA384"),
    ],
)
def test_signature_and_cipher_are_named(
    kind: str, version: TlsVersion, scheme: str | None, cipher: str
) -> None:
    """IANA "TLS SignatureScheme"; a server of OpenSSL's prefers these under its defaults."""
    chain = make_chain(kind)
    served = visit(server_context(chain.key, chain.leaf, version=version)).served
    assert served is not None
    assert served.signature_scheme == scheme
    assert served.cipher == cipher


@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
@pytest.mark.parametrize("piece", [1, 7, 1000])
def test_pieces_make_no_difference(version: TlsVersion, piece: int) -> None:
    chain = make_chain("rsa")
    certificates = (chain.leaf, chain.intermediate)
    client = visit(server_context(chain.key, *certificates, version=version), piece=piece)
    assert client.certificates == der(*certificates)
    assert client.served is not None
    assert client.served.key_proven is True


def test_trailing_junk_is_not_looked_at() -> None:
    """Everything is in hand before it."""
    chain = make_chain("rsa")
    server = MemoryServer(server_context(chain.key, chain.leaf, version=TlsVersion.TLS1_2))
    client = TlsClient(Hello(), DEFAULT)
    client.receive(server.receive(client.start()) + b"\x16\x03\x03\xff\xff" + b"junk" * 100)
    assert client.certificates == der(chain.leaf)


def test_client_stops_before_the_end_of_the_flight() -> None:
    """TLS 1.2: after ServerKeyExchange, so a long CertificateRequest need not come."""
    chain = make_chain("rsa")
    client = TlsClient(Hello(versions=(TlsVersion.TLS1_2,)), DEFAULT)
    flight = tls12_flight(client.start(), der(chain.leaf), chain.key)
    client.receive(flight[: -len(record(22, b"\x0e\0\0\0"))])
    assert client.done
    assert client.phase is Phase.FINISH


# ---------------------------------------------------------------- what the hello says


def test_hello_carries_name_and_protocol() -> None:
    chain = make_chain("ecdsa")
    context = server_context(chain.key, chain.leaf)
    offered: list[list[bytes]] = []

    def choose(_connection: SSL.Connection, protocols: list[bytes]) -> bytes:
        offered.append(protocols)
        return protocols[0]

    context.set_alpn_select_callback(choose)
    client = TlsClient(Hello(server_name="guest.northpier.example", alpn=WEB_ALPN), DEFAULT)
    server = MemoryServer(context)
    client.receive(server.receive(client.start()))
    assert client.done
    assert server.connection.get_servername() == b"guest.northpier.example"
    assert offered == [[b"http/1.1"]]


@pytest.mark.parametrize("address", ["192.0.2.11", "2001:db8::11"])
def test_address_is_no_server_name(address: str) -> None:
    """RFC 6066, section 3: literal addresses are not permitted."""
    chain = make_chain("ecdsa")
    client = TlsClient(Hello(server_name=address), DEFAULT)
    server = MemoryServer(server_context(chain.key, chain.leaf))
    client.receive(server.receive(client.start()))
    assert server.connection.get_servername() is None


def test_hello_fits_into_one_fragment() -> None:
    """No post-quantum share: about 320 octets instead of 1,600, one EAP round trip less."""
    assert len(TlsClient(Hello(), DEFAULT).start()) < 420


@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
@pytest.mark.parametrize("family", ["rsa", "ecdsa"])
def test_key_family_is_chosen(family: str, version: TlsVersion) -> None:
    """A server that holds one certificate of each shows the one asked for."""
    context = server_context(make_chain("rsa").key, make_chain("rsa").leaf, version=version)
    context.use_certificate(make_chain("ecdsa").leaf)
    context.use_privatekey(make_chain("ecdsa").key)
    client = visit(context, Hello(key_family=KeyFamily(family)))
    assert client.certificates == der(make_chain(family).leaf)
    assert client.served is not None
    assert client.served.key_family == family


@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
def test_key_family_that_is_not_there_is_refused(version: TlsVersion) -> None:
    chain = make_chain("rsa")
    client = visit(
        server_context(chain.key, chain.leaf, version=version), Hello(key_family=KeyFamily.ECDSA)
    )
    assert client.failure is not None
    assert client.failure.outcome is Outcome.REFUSED
    assert client.failure.alert == "handshake_failure"


def test_no_version_is_no_hello() -> None:
    with pytest.raises(ValueError, match="no TLS version"):
        TlsClient(Hello(versions=()), DEFAULT)


# ---------------------------------------------------------------- proof of the key


@pytest.mark.parametrize("kind", ["rsa", "ecdsa"])
def test_handmade_flights_are_sound(kind: str) -> None:
    """The twin of the next two tests: the same servers with the right key."""
    chain = make_chain(kind)
    cipher = 0xC02F if kind == "rsa" else 0xC02B
    for version in (TlsVersion.TLS1_2, TlsVersion.TLS1_3):
        client = TlsClient(Hello(versions=(version,)), DEFAULT)
        if version is TlsVersion.TLS1_2:
            flight = tls12_flight(client.start(), der(chain.leaf), chain.key, cipher=cipher)
        else:
            flight = tls13_flight(client.start(), der(chain.leaf), chain.key)
        client.receive(flight)
        assert client.served is not None
        assert client.served.key_proven is True


@pytest.mark.parametrize("piece", [1, 100_000])
@pytest.mark.parametrize("kind", ["rsa", "ecdsa"])
@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
def test_wrong_key_is_seen_with_the_chain(version: TlsVersion, kind: str, piece: int) -> None:
    """The server signs with a key that is not the certificate's (RFC 9846, 4.4.3)."""
    chain = make_chain(kind)
    certificates = der(chain.leaf, chain.intermediate)
    client = TlsClient(Hello(versions=(version,)), DEFAULT)
    wrong = make_key(kind, 9)
    if version is TlsVersion.TLS1_2:
        cipher = 0xC02F if kind == "rsa" else 0xC02B
        flight = tls12_flight(client.start(), certificates, wrong, cipher=cipher)
    else:
        flight = tls13_flight(client.start(), certificates, wrong)
    for start in range(0, len(flight), piece):
        client.receive(flight[start : start + piece])
    assert client.done
    assert client.failure is None
    assert client.certificates == certificates
    assert client.served is not None
    assert client.served.key_proven is False
    assert client.served.key_detail == (
        "the server's signature over this handshake does not match the certificate"
    )
    assert client.phase is Phase.PROOF
    assert client.farewell()


def test_end_before_the_signature_leaves_the_key_unproven() -> None:
    chain = make_chain("rsa")
    client = TlsClient(Hello(versions=(TlsVersion.TLS1_2,)), DEFAULT)
    flight = tls12_flight(client.start(), der(chain.leaf), chain.key)
    client.receive(flight[: len(flight) - 200])
    assert client.phase is Phase.CERTIFICATE
    client.end_of_input()
    assert client.failure is None
    assert client.certificates == der(chain.leaf)
    assert client.served is not None
    assert client.served.key_proven is None
    assert client.served.key_detail == "the connection ended, before its signature was seen"
    assert client.farewell() == b""


def static_rsa(version: TlsVersion) -> SSL.Context:
    """A server that takes key exchange without a signature only (RFC 5246, 7.4.7.1), as many old
    ones do."""
    chain = make_chain("rsa")
    return server_context(
        chain.key, chain.leaf, chain.intermediate, version=version, ciphers="AES128-SHA"
    )


@pytest.mark.parametrize("version", EVERY_VERSION[:3])
def test_a_key_exchange_that_proves_no_key_is_taken_where_everything_is_offered(
    version: TlsVersion,
) -> None:
    client = visit(static_rsa(version), Hello(versions=EVERY_VERSION, everything=True))
    assert client.failure is None
    assert client.served is not None
    assert (client.served.key_proven, client.served.cipher) == (None, "AES128-SHA")
    assert client.served.key_detail == "the key exchange that was agreed proves no key"
    assert len(client.certificates) == 2
    # It is left by two warnings, as anywhere else.
    server = MemoryServer(static_rsa(version))
    server.receive(TlsClient(Hello(versions=EVERY_VERSION, everything=True), DEFAULT).start())
    server.receive(client.farewell())
    assert isinstance(server.error, SSL.ZeroReturnError)


def test_a_key_exchange_that_proves_no_key_is_not_offered_else() -> None:
    """The twin: RFC 5246, 7.4.1.2: who has nothing in common answers by handshake_failure."""
    client = visit(static_rsa(TlsVersion.TLS1_2))
    assert client.failure is not None
    assert (client.failure.outcome, client.failure.alert) == (Outcome.REFUSED, "handshake_failure")


@pytest.mark.parametrize(
    "behind",
    [
        record(21, b"\x02\x28"),
        record(21, b"\x01\x00"),
        b"\x16\x09\x09\x00\x01x",
        record(22, b"\x0d\x00\x00\x01\xff"),
    ],
    ids=["alert", "close_notify", "no record", "malformed CertificateRequest"],
)
def test_what_comes_behind_the_signature_does_not_count(behind: bytes) -> None:
    """It was looked at before; a wrong one is still told as wrong."""
    chain = make_chain("rsa")
    for signer, proven in ((chain.key, True), (make_key("rsa", 9), False)):
        client = TlsClient(Hello(versions=(TlsVersion.TLS1_2,)), DEFAULT)
        flight = tls12_flight(client.start(), der(chain.leaf), signer)
        client.receive(flight[: -len(record(22, b"\x0e\0\0\0"))] + behind)
        assert client.failure is None
        assert client.served is not None
        assert client.served.key_proven is proven


@pytest.mark.parametrize("piece", [0, 900])
def test_what_ends_a_flight_of_tls13_does_not_count(piece: int) -> None:
    """Finished comes behind the signature: broken or not, the same is known, and nothing more is
    said than the goodbye."""
    chain = make_chain("rsa")
    seen = []
    for spoiled in (b"", b"\0\0\0\0"):
        context = server_context(chain.key, chain.leaf, version=TlsVersion.TLS1_3)
        client = TlsClient(Hello(), DEFAULT)
        flight = MemoryServer(context).receive(client.start())
        flight = flight[: len(flight) - len(spoiled)] + spoiled
        assert client.receive(flight[:piece]) + client.receive(flight[piece:]) == b""
        assert client.done
        assert client.failure is None
        seen.append((client.served, client.phase, client.farewell()))
    assert seen[0] == seen[1]
    assert seen[0][0] is not None
    assert seen[0][0].key_proven is True
    assert seen[0][2].hex() == "1503030002015a" + "15030300020100"


# ---------------------------------------------------------------- beside the certificate

TIMESTAMPS = b"\x00\x04\x00\x02ts"
"""A list of one (RFC 6962, 3.3)."""

UNAUTHORIZED = bytes.fromhex("30030a0106")
"""A whole OCSPResponse without bytes: `unauthorized` (RFC 6960, 4.2.1)."""

ASKING = Hello(staple=True, timestamps=True)


def flight_of(version: TlsVersion) -> Callable[..., bytes]:
    return tls12_flight if version is TlsVersion.TLS1_2 else tls13_flight


@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
@pytest.mark.parametrize("staple", [None, UNAUTHORIZED])
@pytest.mark.parametrize("timestamps", [None, TIMESTAMPS])
def test_what_comes_beside_the_certificate_is_kept_as_sent(
    version: TlsVersion, staple: bytes | None, timestamps: bytes | None
) -> None:
    chain = make_chain("rsa")
    client = TlsClient(replace(ASKING, versions=(version,)), DEFAULT)
    certificates = der(chain.leaf, chain.intermediate)
    client.receive(
        flight_of(version)(
            client.start(), certificates, chain.key, staple=staple, timestamps=timestamps
        )
    )
    assert client.served is not None
    assert client.served.key_proven is True
    assert (client.served.staple, client.served.timestamps) == (staple, timestamps)
    assert not client.spoiled_staple


def test_the_hello_asks_for_both() -> None:
    """RFC 6066, 8: type ocsp, no responders, no extensions; RFC 6962, 3.3.1: an empty extension."""
    asked = ClientHello(TlsClient(ASKING, DEFAULT).start()).extensions
    assert (asked[5], asked[18]) == (b"\x01\0\0\0\0", b"")
    without = ClientHello(TlsClient(Hello(), DEFAULT).start()).extensions
    assert not {5, 18} & set(without)


@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
def test_a_staple_that_is_none_leaves_the_chain_in_hand(version: TlsVersion) -> None:
    chain = make_chain("rsa")
    client = TlsClient(replace(ASKING, versions=(version,)), DEFAULT)
    hello, certificates = client.start(), der(chain.leaf)
    client.receive(flight_of(version)(hello, certificates, chain.key, staple=b"no staple"))
    assert client.failure is None
    assert client.certificates == certificates
    assert client.served is not None
    assert client.served.staple == b"no staple"
    # Where OpenSSL reads it at once, the signature is not looked at any more.
    assert client.spoiled_staple == (client.served.key_proven is None)


def test_a_server_of_openssl_gives_its_staple() -> None:
    """Another implementation of the sender's side: pyOpenSSL's own server callback."""
    chain = make_chain("ecdsa")
    for version in (TlsVersion.TLS1_2, TlsVersion.TLS1_3):
        context = server_context(chain.key, chain.leaf, version=version)
        context.set_ocsp_server_callback(lambda *_: UNAUTHORIZED)
        served = visit(context, ASKING).served
        assert served is not None
        assert served.staple == UNAUTHORIZED


# ---------------------------------------------------------------- what follows the handshake


@pytest.mark.parametrize("version", EVERY_VERSION)
def test_a_finished_handshake_carries_what_is_said(version: TlsVersion) -> None:
    chain = make_chain("rsa")
    server = MemoryServer(server_context(chain.key, chain.leaf, version=version))
    client = TlsClient(Hello(versions=EVERY_VERSION), DEFAULT, finish=True)
    octets = client.start()
    while not client.established:
        octets = client.receive(server.receive(octets))
    assert not client.done
    assert client.served is not None
    assert client.served.key_proven is True
    client.receive(server.receive(octets + client.write(b"Is anybody there?")))
    assert server.connection.recv(100) == b"Is anybody there?"
    server.connection.sendall(b"Aye.")
    with suppress(SSL.Error):
        server.connection.shutdown()
    client.receive(server.connection.bio_read(10_000))
    assert client.read() == b"Aye."
    assert client.done


@pytest.mark.parametrize("version", EVERY_VERSION)
def test_a_finished_handshake_is_left_by_an_encrypted_close_notify(version: TlsVersion) -> None:
    chain = make_chain("rsa")
    server = MemoryServer(server_context(chain.key, chain.leaf, version=version))
    client = TlsClient(Hello(versions=EVERY_VERSION), DEFAULT, finish=True)
    octets = client.start()
    while not client.established:
        octets = client.receive(server.receive(octets))
    server.receive(octets)
    client.give_up(Outcome.CUT_OFF, "left")
    assert client.failure is None
    server.connection.bio_write(client.farewell())
    with pytest.raises(SSL.ZeroReturnError):
        server.connection.recv(100)


def test_what_follows_is_bounded_and_takes_nothing_away() -> None:
    chain = make_chain("rsa")
    server = MemoryServer(server_context(chain.key, chain.leaf))
    client = TlsClient(Hello(), Limits(flight_bytes=20_000), finish=True)
    client.receive(server.receive(client.receive(server.receive(client.start()))))
    server.connection.sendall(bytes(40_000))
    while not client.done:
        client.receive(server.connection.bio_read(5_000))
        client.read()
    assert client.failure is None
    assert client.certificates == der(chain.leaf)


# ---------------------------------------------------------------- what the library cannot say


def test_every_version_and_family_can_be_offered_here() -> None:
    for family in (None, *KeyFamily):
        assert can_offer(EVERY_VERSION, family) == EVERY_VERSION


def test_without_signature_lists_a_family_is_asked_for_up_to_tls12(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(openssl, "HAS_SIGNATURES", False)
    current = (TlsVersion.TLS1_2, TlsVersion.TLS1_3)
    assert can_offer(current, KeyFamily.ECDSA) == current[:1]
    assert can_offer(current, None) == current
    assert can_offer(current[1:], KeyFamily.RSA) == ()
    assert not_offered(TlsVersion.TLS1_3, KeyFamily.RSA) == (
        "this machine's TLS library cannot ask for the key family rsa under TLSv1.3"
    )


def test_a_version_that_the_library_does_not_know_is_not_offered() -> None:
    later = TlsVersion("TLSv1.4")
    assert can_offer((later,), None) == ()
    assert not_offered(later, None) == "this machine's TLS library does not speak TLSv1.4"


@pytest.mark.parametrize("family", [KeyFamily.RSA, KeyFamily.ECDSA])
@pytest.mark.parametrize("offered", ["rsa", "ecdsa"])
@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
def test_one_hello_asks_for_a_family_under_both_versions(
    family: KeyFamily, offered: str, version: TlsVersion
) -> None:
    """A server that holds a certificate of the other family refuses, whatever it speaks."""
    chain = make_chain(offered)
    client = TlsClient(Hello(key_family=family), DEFAULT)
    server = MemoryServer(server_context(chain.key, chain.leaf, version=version))
    client.receive(server.receive(client.start()))
    if offered == family:
        assert client.served is not None
        assert client.served.key_family == family
    else:
        assert client.failure is not None
        assert client.failure.outcome is Outcome.REFUSED


# ---------------------------------------------------------------- malformed certificates


@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
def test_malformed_certificate_is_still_in_hand(version: TlsVersion) -> None:
    """OpenSSL cannot parse it; the raw Certificate message holds its octets all the same."""
    chain = make_chain("rsa")
    whole = der(chain.leaf)[0]
    assert whole[4:5] == b"\x30"
    certificates = (whole[:4] + b"\x31" + whole[5:], *der(chain.intermediate))
    client = TlsClient(Hello(versions=(version,)), DEFAULT)
    make = tls12_flight if version is TlsVersion.TLS1_2 else tls13_flight
    client.receive(make(client.start(), certificates, chain.key))
    assert client.failure is not None
    assert client.failure.outcome is Outcome.MALFORMED
    assert client.failure.phase is Phase.CERTIFICATE
    assert client.failure.detail == "a certificate cannot be parsed: wrong tag"
    assert client.certificates == certificates
    assert client.served is not None
    assert client.served.key_proven is None
    assert client.served.key_family is None


def test_chain_is_bounded() -> None:
    """`chain_certificates`: what is beyond it is told, not left out in silence."""
    chain = make_chain("ecdsa")
    client = TlsClient(Hello(versions=(TlsVersion.TLS1_2,)), DEFAULT)
    certificates = der(chain.leaf) * 33
    client.receive(tls12_flight(client.start(), certificates, chain.key, cipher=0xC02B))
    assert client.failure is not None
    assert client.failure.detail == "a chain of 33 certificates; 32 are looked at"
    assert client.certificates == certificates[:32]


def test_flight_is_bounded() -> None:
    chain = make_chain("rsa")
    client = TlsClient(Hello(), Limits(flight_bytes=1000))
    server = MemoryServer(server_context(chain.key, chain.leaf, chain.intermediate))
    client.receive(server.receive(client.start()))
    assert client.failure is not None
    assert client.failure.outcome is Outcome.MALFORMED
    assert client.failure.detail == "more than 1000 octets in one handshake"


# ---------------------------------------------------------------- no chain


def test_alert_is_named() -> None:
    """A server that speaks another version says so (RFC 9846, 6.2; IANA "TLS Alerts")."""
    chain = make_chain("rsa")
    client = visit(server_context(chain.key, chain.leaf, version=TlsVersion.TLS1_1), Hello())
    assert client.failure is not None
    assert client.failure.outcome is Outcome.REFUSED
    assert client.failure.alert == "protocol_version"
    assert client.failure.detail == "the server sent the alert protocol_version"
    assert client.failure.phase is Phase.HELLO
    assert client.farewell() == b""


@pytest.mark.parametrize(
    ("number", "name"),
    [(40, "handshake_failure"), (112, "unrecognized_name"), (80, "internal_error"), (9, "alert 9")],
)
def test_raw_alert_is_named(number: int, name: str) -> None:
    """IANA "TLS Alerts"."""
    client = TlsClient(Hello(), DEFAULT)
    client.start()
    client.receive(record(21, bytes((2, number))))
    assert client.failure is not None
    assert client.failure.outcome is Outcome.REFUSED
    assert client.failure.alert == name


def test_warning_does_not_end_it() -> None:
    """RFC 6066, section 3: a server may warn of an unrecognized name and go on."""
    chain = make_chain("rsa")
    client = TlsClient(Hello(versions=(TlsVersion.TLS1_2,)), DEFAULT)
    hello = client.start()
    client.receive(record(21, b"\x01\x70"))
    assert not client.done
    client.receive(tls12_flight(hello, der(chain.leaf), chain.key))
    assert client.certificates == der(chain.leaf)


def test_older_version_than_offered_is_a_refusal() -> None:
    """RFC 5246, appendix E.1: a server cannot know our lowest version, and picks its own."""
    client = TlsClient(Hello(), DEFAULT)
    client.start()
    body = b"\x03\x01" + bytes(32) + b"\0\xc0\x13\0"
    client.receive(record(22, b"\x02" + len(body).to_bytes(3) + body))
    assert client.failure is not None
    assert client.failure.outcome is Outcome.REFUSED
    assert client.failure.detail == "the server chose TLSv1; TLSv1.2, TLSv1.3 were offered"


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        (
            b"HTTP/1.1 400 Bad Request\r\nServer: pier\r\n\r\n",
            "the answer is unencrypted HTTP: HTTP/1.1 400 Bad Request",
        ),
        (b"SSH-2.0-OpenSSH_9.6\r\n", "the answer is an SSH greeting: SSH-2.0-OpenSSH_9.6"),
        (b"220 mail.northpier.example\r\n", "no TLS record: it begins 220 mail.northpier.example"),
        (b"\x00\x01\x02\x03\x04\x05", "the answer is no TLS record: it begins 00 01 02 03 04 05"),
        (b"\x16\x02\x00\x00\x10\x00", "the answer is no TLS record: it begins 16 02 00 00 10 00"),
    ],
)
def test_what_is_no_tls_is_named(answer: bytes, says: str) -> None:
    client = TlsClient(Hello(), DEFAULT)
    client.start()
    client.receive(answer)
    assert client.failure is not None
    assert client.failure.outcome is Outcome.NOT_TLS
    assert client.failure.detail.endswith(says)
    assert client.farewell() == b""


@pytest.mark.parametrize(
    ("answer", "outcome"),
    [(b"", Outcome.CUT_OFF), (b"\x16\x03", Outcome.CUT_OFF), (b"no", Outcome.NOT_TLS)],
)
def test_end_of_input(answer: bytes, outcome: Outcome) -> None:
    client = TlsClient(Hello(), DEFAULT)
    client.start()
    client.receive(answer)
    client.end_of_input()
    assert client.failure is not None
    assert client.failure.outcome is outcome
    assert client.failure.phase is Phase.HELLO


def test_close_notify_cuts_off() -> None:
    client = TlsClient(Hello(), DEFAULT)
    client.start()
    client.receive(record(21, b"\x01\0"))
    assert client.failure is not None
    assert client.failure.outcome is Outcome.CUT_OFF


def test_echo_is_malformed() -> None:
    """Something that sends back what it got."""
    client = TlsClient(Hello(), DEFAULT)
    client.receive(client.start())
    assert client.failure is not None
    assert client.failure.outcome is Outcome.MALFORMED
    assert client.failure.detail == "what came breaks TLS: unexpected message"


# ---------------------------------------------------------------- the end


@pytest.mark.parametrize(
    ("version", "alerts"),
    [
        (TlsVersion.TLS1_0, "1503010002015a15030100020100"),
        (TlsVersion.TLS1_1, "1503020002015a15030200020100"),
        (TlsVersion.TLS1_2, "1503030002015a15030300020100"),
        (TlsVersion.TLS1_3, "1503030002015a15030300020100"),
    ],
)
def test_farewell_is_two_warnings(version: TlsVersion, alerts: str) -> None:
    """RFC 9846, 6.1: user_canceled and close_notify; 5.1: the version of the record. Sent once."""
    chain = make_chain("rsa")
    client = visit(server_context(chain.key, chain.leaf, version=version))
    assert client.farewell() == bytes.fromhex(alerts)
    assert client.farewell() == b""


@pytest.mark.parametrize("version", EVERY_VERSION)
def test_farewell_ends_the_server_quietly(version: TlsVersion) -> None:
    """The server takes it for the end of the exchange, not for a protocol error."""
    chain = make_chain("rsa")
    server = MemoryServer(server_context(chain.key, chain.leaf, version=version))
    client = TlsClient(Hello(versions=EVERY_VERSION), DEFAULT)
    client.receive(server.receive(client.start()))
    server.receive(client.farewell())
    assert isinstance(server.error, SSL.ZeroReturnError | SSL.SysCallError)


# ---------------------------------------------------------------- without the private bindings


@pytest.fixture
def _public_calls_only(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("HAS_MESSAGES", "HAS_SIGNATURES"):
        monkeypatch.setattr(openssl, name, False)
    monkeypatch.setattr(hello_room, "_context", hello_room._context.__wrapped__)


@pytest.mark.usefixtures("_public_calls_only")
@pytest.mark.parametrize(
    ("version", "scheme"),
    [
        (TlsVersion.TLS1_0, None),
        (TlsVersion.TLS1_2, "rsa_pss_rsae_sha256"),
        (TlsVersion.TLS1_3, None),
    ],
)
def test_chain_is_seen_without_private_bindings(version: TlsVersion, scheme: str | None) -> None:
    """The signature scheme is then not seen under TLS 1.3; everything else is."""
    certificates = shapes("rsa")["misordered"]
    client = visit(server_context(make_chain("rsa").key, *certificates, version=version))
    assert client.certificates == der(*certificates)
    assert client.served is not None
    assert client.served.key_proven is True
    assert client.served.tls is version
    assert client.served.signature_scheme == scheme


@pytest.mark.usefixtures("_public_calls_only")
@pytest.mark.parametrize(("version", "names"), [(TlsVersion.TLS1_2, 2), (TlsVersion.TLS1_3, None)])
def test_reading_on_ends_without_private_bindings(version: TlsVersion, names: int | None) -> None:
    """A CertificateRequest is seen in the clear of TLS 1.2, and not under TLS 1.3."""
    chain = make_chain("rsa")
    context = server_context(chain.key, chain.leaf, version=version)
    context.set_verify(SSL.VERIFY_PEER, lambda *_: True)
    for _ in range(2):
        context.add_client_ca(chain.root)
    client = TlsClient(Hello(), DEFAULT, until_request=True)
    client.receive(MemoryServer(context).receive(client.start()))
    assert client.done
    assert client.served is not None
    found = client.client_authorities
    assert (None if found is None else len(found)) == names


@pytest.mark.usefixtures("_public_calls_only")
def test_alert_is_named_without_private_bindings() -> None:
    client = TlsClient(Hello(), DEFAULT)
    client.start()
    client.receive(record(21, b"\x02\x28"))
    assert client.failure is not None
    assert client.failure.alert == "handshake_failure"


@pytest.mark.usefixtures("_public_calls_only")
def test_wrong_key_is_seen_without_private_bindings() -> None:
    chain = make_chain("rsa")
    client = TlsClient(Hello(versions=(TlsVersion.TLS1_2,)), DEFAULT)
    client.receive(tls12_flight(client.start(), der(chain.leaf), make_key("rsa", 9)))
    assert client.served is not None
    assert client.served.key_proven is False


def test_groups_can_be_set_by_the_public_call(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(openssl, "HAS_GROUPS", False)
    monkeypatch.setattr(hello_room, "_context", hello_room._context.__wrapped__)
    assert len(TlsClient(Hello(), DEFAULT).start()) < 420
    served = visit(server_context(make_chain("rsa").key, make_chain("rsa").leaf)).served
    assert served is not None
    assert served.group == "secp256r1"


# ---------------------------------------------------------------- anything at all


@FAST
@given(pieces=st.lists(st.binary(max_size=200), max_size=6))
def test_garbage_never_raises(pieces: list[bytes]) -> None:
    client = TlsClient(Hello(), DEFAULT)
    client.start()
    for piece in pieces:
        client.receive(piece)
    client.end_of_input()
    assert client.done
    assert client.failure is not None
    client.farewell()


@FAST
@given(kind=st.sampled_from([20, 21, 22, 23]), body=st.binary(max_size=300))
def test_garbage_in_a_record_never_raises(kind: int, body: bytes) -> None:
    client = TlsClient(Hello(), DEFAULT)
    client.start()
    client.receive(record(kind, body))
    client.end_of_input()
    assert client.done
    client.farewell()


@FAST
@given(octets=st.binary(max_size=300), answer=st.binary(max_size=300))
def test_anything_behind_a_finished_handshake_never_raises(octets: bytes, answer: bytes) -> None:
    """What a server says in and below the keys that were agreed."""
    chain = make_chain("ecdsa")
    server = MemoryServer(server_context(chain.key, chain.leaf))
    client = TlsClient(Hello(), DEFAULT, finish=True)
    client.receive(server.receive(client.receive(server.receive(client.start()))))
    reader = HeadReader(200, 50, lambda: datetime(2026, 11, 25, tzinfo=UTC))
    if answer:
        server.connection.sendall(answer)
        octets = server.connection.bio_read(10_000) + octets
    client.receive(octets)
    reader.feed(client.read())
    client.write(b"more")
    client.end_of_input()
    assert client.done
    assert client.failure is None
    assert client.certificates == der(chain.leaf)
    client.farewell()


@FAST
@given(data=st.data(), version=st.sampled_from([TlsVersion.TLS1_2, TlsVersion.TLS1_3]))
def test_altered_flight_never_raises(data: st.DataObject, version: TlsVersion) -> None:
    """A true flight with some octets altered, in two pieces."""
    chain = make_chain("ecdsa")
    client = TlsClient(Hello(versions=(version,)), DEFAULT)
    if version is TlsVersion.TLS1_2:
        flight = bytearray(tls12_flight(client.start(), der(chain.leaf), chain.key, cipher=0xC02B))
    else:
        flight = bytearray(tls13_flight(client.start(), der(chain.leaf), chain.key))
    places = st.integers(0, 9_999)  # the length differs: a signature has 70 to 72 octets
    for place in data.draw(st.lists(places, min_size=1, max_size=4)):
        flight[place % len(flight)] = data.draw(st.integers(0, 255))
    cut = data.draw(places) % len(flight)
    client.receive(bytes(flight[:cut]))
    client.receive(bytes(flight[cut:]))
    client.end_of_input()
    assert client.done
    assert client.failure is not None or client.served is not None
    client.farewell()
