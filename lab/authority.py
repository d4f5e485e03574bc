"""The lab's certificates: what each one should say, and the workshop that makes them.

A `Blueprint` says in a few words what a certificate is to look like, healthy or not; a `Workshop`
makes it, and its issuers first. Dates are days from a reference time, so that a cluster that is
judged as of that time gives the same answer on every day. Nothing here knows a scenario file.
"""

import hashlib
import ipaddress
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from typing import Literal

import msgspec
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from cryptography.x509.oid import (
    AuthorityInformationAccessOID,
    ExtendedKeyUsageOID,
    NameOID,
)

from lab.marks import policies, realm, signed_with, timestamps

PrivateKey = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey | ed25519.Ed25519PrivateKey

KEY_KINDS: Mapping[str, Callable[[], PrivateKey]] = {
    "P-256": lambda: ec.generate_private_key(ec.SECP256R1()),
    "P-384": lambda: ec.generate_private_key(ec.SECP384R1()),
    "P-224": lambda: ec.generate_private_key(ec.SECP224R1()),
    "Ed25519": ed25519.Ed25519PrivateKey.generate,
    "RSA-1024": lambda: rsa.generate_private_key(65537, 1024),  # noqa: S505  # weak on purpose
    "RSA-2048": lambda: rsa.generate_private_key(65537, 2048),
    "RSA-3072": lambda: rsa.generate_private_key(65537, 3072),
    "RSA-4096": lambda: rsa.generate_private_key(65537, 4096),
}
"""The kinds of key that a blueprint may ask for."""

PURPOSES: Mapping[str, x509.ObjectIdentifier] = {
    "server": ExtendedKeyUsageOID.SERVER_AUTH,
    "client": ExtendedKeyUsageOID.CLIENT_AUTH,
    "code": ExtendedKeyUsageOID.CODE_SIGNING,
    "email": ExtendedKeyUsageOID.EMAIL_PROTECTION,
    "any": ExtendedKeyUsageOID.ANY_EXTENDED_KEY_USAGE,
    "ocsp": ExtendedKeyUsageOID.OCSP_SIGNING,
}
"""Words for purposes of the extended key usage extension (RFC 5280, 4.2.1.12)."""

KEY_USAGES = (
    "digital_signature",
    "content_commitment",
    "key_encipherment",
    "data_encipherment",
    "key_agreement",
    "key_cert_sign",
    "crl_sign",
)
"""Words for the bits of the key usage extension (RFC 5280, 4.2.1.3)."""


class BlueprintError(ValueError):
    """A blueprint that no certificate can be made of. The text says which one and why."""


class Look(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What one certificate should say, as a scenario file says it too."""

    issuer: str | None = None
    """Label of the issuing certificate; None: it signs itself."""
    common_name: str | None = None
    organization: str | None = None
    country: str | None = None
    names: tuple[str, ...] = ()
    """Alternative names: DNS names and addresses."""
    realms: tuple[str, ...] = ()
    """Alternative names that are NAIRealms (RFC 7585), of less than 128 octets."""
    numbered_names: int = 0
    """Further names below the first one: 0001.NAME, 0002.NAME, ..."""
    key: str = "P-256"
    key_of: str | None = None
    """Label of a certificate whose key this one has too: a renewal, or a cross-signed CA."""
    begins: float = -30
    """notBefore, in days from the reference time."""
    ends: float = 335
    """notAfter, in days from the reference time."""
    authority: bool = False
    path_length: int | None = None
    purposes: tuple[str, ...] = ()
    """Empty: no extended key usage extension."""
    key_usage: tuple[str, ...] | None = None
    """None: what fits the key and the kind of certificate."""
    timestamps: int | None = None
    """Logs of which it brings timestamps; None: the extension is not there."""
    policies: tuple[str, ...] = ()
    """Empty: no policies extension."""
    signed_with: str | None = None
    """An old hash that it is signed with; its issuer's key must then be RSA. None: a good one."""
    addresses: tuple[Literal["issuer", "crl", "ocsp"], ...] = ()
    """Addresses of its CA's servers that it carries: of the CA's certificate, list and responder.
    """
    must_staple: bool = False
    """Whether it demands a stapled OCSP response (RFC 7633)."""


class Blueprint(Look, frozen=True):
    """One certificate to be made."""

    label: str


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate and its key."""

    label: str
    certificate: x509.Certificate
    key: PrivateKey

    @property
    def der(self) -> bytes:
        """The certificate's DER encoding."""
        return self.certificate.public_bytes(serialization.Encoding.DER)

    @property
    def pem(self) -> bytes:
        """The certificate as PEM."""
        return self.certificate.public_bytes(serialization.Encoding.PEM)

    @property
    def key_pem(self) -> bytes:
        """The private key as PEM, without a passphrase: a lab's key protects nothing."""
        return self.key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )


