"""TLS servers by hand: they send certificates and signatures that no TLS library would.

Each function takes a ClientHello record and returns the server's flight up to where a probe stops.
TLS 1.2 needs no secret for that; TLS 1.3 does (RFC 9846, formerly 8446, section 7.1).
"""

import hashlib
import hmac
import os
from collections.abc import Sequence

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from tests.wire.pki import Key

RSA_PSS = 0x0804
ECDSA_P256 = 0x0403


def vector(prefix: int, octets: bytes) -> bytes:
    return len(octets).to_bytes(prefix) + octets


def message(kind: int, body: bytes) -> bytes:
    return bytes((kind,)) + vector(3, body)


def record(kind: int, body: bytes) -> bytes:
    return bytes((kind, 3, 3)) + vector(2, body)


def records(flight: bytes) -> bytes:
    """Handshake messages in as many records as they take (RFC 5246, 6.2.1: 16,384 octets each)."""
    return b"".join(
        record(22, flight[start : start + 16_000]) for start in range(0, len(flight), 16_000)
    )


def sign(key: Key, octets: bytes) -> bytes:
    """A signature with its scheme before it."""
    if isinstance(key, rsa.RSAPrivateKey):
        pss = padding.PSS(padding.MGF1(hashes.SHA256()), 32)
        return RSA_PSS.to_bytes(2) + vector(2, key.sign(octets, pss, hashes.SHA256()))
    assert isinstance(key, ec.EllipticCurvePrivateKey)
    return ECDSA_P256.to_bytes(2) + vector(2, key.sign(octets, ec.ECDSA(hashes.SHA256())))


class ClientHello:
    """What a server needs of a ClientHello record."""

    def __init__(self, octets: bytes) -> None:
        self.message = octets[5:]
        self.random = octets[11:43]
        self.session = octets[44 : 44 + octets[43]]
        place = 44 + len(self.session)
        place += 2 + int.from_bytes(octets[place : place + 2])
        place += 1 + octets[place] + 2
        self.extensions = {}
        while place < len(octets):
            kind, length = octets[place : place + 2], int.from_bytes(octets[place + 2 : place + 4])
            self.extensions[int.from_bytes(kind)] = octets[place + 4 : place + 4 + length]
            place += 4 + length


def staple_of(response: bytes) -> bytes:
    """A CertificateStatus (RFC 6066, section 8)."""
    return b"\x01" + vector(3, response)


def tls12_flight(
    hello: bytes,
    certificates: Sequence[bytes],
    signer: Key,
    *,
    cipher: int = 0xC02F,
    staple: bytes | None = None,
    timestamps: bytes | None = None,
    session: bytes = b"",
    ticket: bool = False,
    request: bytes | None = None,
) -> bytes:
    """ServerHello, Certificate, ServerKeyExchange, ServerHelloDone (RFC 5246, RFC 8422).

    0xC02F wants an RSA certificate, 0xC02B an ECDSA one. `request`: the body of a
    CertificateRequest.
    """
    client = ClientHello(hello)
    random = os.urandom(32)
    server_hello = b"\x03\x03" + random + vector(1, session) + cipher.to_bytes(2) + b"\0"
    extensions = b"\xff\x01\0\x01\0"
    if staple is not None:
        extensions += b"\0\x05\0\0"
    if ticket:
        extensions += b"\0\x23\0\0"
    if timestamps is not None:
        extensions += b"\0\x12" + vector(2, timestamps)
    server_hello += vector(2, extensions)
    chain = vector(3, b"".join(vector(3, each) for each in certificates))
    public = X25519PrivateKey.generate().public_key().public_bytes_raw()
    parameters = b"\x03\0\x1d" + vector(1, public)
    signature = sign(signer, client.random + random + parameters)
    return b"".join(
        records(message(kind, body))
        for kind, body in (
            (2, server_hello),
            (11, chain),
            *([] if staple is None else [(22, staple_of(staple))]),
            (12, parameters + signature),
            *([] if request is None else [(13, request)]),
            (14, b""),
        )
    )


