"""Private keys: read, held as opaque objects, and asked to prove themselves by signing."""

import secrets

from cryptography.exceptions import InternalError, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed448, ed25519, padding, rsa
from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    PublicFormat,
    load_der_private_key,
    load_pem_private_key,
)

from probe.certificate.container.contents import Contents
from probe.certificate.container.model import PrivateKey, Proof, Trouble
from probe.certificate.container.schemes import Decrypt, scheme_of, unsupported
from probe.certificate.container.work import Work, WrongPasswordError, problem_of
from probe.certificate.der import (
    OCTET_STRING,
    SEQUENCE,
    DerError,
    content,
    encoding,
    expect,
    whole,
)
from probe.certificate.keys import describe, verifies
from probe.certificate.structure import outline
from probe.limits import BUNDLE_KEY_BYTES, BUNDLE_RSA_BITS

_SHA256_WITH_RSA = bytes.fromhex("300d06092a864886f70d01010b0500")
_ECDSA_WITH_SHA256 = bytes.fromhex("300a06082a8648ce3d040302")
_DSA_WITH_SHA256 = bytes.fromhex("300b0609608648016503040302")
_ED25519, _ED448 = bytes.fromhex("300506032b6570"), bytes.fromhex("300506032b6571")
"""AlgorithmIdentifiers of RFC 4055, 5; RFC 5758, 3; RFC 8410, 3."""


def encrypted_key(
    der: bytes, contents: Contents, tried: tuple[bytes | None, ...] = (None, b"")
) -> None:
    """Add a key of EncryptedPrivateKeyInfo (RFC 5958, 3). What is wrong becomes a problem.

    The passwords of `tried` come first, such as that of the container around it; then the one that
    is asked for. Raises DerError and ReadError.
    """
    outer = whole(der, SEQUENCE, "an encrypted key")
    algorithm = expect(der, outer.body, outer.end, SEQUENCE, "the encryption of a key")
    holder = expect(der, algorithm.end, outer.end, OCTET_STRING, "an encrypted key's content")
    scheme = scheme_of(encoding(der, algorithm))
    contents.scheme(scheme)
    if scheme.decrypt is None:
        raise unsupported(scheme.name)
    octets = content(der, holder)
    for candidate in tried:
        plain = _opened(scheme.decrypt, octets, candidate, contents.work)
        if plain is not None:
            plain_key(plain, contents)
            return
    password = contents.password
    if password is None:
        contents.problem(
            Trouble.PASSWORD_MISSING,
            "holds a private key that is protected by a password, and none was given",
        )
        return
    plain = None if password in tried else _opened(scheme.decrypt, octets, password, contents.work)
    if plain is None:
        contents.problem(
            Trouble.PASSWORD_WRONG, "holds a private key that is not opened by this password"
        )
        return
    plain_key(plain, contents)


def traditional_key(block: bytes, cipher: str, contents: Contents) -> None:
    """Add a key of PEM that is encrypted in the old way (RFC 1421, 4.6.1.3).

    The key comes out of MD5 in one iteration, so that there is nothing to bound.
    """
    name = f"PEM encryption ({cipher})"
    contents.noted(name, 1, old=True, newer=False)
    contents.encrypted(name)
    password = contents.password
    if password is None:
        contents.problem(
            Trouble.PASSWORD_MISSING,
            "holds a private key that is protected by a password, and none was given",
        )
        return
    try:
        key = load_pem_private_key(block, password, unsafe_skip_rsa_key_validation=True)
    except UnsupportedAlgorithm:
        contents.problem(*problem_of(unsupported(name)))
    except (ValueError, TypeError):
        contents.problem(
            Trouble.PASSWORD_WRONG, "holds a private key that is not opened by this password"
        )
    else:
        _add(key, contents)


def _opened(decrypt: Decrypt, octets: bytes, password: bytes | None, work: Work) -> bytes | None:
    """Return a decrypted key; None: the password does not fit."""
    try:
        plain = decrypt(octets, password, work)
        whole(plain, SEQUENCE, "a private key")
    except (WrongPasswordError, DerError):
        return None
    return plain


