"""Alerts in lines of logs: as published, as measured, and as somebody might forge them."""

import io
from datetime import UTC, datetime

import pytest

from probe.limits import SERVER_LOG_BYTES, SERVER_LOG_LINE
from probe.observe.serverlog import Logged, LogTooLongError, alerts_in

MEASURED_LOG = b"""\
Wed Nov 25 20:47:59 2026 : Info: Ready to process requests
Wed Nov 25 20:47:59 2026 : ERROR: (4) eap_peap: ERROR: (TLS) Alert read:fatal:unknown CA
Wed Nov 25 20:47:59 2026 : Auth: (4) Login incorrect (eap_peap: (TLS) Alert read:fatal:unknown \
CA): [nobody@northpier.example] (from client known port 0)
"""
"""FreeRADIUS 3.2.1 into a file, with `auth = yes`: two lines of one alert."""

MEASURED_DEBUG = b"""\
(4) eap_peap: (TLS) recv TLS 1.2 Alert, fatal unknown_ca
(4) eap_peap: ERROR: (TLS) Alert read:fatal:unknown CA
(4) eap_peap: (TLS) Server : Need to read more data: error
(4) eap_peap: ERROR: (TLS) Failed reading from OpenSSL: error:0A000418:SSL routines::tlsv1 alert \
unknown ca
(4) eap_peap:   TLS-Session-Information = "(TLS) recv TLS 1.2 Alert, fatal unknown_ca"
"""
"""FreeRADIUS 3.2.1 -X: four forms of one alert, and an attribute that repeats it."""

MEASURED_HOSTAPD = b"""\
SSL: SSL3 alert: read (remote end reported an error):fatal:unknown CA
authsrv: remote TLS alert: unknown CA
OpenSSL: openssl_handshake - SSL_connect error:0A000418:SSL routines::tlsv1 alert unknown ca
"""
"""hostapd 2.10 -d."""


@pytest.mark.parametrize("log", [MEASURED_LOG, MEASURED_DEBUG, MEASURED_HOSTAPD])
def test_one_alert_is_counted_once_however_many_lines_tell_of_it(log: bytes) -> None:
    assert alerts_in(io.BytesIO(log)) == (Logged("unknown_ca", True, 1, None, None),)


@pytest.mark.parametrize(
    ("line", "alert", "received"),
    [
        # FreeRADIUS 2 and 3.0 (src/main/cb.c: "TLS Alert %s:%s:%s").
        (b"Error: TLS Alert read:fatal:bad certificate", "bad_certificate", True),
        (
            b"(9) eap_tls: ERROR: TLS Alert write:fatal:certificate expired",
            "certificate_expired",
            0,
        ),
        # Later versions, with the method.
        (
            b"(25) eap_peap: ERROR: (TLS) PEAP - Alert read:fatal:access denied",
            "access_denied",
            True,
        ),
        (
            b"Login incorrect (eap_peap: (TLS) PEAP - Alert read:fatal:unknown CA): [x] (from c)",
            "unknown_ca",
            True,
        ),
        (b"Login incorrect (TLS Alert read:fatal:unknown CA): [x/<via y>]", "unknown_ca", True),
        (
            b"radiusd[7]: (4) Login incorrect (eap: (TLS) Alert read:fatal:unknown CA): [x]",
            "unknown_ca",
            True,
        ),
        # hostapd, tls_openssl.c.
        (
            b"SSL: SSL3 alert: write (local SSL3 detected an error):fatal:certificate revoked",
            "certificate_revoked",
            False,
        ),
        (
            b"SSL: SSL3 alert: read (remote end reported an error):warning:user canceled",
            "user_canceled",
            True,
        ),
        # OpenSSL: the reason is the number of the alert and 1000, by RFC 9846, 6: 42, 48 and 116.
        (b"x error:14094412:SSL routines:SSL3_READ_BYTES:sslv3 alert bad", "bad_certificate", True),
        (b"x error:14094418:SSL routines:ssl3_read_bytes:tlsv1 alert unkn", "unknown_ca", True),
        (b"x error:0A00045C:SSL routines::tlsv13 alert certificate", "certificate_required", True),
    ],
)
def test_each_published_form_is_read(line: bytes, alert: str, received: bool) -> None:
    assert alerts_in(io.BytesIO(line)) == (Logged(alert, bool(received), 1, None, None),)


