"""A small builder of certificates for the judge's tests: every choice stands in the test itself."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from ipaddress import ip_address

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from lab import marks
from probe.judge.trust import AnchorSet

AT = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
"""The moment at which the tests judge."""

SERVER = ExtendedKeyUsageOID.SERVER_AUTH
CLIENT = ExtendedKeyUsageOID.CLIENT_AUTH

CA_USAGE = ("key_cert_sign", "crl_sign")
LEAF_USAGE = ("digital_signature",)


Extension = tuple[x509.ExtensionType, bool]
"""One extension more, and whether it is critical."""


@dataclass(frozen=True)
class Made:
    """A certificate and the key in it."""

    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey

    @property
    def der(self) -> bytes:
        return self.certificate.public_bytes(Encoding.DER)

    @property
    def sha(self) -> str:
        return self.certificate.fingerprint(hashes.SHA256()).hex()


@cache
def key(label: str, *, strong: bool = False) -> ec.EllipticCurvePrivateKey:
    """Return the same key for the same label within one run."""
    return ec.generate_private_key(ec.SECP384R1() if strong else ec.SECP256R1())


@cache
def rsa_key(label: str) -> rsa.RSAPrivateKey:
    """Return the same RSA key for the same label within one run."""
    return rsa.generate_private_key(65537, 2048)


def name(common_name: str | None, organisation: str | None = None) -> x509.Name:
    attributes = []
    if organisation:
        attributes.append(x509.NameAttribute(NameOID.ORGANIZATION_NAME, organisation))
    if common_name:
        attributes.append(x509.NameAttribute(NameOID.COMMON_NAME, common_name))
    return x509.Name(attributes)


def general(value: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ip_address(value))
    except ValueError:
        return x509.DNSName(value)


def make(
    subject: str | x509.Name,
    issuer: Made | None = None,
    *,
    names: Sequence[str] = (),
    ca: bool | None = False,
    path_length: int | None = None,
    usage: Sequence[str] | None = None,
    purposes: Sequence[x509.ObjectIdentifier] | None = (SERVER,),
    begins: datetime = AT - timedelta(days=30),
    days: float = 90,
    key_label: str | None = None,
    key_ids: bool = True,
    signed_with: str | None = None,
    critical: Sequence[str] = (),
    more: Sequence[tuple[x509.ExtensionType, bool]] = (),
    rsa_leaf: bool = False,
    strong: bool = False,
) -> Made:
    """Make a certificate; without issuer it signs itself.

    `signed_with` puts another key's signature under it. `critical` names unknown extensions.
    `strong`: its key is P-384, and SHA-384 is signed.
    """
    subject = name(subject) if isinstance(subject, str) else subject
    label = key_label or subject.rfc4514_string()
    own = rsa_key(label) if rsa_leaf else key(label, strong=strong)
    signer = key(signed_with) if signed_with else (issuer.key if issuer else own)
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer.certificate.subject if issuer else subject)
        .public_key(own.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begins)
        .not_valid_after(begins + timedelta(days=days))
    )
    if ca is not None:
        builder = builder.add_extension(x509.BasicConstraints(ca, path_length), critical=True)
    chosen = usage if usage is not None else (CA_USAGE if ca else LEAF_USAGE)
    if chosen:
        builder = builder.add_extension(_usage(chosen), critical=True)
    if purposes is not None and not ca:
        builder = builder.add_extension(x509.ExtendedKeyUsage(purposes), critical=False)
    if names:
        builder = builder.add_extension(
            x509.SubjectAlternativeName([general(value) for value in names]), critical=False
        )
    if key_ids:
        builder = builder.add_extension(
            x509.SubjectKeyIdentifier.from_public_key(own.public_key()), critical=False
        ).add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(
                (issuer.key if issuer else own).public_key()
            ),
            critical=False,
        )
    for extension, is_critical in more:
        builder = builder.add_extension(extension, critical=is_critical)
    for oid in critical:
        builder = builder.add_extension(
            x509.UnrecognizedExtension(x509.ObjectIdentifier(oid), b"\x05\x00"), critical=True
        )
    return Made(builder.sign(signer, hashes.SHA384() if strong else hashes.SHA256()), own)


def _usage(chosen: Sequence[str]) -> x509.KeyUsage:
    every = (
        "digital_signature",
        "content_commitment",
        "key_encipherment",
        "data_encipherment",
        "key_agreement",
        "key_cert_sign",
        "crl_sign",
        "encipher_only",
        "decipher_only",
    )
    return x509.KeyUsage(**{one: one in chosen for one in every})


def timestamps(logs: int, seen: datetime = AT - timedelta(days=30)) -> Extension:
    """Return the extension of RFC 6962, 3.3 with a timestamp of so many made-up logs in it."""
    return marks.timestamps(logs, seen), False


def authority(
    common_name: str, issuer: Made | None = None, *, days: float = 3650, **more: object
) -> Made:
    """Make a CA certificate that began a year ago."""
    begins = more.pop("begins", AT - timedelta(days=365))
    return make(common_name, issuer, ca=True, begins=begins, days=days, **more)  # type: ignore[arg-type]  # passed through


def trusting(*roots: Made) -> AnchorSet:
    return AnchorSet("test", [root.der for root in roots])


def ders(*made: Made) -> tuple[bytes, ...]:
    return tuple(one.der for one in made)