def plain_key(der: bytes, contents: Contents) -> None:
    """Add a key that is not encrypted: PKCS#8 (RFC 5958), or RSA, EC or DSA of its own form.

    What is wrong with it becomes a problem. Raises ReadError where there are too many.
    """
    if len(der) > BUNDLE_KEY_BYTES:
        contents.problem(
            Trouble.EXCESSIVE, f"holds a private key of more than {BUNDLE_KEY_BYTES} octets"
        )
        return
    try:
        # Whether it is any good shows when it signs; to look for primes can take minutes.
        key = load_der_private_key(der, None, unsafe_skip_rsa_key_validation=True)
    except UnsupportedAlgorithm:
        contents.problem(Trouble.UNSUPPORTED, "holds a private key of a kind that is not read here")
    except (ValueError, TypeError):
        contents.problem(Trouble.DAMAGED, "holds a private key that cannot be read")
    else:
        _add(key, contents)


def _add(key: PrivateKeyTypes, contents: Contents) -> None:
    if isinstance(key, rsa.RSAPrivateKey) and _is_exorbitant(key):
        contents.problem(
            Trouble.EXCESSIVE,
            f"holds an RSA key of more than {BUNDLE_RSA_BITS} bits, or with larger parts",
        )
        return
    try:
        spki = key.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
        kind = describe(spki).label
    except (ValueError, InternalError):
        contents.problem(Trouble.DAMAGED, "holds a private key that cannot be read")
        return
    contents.key(PrivateKey(key, spki, kind, contents.file))


def _is_exorbitant(key: rsa.RSAPrivateKey) -> bool:
    """Whether one signature could stall us: nothing has looked at the numbers yet."""
    if key.key_size > BUNDLE_RSA_BITS:
        return True
    numbers = key.private_numbers()
    parts = (numbers.d, numbers.p, numbers.q, numbers.dmp1, numbers.dmq1, numbers.iqmp)
    return max(part.bit_length() for part in parts) > key.key_size


def key_matches(key: PrivateKey, certificate: bytes) -> bool | None:
    """Return whether a key is that of a certificate: it signs, and the certificate's key verifies.

    None: that cannot be told, as the certificate cannot be read, or such keys do not sign.
    """
    try:
        spki = outline(certificate).spki
    except DerError:
        return None
    return proves(key, spki)


def proves(key: PrivateKey, spki: bytes) -> bool | None:
    """Return whether a signature by a key verifies with a public key; None: cannot be told."""
    try:
        other = describe(spki).label != key.kind
    except DerError:
        return None
    if other:
        return False
    if key.proof is None:
        key.proof = _proof(key)
    proof = key.proof
    if proof.algorithm is None:
        return None
    if proof.signature is None:
        return False
    return verifies(proof.message, proof.algorithm, b"\0" + proof.signature, spki)


def _proof(key: PrivateKey) -> Proof:
    message = secrets.token_bytes(32)
    try:
        return Proof(message, *_signed(key, message))
    except (ValueError, UnsupportedAlgorithm, InternalError):
        return Proof(message, b"", None)  # it cannot do what it is for


def _signed(holder: PrivateKey, message: bytes) -> tuple[bytes | None, bytes]:
    """Return an AlgorithmIdentifier, None for a key that does not sign, and a signature."""
    key = holder._key
    if isinstance(key, rsa.RSAPrivateKey):
        return _SHA256_WITH_RSA, key.sign(message, padding.PKCS1v15(), hashes.SHA256())
    if isinstance(key, ec.EllipticCurvePrivateKey):
        return _ECDSA_WITH_SHA256, key.sign(message, ec.ECDSA(hashes.SHA256()))
    if isinstance(key, dsa.DSAPrivateKey):
        return _DSA_WITH_SHA256, key.sign(message, hashes.SHA256())
    if isinstance(key, ed25519.Ed25519PrivateKey):
        return _ED25519, key.sign(message)
    if isinstance(key, ed448.Ed448PrivateKey):
        return _ED448, key.sign(message)
    return None, b""
