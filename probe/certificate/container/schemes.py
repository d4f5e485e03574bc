"""Schemes that encrypt a file's contents by a password: read from their identifiers, and undone.

PBES1 and PBES2 (RFC 8018, 6 and A), and those of PKCS#12 (RFC 7292, C). What is unknown, or what
the library at hand lacks, gets a name and is not undone.
"""

import warnings
from collections.abc import Callable

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.ciphers import Cipher, CipherAlgorithm, modes
from cryptography.hazmat.primitives.ciphers.algorithms import AES

from probe.certificate.container import derive, rc2
from probe.certificate.container.derive import Derive, Salt
from probe.certificate.container.model import Trouble
from probe.certificate.container.work import ReadError, Work, WrongPasswordError
from probe.certificate.der import (
    INTEGER,
    OCTET_STRING,
    SEQUENCE,
    DerError,
    children,
    content,
    encoding,
    expect,
    small_integer,
    whole,
)
from probe.certificate.structure import algorithm_of
from probe.limits import BUNDLE_RC2_BYTES, KEY_DERIVATION_BYTES
from probe.records import dataclass

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # that it will move once more
    from cryptography.hazmat.decrepit.ciphers.algorithms import ARC4, Camellia, TripleDES

Decrypt = Callable[[bytes, bytes | None, Work], bytes]
"""(octets, password, work) -> plain text. Raises WrongPasswordError, DerError and ReadError."""

Decipher = Callable[[bytes, bytes, bytes], bytes]
"""(key, vector, octets) -> plain text, padding and all."""


@dataclass(frozen=True, slots=True)
class _CipherKind:
    name: str
    key: int
    """Octets."""
    vector: int
    """Octets, and those of a block; 0: a stream."""
    decipher: Decipher
    old: bool


@dataclass(frozen=True, slots=True)
class Scheme:
    """One scheme with its parameters."""

    name: str
    old: bool
    newer: bool
    iterations: int | None
    decrypt: Decrypt | None
    """None: it is not undone here."""


# ---------------------------------------------------------------- ciphers


def _cbc(algorithm: Callable[[bytes], CipherAlgorithm]) -> Decipher:
    def decipher(key: bytes, vector: bytes, octets: bytes) -> bytes:
        decryptor = Cipher(algorithm(key), modes.CBC(vector)).decryptor()
        return decryptor.update(octets) + decryptor.finalize()

    return decipher


def _rc2(bits: int) -> Decipher:
    def decipher(key: bytes, vector: bytes, octets: bytes) -> bytes:
        if len(octets) > BUNDLE_RC2_BYTES:
            raise ReadError(
                Trouble.EXCESSIVE, f"has more than {BUNDLE_RC2_BYTES} octets encrypted by RC2"
            )
        return rc2.decrypt(key, bits, vector, octets)

    return decipher


def _rc4(key: bytes, _: bytes, octets: bytes) -> bytes:
    return Cipher(ARC4(key), mode=None).decryptor().update(octets)


def _des(key: bytes, vector: bytes, octets: bytes) -> bytes:
    """DES is triple DES with one key thrice, and with two keys the first comes last again."""
    return _cbc(TripleDES)((key * 3)[:24], vector, octets)


