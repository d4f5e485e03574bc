"""Sound input to begin with, for each target: what is altered a little gets further than chance.

Certificates, lists and responses are those of `cryptography_vectors`; the rest is what other tests
have, and what the lab's unruly servers say.
"""

import base64
import functools
import json
import ssl
from collections.abc import Iterable
from pathlib import Path

import cryptography_vectors
import dns.message
import dns.rrset

from lab import misbehave
from lab.unruly import FROM_HELLO, FROM_IDENTITY
from probe.observation.document import to_json
from tests.certificate.test_hostile import files
from tests.drafting.test_sheet import PLAIN
from tests.judge import world
from tests.observe.test_document import survey
from tests.observe.test_serverlog import MEASURED_DEBUG, MEASURED_HOSTAPD, MEASURED_LOG
from tests.plan.profiles import apple, linux, windows_peap, windows_ttls, wlan
from tests.plan.test_any_plan import SEED_TEXT
from tests.plan.test_profiles_apple import streamed
from tests.wire.handmade import message, record, vector
from tests.wire.pki import der, make_chain
from tests.wire.test_login import CHALLENGE, IDENTITY

VECTORS = Path(cryptography_vectors.__file__).parent / "x509"
EAP = Path(__file__).parents[1] / "published" / "vectors" / "eap.json"
SMALL = 6_000
"""Octets of the largest seed out of a folder of many: small ones are altered to more effect."""


FULL_TIMES = b"""\
2026-11-25T09:00:00+01:00 quay1 radiusd[7]: (1) eap_tls: ERROR: (TLS) Alert read:fatal:unknown CA
1795600000.123456: SSL: SSL3 alert: read (remote end reported an error):fatal:unknown CA
"""
NUMBERED_ROWS = b"".join(
    b"quay%d.northpier.example;quay%d;192.0.2.%d\r\n" % (number, number, number)
    for number in range(8, 12)
)
NUMBERED = b"""\
name = "Northpier"
trust.eap = ["certifi"]
[[node]]
numbers = [8, 40]
name = "quay{n}"
host = "quay{n}.northpier.example"
addresses = ["192.0.2.8"]
"""


def _cut(pieces: Iterable[bytes]) -> bytes:
    """Write pieces so that `targets.pieces` finds them again; of long ones the beginning."""
    return b"".join(bytes((len(piece[:255]),)) + piece[:255] for piece in pieces)


def _vectors(folder: str, *kinds: str) -> tuple[bytes, ...]:
    found = sorted((VECTORS / folder).iterdir())
    return tuple(
        path.read_bytes() for path in found if path.suffix in kinds and path.stat().st_size <= SMALL
    )


def _certificates() -> tuple[bytes, ...]:
    pems = (*_vectors("", ".pem"), *_vectors("custom", ".pem"))
    begin = b"-----BEGIN CERTIFICATE-----"
    found = tuple(
        ssl.PEM_cert_to_DER_cert(text.decode("ascii", "replace")[text.index(begin) :].strip())
        for text in pems
        if text.count(begin) == 1 and text.rstrip().endswith(b"-----END CERTIFICATE-----")
    )
    return (*found, *_vectors("", ".der"))


def _message(*records: str) -> bytes:
    made = dns.message.make_response(dns.message.make_query("quay1.northpier.example", "A"))
    made.answer = [dns.rrset.from_text(*each.split(" ", 4)) for each in records]
    return made.to_wire()


def _eap() -> tuple[bytes, ...]:
    listed = json.loads(EAP.read_text("utf-8"))["packets"]
    return tuple(bytes.fromhex(each["hex"]) for each in listed)


def _unruly() -> tuple[bytes, ...]:
    """Whole conversations: a start of PEAP, and then what the lab's unruly servers say."""
    start = b"\x01\x01\x00\x06\x19\x20"
    return tuple(
        _cut((b"\0" + start, *(b"\0" + say(number + 2, 25, number) for number in range(1, 4))))
        for say in (*FROM_IDENTITY.values(), *FROM_HELLO.values())
    )


def _flight() -> bytes:
    made = make_chain("ecdsa")
    return misbehave.certificate_flight(der(made.leaf, made.intermediate))


