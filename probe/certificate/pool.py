"""Certificates found by subject."""

from collections.abc import Iterable

from probe.certificate.der import DerError
from probe.certificate.naming import canonical
from probe.certificate.structure import outline
from probe.observation.model import fingerprint


class Pool:
    """A set of certificates, each once, found by subject. What cannot be read is left out.

    Only the outer structure is read here, so that a hundred roots cost some two milliseconds.
    """

    __slots__ = ("_canonical", "by_sha", "by_subject")

    def __init__(self, certificates: Iterable[bytes]) -> None:
        self.by_sha: dict[str, bytes] = {}
        """SHA-256 -> DER, in the order given."""
        self.by_subject: dict[bytes, tuple[bytes, ...]] = {}
        """DER of the subject -> the certificates of that name."""
        self._canonical: dict[bytes, tuple[bytes, ...]] | None = None
        for der in dict.fromkeys(certificates):
            try:
                subject = outline(der).subject
            except DerError:
                continue
            self.by_sha[fingerprint(der)] = der
            self.by_subject[subject] = (*self.by_subject.get(subject, ()), der)

    def __contains__(self, sha256: object) -> bool:
        return sha256 in self.by_sha

    def named(self, name: bytes) -> tuple[bytes, ...]:
        """Return the certificates with that subject (DER of a Name), as RFC 5280, 7.1 compares."""
        if self._canonical is None:
            self._canonical = {}
            for subject, ders in self.by_subject.items():
                key = canonical(subject)
                self._canonical[key] = (*self._canonical.get(key, ()), *ders)
        return self._canonical.get(canonical(name), ())
