"""The content of signed data (CMS, RFC 5652, 5.1), taken out without a look at the signature.

Whoever signed a profile, it says what supplicants expect. The encoding is BER: lengths may be
indefinite and octet strings cut into pieces (X.690, 8.1.3.6 and 8.7.3).
"""

from probe.plan.problems import Refused

_SIGNED_DATA = bytes.fromhex("06092a864886f70d010702")
_DATA = bytes.fromhex("06092a864886f70d010701")
"""Object identifiers with tag and length (RFC 5652, 4 and 5.1)."""

_DEPTH = 16
_OCTETS, _PIECES = 0x04, 0x24


class _Reader:
    """Reads element after element. Every fault is a Refused."""

    def __init__(self, octets: bytes) -> None:
        self._octets = octets
        self._at = 0

    def enter(self, tag: int) -> None:
        """Step over the head of an element of that tag, to its content."""
        if self._head()[0] != tag:
            raise _broken()

    def take(self, encoding: bytes) -> None:
        """Step over an element that is exactly this."""
        if not self._octets.startswith(encoding, self._at):
            raise _broken()
        self._at += len(encoding)

    def skip(self, depth: int = 0) -> None:
        """Step over a whole element."""
        _, length = self._head()
        if length is not None:
            self._at += length
            return
        if depth >= _DEPTH:
            raise _broken()
        while not self._ends():
            self.skip(depth + 1)

    def octet_string(self, depth: int = 0) -> bytes:
        """Return the content of an octet string, pieces put together."""
        tag, length = self._head()
        if tag == _OCTETS and length is not None:
            begins = self._at
            self._at += length
            return self._octets[begins : self._at]
        if tag != _PIECES or depth >= _DEPTH:
            raise _broken()
        pieces = []
        until = None if length is None else self._at + length
        while not self._ends() if until is None else self._at < until:
            pieces.append(self.octet_string(depth + 1))
        return b"".join(pieces)

    def _ends(self) -> bool:
        """Step over the end of an indefinite length, if it is here."""
        if self._octets[self._at : self._at + 2] != b"\0\0":
            return False
        self._at += 2
        return True

    def _head(self) -> tuple[int, int | None]:
        """Return an element's tag and the length of its content; None: indefinite."""
        head = self._octets[self._at : self._at + 2]
        if len(head) < 2 or head[0] & 0x1F == 0x1F:
            raise _broken()
        self._at += 2
        tag, length = head
        if length == 0x80:
            return tag, None
        if length & 0x80:
            size = length & 0x7F
            length = int.from_bytes(self._octets[self._at : self._at + size], "big")
            self._at += size
        if self._at + length > len(self._octets):
            raise _broken()
        return tag, length


def signed_content(octets: bytes) -> bytes:
    """Return what was signed. Raises Refused: it is no signed data, or it is damaged."""
    reader = _Reader(octets)
    reader.enter(0x30)
    reader.take(_SIGNED_DATA)
    reader.enter(0xA0)
    reader.enter(0x30)
    reader.skip()  # version
    reader.skip()  # digestAlgorithms
    reader.enter(0x30)
    reader.take(_DATA)
    reader.enter(0xA0)
    return reader.octet_string()


def _broken() -> Refused:
    return Refused("is no signed profile that can be read (CMS signed data, RFC 5652)")