_3DES = _CipherKind("DES-EDE3-CBC", 24, 8, _cbc(TripleDES), old=True)
_CIPHERS = {
    "2.16.840.1.101.3.4.1.2": _CipherKind("AES-128-CBC", 16, 16, _cbc(AES), old=False),
    "2.16.840.1.101.3.4.1.22": _CipherKind("AES-192-CBC", 24, 16, _cbc(AES), old=False),
    "2.16.840.1.101.3.4.1.42": _CipherKind("AES-256-CBC", 32, 16, _cbc(AES), old=False),
    "1.2.392.200011.61.1.1.1.2": _CipherKind("Camellia-128-CBC", 16, 16, _cbc(Camellia), old=False),
    "1.2.392.200011.61.1.1.1.3": _CipherKind("Camellia-192-CBC", 24, 16, _cbc(Camellia), old=False),
    "1.2.392.200011.61.1.1.1.4": _CipherKind("Camellia-256-CBC", 32, 16, _cbc(Camellia), old=False),
    "1.2.840.113549.3.7": _3DES,
    "1.3.14.3.2.7": _CipherKind("DES-CBC", 8, 8, _des, old=True),
}
_RC2_CBC = "1.2.840.113549.3.2"
_RC2_VERSIONS = {160: 40, 120: 64, 58: 128}
"""RC2ParameterVersion -> effective bits (RFC 8018, B.2.3)."""

_PKCS12 = "1.2.840.113549.1.12.1."
_PKCS12_SCHEMES = {
    1: ("pbeWithSHAAnd128BitRC4", _CipherKind("RC4", 16, 0, _rc4, old=True)),
    2: ("pbeWithSHAAnd40BitRC4", _CipherKind("RC4", 5, 0, _rc4, old=True)),
    3: ("pbeWithSHAAnd3-KeyTripleDES-CBC", _3DES),
    4: (
        "pbeWithSHAAnd2-KeyTripleDES-CBC",
        _CipherKind("DES-EDE2-CBC", 16, 8, _des, old=True),
    ),
    5: ("pbeWithSHAAnd128BitRC2-CBC", _CipherKind("RC2", 16, 8, _rc2(128), old=True)),
    6: ("pbewithSHAAnd40BitRC2-CBC", _CipherKind("RC2", 5, 8, _rc2(40), old=True)),
}
_PKCS5 = "1.2.840.113549.1.5."
_PBES1_SCHEMES = {
    3: ("pbeWithMD5AndDES-CBC", "md5", _CipherKind("DES", 8, 8, _des, old=True)),
    6: ("pbeWithMD5AndRC2-CBC", "md5", _CipherKind("RC2", 8, 8, _rc2(64), old=True)),
    10: ("pbeWithSHA1AndDES-CBC", "sha1", _CipherKind("DES", 8, 8, _des, old=True)),
    11: ("pbeWithSHA1AndRC2-CBC", "sha1", _CipherKind("RC2", 8, 8, _rc2(64), old=True)),
}
_PBKDF2, _PBES2, _SCRYPT = f"{_PKCS5}12", f"{_PKCS5}13", "1.3.6.1.4.1.11591.4.11"

HMACS = {
    "1.2.840.113549.2.7": ("HMAC-SHA-1", "sha1"),
    "1.2.840.113549.2.8": ("HMAC-SHA-224", "sha224"),
    "1.2.840.113549.2.9": ("HMAC-SHA-256", "sha256"),
    "1.2.840.113549.2.10": ("HMAC-SHA-384", "sha384"),
    "1.2.840.113549.2.11": ("HMAC-SHA-512", "sha512"),
}
"""RFC 8018, B.1.2: OID -> name, and hash as `hashlib` calls it."""

_UNDONE_ELSEWHERE = {
    "1.2.410.200046.1.1.2": "ARIA-128-CBC",
    "1.2.410.200046.1.1.7": "ARIA-192-CBC",
    "1.2.410.200046.1.1.12": "ARIA-256-CBC",
    "2.16.840.1.101.3.4.1.6": "AES-128-GCM",
    "2.16.840.1.101.3.4.1.46": "AES-256-GCM",
}


# ---------------------------------------------------------------- reading