def test_alerts_that_came_more_often_come_first() -> None:
    line = b"Error: TLS Alert read:fatal:%b\n"
    log = line % b"unknown CA" + 2 * (line % b"certificate expired")
    assert [(one.alert, one.times) for one in alerts_in(io.BytesIO(log))] == [
        ("certificate_expired", 2),
        ("unknown_ca", 1),
    ]


def test_times_count_where_year_and_zone_stand_there() -> None:
    """Syslog (RFC 5424, 6.2.3) and hostapd -t; FreeRADIUS's own times are of an unknown zone."""
    log = b"""\
2026-11-25T09:00:00+01:00 quay1 radiusd[7]: (1) eap_tls: ERROR: (TLS) Alert read:fatal:unknown CA
1795600000.123456: SSL: SSL3 alert: read (remote end reported an error):fatal:unknown CA
Thu Oct 17 16:41:15 2013 : Error: TLS Alert read:fatal:unknown CA
"""
    (found,) = alerts_in(io.BytesIO(log))
    assert (found.first, found.last) == (
        datetime(2026, 11, 25, 8, 0, tzinfo=UTC),
        datetime(2026, 11, 25, 9, 46, 40, tzinfo=UTC),
    )


@pytest.mark.parametrize(
    "line",
    [
        # Whoever wants in writes these.
        b"Auth: (4) Login incorrect (pap: no): [ERROR: (TLS) Alert read:fatal:unknown CA] (from c)",
        b"Auth: (4) Login OK: [x: (TLS) recv TLS 1.2 Alert, fatal unknown_ca] (from client c)",
        b"Auth: (4) Login OK: [Login incorrect (TLS Alert read:fatal:unknown CA): [x]] (from c)",
        b"radiusd[7]: (4) Login OK: [Login incorrect (TLS Alert read:fatal:unknown CA)] (from c)",
        b'(0)   User-Name = "ERROR: (TLS) Alert read:fatal:unknown CA"',
        b'(0)   User-Name = "error:0A000418:SSL routines:"',
        # No alerts: a goodbye, an error that no alert caused, an alert that nobody knows.
        b"SSL: SSL3 alert: read (remote end reported an error):warning:close notify",
        b"ERROR: (TLS) Failed reading: error:0A0000C1:SSL routines::no shared cipher, no alert",
        b"Error: TLS Alert read:fatal:unknown",
        b"the supplicant was alerted",
        b"\xff\xfe\x00Alert\x1b[31m",
        # A login name after the words of FreeRADIUS' auth.c (rad_authlog), or in debugging.
        b"Auth: (0) Invalid user: [ERROR: TLS Alert read:fatal:unknown CA] (from client x)",
        b"Auth: (0) Invalid user: [1]: ERROR: TLS Alert read:fatal:unknown CA] (from client x)",
        b"Login OK: [1]: Login incorrect (x: (TLS) Alert read:fatal:certificate expired)] (from x)",
        b"(0) eap: EXPAND %{User-Name} --> x: ERROR: (TLS) Alert read:fatal:unknown CA",
        b"(0) ERROR: no 'ERROR: (TLS) Alert read:fatal:unknown CA' in realm",
    ],
)
def test_what_is_no_alert_of_the_server_is_passed_over(line: bytes) -> None:
    assert alerts_in(io.BytesIO(line)) == ()


def test_the_rest_of_an_overlong_line_is_not_looked_at() -> None:
    long = b"x" * SERVER_LOG_LINE + b"Error: TLS Alert read:fatal:unknown CA\n"
    (found,) = alerts_in(io.BytesIO(long + b"Error: TLS Alert read:fatal:access denied\n"))
    assert found.alert == "access_denied"


def test_a_log_without_end_is_refused() -> None:
    class Endless(io.BytesIO):
        def readline(self, size: int | None = -1, /) -> bytes:
            return b"x" * (size or 0)

    assert SERVER_LOG_BYTES < 2**30
    with pytest.raises(LogTooLongError):
        alerts_in(Endless())
