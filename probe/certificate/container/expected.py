"""What is expected to be served after an import: certificates, or nothing but a fingerprint."""

import hashlib
import re
from collections.abc import Callable, Sequence

from probe.records import dataclass

_PREFIX = re.compile(
    r"\s*(?:sha-?(?:1|256)\b)?\s*(?:fingerprint\b|thumbprint\b|digest\b)?\s*[:=]?\s*", re.IGNORECASE
)
_BETWEEN = re.compile(r"[\s:.\-\u00a0\u200e\u200f\ufeff]+")
"""What programs put between the digits, and what is copied out of windows unseen."""
_SIZES = (64, 40)
"""Digits of SHA-256 and SHA-1."""
_LONGEST = 512
"""Characters of a fingerprint with everything around it."""


class ExpectedError(ValueError):
    """Nothing to expect is in it. The message is one sentence."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What should be served. Either is empty."""

    certificates: tuple[bytes, ...] = ()
    """DER of the server's certificate and of the issuers after it that are at hand."""
    fingerprint: str | None = None
    """SHA-256 or SHA-1 of the server's certificate, 64 or 40 lower-case hex digits:
    nothing is known of its chain."""

    @property
    def leaf(self) -> bytes | None:
        """DER of the server's certificate; None: only its fingerprint is known."""
        return self.certificates[0] if self.certificates else None

    def is_leaf(self, der: bytes) -> bool:
        """Whether this is the server's certificate that is expected."""
        if self.fingerprint is None:
            return der == self.leaf
        if len(self.fingerprint) == _SIZES[0]:
            return hashlib.sha256(der).hexdigest() == self.fingerprint
        # What people compare by, as programs show it; nothing is trusted for it.
        return hashlib.sha1(der, usedforsecurity=False).hexdigest() == self.fingerprint


def fingerprint_in(text: str) -> str | None:
    """Return the SHA-256 or SHA-1 fingerprint that a text is, in lower-case hex; None: it is none.

    Digits may have anything usual between them and the name of the hash before them.
    """
    if len(text) > _LONGEST:
        return None
    for rest in (text, _PREFIX.sub("", text, count=1)):
        digits = _BETWEEN.sub("", rest).lower()
        if len(digits) in _SIZES and not digits.strip("0123456789abcdef"):
            return digits
    return None


def read_expected(
    files: Sequence[tuple[str, bytes]], passwords: Callable[[int], bytes | None]
) -> tuple[Expected, ...]:
    """Return what files (name, octets) say: bundles as of `read_bundle`, or a fingerprint.

    Several servers' certificates are several: one of each key family may be imported together.
    Raises ExpectedError: there is no certificate, or a file could not be read, so that a chain may
    lack what is in it.
    """
    if not files:
        raise ExpectedError("no file was given")
    prints = {number: found for number, file in enumerate(files) if (found := _print(file[1]))}
    others = [number for number in range(len(files)) if number not in prints]
    # What is expected of nothing needs no reader of files.
    from probe.certificate.container.order import in_order  # noqa: PLC0415
    from probe.certificate.container.read import read_bundle  # noqa: PLC0415

    bundle = read_bundle([files[number] for number in others], lambda at: passwords(others[at]))
    read = {held.file for held in bundle.certificates}
    for problem in bundle.problems:
        if problem.file not in read:
            raise ExpectedError(f"{problem.file} {problem.says}")
    orders = in_order(bundle)
    if others and not orders:
        raise ExpectedError(f"{files[others[0]][0]} holds no certificate")
    proven = [order for order in orders if order.key is not None] or orders
    return (
        *(Expected(fingerprint=found) for found in prints.values()),
        *(Expected(certificates=order.chain) for order in proven),
    )


def _print(octets: bytes) -> str | None:
    """Return the fingerprint that a file holds and nothing else."""
    if len(octets) > _LONGEST:
        return None
    from probe.certificate.container.read import as_text  # noqa: PLC0415  # as above

    return fingerprint_in(as_text(octets).decode("utf-8", "replace"))
