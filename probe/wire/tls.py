"""One TLS client over memory buffers, alike for web and EAP: it wants the served chain, no more.

OpenSSL does the handshake and verifies the server's signature over it, but judges nothing: every
certificate, however old or weak, is welcome. The handshake is left as soon as the signature was
looked at: after ServerKeyExchange (TLS 1.2 and older) or CertificateVerify (TLS 1.3), unless it is
to be finished because something is to be said behind it, or read on for a CertificateRequest.
"""

from collections.abc import Callable

from OpenSSL import SSL

from probe.certificate.strict import read_strictly
from probe.limits import Limits
from probe.observation.model import (
    KeyFamily,
    Outcome,
    Phase,
    Served,
    TlsVersion,
    fingerprint,
)
from probe.records import dataclass
from probe.wire import handshake, openssl, registry
from probe.wire.credential import ClientCertificate
from probe.wire.handshake import ContentType, HandshakeType, RecordWalk
from probe.wire.hello import Hello, connection, presenting

_PIECE = 16_384
"""Octets of application data in one record, at most (RFC 9846, 5.1)."""

_TLS12, _TLS13 = 0x0303, 0x0304
_ANSWERABLE = {0x0300: "SSLv3", **handshake.VERSIONS}
_SIGNING = {HandshakeType.SERVER_KEY_EXCHANGE, HandshakeType.CERTIFICATE_VERIFY}
_SPOILED = "tlsv1 bad certificate status response"
_NOISE = {"nested asn1 error", "ASN1 lib", "record layer failure"}

_RSA_KEYS = {"1.2.840.113549.1.1.1", "1.2.840.113549.1.1.10"}  # RFC 4055, sections 1.2 and 3.1
_EC_KEYS = {"1.2.840.10045.2.1"}  # RFC 5480, 2.1.1


@dataclass(frozen=True, slots=True)
class Failure:
    """Why no chain was seen, or why it could not be read."""

    outcome: Outcome
    """refused, not-tls, malformed or cut-off."""
    phase: Phase
    detail: str
    alert: str | None = None
    """IANA description of the fatal alert that came."""


