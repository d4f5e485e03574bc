"""A certificate by a strict parser: what it makes of it, and all that it refuses or warns of."""

import warnings
from collections.abc import Iterator
from functools import lru_cache

from cryptography import x509

from probe.limits import DEFAULT
from probe.records import dataclass

_NAMES = ("subject", "issuer")


@dataclass(frozen=True, slots=True)
class Strict:
    """What a strict parser makes of one certificate."""

    certificate: x509.Certificate | None
    """None: it refuses the whole, or one of the names in it."""
    refusals: tuple[str, ...]
    """What it refuses or warns of, in words."""
    key_algorithm: str | None
    """The OID of the public key's algorithm; None: it refuses the whole."""


@lru_cache(maxsize=4_096)
def read_strictly(der: bytes) -> Strict:
    """Ask a strict parser for everything it can read. Never raises; remembered by content."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            certificate = x509.load_der_x509_certificate(der)
        except Exception as error:  # the library's own seam: any refusal is a fact about the peer
            refusal = f"a strict parser refuses the certificate: {_words(error)}"
            return Strict(None, (refusal,), None)
        nameless = tuple(_refused(certificate, _NAMES))
        others = tuple(_refused(certificate, ("extensions", "signature_algorithm_parameters")))
        try:
            certificate.public_key()
        except Exception as error:  # as above
            others += (f"a strict parser refuses the public key: {_words(error)}",)
    warned = tuple(
        f"a strict parser warns: {str(warning.message).partition('. ')[0]}" for warning in caught
    )
    return Strict(
        certificate=None if nameless else certificate,
        refusals=(*nameless, *others, *warned),
        key_algorithm=certificate.public_key_algorithm_oid.dotted_string,
    )


def _refused(certificate: x509.Certificate, parts: tuple[str, ...]) -> Iterator[str]:
    for what in parts:
        try:
            getattr(certificate, what)
        except Exception as error:  # as above
            yield f"a strict parser refuses {what}: {_words(error)}"


def _words(error: Exception) -> str:
    return (str(error) or type(error).__name__)[: DEFAULT.text_characters]