@functools.cache
def seeds(target: str) -> tuple[bytes, ...]:
    """Return what to begin with."""
    root = _certificates()[0]
    text = base64.b64encode(root).decode()
    begun = {
        "certificate": _certificates,
        "timestamps": lambda: (*_vectors("ocsp", ".der"), *_certificates()[:8]),
        "fetched": lambda: (
            *_vectors("ocsp", ".der"),
            *_vectors("custom", ".crl", ".pem")[:12],
            *_certificates()[:4],
        ),
        "bundle": lambda: tuple(files().values()),
        "roots": lambda: _vectors("", ".pem"),
        "plan": lambda: (SEED_TEXT.encode(), NUMBERED),
        "pattern": lambda: (rb"^radius(\d+|[a-z]{2,4})?\.example$" + b"\nradius17.example",),
        "survey": lambda: (to_json(survey()), to_json(world.seen(world.plan()))),
        "server_log": lambda: (MEASURED_LOG, MEASURED_DEBUG, MEASURED_HOSTAPD, FULL_TIMES),
        "sheet": lambda: (
            PLAIN.encode(),
            b"host;name;addresses\r\n" + NUMBERED_ROWS,
        ),
        "words": lambda: (
            b"NET::ERR_CERT_DATE_INVALID",
            "Can\u2019t connect to this network: 0x80420202 (-2146762487)".encode(),
            b"alert read: fatal: unknown CA (48); verify error:num=20",
            MEASURED_LOG,
        ),
        "dns_message": lambda: (
            _message(
                "quay1.northpier.example. 300 IN CNAME a.northpier.example.",
                "a.northpier.example. 300 IN A 192.0.2.11",
            ),
            _message('northpier.example. 300 IN CAA 0 issue "ca.example"'),
        ),
        "dns_text": lambda: (
            b'0 issue "ca.example; policy=ev"',
            b"3 1 1 " + b"ab" * 32,
            b"http://ca.northpier.example:8080/list.crl?x",
        ),
        "http": lambda: (
            misbehave.plain_http(),
            b"HTTP/1.1 200 OK\r\nContent-Length: 4\r\n\r\nbody",
            b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n3\r\nabc\r\n0\r\n\r\n",
            b"HTTP/1.1 100 \r\n\r\nHTTP/1.1 302 \r\nLocation: /there\r\nDate: now\r\n\r\n",
        ),
        "dialogues": lambda: (_cut((IDENTITY, CHALLENGE, b"\x01\x09\0\x0b\x21\x80\x03\0\2\0\1")),),
        "inner": lambda: (_cut((b"\0\0\0\x1a\xc0\0\0\x10\0\0\x01\x37abcd", b"\x80\x03\0\2\0\1")),),
        "conversation": _unruly,
        "radsec": lambda: (b"\x02\x01\0\x14" + bytes(16),),
        "profile_apple": lambda: (apple(root), streamed(apple(root))),
        "profile_windows": lambda: (
            wlan(windows_peap(root, names=r"^radius.*\.example$;b")),
            wlan(windows_ttls(root)),
        ),
        "profile_linux": lambda: (
            linux(f"eap=peap;\nca-cert=data:;base64,{text}\ndomain-suffix-match=a;b"),
        ),
        "eap_packet": _eap,
        "fragment": lambda: tuple(each[5:] for each in _eap()),
        "fragments": lambda: (_cut((b"\xc0\0\0\0\x09abc", b"\x40def", b"\0ghi")),),
        "handshake_message": lambda: (
            _flight()[5:],
            vector(3, vector(3, root)),
            b"\0" + vector(3, vector(3, root) + b"\0\0"),
            message(13, b"\x01\x40" + vector(2, b"\x04\x03") + vector(2, b"")),
        ),
        "distinguished_name": lambda: (b"\x30\x0d\x31\x0b\x30\x09\x06\x03\x55\x04\x06\x13\x02GB",),
        "radius_reply": lambda: (b"\x4f\x06\x01\x02\0\x04" + b"\x50\x12" + bytes(16),),
        "radius_request": lambda: (b"\x01\x06quay" + b"\x50\x12" + bytes(16),),
        "tls_answer": lambda: (
            _flight(),
            misbehave.broken_handshake(),
            misbehave.fatal_alert(40),
            record(22, message(2, b"\x03\x03" + bytes(70))),
        ),
    }
    return begun[target]()
