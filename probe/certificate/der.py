"""A lenient reader of DER: it gives slices and primitive values, or says what is wrong and where.

It takes what a strict parser refuses (lengths that are not minimal, odd times, wrong string
types), because certificates with such faults are met and have to be described. It never recurses
by itself: the caller descends along the structure it knows, so depth is bounded by construction,
and every list of children has a limit.
"""

from datetime import UTC, datetime, timedelta, timezone
from functools import lru_cache

from msgspec import Struct

MAX_CHILDREN = 4_096
"""Elements read in one constructed value: more than any certificate of 64 KiB usefully has."""

BOOLEAN, INTEGER, BIT_STRING, OCTET_STRING, OID = 0x01, 0x02, 0x03, 0x04, 0x06
SEQUENCE, SET = 0x30, 0x31
UTC_TIME, GENERALIZED_TIME = 0x17, 0x18

_TEXT = {
    0x0C: "utf-8",  # UTF8String
    0x12: "ascii",  # NumericString
    0x13: "ascii",  # PrintableString
    0x14: "latin-1",  # TeletexString, read as everybody does
    0x16: "ascii",  # IA5String
    0x1A: "ascii",  # VisibleString
    0x1C: "utf-32-be",  # UniversalString
    0x1E: "utf-16-be",  # BMPString
}


class DerError(ValueError):
    """The octets break the encoding. The message says what and at which offset."""


class Tlv(Struct, frozen=True, gc=False):
    """One element: where it begins, where its content begins, and where both end.

    Of the kind of records that is made quickest: a certificate has fifty.
    """

    tag: int
    """The whole identifier octet: class, constructed bit and number."""
    start: int
    body: int
    end: int


def read(data: bytes, at: int, end: int, what: str = "an element") -> Tlv:
    """Return the element at an offset; it must end at `end` or before."""
    if at + 2 > end:
        raise DerError(f"{what} is missing at offset {at}")
    tag = data[at]
    if tag & 0x1F == 0x1F:
        raise DerError(f"{what} has a tag of more than one octet at offset {at}")
    length = data[at + 1]
    body = at + 2
    if length & 0x80:
        count = length & 0x7F
        if count == 0 or count > 4:
            kind = "an indefinite" if count == 0 else "an oversized"
            raise DerError(f"{what} has {kind} length at offset {at}")
        if body + count > end:
            raise DerError(f"{what} is cut off at offset {at}")
        length = int.from_bytes(data[body : body + count], "big")
        body += count
    if body + length > end:
        raise DerError(f"{what} at offset {at} runs {body + length - end} octets past its end")
    return Tlv(tag, at, body, body + length)


def expect(data: bytes, at: int, end: int, tag: int, what: str) -> Tlv:
    """Return the element at an offset, which must have that tag."""
    element = read(data, at, end, what)
    if element.tag != tag:
        raise DerError(f"{what} has tag 0x{element.tag:02x}, not 0x{tag:02x}, at offset {at}")
    return element


def children(data: bytes, parent: Tlv, what: str = "an element") -> list[Tlv]:
    """Return the elements that fill a constructed one."""
    found: list[Tlv] = []
    at = parent.body
    while at < parent.end:
        if len(found) == MAX_CHILDREN:
            raise DerError(f"more than {MAX_CHILDREN} elements in {what} at offset {parent.start}")
        element = read(data, at, parent.end, what)
        found.append(element)
        at = element.end
    return found


def whole(data: bytes, tag: int, what: str) -> Tlv:
    """Return the one element that fills the data, which must have that tag."""
    element = expect(data, 0, len(data), tag, what)
    if element.end != len(data):
        raise DerError(f"{what} is followed by {len(data) - element.end} octets")
    return element


def content(data: bytes, element: Tlv) -> bytes:
    """Return the content octets of an element."""
    return data[element.body : element.end]


def encoding(data: bytes, element: Tlv) -> bytes:
    """Return the whole encoding of an element."""
    return data[element.start : element.end]


def integer(data: bytes, element: Tlv) -> int:
    """Return the value of an INTEGER (or ENUMERATED, or one under an implicit tag)."""
    octets = content(data, element)
    if not octets:
        raise DerError(f"an empty integer at offset {element.start}")
    return int.from_bytes(octets, "big", signed=True)


