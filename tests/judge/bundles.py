"""Files as they are before an import, made of the judge's small world, and what is said of them."""

from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    pkcs12,
)

from probe.bundle import NOTHING_SAID, Judged, Offered, Said, ServedNow
from probe.jobs.bundle import look_into, offered
from probe.plan.model import Plan
from probe.records import dataclass, field
from tests.judge.pki import AT, Made, general, name
from tests.judge.world import Told, told


def pem(*certificates: bytes) -> bytes:
    """Return certificates (DER) as PEM, by the library."""
    return b"".join(
        x509.load_der_x509_certificate(der).public_bytes(Encoding.PEM) for der in certificates
    )


def key_of(made: Made) -> bytes:
    return made.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def pfx(made: Made, *issuers: bytes, scheme: pkcs12.PBES | None = None) -> bytes:
    """Return PKCS#12 with a password, in the library's best encryption, or in `scheme`."""
    builder = PrivateFormat.PKCS12.encryption_builder().kdf_rounds(2_048)
    if scheme is not None:
        builder = builder.key_cert_algorithm(scheme).hmac_hash(hashes.SHA1())  # noqa: S303  # an old file
    return pkcs12.serialize_key_and_certificates(
        b"bundle",
        made.key,
        made.certificate,
        [x509.load_der_x509_certificate(der) for der in issuers],
        builder.build(PASSWORD),
    )


PASSWORD = b"dry-dock"


def request(common_name: str, names: tuple[str, ...], key: Any) -> bytes:
    """Return a certificate request (PEM)."""
    builder = x509.CertificateSigningRequestBuilder().subject_name(name(common_name))
    if names:
        alternatives = x509.SubjectAlternativeName([general(value) for value in names])
        builder = builder.add_extension(alternatives, critical=False)
    return builder.sign(key, hashes.SHA256()).public_bytes(Encoding.PEM)


@dataclass(frozen=True, slots=True)
class Files:
    """What is given to the command."""

    files: tuple[bytes, ...] = ()
    request: bytes | None = None
    password: bytes | None = PASSWORD
    said: Said = field(default=NOTHING_SAID)

    def offered(self) -> Offered:
        named = [(f"file{number}", octets) for number, octets in enumerate(self.files, 1)]
        return offered(named, lambda _: self.password, self.request)

    def judged(self, plan: Plan | None, now: ServedNow | None = None) -> Judged:
        return look_into(plan, self.offered(), at=AT, said=self.said, now=now)


def said_of(judged: Judged) -> list[Told]:
    return told(judged.assessment)


def folded_under(judged: Judged, rule: str) -> set[str]:
    """Return the rules that a finding explains."""
    (finding,) = (one for one in judged.assessment.findings if one.rule == rule)
    return {one.rule for one in finding.folded}
