"""TLS records and handshake messages, read raw, for what OpenSSL does not hand out or cannot parse.

TLS 1.3 is RFC 9846 (formerly 8446), TLS 1.2 RFC 5246. Nothing here decrypts: messages come from
OpenSSL's message callback, or, while they are still in the clear, from the octets themselves.
"""

from collections.abc import Iterator
from enum import IntEnum
from functools import lru_cache
from struct import Struct

from probe.observation.model import TlsVersion
from probe.records import dataclass
from probe.wire.registry import alert_name


class HandshakeError(ValueError):
    """A message whose lengths do not add up."""


class ContentType(IntEnum):
    """RFC 9846, section 5.1."""

    CHANGE_CIPHER_SPEC = 20
    ALERT = 21
    HANDSHAKE = 22
    APPLICATION_DATA = 23


class HandshakeType(IntEnum):
    """The handshake messages that are read here (RFC 9846, section 4; RFC 5246, 7.4; RFC 6066,
    section 8)."""

    SERVER_HELLO = 2
    NEW_SESSION_TICKET = 4
    CERTIFICATE = 11
    SERVER_KEY_EXCHANGE = 12
    CERTIFICATE_REQUEST = 13
    SERVER_HELLO_DONE = 14
    CERTIFICATE_VERIFY = 15
    CERTIFICATE_STATUS = 22


VERSIONS = {
    0x0301: TlsVersion.TLS1_0,
    0x0302: TlsVersion.TLS1_1,
    0x0303: TlsVersion.TLS1_2,
    0x0304: TlsVersion.TLS1_3,
}

CLOSE_NOTIFY = 0
USER_CANCELED = 90
_WARNING = 1

_STATUS_REQUEST, _TIMESTAMPS, _TICKET, _SUPPORTED_VERSIONS, _AUTHORITIES = 5, 18, 35, 43, 47
"""IANA "TLS ExtensionType Values"."""

_EXTENSION = Struct("!HH")
"""Number and length of one."""

_OCSP = 1
"""CertificateStatusType (RFC 6066, section 8)."""


def fatal_alert(body: bytes, *, tls13: bool) -> str | None:
    """Return the name of an alert that ends a handshake, or None for one that does not.

    TLS 1.3 knows no warnings but close_notify and user_canceled, whatever the level says (RFC 9846,
    section 6).
    """
    if len(body) != 2 or body[1] in (CLOSE_NOTIFY, USER_CANCELED):
        return None
    if body[0] == _WARNING and not tls13:
        return None
    return alert_name(body[1])


@lru_cache(maxsize=8)
def parting_alerts(version: TlsVersion | None) -> bytes:
    """Return user_canceled and close_notify, in the clear, each a warning in a record of its own.

    RFC 9846, 6.1: close_notify has to follow user_canceled. A record carries the negotiated
    version, at most that of TLS 1.2 (RFC 9846, 5.1); before that TLS 1.0's.
    """
    record = {TlsVersion.TLS1_1: 0x0302, TlsVersion.TLS1_2: 0x0303, TlsVersion.TLS1_3: 0x0303}
    number = record.get(version, 0x0301) if version is not None else 0x0301
    head = bytes((ContentType.ALERT, *number.to_bytes(2), 0, 2, _WARNING))
    return head + bytes((USER_CANCELED,)) + head + bytes((CLOSE_NOTIFY,))


def unlike_tls(head: bytes) -> str | None:
    """Say what the first octets of an answer are if they begin no TLS record, else None."""
    if head[:5] == b"HTTP/":
        return f"the answer is unencrypted HTTP: {_first_line(head)}"
    if head[:4] == b"SSH-":
        return f"the answer is an SSH greeting: {_first_line(head)}"
    kinds = (ContentType.ALERT, ContentType.HANDSHAKE)
    if head[:1] and head[0] in kinds and head[1:2] in (b"", b"\x03"):
        return None
    return f"the answer is no TLS record: it begins {_first_line(head)}"


def _first_line(octets: bytes) -> str:
    line = octets[:60].splitlines()[0] if octets else b""
    if line and all(0x20 <= octet < 0x7F for octet in line):
        return line.decode("ascii")
    return octets[:16].hex(" ")


# ---------------------------------------------------------------- messages


