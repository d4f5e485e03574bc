"""TLS as the lab's servers speak it: contexts that serve exactly the chain they are told."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from OpenSSL import SSL

from lab import misbehave
from lab.authority import Issued


class Version(StrEnum):
    """TLS versions by OpenSSL's names."""

    TLS1_0 = "TLSv1"
    TLS1_1 = "TLSv1.1"
    TLS1_2 = "TLSv1.2"
    TLS1_3 = "TLSv1.3"


class Resumption(StrEnum):
    """Ways in which a server lets TLS 1.2 sessions be taken up again."""

    SESSION_ID = "session-id"
    """RFC 5246, 7.4.1.2."""
    TICKET = "ticket"
    """RFC 5077."""


_NUMBERS = {
    Version.TLS1_0: SSL.TLS1_VERSION,
    Version.TLS1_1: SSL.TLS1_1_VERSION,
    Version.TLS1_2: SSL.TLS1_2_VERSION,
    Version.TLS1_3: SSL.TLS1_3_VERSION,
}

_lib: Any = SSL._lib  # type: ignore[attr-defined]  # nothing public serves an extension of one's own
_ffi: Any = SSL._ffi  # type: ignore[attr-defined]  # the same

_TIMESTAMPS = 18
"""signed_certificate_timestamp (RFC 6962, 3.3.1)."""

_kept: list[Any] = []
"""What OpenSSL holds pointers to, for as long as the process lives."""

_CIPHERS = b"DEFAULT:@SECLEVEL=0"
"""Level 0: a lab must be able to serve what a careful library would not even load."""


@dataclass(frozen=True, slots=True)
class ServedChain:
    """A chain and the key of its first certificate, as PEM files that any server can load."""

    certificates: tuple[bytes, ...]
    """DER, in the order served."""
    chain_file: Path
    key_file: Path
    staple: bytes = b""
    """The OCSP response that comes with it, to whoever asks; empty: none."""


def write_chain(directory: Path, name: str, chain: tuple[Issued, ...]) -> ServedChain:
    """Write a chain in the order given and its key, and return where they are."""
    chain_file = directory / f"{name}.pem"
    chain_file.write_bytes(b"".join(issued.pem for issued in chain))
    key_file = directory / f"{name}.key"
    key_file.touch(mode=0o600)
    key_file.write_bytes(chain[0].key_pem)
    return ServedChain(tuple(issued.der for issued in chain), chain_file, key_file)


def malformed_flight(chain: ServedChain) -> bytes:
    """Return a server's first flight of TLS 1.2 with a chain whose first certificate no library
    parses."""
    first, *rest = chain.certificates
    return misbehave.certificate_flight((misbehave.mistyped_end(first), *rest))


def server_context(
    chains: Iterable[ServedChain],
    versions: Iterable[Version],
    resumption: frozenset[Resumption] = frozenset(),
) -> SSL.Context:
    """Return a context that serves these chains, at most one for each kind of key.

    Each is loaded from its file: that keeps the certificates' order and gives every kind of key
    issuing certificates of its own, which the calls for single certificates do not.
    """
    context = SSL.Context(SSL.TLS_SERVER_METHOD)
    context.set_cipher_list(_CIPHERS)
    numbers = [_NUMBERS[version] for version in versions]
    context.set_min_proto_version(min(numbers))
    context.set_max_proto_version(max(numbers))
    kept = Resumption.SESSION_ID in resumption
    context.set_session_cache_mode(SSL.SESS_CACHE_SERVER if kept else SSL.SESS_CACHE_OFF)
    context.set_session_id(b"lab")
    if Resumption.TICKET not in resumption:
        context.set_options(SSL.OP_NO_TICKET)
    for chain in chains:
        context.use_certificate_chain_file(str(chain.chain_file))
        context.use_privatekey_file(str(chain.key_file))
        if chain.staple:
            # One for the whole context: that is all that the library offers.
            context.set_ocsp_server_callback(_stapled, chain.staple)
    return context


def _stapled(_: SSL.Connection, staple: bytes | None) -> bytes:
    return staple or b""


def serve_timestamps(context: SSL.Context, listed: bytes) -> None:
    """Answer hellos that ask for timestamps with this list, up to TLS 1.2."""
    octets = _ffi.new("unsigned char[]", listed)

    def add(_ssl: Any, _type: int, out: Any, length: Any, _alert: Any, _argument: Any) -> int:
        out[0], length[0] = octets, len(listed)
        return 1

    # What the client says in it is of no interest; without a reader its extension is no request.
    added = _ffi.callback("custom_ext_add_cb", add)
    read = _ffi.callback("custom_ext_parse_cb", lambda *_: 1)
    nothing = _ffi.NULL
    _kept.extend((octets, added, read))
    if not _lib.SSL_CTX_add_server_custom_ext(
        context._context, _TIMESTAMPS, added, nothing, nothing, read, nothing
    ):
        raise SSL.Error("this library serves no extension of one's own")