class TlsClient:
    """One handshake, stopped as soon as the chain and the proof of its key are in hand.

    `served` and `certificates` are there once `done`, unless `failure` says why not. Both are also
    set beside a `failure` that is malformed, if a Certificate message came: its entries may then be
    anything.

    With `finish` they are there as before, but the handshake goes on, and the client is `done` only
    when it or what was `established` has ended. How it ends then changes nothing of what is known.

    With `until_request` it goes on until a CertificateRequest was seen, or the end of the server's
    flight. Under TLS 1.3 it comes before the chain (RFC 9846, 4.3.2); up to TLS 1.2 behind the
    signature (RFC 5246, 7.3), where a list of CA names may take many fragments more.

    With `holds` (and `finish`) it waits where a certificate of ours is asked for: `asked`, until
    `present`.
    """

    def __init__(
        self,
        hello: Hello,
        limits: Limits,
        *,
        finish: bool = False,
        until_request: bool = False,
        certificate: ClientCertificate | None = None,
        holds: bool = False,
    ) -> None:
        """`certificate`: shown if the server asks for one, where the handshake is finished."""
        self.done = False
        self.established = False
        """finish: the handshake is over, and `write` and `read` carry what the ends say."""
        self.asked = False
        """holds: the handshake waits for a certificate of ours."""
        self.left = False
        """finish: the server has ended it, behind the chain."""
        self.ticket = False
        """Whether a ticket to resume with has come (RFC 9846, 4.6.1; RFC 5077, 3.3)."""
        self.spoiled_staple = False
        """OpenSSL broke the handshake off as it cannot read the OCSP response that came; most
        clients would pass over it."""
        self.failure: Failure | None = None
        self.phase = Phase.HELLO
        self.served: Served | None = None
        self.certificates: tuple[bytes, ...] = ()
        """DER, in the order served."""
        self.client_authorities: tuple[bytes, ...] | None = None
        """The CA names in CertificateRequest, DER, in the order sent; None: no such message was
        seen, or it does not add up. `[limits] client_authorities` are kept."""
        self.certificate_asked: bool | None = None
        """Whether there was a CertificateRequest; None: its turn has not been seen to come."""
        self.resumption: tuple[str, ...] = ()
        """As `ServerHello.resumption` says."""
        self._limits = limits
        self._hello = hello
        self._finish = finish
        self._reads_on = until_request
        self._connection = connection(hello, certificate)
        if holds:
            openssl.hold_certificate(self._connection)
        self._reader = None if openssl.HAS_MESSAGES else handshake.ClearReader()
        self._messages: list[tuple[int, bytes]] = []
        self._head = b""
        self._records = RecordWalk()
        self._taken = 0
        self._version: int | None = None
        self._alert: str | None = None
        self._last: int | None = None
        self._signed = False
        self._scheme: int | None = None
        self._staple: bytes | None = None
        self._timestamps: bytes | None = None
        self._parting = b""

    @property
    def alert(self) -> str | None:
        """IANA description of the fatal alert that came, behind the chain too."""
        return self._alert

    @property
    def alpn(self) -> str | None:
        """The application protocol that the server chose (RFC 7301, 3.2); None: none."""
        return self._connection.get_alpn_proto_negotiated().decode("ascii", "replace") or None

    def start(self) -> bytes:
        """Return the first flight, to be sent. Call once."""
        self._step()
        return self._drain()

    def receive(self, octets: bytes) -> bytes:
        """Take what came; return what to send now (b"" for nothing). Ignored once `done`."""
        if self.done or not octets:
            return b""
        self._taken += len(octets)
        if self._taken > self._limits.flight_bytes:
            most = f"more than {self._limits.flight_bytes} octets in one handshake"
            if self.served is None:
                self._fail(Outcome.MALFORMED, most)
            else:
                self.done = True
            return b""
        octets = self._from_the_head(octets)
        if not octets:
            return b""
        if self.established or self._records.within(octets):
            # What comes now is what `read` gives, or tells OpenSSL nothing yet.
            self._hand_over(octets)
            return b""
        # What ends a flight of TLS 1.3 shows nothing, and has OpenSSL make all further keys.
        last = 0 if self._finish else self._records.last_sealed(octets)
        for piece in (octets[:last], octets[last:]) if last else (octets,):
            self._hand_over(piece)
            if self._weigh(self._step(), self._read_messages()):
                return b""
        return self._drain()

    def _hand_over(self, octets: bytes) -> None:
        if self._reader is not None:
            self._messages.extend(self._reader.feed(octets))
        self._connection.bio_write(octets)

    def _weigh(self, error: SSL.Error | None, unreadable: str | None) -> bool:
        """Look at what is in hand now, and tell whether that is all. `error`: what stopped OpenSSL;
        `unreadable`: why a message cannot be read."""
        if self.served is not None:
            # The chain is known; only what follows is still wanted.
            broken = error is not None or unreadable is not None
            self.done = broken or not (self._finish or self._reads_on)
            if error is not None:
                self._part_after(error)
        elif error is not None:
            self._explain(error)
        elif unreadable is not None:
            self._fail(Outcome.MALFORMED, unreadable)
        elif self._signed or self._complete():
            self._settle(proven=True)
            self.done = not (self._finish or self._reads_on)
        elif self._last == HandshakeType.SERVER_HELLO_DONE and self.certificates:
            self._settle(proven=None, detail="the key exchange that was agreed proves no key")
        return self.done

    def _from_the_head(self, octets: bytes) -> bytes:
        """Return what came as soon as its first five octets are there, and are a record's."""
        if len(self._head) >= 5:
            return octets
        # A record's header says what it is; a text is better told by its first line.
        self._head += octets
        if len(self._head) < 5:
            return b""
        stranger = handshake.unlike_tls(self._head)
        if stranger is not None:
            self._fail(Outcome.NOT_TLS, stranger)
            return b""
        return self._head

    def write(self, octets: bytes) -> bytes:
        """Return what carries these octets to the server. Only when `established`."""
        try:
            self._connection.sendall(octets)
        except SSL.Error:
            self._over()
        return self._drain()

    def read(self) -> bytes:
        """Return what the server has said since; b"" for nothing yet, or if it has ended (`done`).
        Only when `established`."""
        found = bytearray()
        messages: list[tuple[int, bytes]] = []
        openssl.messages_into(messages)
        try:
            while len(found) < self._limits.flight_bytes:
                found += self._connection.recv(_PIECE)
        except SSL.WantReadError:
            pass
        except SSL.Error:
            self._over()
        finally:
            openssl.messages_into(None)
        for kind, message in messages:
            # Under TLS 1.3 a server objects to our certificate when the handshake is over for us.
            if kind == ContentType.ALERT:
                self._note_alert(message)
            elif message[0] == HandshakeType.NEW_SESSION_TICKET:
                self.ticket = True
        return bytes(found)

    def present(self, certificate: ClientCertificate) -> bytes:
        """Go on with this certificate; return what to send now. Only when `asked`."""
        self._connection.set_context(presenting(self._hello, certificate))
        self.asked = False
        if self._step() is not None:
            self.done = True
        return self._drain()

    def export(self, label: bytes, octets: int, context: bytes | None) -> bytes:
        """Return keying material (RFC 5705; RFC 9846, 7.5). Only when `established`."""
        return self._connection.export_keying_material(label, octets, context)

    def _note_alert(self, body: bytes) -> None:
        tls13 = self._version == _TLS13
        self._alert = handshake.fatal_alert(body, tls13=tls13) or self._alert

    def _over(self) -> None:
        """What was established has ended by the server's doing."""
        self.done = self.left = True
        self._parting = b""

    def end_of_input(self) -> None:
        """Note that the peer has closed: cut off, unless everything is in hand."""
        if self.done:
            return
        if self.served is not None:
            self._over()
        elif 0 < len(self._head) < 5 and (stranger := handshake.unlike_tls(self._head)):
            self._fail(Outcome.NOT_TLS, stranger)
        else:
            self._stop(Outcome.CUT_OFF, "the connection ended")

    def give_up(self, outcome: Outcome, detail: str) -> None:
        """Leave before everything is in hand, for a caller's reason. A farewell is owed."""
        if self.served is not None and self.failure is None:
            self.done = True
        elif not self.done:
            self._stop(outcome, detail)
            self._parting = handshake.parting_alerts(self._tls_version)

    def farewell(self) -> bytes:
        """Return the alerts with which to leave, to be sent once; b"" if the server ended it."""
        parting, self._parting = self._parting, b""
        if parting and self.established:
            # Nothing is said in the clear any more.
            return self._close()
        return parting

    def _close(self) -> bytes:
        try:
            self._connection.shutdown()
        except SSL.Error:
            return b""
        return self._drain()

    # ------------------------------------------------------------ driving OpenSSL

    def _step(self) -> SSL.Error | None:
        """Let OpenSSL go as far as it can; return the error that stopped it for good."""
        openssl.messages_into(self._messages)
        try:
            self._connection.do_handshake()
        except SSL.WantReadError:
            return None
        except SSL.WantX509LookupError:
            self.asked = True
            return None
        except SSL.Error as error:
            return error
        finally:
            openssl.messages_into(None)
        self.established = self._finish
        return None

    def _drain(self) -> bytes:
        try:
            return self._connection.bio_read(self._limits.flight_bytes)
        except SSL.WantReadError:
            return b""

    def _complete(self) -> bool:
        """Whether OpenSSL is through although no signature was seen: there was no message callback
        under TLS 1.3. The chain is then asked of OpenSSL."""
        if openssl.HAS_MESSAGES or self._connection.get_finished() is None:
            return False
        from cryptography.hazmat.primitives.serialization import Encoding  # noqa: PLC0415

        chain = self._connection.get_peer_cert_chain(as_cryptography=True) or []
        self.certificates = tuple(one.public_bytes(Encoding.DER) for one in chain)
        self._reads_on = False  # what it was for stays unseen then
        return True

    # ------------------------------------------------------------ what came

    def _read_messages(self) -> str | None:
        """Note what the messages say; return in words why one cannot be read."""
        messages, self._messages = self._messages, []
        for kind, message in messages:
            if kind == ContentType.ALERT:
                self._note_alert(message)
                continue
            self._last = message[0]
            read = _READ.get(self._last)
            if read is None:
                continue
            try:
                read(self, message[4:])
            except handshake.HandshakeError as error:
                return f"a handshake message does not add up: {error}"
        if len(self.certificates) > self._limits.chain_certificates:
            count = len(self.certificates)
            self.certificates = self.certificates[: self._limits.chain_certificates]
            return f"a chain of {count} certificates; {len(self.certificates)} are looked at"
        if any(len(der) > self._limits.certificate_bytes for der in self.certificates):
            return f"a certificate of more than {self._limits.certificate_bytes} octets"
        return None

    def _read_hello(self, body: bytes) -> None:
        hello = handshake.ServerHello.parse(body)
        self._version, self._timestamps = hello.version, hello.timestamps
        self.resumption = hello.resumption

    def _read_certificate(self, body: bytes) -> None:
        if self.certificates:
            return
        tls13 = self._version == _TLS13
        entries = handshake.certificate_list(body, tls13=tls13)
        self.certificates = tuple(entry.der for entry in entries)
        if tls13:
            # RFC 9846, 4.3.2: a CertificateRequest would have come before.
            self.certificate_asked = bool(self.certificate_asked)
        if tls13 and entries:
            self._staple, self._timestamps = entries[0].staple, entries[0].timestamps
        self.phase = Phase.CERTIFICATE

    def _read_status(self, body: bytes) -> None:
        self._staple = handshake.ocsp_response(body)

    def _read_key_exchange(self, body: bytes) -> None:
        self._signed = True
        self.phase = Phase.PROOF
        if self._version == _TLS12:
            self._scheme = handshake.key_exchange_scheme(body)

    def _read_verify(self, body: bytes) -> None:
        self._signed = True
        self.phase = Phase.PROOF
        self._scheme = handshake.verify_scheme(body)
        self._reads_on = False

    def _read_request(self, body: bytes) -> None:
        self._reads_on = False
        self.certificate_asked = True
        self.client_authorities = self._authorities(body)

    def _read_done(self, _body: bytes) -> None:
        self._reads_on = False
        self.certificate_asked = bool(self.certificate_asked)

    def _read_ticket(self, _body: bytes) -> None:
        self.ticket = True

    def _authorities(self, body: bytes) -> tuple[bytes, ...] | None:
        """Read a CertificateRequest. One that does not add up takes nothing away from the chain."""
        try:
            names = handshake.certificate_request(body, self._version or _TLS12)
        except handshake.HandshakeError:
            return None
        return names[: self._limits.client_authorities]

    def _explain(self, error: SSL.Error) -> None:
        """Turn the error on which OpenSSL gave up into what the server did."""
        reasons = _reasons(error)
        if self._signed and "bad signature" in reasons:
            self._parting = self._drain()
            self._settle(proven=False)
        elif self._signed and self._went_past_signature(error, reasons):
            self._settle(proven=True)
            self._part_after(error)
        elif self.certificates and _SPOILED in reasons:
            self.spoiled_staple = True
            detail = "the OCSP response that came with the certificate cannot be parsed"
            self._settle(proven=None, detail=detail)
            self._parting = self._drain()
        elif self._alert is not None:
            self._stop(Outcome.REFUSED, f"the server sent the alert {self._alert}", self._alert)
        elif isinstance(error, SSL.ZeroReturnError):
            self._stop(Outcome.CUT_OFF, "the server closed the TLS exchange")
        elif "unsupported protocol" in reasons and self._version in _ANSWERABLE:
            # Up to TLS 1.2 a server may answer with any older version than the client's highest;
            # it cannot know the lowest (RFC 5246, appendix E.1).
            chosen = _ANSWERABLE[self._version]
            offered = ", ".join(self._hello.versions)
            self._fail(Outcome.REFUSED, f"the server chose {chosen}; {offered} were offered")
        else:
            at_certificate = self._last == HandshakeType.CERTIFICATE
            what = "a certificate cannot be parsed" if at_certificate else "what came breaks TLS"
            words = [reason for reason in dict.fromkeys(reasons) if reason not in _NOISE]
            self._fail(Outcome.MALFORMED, f"{what}: {'; '.join(words) or 'no reason known'}")

    def _went_past_signature(self, error: SSL.Error, reasons: tuple[str, ...]) -> bool:
        """Whether OpenSSL had accepted the signature and stumbled over what came behind it.

        The message callback keeps step with OpenSSL; the reader of clear octets runs ahead of it.
        """
        return self._reader is None and (
            self._alert is not None
            or isinstance(error, SSL.ZeroReturnError)
            or self._last not in _SIGNING
            or "record layer failure" in reasons
        )

    def _part_after(self, error: SSL.Error) -> None:
        """Take back the farewell if it is the server that has ended it."""
        if self._alert is not None or isinstance(error, SSL.ZeroReturnError):
            self.left = True
            self._parting = b""

    # ------------------------------------------------------------ the end

    def _settle(self, *, proven: bool | None, detail: str | None = None) -> None:
        """Finish with a chain in hand."""
        self.done = True
        if proven:
            self.phase = Phase.FINISH
        elif proven is False:
            detail = "the server's signature over this handshake does not match the certificate"
        self.served = self._what_was_served(proven, detail)
        if proven is not False:
            self._parting = handshake.parting_alerts(self._tls_version)

    def _stop(self, outcome: Outcome, detail: str, alert: str | None = None) -> None:
        """Finish before everything is in hand, with what is."""
        if self.certificates:
            self._settle(proven=None, detail=f"{detail}, before its signature was seen")
        else:
            self.failure = Failure(outcome, self.phase, detail, alert)
        self.done = True
        self._parting = b""

    def _fail(self, outcome: Outcome, detail: str) -> None:
        """Finish because what came is of no use."""
        self.done = True
        self.failure = Failure(outcome, self.phase, detail)
        if self.certificates:
            self.served = self._what_was_served(None, detail)
        if outcome is not Outcome.NOT_TLS:
            # OpenSSL has put the alert that fits into its buffer, unless the bound is ours.
            self._parting = self._drain() or handshake.parting_alerts(self._tls_version)

    @property
    def _tls_version(self) -> TlsVersion | None:
        return handshake.VERSIONS.get(self._version) if self._version is not None else None

    def _what_was_served(self, proven: bool | None, detail: str | None) -> Served:
        return Served(
            chain=tuple(fingerprint(der) for der in self.certificates),
            tls=self._tls_version,
            cipher=self._connection.get_cipher_name(),
            group=self._connection.get_group_name(),
            signature_scheme=None if self._scheme is None else registry.scheme_name(self._scheme),
            key_family=key_family(self.certificates[0]) if self.certificates else None,
            key_proven=proven,
            key_detail=detail,
            staple=self._staple,
            timestamps=self._timestamps,
        )