class _Octets:
    """A cursor that fails where a length overruns."""

    def __init__(self, octets: bytes) -> None:
        self._octets = octets
        self._place = 0

    @property
    def rest(self) -> int:
        return len(self._octets) - self._place

    def take(self, length: int) -> bytes:
        end = self._place + length
        if end > len(self._octets):
            raise HandshakeError(f"{length} octets announced, {self.rest} there")
        piece = self._octets[self._place : end]
        self._place = end
        return piece

    def number(self, length: int) -> int:
        return int.from_bytes(self.take(length))

    def vector(self, prefix: int) -> bytes:
        """Take a vector with a length of `prefix` octets before it."""
        begin = self._place + prefix
        end = begin + int.from_bytes(self._octets[self._place : begin])
        if begin > len(self._octets) or end > len(self._octets):
            return self.take(self.number(prefix))  # which says what is missing
        self._place = end
        return self._octets[begin:end]

    def finish(self) -> None:
        if self.rest:
            raise HandshakeError(f"{self.rest} octets left over")


@dataclass(frozen=True, slots=True)
class ServerHello:
    """What a ServerHello settles (RFC 9846, 4.1.3; RFC 5246, 7.4.1.3)."""

    version: int
    """From the supported_versions extension if it is there, else the legacy field."""
    cipher: int
    timestamps: bytes | None = None
    """up to TLS 1.2: the SignedCertificateTimestampList (RFC 6962, 3.3.1), as sent."""
    session_id: bytes = b""
    """up to TLS 1.2: a name by which this session may be resumed (RFC 5246, 7.4.1.3), or nothing.
    TLS 1.3 only sends the client's own back."""
    ticket: bool = False
    """up to TLS 1.2: whether a ticket to resume with will come (RFC 5077, 3.2)."""

    @classmethod
    def parse(cls, body: bytes) -> "ServerHello":
        """Read the body of a ServerHello. Raises HandshakeError."""
        octets = _Octets(body)
        fixed = octets.take(34)  # version and random
        session_id = octets.vector(1)
        chosen_suite = octets.take(3)  # cipher suite and compression
        extensions = _extensions(octets.vector(2)) if octets.rest else {}
        version, cipher = int.from_bytes(fixed[:2]), int.from_bytes(chosen_suite[:2])
        chosen = extensions.get(_SUPPORTED_VERSIONS, b"")
        if len(chosen) == 2:
            version = int.from_bytes(chosen)
        timestamps = extensions.get(_TIMESTAMPS)
        return cls(version, cipher, timestamps, session_id, _TICKET in extensions)

    @property
    def resumption(self) -> tuple[str, ...]:
        """In which ways the server lets this session be resumed, as far as it says so here."""
        if self.version == 0x0304:
            return ()
        return ("session-id",) * bool(self.session_id) + ("ticket",) * self.ticket


@dataclass(frozen=True, slots=True)
class CertificateEntry:
    """One entry of a Certificate message."""

    der: bytes
    staple: bytes | None = None
    """TLS 1.3: the OCSP response (RFC 9846, 4.4.2.1), as sent."""
    timestamps: bytes | None = None
    """TLS 1.3: the SignedCertificateTimestampList (RFC 6962, 3.3.1), as sent."""


@lru_cache(maxsize=64)
def certificate_list(body: bytes, *, tls13: bool) -> tuple[CertificateEntry, ...]:
    """Return the entries of a Certificate message, in the order served.

    RFC 9846, 4.4.2 puts a context before the list and extensions behind each entry; RFC 5246, 7.4.2
    has neither. What the entries hold is not looked at. Raises HandshakeError.
    """
    message = _Octets(body)
    if tls13:
        message.vector(1)
    entries = _Octets(message.vector(3))
    message.finish()
    found = []
    while entries.rest:
        der = entries.vector(3)
        beside = _beside(entries.vector(2)) if tls13 else {}
        status = beside.get(_STATUS_REQUEST)
        staple = None if status is None else ocsp_response(status)
        found.append(CertificateEntry(der, staple, beside.get(_TIMESTAMPS)))
    return tuple(found)


def certificate_request(body: bytes, version: int) -> tuple[bytes, ...]:
    """Return the CA names in a CertificateRequest in the order sent; none: any CA will do.

    Up to TLS 1.2 they are the body's last part (RFC 5246, 7.4.4; there are no signature algorithms
    before TLS 1.2), in TLS 1.3 an extension (RFC 9846, 4.2.4 and 4.3.2). All of them take at most
    65,535 octets. What a name holds is not looked at. Raises HandshakeError.
    """
    message = _Octets(body)
    message.vector(1)
    if version == 0x0304:
        extensions = _extensions(message.vector(2))
        message.finish()
        if _AUTHORITIES not in extensions:
            return ()
        message = _Octets(extensions[_AUTHORITIES])
    elif version == 0x0303:
        message.vector(2)
    names = _Octets(message.vector(2))
    message.finish()
    found = []
    while names.rest:
        found.append(names.vector(2))
    return tuple(found)


