"""One `HEAD /` (RFC 9110, 9.3.2): what is sent, and what is read of the answer's head. No socket.

No redirect is followed and no cookie kept: what the answer says of them is not even looked at.
"""

import re
from collections.abc import Callable
from datetime import UTC, datetime

from probe.observation.model import LATEST, HttpSeen

_INTERIM = 3
"""Interim answers (1xx) that are read over: a server sends one at most."""

_STATUS = re.compile(rb"HTTP/1\.[0-9] ([1-9][0-9][0-9])(?: |$)")
_END = re.compile(rb"\n\r?\n")
_FIELDS = re.compile(rb"\n(date|age|strict-transport-security):([^\n]*)", re.IGNORECASE)
"""The fields that are looked at. Of one that comes twice the first counts, as RFC 6797, 8.1 has it
of Strict-Transport-Security."""

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_DATES = (
    # RFC 9110, 5.6.7, in this order: IMF-fixdate, RFC 850's, asctime's. All three have to be read.
    re.compile(
        r"[A-Z][a-z]{2}, (?P<day>\d\d) (?P<month>[A-Z][a-z]{2}) (?P<year>\d{4})"
        r" (?P<time>\d\d:\d\d:\d\d) GMT",
        re.ASCII,
    ),
    re.compile(
        r"[A-Z][a-z]{5,8}, (?P<day>\d\d)-(?P<month>[A-Z][a-z]{2})-(?P<year>\d\d)"
        r" (?P<time>\d\d:\d\d:\d\d) GMT",
        re.ASCII,
    ),
    re.compile(
        r"[A-Z][a-z]{2} (?P<month>[A-Z][a-z]{2}) (?P<day>[ \d]\d) (?P<time>\d\d:\d\d:\d\d)"
        r" (?P<year>\d{4})",
        re.ASCII,
    ),
)


def request(authority: str) -> bytes:
    """Return the request to the host, or host and port, that was opened (Host, RFC 9110, 7.2)."""
    lines = (
        "HEAD / HTTP/1.1",
        f"Host: {authority}",
        "User-Agent: cluster-probe",
        "Accept: */*",
        "Connection: close",
    )
    return "\r\n".join((*lines, "", "")).encode("ascii")


class HeadReader:
    """Takes the answer's octets until its head is whole."""

    def __init__(self, most: int, characters: int, now: Callable[[], datetime]) -> None:
        self.done = False
        """Nothing more is needed, or what came is no HTTP, or is too long."""
        self.seen: HttpSeen | None = None
        """None: no whole head came."""
        self._most = most
        self._characters = characters
        self._now = now
        self._octets = bytearray()
        self._interim = 0

    def feed(self, octets: bytes) -> None:
        """Take what came. Ignored once `done`."""
        if self.done:
            return
        self._octets += octets
        while end := _END.search(self._octets):
            head = bytes(self._octets[: end.start()])
            del self._octets[: end.end()]
            if self._read(head):
                self.done = True
                return
        self.done = len(self._octets) > self._most

    def _read(self, head: bytes) -> bool:
        """Read one head; return whether that was all."""
        first = head.partition(b"\n")[0]
        status = _STATUS.match(first.rstrip(b"\r"))
        if status is None:
            return True
        number = int(status[1])
        if number < 200 and number != 101:
            self._interim += 1
            return self._interim > _INTERIM
        fields: dict[bytes, str] = {}
        for name, value in _FIELDS.findall(head):
            fields.setdefault(name.lower(), value.decode("latin-1").strip(" \t\r"))
        strict = fields.get(b"strict-transport-security")
        # With an Age it was not made for us but kept by a cache (RFC 9111, 5.1): its date is the
        # time at which it was made, and says nothing of a clock.
        kept = b"age" in fields
        self.seen = HttpSeen(
            status=number,
            date=None if kept else http_date(fields.get(b"date", ""), self._now()),
            strict_transport=None if strict is None else strict[: self._characters],
        )
        return True


def http_date(text: str, now: datetime) -> datetime | None:
    """Return the time of an HTTP date (RFC 9110, 5.6.7), in UTC; None: it is none.

    A year of two digits that seems more than fifty years ahead of `now` is the latest one past that
    ends in them.
    """
    found = next((match for form in _DATES if (match := form.fullmatch(text))), None)
    if found is None or found["month"] not in _MONTHS:
        return None
    year = int(found["year"])
    if len(found["year"]) == 2:
        year += now.year // 100 * 100
        year -= 100 if year > now.year + 50 else 0
    hour, minute, second = (int(part) for part in found["time"].split(":"))
    month, day = _MONTHS.index(found["month"]) + 1, int(found["day"])
    try:
        # A leap second (60) is told as the one before it.
        moment = datetime(year, month, day, hour, minute, min(second, 59), tzinfo=UTC)
    except ValueError:
        return None
    return moment if second <= 60 and moment < LATEST else None
