"""BER turned into DER as far as files need it: lengths that are indefinite, strings in pieces.

X.690, 8.1.3.6 and 8.7.3. PKCS#12 and PKCS#7 are defined in BER, and some software writes it.
"""

from probe.certificate.der import DerError

_DEPTH = 32
"""Elements within elements: a file has about a dozen."""
_ELEMENTS = 100_000
"""Elements of one file: one with hundreds of certificates has some thousands outside of them."""
_CONSTRUCTED, _PIECES, _OCTET_STRING, _INDEFINITE = 0x20, 0x24, 0x04, 0x80


def definite(data: bytes) -> tuple[bytes, int]:
    """Return the first element with definite lengths and whole octet strings, and where it ends.

    The element ends at that offset of the data as given. What is definite and whole already is left
    as it is, to the octet: signatures hold over it. Raises DerError.
    """
    reader = _Reader(data)
    element = reader.element(len(data), 0)
    return element, reader.at


def serialize(tag: int, content: bytes) -> bytes:
    """Return an element with the shortest length (X.690, 10.1)."""
    size = len(content)
    if size < 0x80:
        return bytes((tag, size)) + content
    octets = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(octets))) + octets + content


class _Reader:
    def __init__(self, data: bytes) -> None:
        self._data = data
        self._count = 0
        self.at = 0

    def element(self, end: int, depth: int) -> bytes:
        start = self.at
        tag, length = self._head(end)
        self._count += 1
        if self._count > _ELEMENTS:
            raise DerError(f"more than {_ELEMENTS} elements")
        if not tag & _CONSTRUCTED:
            if length is None:
                raise DerError(f"a primitive element of indefinite length at offset {start}")
            self.at += length
            return self._data[start : self.at]
        if depth == _DEPTH:
            raise DerError(f"more than {_DEPTH} elements within each other at offset {start}")
        body = self.at
        parts = self._parts(end, length, depth)
        if tag == _PIECES:
            return serialize(_OCTET_STRING, b"".join(_octets(part) for part in parts))
        content = b"".join(parts)
        if length is not None and content == self._data[body : self.at]:
            return self._data[start : self.at]
        return serialize(tag, content)

    def _parts(self, end: int, length: int | None, depth: int) -> list[bytes]:
        parts = []
        if length is not None:
            until = self.at + length
            while self.at < until:
                parts.append(self.element(until, depth + 1))
            return parts
        while self._data[self.at : self.at + 2] != b"\0\0":
            parts.append(self.element(end, depth + 1))
        self.at += 2
        if self.at > end:
            raise DerError(f"an end of contents at offset {self.at - 2} lies outside")
        return parts

    def _head(self, end: int) -> tuple[int, int | None]:
        at = self.at
        if at + 2 > end:
            raise DerError(f"it is cut off at offset {at}")
        tag, length = self._data[at], self._data[at + 1]
        if tag & 0x1F == 0x1F:
            raise DerError(f"a tag of more than one octet at offset {at}")
        self.at += 2
        if length == _INDEFINITE:
            return tag, None
        if length & 0x80:
            size = length & 0x7F
            length = int.from_bytes(self._data[self.at : self.at + size], "big")
            self.at += size
        if self.at + length > end:
            raise DerError(
                f"the element at offset {at} runs {self.at + length - end} octets past its end"
            )
        return tag, length


def _octets(part: bytes) -> bytes:
    if part[0] != _OCTET_STRING:
        raise DerError("an octet string in pieces of another kind")
    return part[2:] if part[1] < 0x80 else part[2 + (part[1] & 0x7F) :]
