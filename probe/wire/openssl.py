"""The only user of pyOpenSSL's private bindings. Each is used if it is there, and can be missed.

Without the message callback the signature scheme and encrypted alerts of TLS 1.3 stay unknown, and
so do certificates that OpenSSL cannot parse; without the group list the ClientHello grows (P-256 is
then set by the public call); without the signature list a key family cannot be asked for under
TLS 1.3; without custom extensions nobody is asked for timestamps beside the certificate; without
the certificate callback no certificate of ours can be held back until the server is approved.
"""

import threading
from typing import Any

from cryptography.hazmat.primitives.asymmetric import ec
from OpenSSL import SSL

_lib: Any = getattr(SSL, "_lib", None)
_ffi: Any = getattr(SSL, "_ffi", None)


def _is_open() -> bool:
    """Whether the objects behind the library's own are to be had at all."""
    context = SSL.Context(SSL.TLS_METHOD)
    needed = ((_ffi, "callback"), (context, "_context"), (SSL.Connection(context), "_ssl"))
    return all(hasattr(holder, name) for holder, name in needed)


_OPEN = _is_open()
HAS_MESSAGES = _OPEN and hasattr(_lib, "SSL_CTX_set_msg_callback")
HAS_GROUPS = _OPEN and hasattr(_lib, "SSL_CTX_set1_curves_list")
HAS_SIGNATURES = _OPEN and bool(getattr(_lib, "Cryptography_HAS_SIGALGS", 0))
HAS_EXTENSIONS = _OPEN and bool(getattr(_lib, "Cryptography_HAS_CUSTOM_EXT", 0))
HAS_HOLDING = _OPEN and bool(getattr(_lib, "Cryptography_HAS_SET_CERT_CB", 0))

_TIMESTAMPS = 18  # signed_certificate_timestamp (RFC 6962, 3.3.1)
_RECORD_KINDS = (21, 22)  # alerts and handshake messages; OpenSSL also reports record headers
_current = threading.local()


def missing() -> tuple[str, ...]:
    """Return in words what is not asked or seen with this library."""
    lacks = {
        "signatures and alerts of TLS 1.3, and certificates that it cannot parse": HAS_MESSAGES,
        "key exchange by another group than P-256": HAS_GROUPS,
        "certificates by key family under TLS 1.3": HAS_SIGNATURES,
        "timestamps beside a certificate": HAS_EXTENSIONS,
        "logins by certificate": HAS_HOLDING,
    }
    return tuple(what for what, there in lacks.items() if not there)


def set_groups(context: SSL.Context, groups: str) -> None:
    """Offer these key exchange groups, in OpenSSL's names with colons between them."""
    if not HAS_GROUPS:
        context.set_tmp_ecdh(ec.SECP256R1())
    elif _lib.SSL_CTX_set1_curves_list(context._context, groups.encode()) != 1:
        raise ValueError(f"no such list of groups: {groups}")


def set_signatures(context: SSL.Context, schemes: str) -> bool:
    """Accept these signature algorithms only. Returns False if that cannot be said."""
    if not HAS_SIGNATURES:
        return False
    if _lib.SSL_CTX_set1_sigalgs_list(context._context, schemes.encode()) != 1:
        raise ValueError(f"no such list of signature algorithms: {schemes}")
    return True


def ask_for_timestamps(context: SSL.Context) -> bool:
    """Put an empty signed_certificate_timestamp extension into the hello; what answers it is seen
    in the messages. Returns False if that cannot be done."""
    if not HAS_EXTENSIONS:
        return False
    nothing = _ffi.NULL  # an empty extension, and any answer is welcome
    added = _lib.SSL_CTX_add_client_custom_ext(
        context._context, _TIMESTAMPS, nothing, nothing, nothing, nothing, nothing
    )
    return bool(added == 1)


def hold_certificate(connection: SSL.Connection) -> None:
    """Let a handshake wait where a certificate of ours is asked for (`SSL.WantX509LookupError`).

    It goes on once the connection has another context. Only if `HAS_HOLDING`.
    """
    _lib.SSL_set_cert_cb(connection._ssl, _on_certificate, _ffi.NULL)


def report_messages(context: SSL.Context) -> bool:
    """Let connections of this context report what they receive to `messages_into`. Returns False if
    that is not to be had."""
    if HAS_MESSAGES:
        _lib.SSL_CTX_set_msg_callback(context._context, _on_message)
    return HAS_MESSAGES


def messages_into(sink: list[tuple[int, bytes]] | None) -> None:
    """Collect (content type, body) of received alerts and handshake messages, decrypted, in `sink`,
    until it is called with None.

    OpenSSL calls back in the thread and within the call that reads, so the sink of the moment is
    kept for the thread; a handshake message has its header of four octets.
    """
    _current.sink = sink


def _deliver(
    written: int, _version: int, kind: int, octets: Any, length: int, _ssl: Any, _argument: Any
) -> None:
    if written or kind not in _RECORD_KINDS:
        return  # most of what is reported
    sink = getattr(_current, "sink", None)
    if sink is not None:
        sink.append((kind, bytes(_ffi.buffer(octets, length))))


if _OPEN:
    _on_message = _ffi.callback(
        "void(int, int, int, const void *, size_t, SSL *, void *)", _deliver
    )
    _on_certificate = _ffi.callback("int(SSL *, void *)", lambda _ssl, _argument: -1)
