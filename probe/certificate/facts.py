"""What a certificate says, read without trusting it: `facts_of` answers for any bytes at all.

Structure is read by the lenient reader, so a certificate that a stricter parser refuses still shows
its names and dates; what is odd about it stands in `oddities`. Nothing here judges: whether a
signature, a date or a purpose is good enough is for `probe.judge`.
"""

from dataclasses import dataclass
from datetime import datetime

from probe.observation.model import KeyFamily


@dataclass(frozen=True, slots=True)
class Name:
    """One subject alternative name."""

    type: str
    """"dns", "ip", "email", "uri" or "other"."""
    value: str
    """dns: as it stands in the certificate; ip: RFC 5952 form (hex digits if it is no address)."""


@dataclass(frozen=True, slots=True)
class Extension:
    """One extension as it stands in the certificate."""

    oid: str
    critical: bool
    value: bytes
    """The octets inside the OCTET STRING: DER of the extension's own type."""


@dataclass(frozen=True, slots=True)
class CertFacts:
    """The facts of one certificate. A field that could not be read is None or empty."""

    sha256: str
    """Of the DER, 64 lower-case hex digits."""
    readable: bool
    """Whether the outer structure (RFC 5280, 4.1) could be read at all."""
    oddities: tuple[str, ...]
    """What is odd, and where: everything that a strict parser would refuse or read differently."""
    subject: str
    """RFC 4514 text; "" for an empty name."""
    issuer: str
    subject_raw: bytes
    """DER of the Name."""
    issuer_raw: bytes
    serial: str
    """Lower-case hex without leading zeros; a minus sign in front of a negative one."""
    names: tuple[Name, ...]
    """Subject alternative names in certificate order."""
    common_name: str | None
    """The last, that is the most specific, of the subject's common names."""
    common_names: tuple[str, ...]
    not_before: datetime | None
    """UTC."""
    not_after: datetime | None
    """UTC; the last second of validity (RFC 5280, 4.1.2.5)."""
    key: str
    """Such as "RSA 2048", "P-256", "Ed25519"."""
    key_family: KeyFamily
    key_bits: int | None
    spki: bytes
    """DER of SubjectPublicKeyInfo."""
    signature: str
    """Name of the signature algorithm, such as "sha256WithRSAEncryption"."""
    is_ca: bool | None
    """cA of basicConstraints; None: the extension is absent (or unreadable: see `oddities`)."""
    path_length: int | None
    key_usage: tuple[str, ...] | None
    """Names of RFC 5280, 4.2.1.3, such as "digitalSignature"; None: the extension is absent."""
    extended_key_usage: tuple[str, ...] | None
    """Dotted OIDs; None: the extension is absent."""
    subject_key_id: str | None
    """Hex."""
    authority_key_id: str | None
    """Hex of keyIdentifier."""
    extensions: tuple[Extension, ...]
    version: int | None
    """1, 2 or 3."""
    self_issued: bool
    """Issuer and subject are the same name."""
    self_signed: bool
    """Self-issued, and its signature verifies with its own key."""


def facts_of(der: bytes) -> CertFacts:
    """Return the facts of a certificate. Never raises, for any bytes; remembered by content."""
    raise NotImplementedError
