"""Round trips up to the chain, reckoned from what a server's own log says that it sent.

RFC 3748, 5.1 and 5.3.1, and RFC 5216, 2.1.5: one for the identity, one for each NAK, one for our
hello, and each fragment of the server's flight but the last is acknowledged by an empty response.
`probe` asks for no more once the chain and the proof of its key are in hand.
"""

from collections.abc import Iterable
from math import ceil

RECORD = 5
"""RFC 5246, 6.2.1: type, version and length of a TLS record."""
MESSAGE = 4
"""RFC 5246, 7.4: type and length of a handshake message."""


def round_trips(naks: int, fragments: int, *, retries: int = 0) -> int:
    """Return the round trips of a conversation as far as the proof of the key, or the reject.

    `fragments`: how many of the server's it takes. `retries`: hellos that it asked for once more
    (RFC 9846, 4.1.4). Ours, of some 360 octets, is one fragment of any size in use.
    """
    identity, hello = 1, 1
    return identity + naks + hello + retries + fragments - 1


def hostapd_fragments(flight: int, behind: int, size: int) -> int:
    """Return how many fragments hostapd's proof is whole in. It counts the octet of flags in each,
    and the four of the length in the first. `behind`: octets of the flight behind the proof."""
    return 1 if flight < size else ceil((flight - behind + 4) / (size - 1))


def after_the_proof(method: str, tls: str, authorities: Iterable[bytes] = ()) -> int:
    """Return how many octets a server sends behind its signature; `authorities` are the CA names in
    its request for a client's certificate, in DER."""
    if tls == "TLSv1.3":
        # RFC 9846 (formerly 8446), 4.4.4 and 5.2: Finished of TLS_AES_256_GCM_SHA384 in its record.
        return RECORD + MESSAGE + 48 + 1 + 16
    done = RECORD + MESSAGE  # RFC 5246, 7.4.5: ServerHelloDone
    if method != "EAP-TLS":
        return done
    # RFC 5246, 7.4.4 and RFC 4346, 7.4.4: three types of certificate; from TLS 1.2 on, signature
    # algorithms (by the server's log); and the names, each with its length.
    algorithms = 2 + 40 if tls == "TLSv1.2" else 0
    names = sum(2 + len(name) for name in authorities)
    return RECORD + MESSAGE + (1 + 3) + algorithms + (2 + names) + done
