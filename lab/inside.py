"""What a server of the lab hears of a login: all of it is written down, and nobody is let in.

So a test can see whether anything of a credential has come to a server that should not get it. What
is said here is the least that draws the next answer out of a peer; no proof is ever checked.
"""

from dataclasses import dataclass, field

from cryptography.hazmat.primitives.serialization import Encoding
from OpenSSL import SSL

from lab.eapsite import EapMethod

_READ = 16_384

_IDENTITY = b"\x01"
"""A Request/Identity as PEAP version 0 writes it: the Type alone ([MS-PEAP] 3.1.5.6)."""
_NAME = b"quay"
_CHALLENGE = (
    # EAP-MSCHAPv2 with a Challenge packet (RFC 2759, 3): code, identifier, length, value.
    b"\x1a\x01\x01" + (5 + 16 + len(_NAME)).to_bytes(2) + b"\x10" + bytes(range(16)) + _NAME
)


@dataclass
class Heard:
    """What peers have told one server, in all conversations."""

    identities: list[bytes] = field(default_factory=list)
    """In the clear."""
    finished: int = 0
    """TLS handshakes that a peer has gone through with."""
    certificates: list[bytes] = field(default_factory=list)
    """Of peers, DER."""
    inside: list[bytes] = field(default_factory=list)
    """What came inside TLS, decrypted, message by message."""


class Inside:
    """The talk inside TLS of one conversation, from the end of the handshake on."""

    def __init__(self, method: EapMethod, tls: SSL.Connection, heard: Heard) -> None:
        self._method = method
        self._tls = tls
        self._heard = heard
        heard.finished += 1
        shown = tls.get_peer_certificate(as_cryptography=True)
        if shown is not None:
            heard.certificates.append(shown.public_bytes(Encoding.DER))
        self._requests = [_IDENTITY, _CHALLENGE] if method is EapMethod.PEAP else []
        # Up to TLS 1.2 our Finished goes first, and the peer answers it by an empty packet.
        self._waits = tls.get_protocol_version_name() != "TLSv1.3"

    def converse(self) -> bool:
        """Hear what came, and say what follows; return whether anything is awaited then."""
        said = self._read()
        if said:
            self._heard.inside.append(said)
        if self._waits:
            self._waits = False
            return self._method is not EapMethod.EAP_TLS
        if self._requests:
            self._tls.sendall(self._requests.pop(0))
            return True
        # In EAP-TTLS it is the peer that begins (RFC 5281, 7.3).
        return self._method is EapMethod.EAP_TTLS and not said

    def _read(self) -> bytes:
        said = b""
        while True:
            try:
                said += self._tls.recv(_READ)
            except SSL.WantReadError:
                return said