def tls13_flight(
    hello: bytes,
    certificates: Sequence[bytes],
    signer: Key,
    *,
    staple: bytes | None = None,
    timestamps: bytes | None = None,
    request: bytes | None = None,
) -> bytes:
    """ServerHello in the clear; EncryptedExtensions to Finished under TLS_AES_128_GCM_SHA256.

    `request`: the body of a CertificateRequest.
    """
    client = ClientHello(hello)
    private = X25519PrivateKey.generate()
    share = client.extensions[51]
    assert share[2:6] == b"\0\x1d\0\x20", "the first key share is X25519"
    peer = X25519PublicKey.from_public_bytes(share[6:38])
    extensions = (
        b"\0\x2b\0\x02\x03\x04"
        + b"\0\x33"
        + vector(2, b"\0\x1d" + vector(2, private.public_key().public_bytes_raw()))
    )
    server_hello = message(
        2,
        b"\x03\x03"
        + os.urandom(32)
        + vector(1, client.session)
        + b"\x13\x01\0"
        + vector(2, extensions),
    )
    early = extract(b"\0" * 32, b"\0" * 32)
    derived = expand(early, b"derived", hashlib.sha256(b"").digest(), 32)
    secret = extract(derived, private.exchange(peer))
    transcript = client.message + server_hello
    traffic = expand(secret, b"s hs traffic", hashlib.sha256(transcript).digest(), 32)
    cipher = AESGCM(expand(traffic, b"key", b"", 16))
    nonce = int.from_bytes(expand(traffic, b"iv", b"", 12))
    beside = b"" if staple is None else b"\0\x05" + vector(2, staple_of(staple))
    beside += b"" if timestamps is None else b"\0\x12" + vector(2, timestamps)
    entries = b"".join(
        vector(3, each) + vector(2, b"" if number else beside)
        for number, each in enumerate(certificates)
    )
    asked = b"" if request is None else message(13, request)
    flight = message(8, b"\0\0") + asked + message(11, b"\0" + vector(3, entries))
    context = b" " * 64 + b"TLS 1.3, server CertificateVerify\0"
    digest = hashlib.sha256(transcript + flight).digest()
    flight += message(15, sign(signer, context + digest))
    finished = expand(traffic, b"finished", b"", 32)
    digest = hashlib.sha256(transcript + flight).digest()
    flight += message(20, hmac.digest(finished, digest, "sha256"))
    octets = record(22, server_hello)
    for number, start in enumerate(range(0, len(flight), 16_000)):
        inner = flight[start : start + 16_000] + b"\x16"
        head = b"\x17\x03\x03" + (len(inner) + 16).to_bytes(2)
        octets += head + cipher.encrypt((nonce ^ number).to_bytes(12), inner, head)
    return octets


def hello_retry_request(hello: bytes, cookie: bytes) -> bytes:
    """A HelloRetryRequest whose cookie is to be sent back (RFC 9846, 4.1.4 and 4.2.2)."""
    extensions = b"\0\x2b\0\x02\x03\x04" + b"\0\x2c" + vector(2, vector(2, cookie))
    random = hashlib.sha256(b"HelloRetryRequest").digest()  # RFC 9846, 4.1.3
    session = vector(1, ClientHello(hello).session)
    body = b"\x03\x03" + random + session + b"\x13\x01\0" + vector(2, extensions)
    return records(message(2, body))


def extract(salt: bytes, secret: bytes) -> bytes:
    return hmac.digest(salt, secret, "sha256")


def expand(secret: bytes, label: bytes, context: bytes, length: int) -> bytes:
    """HKDF-Expand-Label for at most one block."""
    info = length.to_bytes(2) + vector(1, b"tls13 " + label) + vector(1, context)
    return hmac.digest(secret, info + b"\x01", "sha256")[:length]