@cache
def _pooled_key(kind: str, number: int) -> PrivateKey:  # noqa: ARG001  # the cache's own key
    """Return one key of the process's pool: an RSA key takes longer to find than a whole sweep.

    Two clusters of one process share keys, two certificates of one cluster never do by accident.
    """
    return KEY_KINDS[kind]()


class Workshop:
    """Makes certificates out of blueprints, each once."""

    def __init__(
        self, blueprints: Iterable[Blueprint], reference: datetime, authorities: str = ""
    ) -> None:
        """`authorities` is where the servers of the CAs are: "http://HOST:PORT"."""
        self._authorities = authorities
        self._blueprints = {blueprint.label: blueprint for blueprint in blueprints}
        self._reference = reference
        self._keys: dict[str, PrivateKey] = {}
        self._handed_out: dict[str, int] = {}
        self._issued: dict[str, Issued] = {}
        self._in_work: list[str] = []

    def __getitem__(self, label: str) -> Issued:
        """Return the certificate of that label, made now if it was not made before.

        Raises BlueprintError if it cannot be made.
        """
        if label not in self._issued:
            blueprint = self._blueprint(label)
            if label in self._in_work:
                circle = " -> ".join([*self._in_work, label])
                raise BlueprintError(f"certificates issue each other in a circle: {circle}")
            self._in_work.append(label)
            try:
                self._issued[label] = self._make(blueprint)
            finally:
                self._in_work.pop()
        return self._issued[label]

    def chain(self, labels: Iterable[str]) -> tuple[Issued, ...]:
        """Return the certificates of these labels in the same order."""
        return tuple(self[label] for label in labels)

    def _blueprint(self, label: str) -> Blueprint:
        try:
            return self._blueprints[label]
        except KeyError:
            raise BlueprintError(f"there is no certificate named {label!r}") from None

    def _key(self, label: str) -> PrivateKey:
        blueprint = self._blueprint(label)
        if blueprint.key_of is not None:
            return self._key(blueprint.key_of)
        if label not in self._keys:
            number = self._handed_out.get(blueprint.key, 0)
            self._handed_out[blueprint.key] = number + 1
            self._keys[label] = _pooled_key(blueprint.key, number)
        return self._keys[label]

    def _make(self, blueprint: Blueprint) -> Issued:
        key = self._key(blueprint.label)
        subject = _subject(blueprint)
        if blueprint.issuer is None:
            issuer_name, signer = subject, key
        else:
            issuer = self[blueprint.issuer]
            issuer_name, signer = issuer.certificate.subject, issuer.key
        begins, ends = (
            self._reference + timedelta(days=days) for days in (blueprint.begins, blueprint.ends)
        )
        if ends <= begins:
            raise BlueprintError(f"certificate {blueprint.label!r} ends before it begins")
        builder = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(issuer_name)
            .public_key(key.public_key())
            .serial_number(_serial(blueprint.label))
            .not_valid_before(begins)
            .not_valid_after(ends)
        )
        for extension, critical in _extensions(blueprint, key, signer):
            builder = builder.add_extension(extension, critical)
        for extension in _addresses(blueprint, self._authorities):
            builder = builder.add_extension(extension, critical=False)
        if blueprint.timestamps is not None:
            builder = builder.add_extension(timestamps(blueprint.timestamps, begins), False)
        certificate = builder.sign(signer, hash_for(signer))
        if blueprint.signed_with is not None:
            if not isinstance(signer, rsa.RSAPrivateKey):
                raise BlueprintError(f"the issuer of {blueprint.label!r} needs an RSA key")
            certificate = signed_with(blueprint.signed_with, certificate, signer)
        return Issued(blueprint.label, certificate, key)


