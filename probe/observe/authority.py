"""Fetches what certificates say that their CAs have: the issuer's certificate, lists, OCSP answers.

Mechanical: every address is gone to once in a run, and nothing that comes is verified. What is
looked at is only which certificate issued which, as without the issuer nobody can be asked for the
status of a certificate, and what an issuer's address gives may itself lack its issuer.
"""

import asyncio
import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime

from cryptography.hazmat.primitives import hashes

from probe.certificate.bundle import NoCertificateError, certificates_in
from probe.certificate.der import DerError
from probe.certificate.facts import CertFacts, facts_of
from probe.certificate.keys import key_octets, signed_by
from probe.certificate.pool import Pool
from probe.limits import Limits
from probe.observation.model import Fetch, FetchKind, FetchOutcome, fingerprint
from probe.observe.http import FetchError, HttpClient, Message, place_of
from probe.records import dataclass, field

_STEPS = 3
"""Issuers fetched one behind the other: below a root stand one or two."""
_DEAD = 2
"""Failures to reach a host after which it is left alone, if nothing ever came from it."""
_OCSP_REQUEST = "application/ocsp-request"
"""RFC 6960, C.1."""

_OUT_OF_REACH = frozenset({FetchOutcome.SILENT, FetchOutcome.UNREACHABLE, FetchOutcome.NO_ADDRESS})


@dataclass(frozen=True, slots=True)
class Want:
    """One address to go to, and what for."""

    kind: FetchKind
    url: str
    request: bytes | None = None
    """ocsp: what is asked there."""
    certificate: str = field(default="", compare=False)
    """SHA-256 of the first certificate that names the address."""
    issuer: str | None = field(default=None, compare=False)
    """ocsp: SHA-256 of the issuer's."""


class Authorities:
    """Goes to the addresses of one run."""

    def __init__(
        self,
        http: HttpClient,
        limits: Limits,
        *,
        clock: Callable[[], datetime],
        vantage: str | None,
    ) -> None:
        self.fetches: dict[Want, Fetch] = {}
        """What came, as far as it has come."""
        self.bodies: dict[str, bytes] = {}
        self._http = http
        self._limits = limits
        self._clock = clock
        self._vantage = vantage
        self._ends = 0.0
        self._left = limits.fetched_bytes
        self._gate = asyncio.Semaphore(limits.fetches_in_flight)
        self._hosts: dict[str, asyncio.Semaphore] = {}
        self._failed: Counter[str] = Counter()
        self._heard: set[str] = set()

    async def run(
        self, chains: Iterable[tuple[bytes, ...]], roots: Iterable[bytes], given: Iterable[bytes]
    ) -> None:
        """Fetch for these served chains; `roots` are the plan's, `given` CAs of its clients."""
        self._ends = asyncio.get_running_loop().time() + self._limits.fetch_phase
        chains, given = tuple(dict.fromkeys(chains)), tuple(given)
        known = Pool((*roots, *given))
        found = await self._fetch_issuers(chains, known)
        subjects = tuple(dict.fromkeys((*(der for chain in chains for der in chain), *found)))
        pool = Pool((*known.by_sha.values(), *subjects))
        await self._fetch_all(
            want for der in (*subjects, *given) for want in self._status_wants(der, pool)
        )

    # ------------------------------------------------------------ what is wanted

    async def _fetch_issuers(
        self, chains: tuple[tuple[bytes, ...], ...], roots: Pool
    ) -> tuple[bytes, ...]:
        """Fetch the issuers that nobody served, and return them."""
        lacking = tuple(dict.fromkeys(chain[-1] for chain in chains if chain))
        found: dict[bytes, None] = {}
        for _ in range(_STEPS):
            lacking = tuple(der for der in lacking if _lacks_issuer(der, roots))
            await self._fetch_all(want for der in lacking for want in self._issuer_wants(der))
            issuers = tuple(issuer for der in lacking for issuer in self._issuers_fetched(der))
            lacking = tuple(dict.fromkeys(der for der in issuers if der not in found))
            found.update(dict.fromkeys(issuers))
            if not lacking:
                break
        return tuple(found)

    def _issuer_wants(self, der: bytes) -> Iterator[Want]:
        facts = facts_of(der)
        for url in facts.issuer_addresses[: self._limits.fetch_addresses]:
            yield Want(FetchKind.ISSUER, url, certificate=facts.sha256)

    def _issuers_fetched(self, der: bytes) -> Iterator[bytes]:
        for want in self._issuer_wants(der):
            fetch = self.fetches.get(want)
            if fetch is None or fetch.body is None:
                continue
            try:
                pool = Pool(certificates_in(self.bodies[fetch.body]))
            except NoCertificateError:
                continue
            issuer = issuer_in(der, pool)
            if issuer is not None:
                yield issuer

    def _status_wants(self, der: bytes, pool: Pool) -> Iterator[Want]:
        facts = facts_of(der)
        most = self._limits.fetch_addresses
        if facts.self_issued or not (facts.crl_addresses or facts.ocsp_addresses):
            return
        issuer = issuer_in(der, pool)
        if issuer is None:
            return
        for url in facts.crl_addresses[:most]:
            yield Want(FetchKind.CRL, url, certificate=facts.sha256)
        request = ocsp_request(facts, facts_of(issuer)) if facts.ocsp_addresses else None
        if request is not None:
            for url in facts.ocsp_addresses[:most]:
                yield Want(FetchKind.OCSP, url, request, facts.sha256, fingerprint(issuer))

    # ------------------------------------------------------------ fetching

    async def _fetch_all(self, wants: Iterable[Want]) -> None:
        async with asyncio.TaskGroup() as group:
            for want in dict.fromkeys(wants):
                if want not in self.fetches and len(self.fetches) < self._limits.fetches:
                    # The place is taken at once: the same address is named again and again.
                    self.fetches[want] = self._record(want, self._clock(), _no_time())
                    group.create_task(self._fetch(want))

    async def _fetch(self, want: Want) -> None:
        async with self._gate, self._host(want.url):
            loop = asyncio.get_running_loop()
            at, began = self._clock(), loop.time()
            body, ended = b"", None
            try:
                body = await self._get(want)
            except FetchError as error:
                ended = error
            seconds = loop.time() - began
            self.fetches[want] = self._record(want, at, ended, seconds, body)

    async def _get(self, want: Want) -> bytes:
        host = self._where(want.url)
        if self._failed[host] >= _DEAD and host not in self._heard:
            raise FetchError(FetchOutcome.SILENT, f"{host} was out of reach a moment ago")
        limits = self._limits
        most = limits.crl_bytes if want.kind is FetchKind.CRL else limits.issuer_bytes
        if self._left <= 0:
            raise self._full()
        message = Message(_OCSP_REQUEST, want.request) if want.request is not None else None
        try:
            async with asyncio.timeout_at(self._ends):
                body = await self._http.fetch(want.url, most=min(most, self._left), message=message)
        except TimeoutError:
            raise _no_time() from None
        except FetchError as error:
            if error.outcome in _OUT_OF_REACH:
                self._failed[host] += 1
            else:
                self._heard.add(host)
            raise
        self._heard.add(host)
        if len(body) > self._left:
            raise self._full()  # others came while this was under way
        self._left -= len(body)
        return body

    def _full(self) -> FetchError:
        says = f"{self._limits.fetched_bytes} octets were fetched before it, and no more are kept"
        return FetchError(FetchOutcome.TOO_LARGE, says)

    def _record(
        self,
        want: Want,
        at: datetime,
        ended: FetchError | None,
        seconds: float = 0.0,
        body: bytes = b"",
    ) -> Fetch:
        digest = None
        if ended is None:
            digest = fingerprint(body)
            self.bodies[digest] = body
        return Fetch(
            kind=want.kind,
            url=want.url,
            certificate=want.certificate,
            at=at,
            seconds=seconds,
            outcome=FetchOutcome.FETCHED if ended is None else ended.outcome,
            status=200 if ended is None else ended.status,
            detail=None if ended is None else ended.says[: self._limits.text_characters],
            body=digest,
            request=want.request,
            issuer=want.issuer,
            vantage=self._vantage,
        )

    def _host(self, url: str) -> asyncio.Semaphore:
        where = self._where(url)
        if where not in self._hosts:
            self._hosts[where] = asyncio.Semaphore(self._limits.fetches_per_host)
        return self._hosts[where]

    def _where(self, url: str) -> str:
        try:
            return place_of(url).where
        except FetchError:
            return ""  # nobody's: it is refused before anything is sent


