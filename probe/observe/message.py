"""DNS messages on the wire (RFC 1035, 4; RFC 6891, 6): a question is written, a response is read.

A survey asks thousands of questions, and a codec for every kind of message would take more time
than all else about them. So no more is read here than what a lookup looks at: the question, and the
records, whose data stays as it came. dnspython reads that where it is of interest.

Names are octets here: labels without compression, in lower case (RFC 4343).
"""

import re
import struct
from collections.abc import Iterator
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import dns.exception
import dns.flags
import dns.rcode
import dns.rdataclass
import dns.rdatatype

if TYPE_CHECKING:
    import dns.rdata

_PAYLOAD = 1232
"""Octets of a datagram that we can take: no path has to fragment it, as the least MTU of IPv6 is
1,280 (RFC 8200, 5), and 48 of these are headers."""

_HEAD = struct.Struct("!HHHHHH")
_RECORD = struct.Struct("!HHIH")
_PAIR = struct.Struct("!HH")

# Numbers, as arithmetic with the members of an enumeration is slow.
_IN = int(dns.rdataclass.IN)
_OPT = int(dns.rdatatype.OPT)
_QR, _TC, _OPCODE, _RCODE = 0x8000, 0x0200, 0x7800, 0x000F
_PLAIN = int(dns.flags.RD | dns.flags.AD)
_UNCHECKED = int(dns.flags.RD | dns.flags.CD)

_EDNS = b"\x00" + _RECORD.pack(_OPT, _PAYLOAD, 0, 0)
"""RFC 6891, 6.1.2: version 0, no options; DO is not needed to be told of validation."""

_NAME_OCTETS = 255
"""RFC 1035, 2.3.4."""
_POINTERS = 127
"""In one name: so many labels fit, and pointers to pointers are of use to nobody."""

_TOO_LONG = "a name is too long"
_CIRCLE = "a name is compressed in a circle"

_EXTENDED_ERROR = 15
"""RFC 8914, 2."""

_WITHOUT_QUESTION = frozenset(
    {dns.rcode.FORMERR, dns.rcode.SERVFAIL, dns.rcode.NOTIMP, dns.rcode.REFUSED}
)
"""A server that says one of these may not have come as far as the question."""


class MessageError(ValueError):
    """These octets are no DNS message."""


class Record(NamedTuple):
    """A record of class IN."""

    owner: bytes
    type: int
    lifetime: int
    """Seconds."""
    begin: int
    """Where its data begins in the message, and where it ends."""
    end: int


class ExtendedError(NamedTuple):
    """RFC 8914: why a server says what it says."""

    code: int
    text: str


_Known = tuple[int, bytes]
"""A name that was read, and the first pointer by which it is compressed: seen from a place before
there it is none. -1: by none."""

_USUAL = re.compile(r"(?:[\w*-]{1,63}\.){0,127}[\w*-]{1,63}\.?", re.ASCII)
"""A name without anything that is written in another way than it is meant."""


@lru_cache(maxsize=1_024)  # of most names several types are asked
def name_octets(text: str) -> bytes:
    """Return a name, absolute with or without its final dot. Raises MessageError if it is none."""
    if len(text) < _NAME_OCTETS - 1 and _USUAL.fullmatch(text):
        labels = text.encode("ascii").lower().removesuffix(b".").split(b".")
        return b"".join(bytes((len(label),)) + label for label in labels) + b"\x00"
    import dns.name  # noqa: PLC0415  # it takes some forty modules along, and few names need it

    try:
        # Lower case leaves the lengths of labels alone: they are below 64, and "A" is 65.
        return dns.name.from_text(text).to_digestable()
    except (dns.exception.DNSException, ValueError) as error:
        raise MessageError(str(error)) from None


