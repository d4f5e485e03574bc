"""The framing of TLS data inside EAP methods, both directions (RFC 5216, 2.1.5 and 3.1).

EAP-TLS, EAP-TTLS (RFC 5281, 9.1), PEAP and TEAP (RFC 9930, 4.1) share it: a flags octet, a TLS
message length of four octets on the first of several fragments, TLS data. The low three bits, which
EAP-TLS reserves, are a version in the others. In TEAP one more bit tells of outer TLVs behind the
TLS data, and their length; for the other methods it is reserved.
"""

from probe.records import dataclass

_LENGTH = 0x80
_MORE = 0x40
_START = 0x20
_OUTER = 0x10
_VERSION = 0x07


class FragmentError(ValueError):
    """The peer's fragment breaks the framing or a bound."""


@dataclass(frozen=True, slots=True)
class Fragment:
    """What follows the Type octet in one packet."""

    data: bytes = b""
    total: int | None = None
    """Octets of the whole TLS message; None: the length is not included (no L flag)."""
    more: bool = False
    start: bool = False
    version: int = 0
    outer: bytes | None = None
    """TEAP: the outer TLVs, as sent; they belong to the first message of each side (RFC 9930,
    4.1). None: their length is not included (no O flag)."""

    @property
    def acknowledges(self) -> bool:
        """Whether this packet only acknowledges a fragment: no TLS data, and neither M nor S."""
        return not (self.data or self.more or self.start)

    @property
    def octets(self) -> bytes:
        """The fragment as it is sent."""
        flags = self.version & _VERSION
        flags |= _MORE * self.more | _START * self.start
        total = outer = b""
        if self.total is not None:
            flags |= _LENGTH
            total = self.total.to_bytes(4)
        if self.outer is not None:
            flags |= _OUTER
            outer = len(self.outer).to_bytes(4)
        return bytes((flags,)) + total + outer + self.data + (self.outer or b"")

    @classmethod
    def parse(cls, octets: bytes, *, outer_tlvs: bool = False) -> "Fragment":
        """Read one fragment; with `outer_tlvs` as TEAP has them (RFC 9930, 4.1).

        Raises FragmentError if flags, lengths or outer TLVs are cut off.
        """
        if not octets:
            raise FragmentError("no flags octet")
        flags = octets[0]
        total = None
        data = octets[1:]
        if flags & _LENGTH:
            if len(data) < 4:
                raise FragmentError("the TLS message length is cut off")
            total = int.from_bytes(data[:4])
            data = data[4:]
        outer = None
        if outer_tlvs and flags & _OUTER:
            if len(data) < 4:
                raise FragmentError("the length of the outer TLVs is cut off")
            end = len(data) - int.from_bytes(data[:4])
            if end < 4:
                raise FragmentError(
                    f"outer TLVs of {len(data) - end} octets, but {len(data) - 4} are there"
                )
            data, outer = data[4:end], data[end:]
        return cls(
            data=data,
            total=total,
            more=bool(flags & _MORE),
            start=bool(flags & _START),
            version=flags & _VERSION,
            outer=outer,
        )


class Fragmenter:
    """Cuts one TLS message into fragments of at most `size` octets of TLS data."""

    def __init__(self, message: bytes, size: int, *, version: int = 0) -> None:
        if size < 1:
            raise ValueError(f"fragments of {size} octets")
        self._message = message
        self._size = size
        self._version = version
        self._place = 0

    @property
    def pending(self) -> bool:
        """Whether something is left to be taken."""
        return self._place < len(self._message)

    def take(self) -> Fragment:
        """Return the next fragment. Each but the last is to be acknowledged before the next.

        The length goes with the first of several fragments (RFC 5216, 2.1.5) and not with a message
        that needs only one (RFC 9190, 2.4).
        """
        data = self._message[self._place : self._place + self._size]
        first = self._place == 0
        self._place += len(data)
        total = len(self._message) if first and self.pending else None
        return Fragment(data, total=total, more=self.pending, version=self._version)


class Assembler:
    """Joins the fragments of one TLS message after another, each of at most `limit` octets."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._pieces: list[bytes] = []
        self._length = 0
        self._total: int | None = None

    def add(self, fragment: Fragment) -> bytes | None:
        """Take a fragment; return the whole message if it was the last, else None.

        The length may be there or not, on every fragment or on the first. Raises FragmentError
        where it changes, does not come out, or goes beyond the limit, and for a fragment that says
        that more will come but brings nothing.
        """
        if fragment.total is not None:
            if self._total is not None and fragment.total != self._total:
                raise FragmentError(
                    f"the TLS message length changes from {self._total} to {fragment.total}"
                )
            self._total = fragment.total
        self._length += len(fragment.data)
        announced = self._total if self._total is not None else self._length
        if max(announced, self._length) > self._limit:
            raise FragmentError(
                f"a TLS message of {max(announced, self._length)} octets; "
                f"{self._limit} are looked at"
            )
        if self._length > announced:
            raise FragmentError(f"more TLS data than the {announced} octets announced")
        if fragment.more:
            if not fragment.data:
                raise FragmentError("a fragment without data says that more will come")
            self._pieces.append(fragment.data)
            return None
        if self._length < announced:
            raise FragmentError(f"{self._length} octets of TLS data; {announced} were announced")
        message = b"".join((*self._pieces, fragment.data))
        self._pieces, self._length, self._total = [], 0, None
        return message
