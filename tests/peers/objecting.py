"""A supplicant that looks at the server's certificate and objects to it, by a TLS alert."""

import contextlib
import struct

from OpenSSL import SSL

from tests.lab.supplicant import METHODS, VERSIONS, Supplicant
from tests.peers.servers import LOOPBACK, SECRET


def object_to(port: int, method: str, version: str) -> None:
    """Begin a login without any root, so that OpenSSL objects by "unknown_ca"; wait until the
    server has answered that."""
    with Supplicant((LOOPBACK, port), SECRET.encode()) as peer:
        reply = peer.identify()
        if reply.eap[4] != METHODS[method]:
            nak = struct.pack("!BBHBB", 2, reply.eap[1], 6, 3, METHODS[method])
            reply = peer.exchange(nak, reply.state)
        tls = _careful(version)
        message, objected = _said(tls)
        while not objected:
            flight, reply = peer.tell(message, reply)
            tls.bio_write(flight)
            message, objected = _said(tls)
        body = bytes((reply.eap[5] & 0x07,)) + message
        head = struct.pack("!BBHB", 2, reply.eap[1], 5 + len(body), reply.eap[4])
        peer.exchange(head + body, reply.state)


def _careful(version: str) -> SSL.Connection:
    context = SSL.Context(SSL.TLS_CLIENT_METHOD)
    context.set_min_proto_version(VERSIONS[version])
    context.set_max_proto_version(VERSIONS[version])
    context.set_verify(SSL.VERIFY_PEER)
    tls = SSL.Connection(context, None)
    tls.set_connect_state()
    return tls


def _said(tls: SSL.Connection) -> tuple[bytes, bool]:
    """Go on, and return what is to be sent, and whether it is an objection."""
    objected = False
    try:
        tls.do_handshake()
    except SSL.WantReadError:
        pass
    except SSL.Error:
        objected = True
    message = b""
    with contextlib.suppress(SSL.WantReadError):
        while True:
            message += tls.bio_read(16_384)
    return message, objected
