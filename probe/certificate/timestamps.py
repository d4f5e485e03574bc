"""Signed certificate timestamps (RFC 6962, 3.2 and 3.3): those that a CA embedded in a certificate,
and those that come by the handshake or in a stapled OCSP response.

They are read, not verified: which logs exist, who runs them and what their keys are is not known
here. A list that cannot be read to its end gives what was read before, and says so.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache

from cryptography import x509

from probe.certificate.der import OCTET_STRING, DerError, content, whole
from probe.certificate.facts import CertFacts
from probe.records import dataclass

TIMESTAMPS = "1.3.6.1.4.1.11129.2.4.2"
"""The extension that holds them (RFC 6962, 3.3)."""

POISON = "1.3.6.1.4.1.11129.2.4.3"
"""The critical extension that marks a precertificate, which is no certificate (RFC 6962, 3.1)."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LATEST = (datetime.max.replace(tzinfo=UTC) - _EPOCH) // timedelta(milliseconds=1)
_V1 = 0


@dataclass(frozen=True, slots=True)
class Timestamp:
    """A log's promise to publish a certificate."""

    log: str
    """The log's id: SHA-256 of its key, in hex."""
    at: datetime
    """When the log saw it; UTC."""
    hash: int
    """HashAlgorithm of TLS 1.2 (RFC 5246, 7.4.1.4.1)."""
    signature: int
    """SignatureAlgorithm, same place."""


@dataclass(frozen=True, slots=True)
class Embedded:
    """What came in one way: in the certificate, by the handshake or in a staple."""

    present: bool
    """Whether there is a list at all."""
    timestamps: tuple[Timestamp, ...] = ()
    """Those that could be read, in the order of the list."""
    trouble: str | None = None
    """Why the list could not be read to its end."""

    @property
    def logs(self) -> frozenset[str]:
        """The distinct logs, which is what policies count."""
        return frozenset(timestamp.log for timestamp in self.timestamps)

    @property
    def earliest(self) -> datetime | None:
        """When the first log saw the certificate: near the time at which it was issued."""
        return min((timestamp.at for timestamp in self.timestamps), default=None)


def embedded(facts: CertFacts) -> Embedded:
    """Return the timestamps embedded in a certificate. Never raises."""
    for extension in facts.extensions:
        if extension.oid == TIMESTAMPS:
            return _embedded(extension.value)
    return Embedded(present=False)


@lru_cache(maxsize=4_096)
def _embedded(value: bytes) -> Embedded:
    try:
        octets = content(value, whole(value, OCTET_STRING, "the list of timestamps"))
    except DerError as error:
        return Embedded(True, (), str(error))
    return _listed(octets)


def by_handshake(octets: bytes | None) -> Embedded:
    """Return the timestamps of the TLS extension (RFC 6962, 3.3.1); None: it did not come."""
    return _listed(octets) if octets else Embedded(present=False)


@lru_cache(maxsize=4_096)
def stapled(octets: bytes | None) -> Embedded:
    """Return the timestamps in a stapled OCSP response (RFC 6962, 3.3); None: no staple came.

    A response that is no OCSP, says no more than that it failed, or tells of several certificates
    holds none.
    """
    if not octets:
        return Embedded(present=False)
    try:
        from cryptography.x509 import ocsp  # noqa: PLC0415  # few servers staple

        response = ocsp.load_der_ocsp_response(octets)
        extensions = response.single_extensions
        listed = extensions.get_extension_for_class(x509.SignedCertificateTimestamps).value
        value = listed.public_bytes()
    except (ValueError, x509.ExtensionNotFound, x509.DuplicateExtension):
        return Embedded(present=False)
    return _embedded(value)


def _listed(octets: bytes) -> Embedded:
    found: list[Timestamp] = []
    try:
        _read(octets, found)
    except DerError as error:
        return Embedded(True, tuple(found), str(error))
    return Embedded(True, tuple(found))


def _read(octets: bytes, found: list[Timestamp]) -> None:
    listed = _Octets(octets)
    entries = _Octets(listed.vector("the list"))
    listed.finish("the list")
    if not entries.rest:
        raise DerError("the list of timestamps is empty")
    while entries.rest:
        found.append(_timestamp(_Octets(entries.vector("a timestamp"))))


def _timestamp(octets: "_Octets") -> Timestamp:
    version = octets.number(1, "a timestamp's version")
    if version != _V1:
        raise DerError(f"a timestamp of the unknown version {version}")
    log = octets.take(32, "a log's id")
    milliseconds = octets.number(8, "a time")
    if milliseconds > _LATEST:
        raise DerError(f"a time of {milliseconds} ms, which no calendar has")
    octets.vector("a timestamp's extensions")
    scheme: Sequence[int] = octets.take(2, "a signature's algorithm")
    octets.vector("a signature")
    octets.finish("a timestamp")
    return Timestamp(log.hex(), _EPOCH + timedelta(milliseconds=milliseconds), scheme[0], scheme[1])


class _Octets:
    """A cursor over TLS structures (RFC 5246, 4) that fails where a length overruns."""

    def __init__(self, octets: bytes) -> None:
        self._octets = octets
        self._place = 0

    @property
    def rest(self) -> int:
        return len(self._octets) - self._place

    def take(self, length: int, what: str) -> bytes:
        if length > self.rest:
            raise DerError(f"{what} has {self.rest} octets and claims {length}")
        piece = self._octets[self._place : self._place + length]
        self._place += length
        return piece

    def number(self, length: int, what: str) -> int:
        return int.from_bytes(self.take(length, what))

    def vector(self, what: str) -> bytes:
        """Take a vector with a length of two octets before it."""
        return self.take(self.number(2, what), what)

    def finish(self, what: str) -> None:
        if self.rest:
            raise DerError(f"{what} is followed by {self.rest} octets")
