"""Attribute-value pairs inside EAP-TTLS (RFC 5281, section 10), both directions."""

from collections.abc import Iterator

from probe.records import dataclass
from probe.wire.inner.dialogue import InnerError

_VENDOR, _MANDATORY = 0x80, 0x40

USER_NAME = 1
USER_PASSWORD = 2
REPLY_MESSAGE = 18

MICROSOFT = 311
MS_CHAP_ERROR = 2
MS_CHAP_CHALLENGE = 11
MS_CHAP2_RESPONSE = 25
MS_CHAP2_SUCCESS = 26
"""RFC 2548, 2.1.5, 2.1.2, 2.3.2 and 2.3.3."""


@dataclass(frozen=True, slots=True)
class Avp:
    """One pair."""

    code: int
    data: bytes
    vendor: int = 0
    mandatory: bool = True
    """Who does not know it has to fail (RFC 5281, 10.1)."""

    @property
    def octets(self) -> bytes:
        """The pair as it is sent, filled up to four octets."""
        flags = _VENDOR * bool(self.vendor) | _MANDATORY * self.mandatory
        vendor = self.vendor.to_bytes(4) if self.vendor else b""
        length = 8 + len(vendor) + len(self.data)
        head = self.code.to_bytes(4) + bytes((flags,)) + length.to_bytes(3) + vendor
        return head + self.data + bytes(-length % 4)


def parse(octets: bytes) -> Iterator[Avp]:
    """Yield the pairs of one message. Raises InnerError where a length does not add up.

    What fills up the last pair may be missing: some servers leave it out.
    """
    while octets:
        if len(octets) < 8:
            raise InnerError("an attribute of EAP-TTLS is cut off")
        flags, length = octets[4], int.from_bytes(octets[5:8])
        begin = 12 if flags & _VENDOR else 8
        if not begin <= length <= len(octets):
            raise InnerError(f"an attribute of EAP-TTLS has length {length}")
        yield Avp(
            code=int.from_bytes(octets[:4]),
            data=octets[begin:length],
            vendor=int.from_bytes(octets[8:12]) if flags & _VENDOR else 0,
            mandatory=bool(flags & _MANDATORY),
        )
        octets = octets[length + -length % 4 :]