def ocsp_response(body: bytes) -> bytes | None:
    """Return the OCSP response of a CertificateStatus (RFC 6066, section 8), as sent.

    None: it holds a status of another kind (RFC 6961), or does not add up, and then no client makes
    anything of it.
    """
    octets = _Octets(body)
    try:
        if octets.number(1) != _OCSP:
            return None
        response = octets.vector(3)
        octets.finish()
    except HandshakeError:
        return None
    return response


def _beside(octets: bytes) -> dict[int, bytes]:
    """Return the extensions of an entry; none if they do not add up: the chain is there still."""
    try:
        return _extensions(octets)
    except HandshakeError:
        return {}


def _extensions(octets: bytes) -> dict[int, bytes]:
    """Return extensions by their number (RFC 9846, 4.2); of one that comes twice, the first."""
    found: dict[int, bytes] = {}
    place, end = 0, len(octets)
    while place < end:
        begin = place + _EXTENSION.size
        if begin > end:
            raise HandshakeError(f"{_EXTENSION.size} octets announced, {end - place} there")
        kind, length = _EXTENSION.unpack_from(octets, place)
        place = begin + length
        if place > end:
            raise HandshakeError(f"{length} octets announced, {end - begin} there")
        found.setdefault(kind, octets[begin:place])
    return found


def verify_scheme(body: bytes) -> int | None:
    """Return the scheme of a CertificateVerify (RFC 9846, 4.4.3)."""
    return int.from_bytes(body[:2]) if len(body) >= 2 else None


def key_exchange_scheme(body: bytes) -> int | None:
    """Return the scheme of a TLS 1.2 ServerKeyExchange: ECDHE (RFC 8422, 5.4) or DHE (RFC 5246,
    7.4.3). None if it is neither."""
    for skip in (_skip_named_curve, _skip_finite_field):
        octets = _Octets(body)
        try:
            skip(octets)
            scheme = octets.number(2)
            octets.vector(2)
            octets.finish()
        except HandshakeError:
            continue
        return scheme
    return None


def _skip_named_curve(octets: _Octets) -> None:
    if octets.number(1) != 3:
        raise HandshakeError("no named curve")
    octets.take(2)
    octets.vector(1)


def _skip_finite_field(octets: _Octets) -> None:
    for _ in range(3):
        octets.vector(2)


class RecordWalk:
    """Keeps step with where records begin in what a server sends (RFC 9846, 5.1)."""

    def __init__(self) -> None:
        self._due: int | None = 0
        """Octets up to the next header; None: a header came in pieces, and the step is lost."""

    def within(self, octets: bytes) -> bool:
        """Whether this does not yet end the record whose header came before. If not, take it in by
        `last_sealed`."""
        if self._due is None or len(octets) >= self._due:
            return False
        self._due -= len(octets)
        return True

    def last_sealed(self, octets: bytes) -> int:
        """Return where the last record begins, if it is whole, not the first one and encrypted;
        else 0."""
        if self._due is None:
            return 0
        last, place, there = 0, self._due, len(octets)
        while place + 5 <= there:
            last, place = place, place + 5 + int.from_bytes(octets[place + 3 : place + 5])
        self._due = place - there if place >= there else None
        whole = last and place == there
        return last if whole and octets[last] == ContentType.APPLICATION_DATA else 0


class ClearReader:
    """Picks alerts and handshake messages out of the octets that a server sends in the clear.

    It stands in for OpenSSL's message callback where that is not to be had. It sees everything up
    to the key exchange under TLS 1.2, and nothing after the ServerHello under TLS 1.3.
    """

    def __init__(self) -> None:
        self._records = bytearray()
        self._handshake = bytearray()
        self._blind = False

    def feed(self, octets: bytes) -> Iterator[tuple[int, bytes]]:
        """Yield (content type, alert body or handshake message with its header)."""
        if self._blind:
            return
        self._records += octets
        while len(self._records) >= 5:
            end = 5 + int.from_bytes(self._records[3:5])
            if len(self._records) < end:
                return
            kind, body = self._records[0], bytes(self._records[5:end])
            del self._records[:end]
            if kind == ContentType.ALERT:
                yield kind, body
            elif kind == ContentType.HANDSHAKE:
                yield from self._messages(body)
            else:
                self._blind = True
                return

    def _messages(self, body: bytes) -> Iterator[tuple[int, bytes]]:
        self._handshake += body
        while len(self._handshake) >= 4:
            end = 4 + int.from_bytes(self._handshake[1:4])
            if len(self._handshake) < end:
                return
            yield ContentType.HANDSHAKE, bytes(self._handshake[:end])
            del self._handshake[:end]