def scheme_of(identifier: bytes) -> Scheme:
    """Return the scheme of an AlgorithmIdentifier's encoding.

    Raises DerError, and ReadError for one that is excessive.
    """
    name, parameters = algorithm_of(identifier)
    branch, _, number = name.rpartition(".")
    if branch + "." == _PKCS12 and int(number) in _PKCS12_SCHEMES:
        title, cipher = _PKCS12_SCHEMES[int(number)]
        return _own(title, cipher, _salt(parameters))
    if branch + "." == _PKCS5 and int(number) in _PBES1_SCHEMES:
        title, digest, cipher = _PBES1_SCHEMES[int(number)]
        return _first(title, digest, cipher, _salt(parameters))
    if name == _PBES2:
        return _second(parameters)
    return _unknown(f"a scheme {name}", None)


def _salt(parameters: bytes) -> Salt:
    """Return PBEParameter (RFC 8018, A.3) or pkcs-12PbeParams (RFC 7292, C)."""
    outer = whole(parameters, SEQUENCE, "the parameters of the encryption")
    salt = expect(parameters, outer.body, outer.end, OCTET_STRING, "the salt")
    count = expect(parameters, salt.end, outer.end, INTEGER, "the iterations")
    return Salt(content(parameters, salt), _count(parameters, count.start, outer.end))


def _count(data: bytes, at: int, end: int) -> int:
    return small_integer(data, expect(data, at, end, INTEGER, "the iterations"))


def _own(name: str, cipher: _CipherKind, salt: Salt) -> Scheme:
    def decrypt(octets: bytes, password: bytes | None, work: Work) -> bytes:
        key = derive.pkcs12("sha1", derive.ENCRYPTION, password, salt, cipher.key, work)
        vector = (
            derive.pkcs12("sha1", derive.VECTOR, password, salt, cipher.vector, work)
            if cipher.vector
            else b""
        )
        return _plain(cipher, key, vector, octets)

    return Scheme(name, old=True, newer=False, iterations=salt.iterations, decrypt=decrypt)


def _first(name: str, digest: str, cipher: _CipherKind, salt: Salt) -> Scheme:
    both = derive.pbkdf1(digest, salt)

    def decrypt(octets: bytes, password: bytes | None, work: Work) -> bytes:
        found = both(password, 16, work)
        return _plain(cipher, found[:8], found[8:], octets)

    return Scheme(name, old=True, newer=False, iterations=salt.iterations, decrypt=decrypt)


def _second(parameters: bytes) -> Scheme:
    outer = whole(parameters, SEQUENCE, "the parameters of the encryption")
    function = expect(parameters, outer.body, outer.end, SEQUENCE, "the key derivation")
    encryption = expect(parameters, function.end, outer.end, SEQUENCE, "the cipher")
    how, iterations, size, key_of = key_derivation(encoding(parameters, function))
    cipher, vector = _cipher(encoding(parameters, encryption), size)
    name = f"PBES2 ({how}, {cipher if isinstance(cipher, str) else cipher.name})"
    if isinstance(cipher, str) or key_of is None:
        return _unknown(name, iterations)

    def decrypt(octets: bytes, password: bytes | None, work: Work) -> bytes:
        return _plain(cipher, key_of(password, cipher.key, work), vector, octets)

    return Scheme(name, cipher.old, not cipher.old, iterations, decrypt)


def key_derivation(identifier: bytes) -> tuple[str, int | None, int | None, Derive | None]:
    """Return name, iterations, octets of key and the derivation itself (RFC 8018, A.2).

    The last one is None where it is unknown. Raises DerError and ReadError.
    """
    name, parameters = algorithm_of(identifier)
    if name == _SCRYPT:
        return ("scrypt", None, *_scrypt(parameters))
    if name != _PBKDF2:
        return f"key derivation {name}", None, None, None
    outer = whole(parameters, SEQUENCE, "the parameters of PBKDF2")
    salt = expect(parameters, outer.body, outer.end, OCTET_STRING, "the salt")
    given = Salt(content(parameters, salt), _count(parameters, salt.end, outer.end))
    function, size = "1.2.840.113549.2.7", None
    for field in children(parameters, outer)[2:]:
        if field.tag == INTEGER:
            size = small_integer(parameters, field)
        else:
            function, _ = algorithm_of(encoding(parameters, field))
    if function not in HMACS:
        return f"PBKDF2 with {function}", given.iterations, size, None
    title, digest = HMACS[function]
    return f"PBKDF2 with {title}", given.iterations, size, derive.pbkdf2(digest, given)


