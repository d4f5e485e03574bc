"""Public keys described from their encoding (RFC 3279, 5480, 8410), and whether one signed."""

from functools import lru_cache

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed448, ed25519, padding, rsa

from probe.certificate.der import (
    BIT_STRING,
    INTEGER,
    OID,
    SEQUENCE,
    DerError,
    children,
    content,
    expect,
    integer,
    oid,
    read,
    small_integer,
)
from probe.certificate.structure import algorithm_of, outline
from probe.observation.model import KeyFamily
from probe.records import dataclass

try:
    # The very function of `primitives.serialization`, which takes half of the library along.
    from cryptography.hazmat.bindings._rust import openssl as _bindings

    _load = _bindings.keys.load_der_public_key
except (ImportError, AttributeError):
    from cryptography.hazmat.primitives.serialization import load_der_public_key as _load

_RSA, _RSA_PSS, _EC, _DSA = (
    "1.2.840.113549.1.1.1",
    "1.2.840.113549.1.1.10",
    "1.2.840.10045.2.1",
    "1.2.840.10040.4.1",
)

_CURVES = {
    "1.2.840.10045.3.1.1": ("P-192", 192),
    "1.3.132.0.33": ("P-224", 224),
    "1.2.840.10045.3.1.7": ("P-256", 256),
    "1.3.132.0.34": ("P-384", 384),
    "1.3.132.0.35": ("P-521", 521),
    "1.3.132.0.10": ("secp256k1", 256),
    "1.3.36.3.3.2.8.1.1.7": ("brainpoolP256r1", 256),
    "1.3.36.3.3.2.8.1.1.11": ("brainpoolP384r1", 384),
    "1.3.36.3.3.2.8.1.1.13": ("brainpoolP512r1", 512),
}

_FIXED = {
    "1.3.101.110": ("X25519", 255),
    "1.3.101.111": ("X448", 448),
    "1.3.101.112": ("Ed25519", 255),
    "1.3.101.113": ("Ed448", 448),
    "2.16.840.1.101.3.4.3.17": ("ML-DSA-44", None),
    "2.16.840.1.101.3.4.3.18": ("ML-DSA-65", None),
    "2.16.840.1.101.3.4.3.19": ("ML-DSA-87", None),
}


@dataclass(frozen=True, slots=True)
class KeyFacts:
    """What kind of key it is and how large."""

    label: str
    family: KeyFamily
    bits: int | None


def describe(spki: bytes) -> KeyFacts:
    """Describe the key of a SubjectPublicKeyInfo. Raises DerError."""
    outer = expect(spki, 0, len(spki), SEQUENCE, "subjectPublicKeyInfo")
    algorithm = expect(spki, outer.body, outer.end, SEQUENCE, "the key's algorithm")
    name, parameters = algorithm_of(spki[algorithm.start : algorithm.end])
    if name in (_RSA, _RSA_PSS):
        size = _rsa_bits(spki, algorithm.end, outer.end)
        return KeyFacts(f"RSA {size}", KeyFamily.RSA, size)
    if name == _EC:
        curve = read(parameters, 0, len(parameters), "the curve")
        if curve.tag != OID:
            return KeyFacts("EC with a curve of its own", KeyFamily.ECDSA, None)
        dotted = oid(content(parameters, curve))
        label, size_of_curve = _CURVES.get(dotted, (f"EC {dotted}", None))
        return KeyFacts(label, KeyFamily.ECDSA, size_of_curve)
    if name == _DSA:
        size_of_prime = _dsa_bits(parameters)
        shown = f"DSA {size_of_prime}" if size_of_prime else "DSA with inherited parameters"
        return KeyFacts(shown, KeyFamily.OTHER, size_of_prime)
    label, fixed = _FIXED.get(name, (f"key {name}", None))
    return KeyFacts(label, KeyFamily.OTHER, fixed)