def small_integer(data: bytes, element: Tlv) -> int:
    """Return the value of an INTEGER that is a count or version: at most eight octets."""
    if element.end - element.body > 8:
        size = element.end - element.body
        raise DerError(f"an absurd integer of {size} octets at offset {element.start}")
    return integer(data, element)


def boolean(data: bytes, element: Tlv) -> bool:
    """Return the value of a BOOLEAN; any octet but zero is true, as in BER."""
    octets = content(data, element)
    if len(octets) != 1:
        raise DerError(f"a boolean of {len(octets)} octets at offset {element.start}")
    return octets != b"\0"


@lru_cache(maxsize=2_048)
def oid(octets: bytes) -> str:
    """Return an object identifier in dotted form."""
    if not octets or octets[-1] & 0x80:
        raise DerError("an object identifier that is empty or cut off")
    if len(octets) > 128:
        raise DerError(f"an object identifier of {len(octets)} octets")
    arcs: list[int] = []
    arc = 0
    for octet in octets:
        arc = arc << 7 | octet & 0x7F
        if not octet & 0x80:
            arcs.append(arc)
            arc = 0
    first = min(arcs[0] // 40, 2)
    return ".".join(map(str, (first, arcs[0] - 40 * first, *arcs[1:])))


def bits(octets: bytes) -> tuple[int, ...]:
    """Return the numbers of the bits that are set in a BIT STRING's content, first bit 0."""
    if not octets or octets[0] > 7:
        raise DerError("a bit string without a valid count of unused bits")
    return tuple(
        index
        for index in range((len(octets) - 1) * 8 - octets[0])
        if octets[1 + index // 8] & (0x80 >> index % 8)
    )


def text(tag: int, octets: bytes) -> tuple[str, bool]:
    """Return a string and whether it was encoded as its type says (else with U+FFFD in it)."""
    codec = _TEXT.get(tag)
    if codec is None:
        return octets.hex(), False
    try:
        return octets.decode(codec), True
    except UnicodeDecodeError:
        return octets.decode("utf-8" if codec == "ascii" else codec, "replace"), False


def time(tag: int, octets: bytes) -> tuple[datetime, bool]:
    """Return a time in UTC and whether it has the form that RFC 5280, 4.1.2.5 demands.

    Leniently also without seconds, with a fraction, or with an offset to UTC (X.690, 11.7-11.8
    and the BER forms before them).
    """
    if tag not in (UTC_TIME, GENERALIZED_TIME):
        raise DerError(f"a time with tag 0x{tag:02x}")
    shown = octets.decode("ascii", "replace")
    digits = 2 if tag == UTC_TIME else 4
    strict = len(shown) == digits + 11 and shown.endswith("Z")
    stamp, zone = _split_zone(shown)
    stamp = stamp.partition(".")[0]
    if not (stamp.isascii() and stamp.isdigit() and len(stamp) in (digits + 8, digits + 10)):
        raise DerError(f"a time that cannot be read: {shown[:40]!r}")
    year = int(stamp[:digits])
    if tag == UTC_TIME:
        year += 1900 if year >= 50 else 2000
    month, day, hour, minute, *second = (
        int(stamp[at : at + 2]) for at in range(digits, len(stamp), 2)
    )
    try:
        moment = datetime(
            year, month, day, hour, minute, second[0] if second else 0, tzinfo=zone
        ).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise DerError(f"a time that does not exist: {shown[:40]!r}") from error
    if strict and tag == GENERALIZED_TIME and year < 2050:
        strict = False  # RFC 5280, 4.1.2.5: through 2049 times MUST be UTCTime
    return moment, strict


def _split_zone(shown: str) -> tuple[str, timezone]:
    if len(shown) > 5 and shown[-5] in "+-" and shown[-4:].isascii() and shown[-4:].isdigit():
        offset = timedelta(hours=int(shown[-4:-2]), minutes=int(shown[-2:]))
        if offset < timedelta(hours=24):
            return shown[:-5], timezone(-offset if shown[-5] == "-" else offset)
    return shown.removesuffix("Z"), UTC