def _scrypt(parameters: bytes) -> tuple[int | None, Derive]:
    """RFC 7914, 7.1."""
    outer = whole(parameters, SEQUENCE, "the parameters of scrypt")
    salt = expect(parameters, outer.body, outer.end, OCTET_STRING, "the salt")
    numbers = [small_integer(parameters, one) for one in children(parameters, outer)[1:]]
    if len(numbers) not in (3, 4) or min(numbers) < 1 or numbers[0] & (numbers[0] - 1):
        raise DerError("parameters of scrypt that do not fit each other")
    cost, block_size, parallel, *size = numbers
    if 128 * block_size * max(cost, parallel) > KEY_DERIVATION_BYTES or parallel > 64:
        raise ReadError(
            Trouble.EXCESSIVE,
            f"asks for a key derivation by scrypt that takes more than {KEY_DERIVATION_BYTES}"
            " octets of memory, or too long",
        )
    derived = derive.scrypt(content(parameters, salt), cost, block_size, parallel)
    return (size[0] if size else None), derived


def _cipher(identifier: bytes, size: int | None) -> tuple[_CipherKind | str, bytes]:
    """Return the cipher, or the name of one that is not undone here, and the vector."""
    name, parameters = algorithm_of(identifier)
    if name == _RC2_CBC:
        outer = whole(parameters, SEQUENCE, "the parameters of RC2")
        fields = children(parameters, outer)
        version = small_integer(parameters, fields[0]) if len(fields) == 2 else 0
        if version not in _RC2_VERSIONS or fields[1].tag != OCTET_STRING:
            return "RC2-CBC with parameters of its own", b""
        octets = 16 if size is None else size
        if not 1 <= octets <= 128:
            raise DerError(f"a key of {octets} octets for RC2")
        cipher = _CipherKind("RC2-CBC", octets, 8, _rc2(_RC2_VERSIONS[version]), old=True)
        vector = content(parameters, fields[1])
    elif name in _CIPHERS:
        cipher = _CIPHERS[name]
        if size is not None and size != cipher.key:
            raise DerError(f"a key of {size} octets for {cipher.name}")
        vector = content(parameters, whole(parameters, OCTET_STRING, "the vector"))
    else:
        return _UNDONE_ELSEWHERE.get(name, f"cipher {name}"), b""
    if len(vector) != cipher.vector:
        raise DerError(f"a vector of {len(vector)} octets for {cipher.name}")
    return cipher, vector


def _unknown(name: str, iterations: int | None) -> Scheme:
    return Scheme(name, old=False, newer=True, iterations=iterations, decrypt=None)


def unsupported(name: str) -> ReadError:
    """Return the error for what is not undone here."""
    return ReadError(
        Trouble.UNSUPPORTED, f"is encrypted by {name}, which is not read here; openssl may read it"
    )


# ---------------------------------------------------------------- undoing


def _plain(cipher: _CipherKind, key: bytes, vector: bytes, octets: bytes) -> bytes:
    """Return plain text without its padding (RFC 8018, 6.1.1)."""
    if cipher.vector and (not octets or len(octets) % cipher.vector):
        raise DerError(f"{len(octets)} encrypted octets, which are no whole blocks")
    try:
        plain = cipher.decipher(key, vector, octets)
    except UnsupportedAlgorithm:
        raise unsupported(cipher.name) from None
    if not cipher.vector:
        return plain
    padding = plain[-1]
    if not 1 <= padding <= cipher.vector or plain[-padding:] != plain[-1:] * padding:
        raise WrongPasswordError
    return plain[:-padding]