def _no_time() -> FetchError:
    return FetchError(FetchOutcome.SILENT, "there was no time left for it")


def _lacks_issuer(der: bytes, roots: Pool) -> bool:
    """Whether it is to be fetched: nobody has it, and the certificate says where it is."""
    facts = facts_of(der)
    wanted = facts.readable and not facts.self_issued and bool(facts.issuer_addresses)
    return wanted and issuer_in(der, roots) is None


_NAMESAKES = 8
"""Certificates of one name that are tried as an issuer: a check costs up to a millisecond."""


def issuer_in(der: bytes, pool: Pool) -> bytes | None:
    """Return the certificate in a pool that signed this one."""
    facts = facts_of(der)
    for candidate in pool.named(facts.issuer_raw)[:_NAMESAKES] if facts.readable else ():
        if signed_by(der, facts_of(candidate).spki):
            return candidate
    return None


def ocsp_request(subject: CertFacts, issuer: CertFacts) -> bytes | None:
    """Return the DER of a question for the status of a certificate (RFC 6960, 4.1.1); None if it
    cannot be asked.

    Its names are hashed with SHA-1, which identifies and protects nothing here, and is what every
    responder knows (RFC 5019, 2.1.1). There is no nonce in it: clients send none, so responders
    give us what they give to them, out of a cache too.
    """
    try:
        key = key_octets(issuer.spki)
        # Few certificates name a responder.
        from cryptography.hazmat.primitives.serialization import Encoding  # noqa: PLC0415
        from cryptography.x509 import ocsp  # noqa: PLC0415

        builder = ocsp.OCSPRequestBuilder().add_certificate_by_hash(
            hashlib.sha1(subject.issuer_raw, usedforsecurity=False).digest(),
            hashlib.sha1(key, usedforsecurity=False).digest(),
            int(subject.serial, 16),
            hashes.SHA1(),  # noqa: S303  # as above
        )
        return builder.build().public_bytes(Encoding.DER)
    except (DerError, ValueError):
        return None