def key_octets(spki: bytes) -> bytes:
    """Return what OCSP hashes of a key (RFC 6960, 4.1.1): the BIT STRING's content without its
    count of unused bits. Raises DerError."""
    outer = expect(spki, 0, len(spki), SEQUENCE, "subjectPublicKeyInfo")
    algorithm = expect(spki, outer.body, outer.end, SEQUENCE, "the key's algorithm")
    return content(spki, expect(spki, algorithm.end, outer.end, BIT_STRING, "the public key"))[1:]


def _rsa_bits(spki: bytes, at: int, end: int) -> int:
    holder = expect(spki, at, end, BIT_STRING, "the public key")
    key = expect(spki, holder.body + 1, holder.end, SEQUENCE, "RSAPublicKey")
    modulus = expect(spki, key.body, key.end, INTEGER, "the modulus")
    return integer(spki, modulus).bit_length()


def _dsa_bits(parameters: bytes) -> int | None:
    if not parameters or parameters[0] != SEQUENCE:
        return None
    outer = expect(parameters, 0, len(parameters), SEQUENCE, "the DSA parameters")
    prime = children(parameters, outer)[:1]
    return integer(parameters, prime[0]).bit_length() if prime else None


# ---------------------------------------------------------------- signatures

_Hash = type[hashes.HashAlgorithm]

_PKCS1: dict[str, tuple[str, _Hash | None]] = {
    "1.2.840.113549.1.1.2": ("md2WithRSAEncryption", None),
    "1.2.840.113549.1.1.4": ("md5WithRSAEncryption", hashes.MD5),
    "1.2.840.113549.1.1.5": ("sha1WithRSAEncryption", hashes.SHA1),
    "1.3.14.3.2.29": ("sha1WithRSASignature", hashes.SHA1),
    "1.2.840.113549.1.1.14": ("sha224WithRSAEncryption", hashes.SHA224),
    "1.2.840.113549.1.1.11": ("sha256WithRSAEncryption", hashes.SHA256),
    "1.2.840.113549.1.1.12": ("sha384WithRSAEncryption", hashes.SHA384),
    "1.2.840.113549.1.1.13": ("sha512WithRSAEncryption", hashes.SHA512),
}
_ECDSA: dict[str, tuple[str, _Hash]] = {
    "1.2.840.10045.4.1": ("ecdsa-with-SHA1", hashes.SHA1),
    "1.2.840.10045.4.3.1": ("ecdsa-with-SHA224", hashes.SHA224),
    "1.2.840.10045.4.3.2": ("ecdsa-with-SHA256", hashes.SHA256),
    "1.2.840.10045.4.3.3": ("ecdsa-with-SHA384", hashes.SHA384),
    "1.2.840.10045.4.3.4": ("ecdsa-with-SHA512", hashes.SHA512),
}
_DSA_SIGNATURES: dict[str, tuple[str, _Hash]] = {
    "1.2.840.10040.4.3": ("dsa-with-SHA1", hashes.SHA1),
    "2.16.840.1.101.3.4.3.1": ("dsa-with-SHA224", hashes.SHA224),
    "2.16.840.1.101.3.4.3.2": ("dsa-with-SHA256", hashes.SHA256),
}
_HASHES: dict[str, _Hash] = {
    "1.3.14.3.2.26": hashes.SHA1,
    "2.16.840.1.101.3.4.2.4": hashes.SHA224,
    "2.16.840.1.101.3.4.2.1": hashes.SHA256,
    "2.16.840.1.101.3.4.2.2": hashes.SHA384,
    "2.16.840.1.101.3.4.2.3": hashes.SHA512,
}


@lru_cache(maxsize=1_024)
def signature_name(identifier: bytes) -> str:
    """Return the name of a signature algorithm, its dotted OID if it is unknown."""
    name, parameters = algorithm_of(identifier)
    if name == _RSA_PSS:
        digest, _ = _pss(parameters)
        return f"RSASSA-PSS with {digest.name.upper().replace('SHA', 'SHA-').replace('--', '-')}"
    for table in (_PKCS1, _ECDSA, _DSA_SIGNATURES):
        if name in table:
            return table[name][0]
    return _FIXED[name][0] if name in _FIXED else name


