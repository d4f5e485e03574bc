"""EAP packets (RFC 3748, section 4), both directions."""

import struct
from collections.abc import Sequence
from enum import IntEnum

from probe.observation.model import Method
from probe.records import dataclass

_HEADER = struct.Struct("!BBH")


class EapError(ValueError):
    """What came breaks EAP: a peer would discard it (RFC 3748, 4). The observer tells it."""


class Code(IntEnum):
    """RFC 3748, section 4."""

    REQUEST = 1
    RESPONSE = 2
    SUCCESS = 3
    FAILURE = 4


_CODES = {int(code): code for code in Code}
_WITHOUT_TYPE = (Code.SUCCESS, Code.FAILURE)


class Type(IntEnum):
    """Method types (IANA "EAP Method Types")."""

    IDENTITY = 1
    NOTIFICATION = 2
    NAK = 3
    MD5_CHALLENGE = 4
    OTP = 5
    GTC = 6
    EAP_TLS = 13
    LEAP = 17
    EAP_SIM = 18
    EAP_TTLS = 21
    EAP_AKA = 23
    PEAP = 25
    EAP_MSCHAPV2 = 26
    EAP_FAST = 43
    EAP_AKA_PRIME = 50
    EAP_PWD = 52
    TEAP = 55
    EXPANDED = 254
    EXPERIMENTAL = 255


_NAMES = {
    Type.IDENTITY: "Identity",
    Type.NOTIFICATION: "Notification",
    Type.NAK: "Nak",
    Type.MD5_CHALLENGE: "MD5-Challenge",
    Type.OTP: "OTP",
    Type.GTC: "GTC",
    Type.EAP_TLS: "EAP-TLS",
    Type.LEAP: "LEAP",
    Type.EAP_SIM: "EAP-SIM",
    Type.EAP_TTLS: "EAP-TTLS",
    Type.EAP_AKA: "EAP-AKA",
    Type.PEAP: "PEAP",
    Type.EAP_MSCHAPV2: "EAP-MSCHAPv2",
    Type.EAP_FAST: "EAP-FAST",
    Type.EAP_AKA_PRIME: "EAP-AKA'",
    Type.EAP_PWD: "EAP-pwd",
    Type.TEAP: "TEAP",
    Type.EXPANDED: "Expanded",
    Type.EXPERIMENTAL: "Experimental",
}

_NUMBERS = {
    Method.EAP_TLS: Type.EAP_TLS,
    Method.EAP_TTLS: Type.EAP_TTLS,
    Method.PEAP: Type.PEAP,
    Method.TEAP: Type.TEAP,
}


def method_name(number: int) -> str:
    """Return the IANA name of a method type, or "type 99" for one that is not known here."""
    try:
        return _NAMES[Type(number)]
    except ValueError:
        return f"type {number}"


def method_number(method: Method) -> Type:
    """Return a method's type. Raises KeyError for a method without one."""
    return _NUMBERS[method]


@dataclass(frozen=True, slots=True)
class EapPacket:
    """One EAP packet. `type` is None for Success and Failure, and only for them."""

    code: Code
    identifier: int
    type: int | None = None
    data: bytes = b""
    """What follows the Type octet."""

    @property
    def octets(self) -> bytes:
        """The packet as it is sent."""
        body = b"" if self.type is None else bytes((self.type,)) + self.data
        return _HEADER.pack(self.code, self.identifier, _HEADER.size + len(body)) + body

    @classmethod
    def parse(cls, octets: bytes) -> "EapPacket":
        """Read one packet. Octets past Length are padding (RFC 3748, section 4).

        Raises EapError for what section 4 says is to be discarded.
        """
        if len(octets) < _HEADER.size:
            raise EapError(f"an EAP packet of {len(octets)} octets; the least is 4")
        number, identifier, length = _HEADER.unpack_from(octets)
        if not _HEADER.size <= length <= len(octets):
            raise EapError(f"an EAP length of {length}, but {len(octets)} octets came")
        code = _CODES.get(number)
        if code is None:
            raise EapError(f"EAP code {number}")
        if code in _WITHOUT_TYPE:
            if length != _HEADER.size:
                raise EapError(f"an EAP {code.name.title()} of {length} octets; it has 4")
            return cls(code, identifier)
        if length == _HEADER.size:
            raise EapError(f"an EAP {code.name.title()} without a Type")
        return cls(code, identifier, octets[4], octets[5:length])


def identity(identifier: int, name: str) -> EapPacket:
    """Build a Response/Identity (RFC 3748, 5.1)."""
    return EapPacket(Code.RESPONSE, identifier, Type.IDENTITY, name.encode())


def nak(identifier: int, acceptable: Sequence[int]) -> EapPacket:
    """Build a Response/Nak that asks for other methods, preferred first (RFC 3748, 5.3.1).

    Without any, it says that there is no alternative: one octet 0.
    """
    return EapPacket(Code.RESPONSE, identifier, Type.NAK, bytes(acceptable) or b"\0")
