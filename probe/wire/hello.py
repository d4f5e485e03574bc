"""What our ClientHello says, and whether this machine's TLS library can say it."""

from functools import lru_cache
from ipaddress import ip_address

from OpenSSL import SSL

from probe.observation.model import KeyFamily, TlsVersion
from probe.records import dataclass, replace
from probe.wire import openssl
from probe.wire.credential import ClientCertificate

WEB_ALPN = ("http/1.1",)
"""What a web client offers that speaks HTTP/1.1 only (RFC 7301, section 6), as browsers do for a
WebSocket. HTTP/2 is not offered, as a server may then be right to answer in it."""

RADSEC_ALPN = ("radius/1.1", "radius/1.0")
"""What a RadSec client offers that speaks both (RFC 9765, 3.3). A server that knows of neither
chooses none, and then it is RADIUS as ever."""

HISTORIC_ALPN = ("radius/1.0",)
"""What one offers that speaks RADIUS as ever, with the MD5 signatures, alone."""

# No anonymous, pre-shared or password suites.
_EXCLUDED = "!aNULL:!eNULL:!PSK:!SRP"
_STATIC_RSA = "!kRSA"
"""RSA key exchange proves no key before Finished, so it is left out where nothing asks for it."""
_LEVEL = "@SECLEVEL=0"  # else OpenSSL would refuse old versions, small keys and SHA-1 by itself
# RFC 9325, 4.1 and 4.5: 112 bits at least, so no group of finite fields below 2048 bits, as its
# private values are within reach, and with them all that is said inside.
_CAREFUL_LEVEL = "@SECLEVEL=2"
# One key share, the first; the default's post-quantum share alone takes 1,200 octets more.
_GROUPS = "X25519:P-256:P-384"
_MORE_GROUPS = f"{_GROUPS}:P-521:X448"

_PROHIBIT = {
    TlsVersion.TLS1_0: SSL.OP_NO_TLSv1,
    TlsVersion.TLS1_1: SSL.OP_NO_TLSv1_1,
    TlsVersion.TLS1_2: SSL.OP_NO_TLSv1_2,
    TlsVersion.TLS1_3: SSL.OP_NO_TLSv1_3,
}

_AUTHENTICATION = {KeyFamily.RSA: "aRSA", KeyFamily.ECDSA: "aECDSA", KeyFamily.OTHER: "aECDSA"}
"""Cipher lists choose the key family up to TLS 1.2; EdDSA goes under ECDSA's (RFC 8422, 5.10)."""

_PKCS1 = "RSA+SHA256:RSA+SHA384:RSA+SHA512"
_SIGNATURES = {
    # PKCS#1 is legal for signatures within a chain, not for CertificateVerify (RFC 9846, 4.2.3):
    # so it admits an ECDSA leaf under an RSA authority, and no RSA leaf under TLS 1.3.
    KeyFamily.RSA: f"RSA-PSS+SHA256:RSA-PSS+SHA384:RSA-PSS+SHA512:{_PKCS1}",
    KeyFamily.ECDSA: f"ECDSA+SHA256:ECDSA+SHA384:ECDSA+SHA512:{_PKCS1}",
    KeyFamily.OTHER: f"ed25519:ed448:{_PKCS1}",
}


@dataclass(frozen=True, slots=True)
class Hello:
    """What our ClientHello says. Contexts are cached by it, the server name aside."""

    server_name: str | None = None
    """web: the server name (RFC 6066, section 3), A-labels; None or an address: none is sent."""
    versions: tuple[TlsVersion, ...] = (TlsVersion.TLS1_2, TlsVersion.TLS1_3)
    key_family: KeyFamily | None = None
    """None: certificates of every family are welcome."""
    alpn: tuple[str, ...] = ()
    """Application protocols (RFC 7301), preferred first; web: `WEB_ALPN`."""
    staple: bool = False
    """Whether an OCSP response is asked for (status_request, RFC 6066, section 8)."""
    timestamps: bool = False
    """Whether signed certificate timestamps are asked for (RFC 6962, 3.3.1)."""
    everything: bool = False
    """Whether what is not offered else is offered too: key exchange by static RSA (RFC 5246,
    7.4.7.1), which proves no key, and groups that not every client has."""
    careful: bool = False
    """Whether something is to be kept secret inside: then no weak key exchange or signature is
    agreed to, nor anything once more behind the handshake (renegotiation)."""


