"""Bytes that no well-behaved server sends, for servers of the lab that are told to misbehave."""

import os
import struct
from collections.abc import Iterable

HANDSHAKE_FAILURE = 40
"""A TLS alert description (RFC 9846, 6)."""

_ALERT_RECORD = 21
_HANDSHAKE_RECORD = 22
_SERVER_KEY_EXCHANGE = 12
_TLS_1_2 = 0x0303
_ANY_ECDHE_SUITE = b"\xc0\x2f"
"""TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256; nothing is ever encrypted with it."""
_RENEGOTIATION_INFO = b"\xff\x01\0\x01\0"
_TWO_UTC_TIMES = b"\x30\x1e\x17\x0d"
"""How the validity of a certificate begins: a SEQUENCE of two UTCTimes."""
_FATAL = 2


def _record(kind: int, content: bytes) -> bytes:
    """Return a TLS record (RFC 9846, 5.1) around some content."""
    return struct.pack("!BHH", kind, _TLS_1_2, len(content)) + content


def fatal_alert(description: int) -> bytes:
    """Return a fatal TLS alert in the clear, as a server sends it before keys are agreed."""
    return _record(_ALERT_RECORD, bytes((_FATAL, description)))


def broken_handshake() -> bytes:
    """Return a TLS record whose handshake message is a ServerHello of nothing but 0xFF."""
    body = b"\xff" * 40
    return _record(_HANDSHAKE_RECORD, b"\x02" + len(body).to_bytes(3) + body)


def spoiled_signature(flight: bytes) -> bytes:
    """Return a server's flight with another signature in its ServerKeyExchange (RFC 5246, 7.4.3).

    That is what a server shows that holds another key than the one in its certificate. The message
    goes in the clear up to TLS 1.2, in a record of its own as OpenSSL writes it.
    """
    spoiled = bytearray(flight)
    place = 0
    while place < len(flight):
        end = place + 5 + int.from_bytes(flight[place + 3 : place + 5])
        if flight[place] == _HANDSHAKE_RECORD and flight[place + 5] == _SERVER_KEY_EXCHANGE:
            spoiled[end - 1] ^= 1  # the signature is the last thing in it
        place = end
    return bytes(spoiled)


def certificate_flight(certificates: Iterable[bytes]) -> bytes:
    """Return ServerHello and Certificate of TLS 1.2 (RFC 5246, 7.4), whatever the certificates are:
    a library would not even load some of them."""
    entries = b"".join(len(der).to_bytes(3) + der for der in certificates)
    return server_hello() + _message(11, len(entries).to_bytes(3) + entries)


def server_hello() -> bytes:
    """Return a good ServerHello of TLS 1.2 (RFC 5246, 7.4.1.3)."""
    hello = b"\x03\x03" + os.urandom(32) + b"\0" + _ANY_ECDHE_SUITE + b"\0"
    return _message(2, hello + len(_RENEGOTIATION_INFO).to_bytes(2) + _RENEGOTIATION_INFO)


def endless_flight(length: int) -> bytes:
    """Return the beginning of a flight that never ends: after a ServerHello, a Certificate message
    that announces 16 million octets, and one useless certificate after another."""
    certificate = b"\x30\x82\x03\xe4" + bytes(996)
    entries = (len(certificate).to_bytes(3) + certificate) * 16
    begins = b"\x0b\xff\xff\xff\xff\xff\xfc"
    flight = server_hello() + _record(_HANDSHAKE_RECORD, begins + entries)
    more = _record(_HANDSHAKE_RECORD, entries)
    return (flight + more * (length // len(more) + 1))[:length]


def _message(kind: int, body: bytes) -> bytes:
    """Return a handshake message (RFC 5246, 7.4) in a record of its own."""
    return _record(_HANDSHAKE_RECORD, bytes((kind,)) + len(body).to_bytes(3) + body)


def mistyped_end(der: bytes) -> bytes:
    """Return a certificate whose notAfter is no time but a text (IA5String): no certificate by RFC
    5280, 4.1, and still readable by whoever is lenient. It must end before 2050."""
    begins = der.index(_TWO_UTC_TIMES) + 2
    ends = begins + 2 + der[begins + 1]
    return der[:ends] + b"\x16" + der[ends + 1 :]


def plain_http() -> bytes:
    """Return what a web server says that was never told to speak TLS on this port."""
    page = b"<html><body>Please use HTTPS on this port</body></html>\n"
    return (
        b"HTTP/1.1 400 Bad Request\r\nContent-Type: text/html\r\nConnection: close\r\n"
        b"Content-Length: %d\r\n\r\n%s" % (len(page), page)
    )


def garbage(length: int = 64) -> bytes:
    """Return octets that belong to no protocol: with terminal controls, markup and bad UTF-8 in
    them, as whatever shows them must take care."""
    ugly = b"\x00\x9b31m\x1b[2J\x1b]0;owned\x07<script>alert(1)</script>\xff\xfe\xc3\x28\r\n"
    return (ugly * (length // len(ugly) + 1))[:length]


def circular_name(message: bytes) -> bytes:
    """Return a DNS message without records, with one more whose compressed name points at itself
    (RFC 1035, 4.1.4). It must have no additional records but EDNS, which goes."""
    end = 12
    while message[end]:
        end += 1 + message[end]
    end += 5  # the root label, type and class of the question
    header = message[:6] + b"\0\1" + b"\0\0" * 2
    return header + message[12:end] + struct.pack("!HHHIH", 0xC000 | end, 1, 1, 300, 4) + b"\0" * 4
