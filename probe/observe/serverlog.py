"""TLS alerts in the log of a RADIUS server: who said what about whose certificate.

Read are lines whose form stands in the sources of FreeRADIUS (`src/main/cb.c`, `tls.c`), hostapd
(`src/crypto/tls_openssl.c`, `src/ap/authsrv.c`) and OpenSSL (`SSL_AD_REASON_OFFSET`,
which whatever is built on it writes), and that FreeRADIUS 3.2 and hostapd 2.10 were seen to write
(`tests/peers/test_serverlog.py`). All other lines are passed over. Nothing of a line is kept
but the alert, its direction and its time: names and hardware addresses of people stay in the file.
"""

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import BinaryIO, Final

from probe.limits import SERVER_LOG_BYTES, SERVER_LOG_LINE
from probe.observation.model import LATEST
from probe.records import dataclass
from probe.wire.registry import ALERTS


class LogTooLongError(Exception):
    """There is more in a log than is read."""


@dataclass(frozen=True, slots=True)
class Logged:
    """Alerts of one kind and direction."""

    alert: str
    """Its IANA description."""
    received: bool
    """Whether the server received it; else the server sent it."""
    times: int
    """How often it happened. A server that writes several lines about one alert is counted by the
    form of line of which there are most."""
    first: datetime | None
    last: datetime | None
    """None: no line had a time that is certain. What lacks the year or the zone is not."""


_REASONS: Final = 1000
"""OpenSSL's error for an alert that was received is its number and this (ssl.h)."""

_GOODBYE = "close_notify"
"""How each side ends a connection that went well: it speaks of nothing."""

_FORMS: Final = (
    # FreeRADIUS: "(4) eap_peap: ERROR: (TLS) Alert read:fatal:unknown CA", in later versions with
    # the method in front of the alert, in earlier ones "Error: TLS Alert read:fatal:unknown CA".
    (
        "error",
        re.compile(
            r"(?:ERROR|Error): (?:TLS |\(TLS\) (?:[A-Z-]{1,16} - )?)"
            r"Alert (read|write):(?:fatal|warning):([A-Za-z ]+)"
        ),
    ),
    # FreeRADIUS in debugging: "(4) eap_peap: (TLS) recv TLS 1.2 Alert, fatal unknown_ca"
    (
        "record",
        re.compile(
            r": \(TLS\) (?:[A-Z-]{1,16} - )?(recv|send) TLS 1\.\d Alert, (?:fatal|warning) (\w+)"
        ),
    ),
    # hostapd: "SSL: SSL3 alert: read (remote end reported an error):fatal:unknown CA"
    (
        "info",
        re.compile(r"SSL: SSL3 alert: (read|write) \([^()]*\):(?:fatal|warning):([A-Za-z ]+)"),
    ),
    # hostapd in debugging: "authsrv: remote TLS alert: unknown CA"
    ("event", re.compile(r"authsrv: (remote|local) TLS alert: ([A-Za-z ]+)")),
)
_LOGIN: Final = re.compile(
    r"Login incorrect \([^()]*(?:\(TLS\)[^()]*)?Alert (read|write):(?:fatal|warning):([A-Za-z ]+)\)"
)
"""FreeRADIUS, the reason of a login that failed, in parentheses."""
_ERROR: Final = re.compile(r"error:([0-9A-Fa-f]{8}):SSL routines:")
"""OpenSSL: "error:0A000418:SSL routines::tlsv1 alert unknown ca", or with another number of the
library in front; what is in the lowest twelve bits is the reason in every version."""

_FOREIGN: Final = re.compile(r"""(?<!\w)\[|\[(?!\d+\]:)|["']|-->""")
"""Where a line ends being the server's own words. What whoever wants in may write stands after a
bracket ("Invalid user: [name]", FreeRADIUS' auth.c) that is not a syslog's process number, between
quotation marks, or after an arrow ("EXPAND %{User-Name} --> name", in debugging)."""

_RECEIVED: Final = frozenset({"read", "recv", "remote"})
_ISO: Final = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d{1,6})?(?:Z|[+-]\d\d:\d\d)")
"""RFC 5424, 6.2.3: a syslog time that says all."""
_EPOCH: Final = re.compile(r"^(\d{9,10})\.\d{6}: ")
"""hostapd -t: seconds since 1970."""


def alerts_in(log: BinaryIO) -> tuple[Logged, ...]:
    """Return the alerts that a log tells of, those that happened most first.

    Raises LogTooLongError, and OSError as the file does.
    """
    return tuple(sorted(_gathered(_lines(log)), key=lambda one: (-one.times, one.alert)))


def _lines(log: BinaryIO) -> Iterator[str]:
    read, begins = 0, True
    while piece := log.readline(SERVER_LOG_LINE):
        read += len(piece)
        if read > SERVER_LOG_BYTES:
            raise LogTooLongError
        if begins and b"lert" in piece:
            yield piece.decode("utf-8", errors="replace")
        begins = piece.endswith(b"\n")


def _gathered(lines: Iterable[str]) -> Iterator[Logged]:
    counted: dict[tuple[str, bool], Counter[str]] = {}
    times: dict[tuple[str, bool], list[datetime]] = {}
    for line in lines:
        for form, alert, received in _told(line):
            if alert == _GOODBYE:
                continue
            counted.setdefault((alert, received), Counter())[form] += 1
            if (at := _time(line)) is not None:
                known = times.setdefault((alert, received), [at, at])
                known[:] = min(known[0], at), max(known[1], at)
    for (alert, received), forms in counted.items():
        first, last = times.get((alert, received), (None, None))
        yield Logged(alert, received, max(forms.values()), first, last)


def _told(line: str) -> Iterator[tuple[str, str, bool]]:
    """Yield the form of the line, the alert that it tells of, and whether it was received."""
    if (foreign := _FOREIGN.search(line)) is not None:
        line = line[: foreign.start()]
    forms = (("login", _LOGIN),) if "Login " in line else _FORMS
    for form, pattern in forms:
        if (found := pattern.search(line)) is not None:
            if (alert := _alert(found[2])) is not None:
                yield form, alert, found[1] in _RECEIVED
            return
    if forms is _FORMS and (found := _ERROR.search(line)) is not None:
        number = (int(found[1], 16) & 0xFFF) - _REASONS
        if number in ALERTS:
            yield "library", ALERTS[number], True


def _alert(words: str) -> str | None:
    """Return the alert of these words: OpenSSL writes blanks for underscores, some in capitals."""
    return _BY_WORDS.get(words.strip().lower().replace(" ", "_"))


_BY_WORDS: Final = {name.lower().removesuffix("_reserved"): name for name in ALERTS.values()}


def _time(line: str) -> datetime | None:
    try:
        if (found := _ISO.search(line)) is not None:
            at = datetime.fromisoformat(found[0]).astimezone(UTC)
        elif (found := _EPOCH.search(line)) is not None:
            at = datetime.fromtimestamp(int(found[1]), UTC)
        else:
            return None
    except (ValueError, OverflowError):
        return None
    return at if at < LATEST else None