_READ: dict[int, Callable[[TlsClient, bytes], None]] = {
    HandshakeType.SERVER_HELLO: TlsClient._read_hello,
    HandshakeType.NEW_SESSION_TICKET: TlsClient._read_ticket,
    HandshakeType.CERTIFICATE: TlsClient._read_certificate,
    HandshakeType.SERVER_KEY_EXCHANGE: TlsClient._read_key_exchange,
    HandshakeType.CERTIFICATE_REQUEST: TlsClient._read_request,
    HandshakeType.SERVER_HELLO_DONE: TlsClient._read_done,
    HandshakeType.CERTIFICATE_VERIFY: TlsClient._read_verify,
    HandshakeType.CERTIFICATE_STATUS: TlsClient._read_status,
}
"""What is noted of each message; all others only show how far it is."""


def key_family(der: bytes) -> KeyFamily | None:
    """Return the family of a certificate's public key; None if the certificate cannot be read."""
    oid = read_strictly(der).key_algorithm
    if oid is None:
        return None
    if oid in _RSA_KEYS:
        return KeyFamily.RSA
    return KeyFamily.ECDSA if oid in _EC_KEYS else KeyFamily.OTHER


def _reasons(error: SSL.Error) -> tuple[str, ...]:
    """Return the reasons in OpenSSL's error queue, in its words."""
    queue = error.args[0] if error.args and isinstance(error.args[0], list) else []
    return tuple(str(entry[2]) for entry in queue)
