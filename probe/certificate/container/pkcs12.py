"""PKCS#12 (RFC 7292): a sealed list of safes, each in the clear or encrypted, with bags in them.

Read here and not by a library: so that a wrong password is told from damage, every bound is looked
at before work is done, and nothing is left out (several keys, odd certificates).
"""

import hmac
from collections.abc import Callable

from probe.certificate.ber import definite
from probe.certificate.container import derive
from probe.certificate.container.contents import Contents
from probe.certificate.container.key import encrypted_key, plain_key
from probe.certificate.container.model import Kind, Trouble
from probe.certificate.container.schemes import (
    HMACS,
    Decrypt,
    key_derivation,
    scheme_of,
    unsupported,
)
from probe.certificate.container.work import ReadError, Work, WrongPasswordError, problem_of
from probe.certificate.der import (
    INTEGER,
    OCTET_STRING,
    OID,
    SEQUENCE,
    DerError,
    Tlv,
    children,
    content,
    encoding,
    expect,
    oid,
    small_integer,
    whole,
)
from probe.certificate.pkcs7 import DATA, content_info
from probe.certificate.structure import algorithm_of
from probe.records import dataclass

_ENCRYPTED_DATA = "1.2.840.113549.1.7.6"
_BAG = "1.2.840.113549.1.12.10.1."
_KEY, _SHROUDED, _CERTIFICATE, _SAFE_CONTENTS = 1, 2, 3, 6
_X509 = "1.2.840.113549.1.9.22.1"
_PBMAC1 = "1.2.840.113549.1.5.14"
_HASHES = {
    "1.2.840.113549.2.5": ("HMAC-MD5", "md5"),
    "1.3.14.3.2.26": ("HMAC-SHA-1", "sha1"),
    "2.16.840.1.101.3.4.2.4": ("HMAC-SHA-224", "sha224"),
    "2.16.840.1.101.3.4.2.1": ("HMAC-SHA-256", "sha256"),
    "2.16.840.1.101.3.4.2.2": ("HMAC-SHA-384", "sha384"),
    "2.16.840.1.101.3.4.2.3": ("HMAC-SHA-512", "sha512"),
}
_NESTED = 4
"""Safes within safes that are looked into; files have none."""


@dataclass(frozen=True, slots=True)
class _Seal:
    """MacData: what shows that a password fits, and that nothing was altered."""

    fits: Callable[[bytes | None, Work], bool]


@dataclass(frozen=True, slots=True)
class _Safe:
    octets: bytes
    decrypt: Decrypt | None
    """None: in the clear."""


def read_pkcs12(der: bytes, contents: Contents) -> None:
    """Add what a PFX holds. Raises DerError and ReadError."""
    contents.kind = Kind.PKCS12
    pfx = whole(der, SEQUENCE, "the file")
    version = expect(der, pfx.body, pfx.end, INTEGER, "the version")
    content_type, inner = content_info(der, expect(der, version.end, pfx.end, SEQUENCE, "authSafe"))
    if content_type != DATA:
        raise ReadError(
            Trouble.UNSUPPORTED, f"is sealed by a signature or another way ({content_type})"
        )
    sealed = content(der, whole_in(der, inner, OCTET_STRING, "the contents"))
    rest = children(der, pfx)[2:]
    seal = _seal(der, rest[0], sealed, contents) if rest else None
    safes = _safes(sealed, contents)
    password = _password(safes, seal, contents)
    for safe in safes:
        octets = safe.octets
        if safe.decrypt is not None:
            try:
                octets = safe.decrypt(octets, password, contents.work)
                octets = definite(octets)[0]
            except WrongPasswordError:
                raise ReadError(
                    Trouble.DAMAGED, "is damaged: its password fits, and a part is not decrypted"
                ) from None
        _bags(octets, password, contents, _NESTED)


def whole_in(der: bytes, parent: Tlv, tag: int, what: str) -> Tlv:
    """Return the one element that fills an explicit tag. Raises DerError."""
    element = expect(der, parent.body, parent.end, tag, what)
    if element.end != parent.end:
        raise DerError(f"{what} is followed by something at offset {element.end}")
    return element


