"""The result of PEAP version 0 inside TLS: Result and Cryptobinding TLVs ([MS-PEAP] 2.2.8.1)."""

import hmac
from collections.abc import Iterator

from probe.records import dataclass
from probe.wire.eap import Type
from probe.wire.inner.dialogue import InnerError

TYPE = 33
"""EAP TLV Extensions Method."""

_MANDATORY = 0x8000
_KIND = 0x3FFF
_RESULT, _BINDING = 3, 12
_SUCCESS, _FAILURE = 1, 2
_REQUEST, _RESPONSE = 0, 1
_BINDING_LENGTH = 56
_NONCE = slice(4, 36)
_MAC = 20


@dataclass(frozen=True, slots=True)
class Results:
    """What the server says at the end."""

    success: bool
    binding: bytes | None
    """The value of its Cryptobinding TLV, 56 octets."""


def parse(data: bytes) -> Results:
    """Read what follows the Type octet. Raises InnerError without a result, or if it breaks off."""
    success: bool | None = None
    binding = None
    for kind, mandatory, value in _walk(data):
        if kind == _RESULT and len(value) == 2:
            success = int.from_bytes(value) == _SUCCESS
        elif kind == _BINDING and len(value) == _BINDING_LENGTH:
            binding = value
        elif mandatory:
            raise InnerError(f"TLV {kind} of {len(value)} octets is mandatory and not known here")
    if success is None:
        raise InnerError("TLVs without a result")
    return Results(success, binding)


def result(*, success: bool) -> bytes:
    """Return a Result TLV ([MS-PEAP] 2.2.8.1.2)."""
    status = _SUCCESS if success else _FAILURE
    return (_MANDATORY | _RESULT).to_bytes(2) + (2).to_bytes(2) + status.to_bytes(2)


def is_bound(binding: bytes, key: bytes) -> bool:
    """Whether the server's Compound MAC is right under the Compound MAC Key ([MS-PEAP] 3.2.5.3)."""
    head, mac = binding[:-_MAC], binding[-_MAC:]
    return head[3] & 0x0F == _REQUEST and hmac.compare_digest(mac, _compound_mac(head, key))


def bind(binding: bytes, key: bytes) -> bytes:
    """Return our Cryptobinding TLV with the server's nonce ([MS-PEAP] 2.2.8.1.1)."""
    head = bytes((0, *binding[1:3], _RESPONSE)) + binding[_NONCE]
    return _BINDING.to_bytes(2) + _BINDING_LENGTH.to_bytes(2) + head + _compound_mac(head, key)


def _compound_mac(head: bytes, key: bytes) -> bytes:
    """[MS-PEAP] 3.1.5.5.1: over the TLV with zeros for the MAC, and the EAP type. There are no
    outer TLVs here."""
    tlv = _BINDING.to_bytes(2) + _BINDING_LENGTH.to_bytes(2) + head + bytes(_MAC)
    return hmac.digest(key, tlv + bytes((Type.PEAP,)), "sha1")


def _walk(data: bytes) -> Iterator[tuple[int, bool, bytes]]:
    while data:
        end = 4 + int.from_bytes(data[2:4])
        if len(data) < 4 or end > len(data):
            raise InnerError("a TLV is cut off")
        kind = int.from_bytes(data[:2])
        yield kind & _KIND, bool(kind & _MANDATORY), data[4:end]
        data = data[end:]
