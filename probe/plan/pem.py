"""Roots named in the plan: PEM files, and the public roots that are shipped as `certifi`."""

import binascii
import re
import warnings
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

from probe.limits import PEM_BYTES
from probe.plan.model import Roots
from probe.plan.problems import Refused, shown

_BLOCK = re.compile(
    rb"-----BEGIN (?:X509 )?CERTIFICATE-----\s"
    # Up to the next end, which is found ten times as fast as by trying each octet.
    rb"([^-]*+(?:-(?!----END (?:X509 )?CERTIFICATE-----)[^-]*+)*+)"
    rb"-----END (?:X509 )?CERTIFICATE-----"
)
"""RFC 7468, 5: text may stand between the blocks; section 5.1 names the older label."""

_VERSION = re.compile(r'^__version__ = "([\w.]+)"$', re.MULTILINE)

A_PEM = "a file with one or more PEM certificates"


def public_roots() -> Roots:
    """Return the public roots of the certifi package, with its version."""
    version, path = _certifi()
    with path.open("rb") as file:
        return Roots("certifi", version, _decoded(file.read()))


def _certifi() -> tuple[str, Path]:
    """Return the version of the package and where its file is.

    As they stand on disk, since importing it brings twenty modules along. Where they do not stand
    there as usual, it is asked itself.
    """
    spec = find_spec("certifi")
    if spec is not None and spec.origin is not None:
        own = Path(spec.origin)
        file = own.with_name("cacert.pem")
        if own.suffix == ".py" and own.is_file() and file.is_file():
            says = _VERSION.search(own.read_text("utf-8"))
            if says is not None:
                return says[1], file
    import certifi  # noqa: PLC0415  # seldom needed

    return certifi.__version__, Path(certifi.where())


def file_roots(path: Path, name: str) -> Roots:
    """Return the certificates of a PEM file under the name that the plan gives it.

    Raises Refused: the file cannot be read, or holds none, or one that is damaged.
    """
    octets = read_bounded(path, PEM_BYTES, name)
    if octets[:1] == b"\x30":  # a SEQUENCE; PEM is text
        raise Refused(
            f"{shown(name)}: the file is DER, not PEM",
            f"{A_PEM} (openssl x509 -inform der -in FILE -out FILE.pem turns one into the other)",
        )
    try:
        return Roots(name, None, _checked(octets))
    except Refused as refused:
        raise Refused(f"{shown(name)}: the file {refused.says}", refused.allowed) from None


def certificates_in(octets: bytes) -> tuple[bytes, ...]:
    """Return the DER of each certificate in PEM text, or of the one that is DER.

    Raises Refused, whose text continues a sentence: "holds ...".
    """
    if octets[:1] == b"\x30":  # a SEQUENCE; PEM is text
        label = b"CERTIFICATE-----\n"
        pem = b"-----BEGIN " + label + binascii.b2a_base64(octets) + b"-----END " + label
        return _checked(pem)
    return _checked(octets)


@lru_cache(maxsize=64)
def _checked(octets: bytes) -> tuple[bytes, ...]:
    """Return the DER of every certificate in PEM text, each tried."""
    from cryptography import x509  # noqa: PLC0415  # heavy; only plans with files need it
    from cryptography.utils import CryptographyDeprecationWarning  # noqa: PLC0415

    found = _decoded(octets)
    if not found:
        if b"PRIVATE KEY-----" in octets:
            raise Refused("holds a private key and no certificate", A_PEM)
        raise Refused("is empty" if not octets.strip() else "holds no PEM certificate", A_PEM)
    for number, der in enumerate(found, 1):
        try:
            with warnings.catch_warnings():
                # Old public roots break today's rules, such as that for serial numbers; a client
                # that has one trusts it all the same.
                warnings.simplefilter("ignore", CryptographyDeprecationWarning)
                x509.load_der_x509_certificate(der)
        except (ValueError, x509.InvalidVersion) as error:
            raise Refused(
                f"holds a certificate that cannot be read, number {number}", A_PEM
            ) from error
    return found


def _decoded(octets: bytes) -> tuple[bytes, ...]:
    found = []
    for number, block in enumerate(_BLOCK.findall(octets), 1):
        try:
            found.append(binascii.a2b_base64(b"".join(block.split()), strict_mode=True))
        except binascii.Error as error:
            raise Refused(f"holds a damaged certificate, number {number}", A_PEM) from error
    if octets.count(b"-----BEGIN CERTIFICATE-----") > len(found):
        raise Refused("holds a certificate that is cut off", A_PEM)
    return tuple(dict.fromkeys(found))


def read_bounded(path: Path, most: int, name: str | None = None) -> bytes:
    """Return a regular file's content; `name` is what messages call it, None: who asks says it.

    Raises Refused where it cannot be read or is larger than `most` octets.
    """
    called = "" if name is None else f"{shown(name)}: "
    try:
        if not path.is_file():
            says = "is no regular file" if path.exists() else "does not exist"
            raise Refused(f"{called}the file {says}")
        with path.open("rb") as file:
            octets = file.read(most + 1)
    except OSError as error:
        raise Refused(f"{called}{reason(error)}") from error
    if len(octets) > most:
        raise Refused(f"{called}the file is larger than {most} octets")
    return octets


def reason(error: OSError) -> str:
    """Return the system's reason in words, without the file's name."""
    return (error.strerror or "cannot be read").lower()
