"""Keys that both ends of a complete login derive from TLS, and PEAP's from the inner method too.

`Export` is a TLS exporter (RFC 5705): up to TLS 1.2 and without a context it is the PRF over label,
client random and server random, which is what RFC 5216, 2.3 and RFC 5281, section 8 ask for.
"""

import hmac
from collections.abc import Callable

from probe.observation.model import Method, TlsVersion
from probe.wire.eap import method_number

Export = Callable[[bytes, int, bytes | None], bytes]
"""(label, octets, context) to keying material."""

MSK = 64
"""Octets of the Master Session Key (RFC 3748, 7.10)."""

_LABELS = {
    Method.EAP_TLS: b"client EAP encryption",
    Method.PEAP: b"client EAP encryption",
    Method.EAP_TTLS: b"ttls keying material",
}
"""RFC 5216, 2.3; [MS-PEAP] 3.1.5.5.2.1; RFC 5281, section 8."""

_TUNNEL_KEY = 60
_INNER_KEY = 32


def key_material(
    method: Method, tls: TlsVersion | None, export: Export, octets: int = 128
) -> bytes:
    """Return Key_Material. The first half is the MSK, PEAP's with cryptobinding aside.

    With TLS 1.3 the label is the same for all methods, and their type is the context (RFC 9190, 2.3
    and RFC 9427, 2.1). Of fewer octets than the 128 that are due it is a beginning up to TLS 1.2,
    and something else under TLS 1.3, as the length goes into it (RFC 9846, 7.1 and 7.5).
    """
    if tls is TlsVersion.TLS1_3:
        return export(b"EXPORTER_EAP_TLS_Key_Material", octets, bytes((method_number(method),)))
    return export(_LABELS[method], octets, None)


def ttls_challenge(export: Export) -> tuple[bytes, int]:
    """Return the challenge and the identifier that both ends of EAP-TTLS know without saying them
    (RFC 5281, 11.1 and 11.2.4; RFC 9427, 2.4 keeps the label under TLS 1.3, without a context)."""
    material = export(b"ttls challenge", 17, None)
    return material[:16], material[16]


def compound_keys(material: bytes, inner_key: bytes) -> tuple[bytes, bytes]:
    """Return PEAP's IPMK (40 octets) and CMK (20) of a session that was not resumed ([MS-PEAP]
    3.1.5.5.2.2).

    `material` is Key_Material, whose first 60 octets are the tunnel key, of which the first 40 are
    used. `inner_key` is what the inner method derived, b"" for none; it is filled up with zeros.
    """
    seed = b"Inner Methods Compound Keys" + inner_key[:_INNER_KEY].ljust(_INNER_KEY, b"\0")
    compound = _prf_plus(material[:_TUNNEL_KEY][:40], seed, _TUNNEL_KEY)
    return compound[:40], compound[40:]


def compound_session_key(ipmk: bytes) -> bytes:
    """Return PEAP's CSK, 128 octets, whose first half is the MSK where cryptobinding was done
    ([MS-PEAP] 3.1.5.7)."""
    return _prf_plus(ipmk, b"Session Key Generating Function\0", 128)


def _prf_plus(key: bytes, seed: bytes, length: int) -> bytes:
    """Return PRF+ of [MS-PEAP] 3.1.5.5.2.2: HMAC-SHA1 over the last block, the seed, a count and
    two zeros."""
    found = block = b""
    count = 0
    while len(found) < length:
        count += 1
        block = hmac.digest(key, block + seed + bytes((count, 0, 0)), "sha1")
        found += block
    return found[:length]