def _subject(blueprint: Blueprint) -> x509.Name:
    parts = (
        (NameOID.COUNTRY_NAME, blueprint.country),
        (NameOID.ORGANIZATION_NAME, blueprint.organization),
        (NameOID.COMMON_NAME, blueprint.common_name),
    )
    return x509.Name([x509.NameAttribute(oid, text) for oid, text in parts if text])


def _serial(label: str) -> int:
    """Return the label's own serial number: the same in every run, so that reports compare."""
    # One bit in front keeps it positive and never short (RFC 5280, 4.1.2.2).
    return int.from_bytes(b"\x01" + hashlib.sha256(label.encode()).digest()[:8])


def hash_for(key: PrivateKey) -> hashes.SHA256 | hashes.SHA384 | None:
    """Return the hash that a key signs with."""
    if isinstance(key, ed25519.Ed25519PrivateKey):
        return None
    if isinstance(key, ec.EllipticCurvePrivateKey) and key.curve.key_size == 384:
        return hashes.SHA384()
    return hashes.SHA256()


def _extensions(
    blueprint: Blueprint, key: PrivateKey, signer: PrivateKey
) -> list[tuple[x509.ExtensionType, bool]]:
    identifier = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    found: list[tuple[x509.ExtensionType, bool]] = [
        (x509.BasicConstraints(blueprint.authority, blueprint.path_length), True),
        (_key_usage(blueprint, key), True),
        (identifier, False),
    ]
    if blueprint.issuer is not None:
        authority_key = x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key())
        found.append((authority_key, False))
    if blueprint.purposes:
        purposes = [PURPOSES[purpose] for purpose in blueprint.purposes]
        found.append((x509.ExtendedKeyUsage(purposes), False))
    if blueprint.names or blueprint.realms:
        # With an empty subject the names are all there is, and critical (RFC 5280, 4.2.1.6).
        bare = not (blueprint.common_name or blueprint.organization)
        more = [
            f"{number:04}.{blueprint.names[0]}" for number in range(1, blueprint.numbered_names + 1)
        ]
        names = [_general_name(name) for name in (*blueprint.names, *more)]
        names += map(realm, blueprint.realms)
        found.append((x509.SubjectAlternativeName(names), bare))
    if blueprint.policies:
        found.append((policies(blueprint.policies), False))
    return found


def _addresses(blueprint: Blueprint, at: str) -> list[x509.ExtensionType]:
    """Return what says where its CA has what, and that a staple must come."""
    issuer, found = blueprint.issuer, list[x509.ExtensionType]()
    places = {
        "issuer": (AuthorityInformationAccessOID.CA_ISSUERS, f"{at}/{issuer}.cer"),
        "ocsp": (AuthorityInformationAccessOID.OCSP, f"{at}/ocsp/{issuer}"),
    }
    described = [
        x509.AccessDescription(method, x509.UniformResourceIdentifier(url))
        for word, (method, url) in places.items()
        if word in blueprint.addresses
    ]
    if described:
        found.append(x509.AuthorityInformationAccess(described))
    if "crl" in blueprint.addresses:
        name = x509.UniformResourceIdentifier(f"{at}/{issuer}.crl")
        point = x509.DistributionPoint([name], None, None, None)
        found.append(x509.CRLDistributionPoints([point]))
    if blueprint.must_staple:
        found.append(x509.TLSFeature([x509.TLSFeatureType.status_request]))
    return found


def _general_name(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _key_usage(blueprint: Blueprint, key: PrivateKey) -> x509.KeyUsage:
    if blueprint.key_usage is not None:
        wanted = set(blueprint.key_usage)
    elif blueprint.authority:
        wanted = {"key_cert_sign", "crl_sign", "digital_signature"}
    elif isinstance(key, rsa.RSAPrivateKey):
        wanted = {"digital_signature", "key_encipherment"}
    else:
        wanted = {"digital_signature"}
    return x509.KeyUsage(
        **{usage: usage in wanted for usage in KEY_USAGES}, encipher_only=False, decipher_only=False
    )