def connection(hello: Hello, certificate: ClientCertificate | None = None) -> SSL.Connection:
    """Return a client's connection over memory buffers that will say this, and show a certificate
    if the server asks for one. Raises ValueError if no version is offered."""
    context = _context(*_variant(hello)) if certificate is None else presenting(hello, certificate)
    found = SSL.Connection(context, None)
    found.set_connect_state()
    if hello.server_name is not None and not _is_address(hello.server_name):
        found.set_tlsext_host_name(hello.server_name.encode("ascii"))
    if hello.staple:
        found.request_ocsp()
    return found


def presenting(hello: Hello, certificate: ClientCertificate) -> SSL.Context:
    """Return a context that says this and shows a certificate if the server asks for one. It is a
    context of its own, which nothing else is ever given and nobody keeps.

    It is never careful: OpenSSL would refuse a small key of ours, which is for the server to do.
    """
    context = _context.__wrapped__(*_variant(replace(hello, careful=False)))
    certificate.give_to(context)
    return context


def can_offer(versions: tuple[TlsVersion, ...], family: KeyFamily | None) -> tuple[TlsVersion, ...]:
    """Return those versions under which this machine's TLS library can ask for a key family.

    Cipher lists choose it up to TLS 1.2. Under TLS 1.3 only signature algorithms do, and without
    them a hello would ask for every family.
    """
    if family is not None and not openssl.HAS_SIGNATURES:
        versions = tuple(version for version in versions if version is not TlsVersion.TLS1_3)
    return tuple(version for version in versions if _speaks(version))


def not_offered(version: TlsVersion, family: KeyFamily | None) -> str:
    """Say why a version that was to be asked for was not offered."""
    if not _speaks(version):
        return f"this machine's TLS library does not speak {version}"
    of = "" if family is None else f" for the key family {family}"
    return f"this machine's TLS library cannot ask{of} under {version}"


@lru_cache(maxsize=8)
def _speaks(version: TlsVersion) -> bool:
    """Whether the library makes a hello of this version alone: its old ones may be left out."""
    if version not in _PROHIBIT:
        return False
    trial = connection(Hello(versions=(version,)))
    try:
        trial.do_handshake()
    except SSL.WantReadError:
        return True
    except SSL.Error:
        return False
    return False


_Variant = tuple[tuple[TlsVersion, ...], KeyFamily | None, tuple[str, ...], bool, bool, bool]


def _variant(hello: Hello) -> _Variant:
    """Return what a context is made for: name and staple are asked for by connection."""
    return (
        hello.versions,
        hello.key_family,
        hello.alpn,
        hello.timestamps,
        hello.everything,
        hello.careful,
    )


@lru_cache(maxsize=32)
def _context(  # the parts of a variant
    versions: tuple[TlsVersion, ...],
    family: KeyFamily | None,
    alpn: tuple[str, ...],
    timestamps: bool,
    everything: bool,
    careful: bool,
) -> SSL.Context:
    """Return the context of one variant: 0.05 ms each, so it is kept."""
    if not versions:
        raise ValueError("no TLS version is offered")
    context = SSL.Context(SSL.TLS_CLIENT_METHOD)
    context.set_verify(SSL.VERIFY_NONE)
    # OpenSSL looks for a path even so, and passes over what it finds. -1 would be no bound at all.
    context.set_verify_depth(-2)
    # An old server without secure renegotiation (RFC 5746) still has a chain to show.
    context.set_options(SSL.OP_LEGACY_SERVER_CONNECT)
    context.set_min_proto_version(SSL.TLS1_VERSION)
    for version, option in _PROHIBIT.items():
        if version not in versions:
            context.set_options(option)
    ciphers = "ALL" if family is None else _AUTHENTICATION[family]
    excluded = _EXCLUDED if everything else f"{_EXCLUDED}:{_STATIC_RSA}"
    level = _CAREFUL_LEVEL if careful else _LEVEL
    context.set_cipher_list(f"{ciphers}:{excluded}:{level}".encode())
    if careful:
        context.set_options(SSL.OP_NO_RENEGOTIATION)
    openssl.set_groups(context, _MORE_GROUPS if everything else _GROUPS)
    if family is not None:
        openssl.set_signatures(context, _SIGNATURES[family])
    if alpn:
        context.set_alpn_protos([name.encode("ascii") for name in alpn])
    if timestamps:
        openssl.ask_for_timestamps(context)
    openssl.report_messages(context)
    return context


@lru_cache(maxsize=4_096)
def _is_address(name: str) -> bool:
    if ":" not in name and not name[-1:].isdigit():
        return False  # as nearly all: the library would try both families first
    try:
        ip_address(name)
    except ValueError:
        return False
    return True
