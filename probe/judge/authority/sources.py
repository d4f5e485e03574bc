"""What a survey's fetches and staples say of one certificate, each source by itself."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import datetime

from probe.certificate.bundle import NoCertificateError, certificates_in
from probe.certificate.facts import CertFacts
from probe.certificate.pool import Pool
from probe.judge.authority.lists import Body, Lists, overall
from probe.judge.authority.model import Answer, Status, Why
from probe.judge.authority.ocsp import check_response
from probe.judge.trust import AnchorSet
from probe.observation.model import Fetch, FetchKind, FetchOutcome, Survey, fingerprint
from probe.records import dataclass, replace

_NOT_REACHED = frozenset(
    {
        FetchOutcome.NOT_ALLOWED,
        FetchOutcome.NO_ADDRESS,
        FetchOutcome.UNREACHABLE,
        FetchOutcome.SILENT,
    }
)
_OUR_LIMITS = frozenset({Why.OTHER_TIME, Why.UNSUPPORTED})
"""Reasons that say something of this program or of the time that is judged for, and nothing of the
source."""


@dataclass(frozen=True, slots=True)
class Source:
    """One source for the status of one certificate."""

    kind: FetchKind | None
    """None: a staple."""
    url: str
    """Empty for a staple."""
    fetch: Fetch | None = None
    """None: it was not gone to; or a staple."""
    answer: Answer | None = None
    """None: nothing came that could be looked at."""

    @property
    def status(self) -> Status:
        """What it says."""
        return self.answer.status if self.answer is not None else Status.UNKNOWN

    @property
    def unusable(self) -> bool:
        """Whether it was reached and is of no use to anybody."""
        if self.answer is not None:
            return self.status is Status.UNKNOWN and self.answer.why not in _OUR_LIMITS
        if self.fetch is None or self.fetch.outcome in _NOT_REACHED:
            return False
        # A list that is longer than we take may be in order.
        return not (
            self.fetch.kind is FetchKind.CRL and self.fetch.outcome is FetchOutcome.TOO_LARGE
        )

    @property
    def says(self) -> str:
        """What it says, or why it says nothing, in words."""
        if self.answer is not None:
            return self.answer.says
        if self.fetch is None:
            return "it was not gone to"
        return self.fetch.detail or self.fetch.outcome.value


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the status of one certificate."""

    sources: tuple[Source, ...]
    """Empty: it names none that could be asked over plain HTTP."""

    @property
    def status(self) -> Status:
        """What they make together."""
        return overall(source.answer for source in self.sources if source.answer is not None)

    @property
    def unusable(self) -> tuple[Source, ...]:
        """Sources that were reached and are of no use."""
        return tuple(source for source in self.sources if source.unusable)

    @property
    def revoking(self) -> Source | None:
        """The source that has it as revoked."""
        found = (source for source in self.sources if source.status is Status.REVOKED)
        return next(found, None)


def issuers_fetched(survey: Survey) -> dict[str, tuple[bytes, str]]:
    """Return the certificates that issuers' addresses gave: by SHA-256, DER and the address."""
    found: dict[str, tuple[bytes, str]] = {}
    for fetch in survey.fetches:
        if fetch.kind is FetchKind.ISSUER and fetch.body in survey.bodies:
            try:
                ders = certificates_in(survey.bodies[fetch.body])
            except NoCertificateError:
                continue
            for der in ders:
                found.setdefault(fingerprint(der), (der, fetch.url))
    return found


def with_certificates(survey: Survey, ders: Iterable[bytes]) -> Survey:
    """Return a survey with these certificates besides."""
    more = {fingerprint(der): der for der in ders}
    if more.keys() <= survey.certificates.keys():
        return survey
    return replace(survey, certificates=more | survey.certificates)


class Sources:
    """All that authorities said in a survey."""

    def __init__(self, survey: Survey, pool: Pool, anchors: AnchorSet, *, at: datetime) -> None:
        self.pool = pool
        self._survey = survey
        self._at = at
        self._lists_by_url: dict[str, list[Fetch]] = defaultdict(list)
        self._answers_by_certificate: dict[tuple[str, str], list[Fetch]] = defaultdict(list)
        for fetch in survey.fetches:
            if fetch.kind is FetchKind.CRL:
                self._lists_by_url[fetch.url].append(fetch)
            elif fetch.kind is FetchKind.OCSP:
                self._answers_by_certificate[fetch.certificate, fetch.url].append(fetch)
        bodies = (
            Body(self._body(fetch), fetch.at)
            for fetches in self._lists_by_url.values()
            for fetch in fetches
            if fetch.body is not None
        )
        self.lists = Lists(bodies, pool, anchors, at=at)
        self._known: dict[tuple[str, str], Known] = {}

    def known(
        self,
        subject: CertFacts,
        issuer: CertFacts,
        staples: Iterable[tuple[bytes, datetime]] = (),
    ) -> Known:
        """Return what is known of a certificate of that issuer; `staples` came with it."""
        key = subject.sha256, issuer.sha256
        if key not in self._known:
            self._known[key] = Known(tuple(self._fetched(subject, issuer)))
        stapled = tuple(
            Source(None, "", None, check_response(octets, subject, issuer, at=self._at, came=came))
            for octets, came in staples
        )
        return Known((*stapled, *self._known[key].sources))

    def _fetched(self, subject: CertFacts, issuer: CertFacts) -> list[Source]:
        found: list[Source] = []
        gone_to: Mapping[str, list[Fetch]] = self._lists_by_url
        for url in dict.fromkeys(subject.crl_addresses):
            found += self._of_fetches(FetchKind.CRL, url, gone_to.get(url, []), subject, issuer)
        for url in dict.fromkeys(subject.ocsp_addresses):
            fetches = self._answers_by_certificate.get((subject.sha256, url), [])
            found += self._of_fetches(FetchKind.OCSP, url, fetches, subject, issuer)
        plain = [source for source in found if source.url.lower().startswith("http://")]
        # Of very many addresses only the first ones are gone to.
        return [source for source in plain if source.fetch is not None] or plain

    def _of_fetches(
        self,
        kind: FetchKind,
        url: str,
        fetches: list[Fetch],
        subject: CertFacts,
        issuer: CertFacts,
    ) -> list[Source]:
        if not fetches:
            return [Source(kind, url)]
        return [Source(kind, url, fetch, self._answer(fetch, subject, issuer)) for fetch in fetches]

    def _answer(self, fetch: Fetch, subject: CertFacts, issuer: CertFacts) -> Answer | None:
        if fetch.body is None:
            return None
        if fetch.kind is FetchKind.CRL:
            return self.lists.check(Body(self._body(fetch), fetch.at), subject, issuer)
        return check_response(
            self._body(fetch), subject, issuer, at=self._at, came=fetch.at, request=fetch.request
        )

    def _body(self, fetch: Fetch) -> bytes:
        return self._survey.bodies.get(fetch.body or "", b"")