def name_text(name: bytes) -> str:
    """Return a name in presentation form, without its final dot."""
    labels, at = [], 0
    while length := name[at]:
        labels.append(name[at + 1 : at + 1 + length])
        at += 1 + length
    usual = b".".join(labels).decode("ascii", "replace")
    if labels and usual.count(".") == len(labels) - 1 and _USUAL.fullmatch(usual):
        return usual
    import dns.name  # noqa: PLC0415  # as above

    return dns.name.Name((*labels, b"")).to_text(omit_final_dot=True)


def query(number: int, name: bytes, record_type: int, *, edns: bool, checked: bool) -> bytes:
    """Return a question with recursion desired.

    `checked`: what is not valid is not wanted, and to be told of what is (AD in a question; RFC
    6840, 5.7). Otherwise no validation is wanted (CD; RFC 4035, 3.2.2).
    """
    head = _HEAD.pack(number, _PLAIN if checked else _UNCHECKED, 1, 0, 0, int(edns))
    asked = head + name + _PAIR.pack(record_type, _IN)
    return asked + _EDNS if edns else asked


class Response:
    """A response, read. Raises MessageError if it is none."""

    __slots__ = (
        *("_names", "_octets", "_options", "_questions"),
        *("answer", "authority", "flags", "rcode"),
    )

    def __init__(self, octets: bytes) -> None:
        self._octets = octets
        self._names: dict[int, _Known] = {}
        """Names that were met, by the place where they begin."""
        self._options: bytes | None = None
        try:
            head = _HEAD.unpack_from(octets)
            _, self.flags, self._questions, answers, authorities, additional = head
            self.rcode: int = self.flags & _RCODE
            at = 12
            for _ in range(self._questions):
                at = self._name(at)[1] + 4
            self.answer: list[Record] = []
            at = self._section(at, answers, self.answer)
            self.authority: list[Record] = []
            at = self._section(at, authorities, self.authority)
            at = self._additional(at, additional)
        except (IndexError, struct.error):
            raise MessageError("it ends in the midst of a record") from None
        if at > len(octets):
            raise MessageError("it ends in the midst of a record")
        if at < len(octets):
            raise MessageError("something follows its last record")

    @property
    def is_response(self) -> bool:
        """Whether it is one (QR)."""
        return bool(self.flags & _QR)

    def answers(self, asked: bytes, name: bytes) -> bool:
        """Tell whether id and question are those of `asked`, which is for `name`."""
        if self.flags & _OPCODE or self._octets[:2] != asked[:2]:
            return False
        if self._questions == 1:
            end = 12 + len(name)
            # RFC 4343: not everyone preserves case.
            same_name = self._octets[12:end].lower() == name
            return same_name and self._octets[end : end + 4] == asked[end : end + 4]
        return self._questions == 0 and self.rcode in _WITHOUT_QUESTION

    def octets(self, record: Record) -> bytes:
        """Return the data of a record as it came; names in it may be compressed."""
        return self._octets[record.begin : record.end]

    def data(self, record: Record) -> "dns.rdata.Rdata":
        """Return the data of a record. Raises MessageError where the library cannot read it."""
        import dns.rdata  # noqa: PLC0415  # as above; addresses and aliases are read without

        length = record.end - record.begin
        try:
            return dns.rdata.from_wire(
                dns.rdataclass.IN,
                dns.rdatatype.RdataType.make(record.type),
                *(self._octets, record.begin, length),
            )
        except (dns.exception.DNSException, ValueError, struct.error) as error:
            raise MessageError(str(error)) from None

    def target(self, record: Record) -> bytes:
        """Return the name that is a record's data. Raises MessageError if it is none."""
        try:
            name, end = self._name(record.begin)
        except IndexError:
            raise MessageError("a name goes beyond its message") from None
        if end != record.end:
            raise MessageError("a name does not end where its record does")
        return name

    def extended_errors(self) -> Iterator[ExtendedError]:
        """Yield what the server says about its own failure (RFC 8914), where that can be read."""
        rest = self._options or b""
        while len(rest) >= 4:
            code, length = _PAIR.unpack_from(rest)
            value, rest = rest[4 : 4 + length], rest[4 + length :]
            if code == _EXTENDED_ERROR and 2 <= length == len(value):
                text = value[2:].decode("utf-8", "replace").rstrip("\x00")
                yield ExtendedError(int.from_bytes(value[:2]), text)

    def _section(self, at: int, count: int, into: list[Record]) -> int:
        octets = self._octets
        for _ in range(count):
            owner, at = self._name(at)
            record_type, record_class, lifetime, length = _RECORD.unpack_from(octets, at)
            begin, at = at + 10, at + 10 + length
            if record_class == _IN:
                # RFC 2181, 8: the most significant bit set means zero.
                lifetime = 0 if lifetime > 0x7FFFFFFF else lifetime
                into.append(Record(owner, record_type, lifetime, begin, at))
        return at

    def _additional(self, at: int, count: int) -> int:
        """Of these records only what EDNS says is of use."""
        octets = self._octets
        for _ in range(count):
            owner, at = self._name(at)
            record_type, _, lifetime, length = _RECORD.unpack_from(octets, at)
            begin, at = at + 10, at + 10 + length
            if record_type == _OPT:
                # RFC 6891, 6.1.1: one, owned by the root.
                if self._options is not None or owner != b"\x00":
                    raise MessageError("what it says of EDNS is wrong")
                self._options = octets[begin:at]
                # RFC 6891, 6.1.3: the upper eight bits.
                self.rcode |= lifetime >> 24 << 4
        return at

    def _name(self, at: int) -> tuple[bytes, int]:
        """Return the name that begins here, and where it ends. Raises IndexError beyond the end."""
        octets, begin = self._octets, at
        while 0 < (length := octets[at]) < 0x40:
            at += 1 + length
        if length:
            first = _pointer(octets, at, begin)
            _, known = self._names.get(first) or self._read(first)
            name, end = octets[begin:at].lower() + known, at + 2
        else:
            first, end = -1, at + 1
            name = octets[begin:end].lower()
        if len(name) > _NAME_OCTETS:
            raise MessageError(_TOO_LONG)
        self._names[begin] = first, name
        return name, end

    def _read(self, begin: int) -> _Known:
        """Read the name that a pointer leads to.

        Thousands of pointers may lead into the same labels: so it is known of each of these from
        then on what name begins there, and none is read twice.
        """
        octets, names = self._octets, self._names
        labels = b""
        pointers: list[int] = []
        met: list[tuple[int, int, int]] = []
        """Where labels and pointers stand, behind how many octets and how many pointers."""
        at = before = begin
        while (known := names.get(at)) is None and (length := octets[at]):
            met.append((at, len(labels), len(pointers)))
            if length < 0x40:
                labels += octets[at : at + 1 + length]
                at += 1 + length
            else:
                at = before = _pointer(octets, at, before)
                pointers.append(at)
            if len(labels) >= _NAME_OCTETS or len(pointers) >= _POINTERS:
                raise MessageError(_CIRCLE if len(pointers) >= _POINTERS else _TOO_LONG)
        then, rest = known or (-1, b"\x00")
        if then >= before:
            raise MessageError(_CIRCLE)
        name = labels.lower() + rest
        if len(name) > _NAME_OCTETS:
            raise MessageError(_TOO_LONG)
        pointers.append(then)
        for place, size, count in met:
            names[place] = pointers[count], name[size:]
        return pointers[0], name


def _pointer(octets: bytes, at: int, before: int) -> int:
    """Return where a pointer leads. Raises MessageError if it is none, or does not lead back.

    RFC 1035, 4.1.4: to a prior occurrence; so none can lead round in a circle.
    """
    if octets[at] < 0xC0:
        # RFC 6891, 5: the types of label beyond these two are not in use.
        raise MessageError("a label is of no known type")
    pointer = (octets[at] & 0x3F) << 8 | octets[at + 1]
    if pointer >= before:
        raise MessageError(_CIRCLE)
    return pointer