def _pss(parameters: bytes) -> tuple[hashes.HashAlgorithm, int]:
    """Return hash and salt length of RSASSA-PSS-params (RFC 4055, 3.1; both have defaults)."""
    digest: hashes.HashAlgorithm = hashes.SHA1()  # noqa: S303  # RFC 4055's default
    salt = 20
    if parameters:
        outer = expect(parameters, 0, len(parameters), SEQUENCE, "the PSS parameters")
        for field in children(parameters, outer):
            if field.tag == 0xA0:
                name, _ = algorithm_of(content(parameters, field))
                if name not in _HASHES:
                    raise DerError(f"the unknown PSS hash {name}")
                digest = _HASHES[name]()
            elif field.tag == 0xA2:
                number = expect(parameters, field.body, field.end, INTEGER, "the salt length")
                salt = small_integer(parameters, number)
    return digest, salt


@lru_cache(maxsize=8_192)
def signed_by(der: bytes, spki: bytes) -> bool | None:
    """Return whether a certificate was signed with a public key; names are not compared.

    None: cannot be told (unreadable certificate or key, an algorithm that is not supported).
    Remembered, as this is what judging costs: up to a millisecond for each.
    """
    try:
        shape = outline(der)
    except DerError:
        return None
    return verifies(shape.tbs, shape.outer_algorithm, shape.signature, spki)


def verifies(tbs: bytes, algorithm: bytes, signature: bytes, spki: bytes) -> bool | None:
    """Return whether a signature over `tbs` is by a public key; None: cannot be told.

    `algorithm` is the encoding of an AlgorithmIdentifier, `signature` the content of a BIT STRING.
    Not remembered: lists of revoked certificates are large.
    """
    try:
        return _verify(tbs, algorithm, signature, spki)
    except (DerError, UnsupportedAlgorithm, ValueError, TypeError):
        return None


_LARGEST_EXPONENT = 33
"""Bits. Exponents in use have 17; one as long as the modulus makes a check a hundred times dearer,
and clients refuse it."""
_LARGEST_DSA = 3_072
"""Bits of p, the most that FIPS 186-4, 4.2 has."""


@lru_cache(maxsize=256)
def _usable(spki: bytes) -> object:
    """Return the key that a SubjectPublicKeyInfo holds, None if one check with it costs too much.
    Remembered, as a CA signs many certificates."""
    key = _load(spki)
    return None if _is_exorbitant(key) else key


def _is_exorbitant(key: object) -> bool:
    """Whether one check with a key costs so much that who serves many such keys stalls us."""
    if isinstance(key, rsa.RSAPublicKey):
        return key.public_numbers().e.bit_length() > _LARGEST_EXPONENT
    return isinstance(key, dsa.DSAPublicKey) and key.key_size > _LARGEST_DSA


def _verify(tbs: bytes, algorithm: bytes, bit_string: bytes, spki: bytes) -> bool | None:
    name, parameters = algorithm_of(algorithm)
    signature = bit_string[1:]
    if bit_string[:1] != b"\0":
        return False
    key = _usable(spki)
    try:
        if isinstance(key, rsa.RSAPublicKey):
            if name == _RSA_PSS:
                digest, salt = _pss(parameters)
                scheme = padding.PSS(padding.MGF1(digest), salt)
                key.verify(signature, tbs, scheme, digest)
                return True
            known = _PKCS1.get(name)
            if known is None or known[1] is None:
                return None
            key.verify(signature, tbs, padding.PKCS1v15(), known[1]())
        elif isinstance(key, ec.EllipticCurvePublicKey):
            if name not in _ECDSA:
                return None
            key.verify(signature, tbs, ec.ECDSA(_ECDSA[name][1]()))
        elif isinstance(key, ed25519.Ed25519PublicKey | ed448.Ed448PublicKey):
            key.verify(signature, tbs)
        elif isinstance(key, dsa.DSAPublicKey):
            if name not in _DSA_SIGNATURES:
                return None
            key.verify(signature, tbs, _DSA_SIGNATURES[name][1]())
        else:
            return None
    except InvalidSignature:
        return False
    return True