def _safes(sealed: bytes, contents: Contents) -> list[_Safe]:
    """Return AuthenticatedSafe (RFC 7292, 4.1)."""
    sealed = definite(sealed)[0]
    found = []
    for one in children(sealed, whole(sealed, SEQUENCE, "the list of safes"), "a safe"):
        content_type, inner = content_info(sealed, one)
        if content_type == DATA:
            octets = content(sealed, whole_in(sealed, inner, OCTET_STRING, "a safe"))
            found.append(_Safe(definite(octets)[0], None))
        elif content_type == _ENCRYPTED_DATA:
            safe = _encrypted(sealed, inner, contents)
            found += [safe] if safe else []
        else:
            contents.problem(
                Trouble.UNSUPPORTED,
                f"has a part that is encrypted for a certificate or another way ({content_type})",
            )
    return found


def _encrypted(data: bytes, inner: Tlv, contents: Contents) -> _Safe | None:
    """EncryptedData (RFC 5652, 8); None: it is not undone here."""
    outer = whole_in(data, inner, SEQUENCE, "the encrypted data")
    version = expect(data, outer.body, outer.end, INTEGER, "the version of the encrypted data")
    info = expect(data, version.end, outer.end, SEQUENCE, "the encrypted content")
    fields = children(data, info, "the encrypted content")
    if len(fields) < 3 or fields[1].tag != SEQUENCE or fields[2].tag not in (0x80, 0xA0):
        raise DerError(f"encrypted content of another shape at offset {info.start}")
    scheme = scheme_of(encoding(data, fields[1]))
    contents.scheme(scheme)
    if scheme.decrypt is None:
        contents.problem(*problem_of(unsupported(scheme.name)))
        return None
    octets = content(data, fields[2])
    if fields[2].tag == 0xA0:  # in pieces
        octets = b"".join(content(data, piece) for piece in children(data, fields[2]))
    return _Safe(octets, scheme.decrypt)


# ---------------------------------------------------------------- the password


def _password(safes: list[_Safe], seal: _Seal | None, contents: Contents) -> bytes | None:
    """Return the password that fits. Raises ReadError where none does.

    No password and the empty one are two (RFC 7292, B.1), and software writes either.
    """
    encrypted = next((safe for safe in safes if safe.decrypt is not None), None)
    if seal is not None:
        fits = seal.fits
    elif encrypted is not None:
        fits = lambda password, work: _opens(encrypted, password, work)  # noqa: E731
    else:
        # What is encrypted then is a key, and tells by itself whether a password fits.
        return None
    for candidate in (None, b""):
        if fits(candidate, contents.work):
            return candidate
    password = contents.password
    if password is None:
        raise ReadError(Trouble.PASSWORD_MISSING, "is protected by a password, and none was given")
    if fits(password, contents.work):
        return password
    if seal is not None and encrypted is not None and _opens(encrypted, password, contents.work):
        raise ReadError(
            Trouble.DAMAGED,
            "is damaged: the password opens it, and what it holds does not fit its seal (MAC)",
        )
    if not contents.container.encryption:
        raise ReadError(
            Trouble.PASSWORD_WRONG,
            "is not opened by this password, or was altered: nothing in it is encrypted,"
            " and its seal (MAC) does not fit",
        )
    raise ReadError(Trouble.PASSWORD_WRONG, "is not opened by this password")


def _opens(safe: _Safe, password: bytes | None, work: Work) -> bool:
    """Whether a password decrypts a safe to something of its shape."""
    if safe.decrypt is None:
        return False
    try:
        octets = safe.decrypt(safe.octets, password, work)
        element, end = definite(octets)
    except (WrongPasswordError, DerError):
        return False
    return end == len(octets) and element[0] == SEQUENCE


