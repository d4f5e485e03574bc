"""Bytes that no well-behaved server sends, for servers of the lab that are told to misbehave."""

import struct

HANDSHAKE_FAILURE = 40
"""A TLS alert description (RFC 9846, 6)."""

_ALERT_RECORD = 21
_HANDSHAKE_RECORD = 22
_SERVER_KEY_EXCHANGE = 12
_TLS_1_2 = 0x0303
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
