"""What the lab's CAs publish: lists of revoked certificates and OCSP responses, good ones and bad.

Dates are counted from the lab's reference time, as those of certificates are.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from functools import cache

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509 import ocsp

from lab.authority import Issued, PrivateKey, hash_for

_MADE, _HOLDS, _LATE = timedelta(hours=12), timedelta(days=4), timedelta(days=9)
"""How long ago it was made, how long it holds, and how much earlier all that was if it is stale."""


class State(StrEnum):
    """What is wrong with a list or a response, if anything is."""

    GOOD = "good"
    STALE = "stale"
    """Its nextUpdate has passed."""
    FOREIGN = "foreign"
    """It is signed with another key than its issuer's."""
    OTHER = "other"
    """It is another's: of another CA, or about another certificate."""


@dataclass(frozen=True, slots=True)
class Authority:
    """A CA of the lab, as its servers know it."""

    issued: Issued
    reference: datetime
    revoked: frozenset[int] = frozenset()
    """Serial numbers; all were revoked two days before the reference time, for a lost key."""
    delegate: Issued | None = None
    """Who answers for it over OCSP, if it does not do so itself."""

    @property
    def revoked_at(self) -> datetime:
        """When they were revoked."""
        return self.reference - timedelta(days=2)

    def revoked_list(self, state: State = State.GOOD) -> bytes:
        """Return its list as DER (RFC 5280, 5)."""
        begins, ends = self._dates(state)
        name, key = self.issued.certificate.subject, self.issued.key
        if state is State.OTHER:
            name, key = _stranger_name(), _stranger()
        elif state is State.FOREIGN:
            key = _stranger()
        identifier = x509.AuthorityKeyIdentifier.from_issuer_public_key(key.public_key())
        builder = (
            x509.CertificateRevocationListBuilder()
            .issuer_name(name)
            .last_update(begins)
            .next_update(ends)
            .add_extension(identifier, critical=False)
            .add_extension(x509.CRLNumber(7), critical=False)
        )
        for serial in sorted(self.revoked):
            entry = (
                x509.RevokedCertificateBuilder()
                .serial_number(serial)
                .revocation_date(self.revoked_at)
                .add_extension(x509.CRLReason(x509.ReasonFlags.key_compromise), critical=False)
            )
            builder = builder.add_revoked_certificate(entry.build())
        signed = builder.sign(key, hash_for(key))
        return signed.public_bytes(serialization.Encoding.DER)

    def answer(self, request: bytes, state: State = State.GOOD) -> bytes:
        """Return the OCSP response to a request (RFC 6960)."""
        try:
            asked = ocsp.load_der_ocsp_request(request)
        except ValueError:
            status = ocsp.OCSPResponseStatus.MALFORMED_REQUEST
            return _bytes_of(ocsp.OCSPResponseBuilder.build_unsuccessful(status))
        return self.response(asked.serial_number, state)

    def response(self, serial: int, state: State = State.GOOD) -> bytes:
        """Return the OCSP response about the certificate with that serial number."""
        if state is State.OTHER:
            serial += 1
        begins, ends = self._dates(state)
        revoked = serial in self.revoked
        ca = self.issued.certificate
        identifier = x509.SubjectKeyIdentifier.from_public_key(ca.public_key())
        builder = ocsp.OCSPResponseBuilder().add_response_by_hash(
            issuer_name_hash=_sha1(ca.subject.public_bytes()),
            issuer_key_hash=identifier.digest,
            serial_number=serial,
            algorithm=hashes.SHA1(),  # noqa: S303  # as requests have it
            cert_status=ocsp.OCSPCertStatus.REVOKED if revoked else ocsp.OCSPCertStatus.GOOD,
            this_update=begins,
            next_update=ends,
            revocation_time=self.revoked_at if revoked else None,
            revocation_reason=x509.ReasonFlags.key_compromise if revoked else None,
        )
        signer = self.delegate or self.issued
        shown, key = signer.certificate, signer.key
        if state is State.FOREIGN:
            shown, key = _stranger_as(shown.subject), _stranger()
        builder = builder.responder_id(ocsp.OCSPResponderEncoding.NAME, shown)
        if self.delegate is not None:
            builder = builder.certificates([shown])
        return _bytes_of(builder.sign(key, hash_for(key)))

    def _dates(self, state: State) -> tuple[datetime, datetime]:
        begins = self.reference - _MADE - (_LATE if state is State.STALE else timedelta())
        return begins, begins + _HOLDS


def serials(certificates: Iterable[Issued]) -> frozenset[int]:
    """Return the serial numbers of some certificates."""
    return frozenset(one.certificate.serial_number for one in certificates)


def _bytes_of(response: ocsp.OCSPResponse) -> bytes:
    return response.public_bytes(serialization.Encoding.DER)


def _sha1(octets: bytes) -> bytes:
    digest = hashes.Hash(hashes.SHA1())  # noqa: S303  # as requests have it
    digest.update(octets)
    return digest.finalize()


def _stranger_name() -> x509.Name:
    return x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "Dry Dock Test CA")])


@cache
def _stranger() -> PrivateKey:
    """Return the key of somebody who has no business here."""
    return ec.generate_private_key(ec.SECP256R1())


def stranger_certificate() -> bytes:
    """Return the certificate (DER) of that somebody."""
    return _stranger_as(_stranger_name()).public_bytes(serialization.Encoding.DER)


def _stranger_as(name: x509.Name) -> x509.Certificate:
    """Return a certificate by which the stranger goes under a name."""
    moment = datetime(2026, 1, 1, tzinfo=UTC)
    key = _stranger()
    return (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(moment)
        .not_valid_after(moment + timedelta(days=3650))
        .add_extension(x509.BasicConstraints(True, None), critical=True)
        .sign(key, hash_for(key))
    )