def _seal(data: bytes, element: Tlv, sealed: bytes, contents: Contents) -> _Seal:
    """MacData (RFC 7292, 4; RFC 9879, 4)."""
    if element.tag != SEQUENCE:
        raise DerError(f"a seal of another shape at offset {element.start}")
    info = expect(data, element.body, element.end, SEQUENCE, "the seal")
    salt = expect(data, info.end, element.end, OCTET_STRING, "the salt of the seal")
    fields = children(data, element)
    algorithm = expect(data, info.body, info.end, SEQUENCE, "the algorithm of the seal")
    digest = expect(data, algorithm.end, info.end, OCTET_STRING, "the value of the seal")
    value = content(data, digest)
    name, parameters = algorithm_of(encoding(data, algorithm))
    if name == _PBMAC1:
        return _pbmac1(parameters, value, sealed, contents)
    if name not in _HASHES:
        contents.mac = name
        raise ReadError(
            Trouble.UNSUPPORTED, f"is sealed by {name}, which is not read here; openssl may read it"
        )
    contents.mac, function = _HASHES[name]
    iterations = small_integer(data, fields[2]) if len(fields) > 2 else 1
    old, newer = function == "md5", function not in ("md5", "sha1")
    contents.noted(contents.mac, iterations, old=old, newer=newer)
    given = derive.Salt(content(data, salt), iterations)

    def fits(password: bytes | None, work: Work) -> bool:
        key = derive.pkcs12(function, derive.INTEGRITY, password, given, len(value), work)
        return hmac.compare_digest(hmac.digest(key, sealed, function), value)

    return _Seal(fits)


def _pbmac1(parameters: bytes, value: bytes, sealed: bytes, contents: Contents) -> _Seal:
    """PBMAC1 (RFC 8018, 7.1; RFC 9879, 4): the key's length must be there."""
    outer = whole(parameters, SEQUENCE, "the parameters of the seal")
    function = expect(parameters, outer.body, outer.end, SEQUENCE, "the seal's key derivation")
    scheme = expect(parameters, function.end, outer.end, SEQUENCE, "the seal's function")
    how, iterations, size, key_of = key_derivation(encoding(parameters, function))
    name, _ = algorithm_of(encoding(parameters, scheme))
    title, digest = HMACS.get(name, (name, ""))
    contents.mac = f"PBMAC1 ({how}, {title})"
    contents.noted(contents.mac, iterations, old=False, newer=True)
    if key_of is None or not digest:
        raise unsupported(contents.mac)
    if size is None:
        raise ReadError(Trouble.DAMAGED, "is damaged: its seal does not give the length of its key")
    if not 20 <= size <= 64:  # RFC 9879, 6 has 20 for the least
        raise ReadError(Trouble.DAMAGED, f"is damaged: its seal has a key of {size} octets")

    def fits(password: bytes | None, work: Work) -> bool:
        key = key_of(password, size, work)
        return hmac.compare_digest(hmac.digest(key, sealed, digest), value)

    return _Seal(fits)


# ---------------------------------------------------------------- bags


def _bags(octets: bytes, password: bytes | None, contents: Contents, depth: int) -> None:
    """Add what is in SafeContents (RFC 7292, 4.2)."""
    outer = whole(octets, SEQUENCE, "the contents of a safe")
    for bag in children(octets, outer, "a bag"):
        name = expect(octets, bag.body, bag.end, OID, "the kind of a bag")
        value = expect(octets, name.end, bag.end, 0xA0, "what is in a bag")
        branch, _, number = oid(content(octets, name)).rpartition(".")
        if branch + "." != _BAG:
            continue
        kind, inside = int(number), content(octets, value)
        if kind == _CERTIFICATE:
            _certificate(inside, contents)
        elif kind == _KEY:
            plain_key(inside, contents)
        elif kind == _SHROUDED:
            _shrouded(inside, password, contents)
        elif kind == _SAFE_CONTENTS and depth:
            _bags(inside, password, contents, depth - 1)


def _shrouded(bag: bytes, password: bytes | None, contents: Contents) -> None:
    try:
        encrypted_key(bag, contents, (None, b"") if password is None else (password,))
    except ReadError as error:
        # The certificates are worth reading all the same.
        contents.problem(*problem_of(error))


def _certificate(bag: bytes, contents: Contents) -> None:
    """CertBag (RFC 7292, 4.2.3)."""
    outer = whole(bag, SEQUENCE, "a certificate's bag")
    name = expect(bag, outer.body, outer.end, OID, "the kind of a certificate")
    value = expect(bag, name.end, outer.end, 0xA0, "a certificate")
    if oid(content(bag, name)) != _X509:
        contents.problem(Trouble.UNSUPPORTED, "holds a certificate that is none of X.509")
        return
    contents.certificate(content(bag, whole_in(bag, value, OCTET_STRING, "a certificate")))
