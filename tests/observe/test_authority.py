"""Which addresses are gone to, how often, and when a dead one is left alone."""

import asyncio
from collections.abc import Sequence
from datetime import UTC, datetime

from cryptography import x509

from probe.limits import DEFAULT, Limits
from probe.observation.model import Fetch, FetchKind, FetchOutcome
from probe.observe.authority import Authorities
from probe.observe.http import FetchError, HttpClient
from probe.records import replace
from tests.judge.pki import Made, authority, make

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


class Stub(HttpClient):
    """Answers out of a table, and notes what it was asked."""

    def __init__(self, bodies: dict[str, bytes | FetchOutcome]) -> None:
        self.bodies = bodies
        self.asked: list[str] = []

    async def fetch(self, url: str, **_: object) -> bytes:  # type: ignore[override]  # not looked at
        self.asked.append(url)
        await asyncio.sleep(0)
        found = self.bodies.get(url, FetchOutcome.FAILED)
        if isinstance(found, FetchOutcome):
            raise FetchError(found, "as the table has it")
        return found


def addresses(
    *, issuer: str | None = None, ocsp: Sequence[str] = (), lists: Sequence[str] = ()
) -> list[tuple[x509.ExtensionType, bool]]:
    oids = x509.AuthorityInformationAccessOID
    found: list[tuple[x509.ExtensionType, bool]] = []
    access = [(oids.CA_ISSUERS, issuer)] if issuer else []
    access += [(oids.OCSP, url) for url in ocsp]
    if access:
        described = [
            x509.AccessDescription(oid, x509.UniformResourceIdentifier(url))
            for oid, url in access
            if url
        ]
        found.append((x509.AuthorityInformationAccess(described), False))
    if lists:
        points = [
            x509.DistributionPoint([x509.UniformResourceIdentifier(url)], None, None, None)
            for url in lists
        ]
        found.append((x509.CRLDistributionPoints(points), False))
    return found


def run(
    http: Stub,
    *chains: Sequence[Made],
    roots: Sequence[Made] = (),
    given: Sequence[Made] = (),
    limits: Limits = DEFAULT,
) -> list[Fetch]:
    async def go() -> list[Fetch]:
        authorities = Authorities(http, limits, clock=lambda: AT, vantage="pier")
        await authorities.run(
            [tuple(made.der for made in chain) for chain in chains],
            [made.der for made in roots],
            [made.der for made in given],
        )
        assert {row.body for row in authorities.fetches.values()} - {None} <= set(
            authorities.bodies
        )
        return list(authorities.fetches.values())

    return asyncio.run(go())


ROOT = authority("Northpier Root")
UPPER = authority("Northpier Upper", ROOT, more=addresses(issuer="http://ca/root.cer"))
ISSUING = authority(
    "Northpier Issuing", UPPER, more=addresses(issuer="http://ca/upper.cer", lists=["http://ca/u"])
)


def leaf(name: str = "quay1.northpier.example", issuer: Made = ISSUING, **more: object) -> Made:
    usual = {"issuer": "http://ca/issuing.cer", "ocsp": ["http://ocsp/"], "lists": ["http://ca/i"]}
    return make(name, issuer, more=addresses(**{**usual, **more}))  # type: ignore[arg-type]  # as above


BODIES: dict[str, bytes | FetchOutcome] = {
    "http://ca/issuing.cer": ISSUING.der,
    "http://ca/upper.cer": UPPER.der,
    "http://ca/root.cer": ROOT.der,
    "http://ca/i": b"list",
    "http://ca/u": b"list",
    "http://ocsp/": b"answer",
}


def test_issuers_that_nobody_served_are_fetched_up_to_a_root_of_the_plan() -> None:
    http = Stub(BODIES)
    run(http, [leaf()], roots=[ROOT])
    issuers = [url for url in http.asked if url.endswith(".cer")]
    # The issuer of the last one is a root of the plan: nobody has to be asked for it.
    assert issuers == ["http://ca/issuing.cer", "http://ca/upper.cer"]
    # With them the status of each certificate can be asked for, and what they name themselves.
    assert sorted(http.asked[2:]) == ["http://ca/i", "http://ca/u", "http://ocsp/"]


def test_a_complete_chain_asks_for_no_issuer() -> None:
    http = Stub(BODIES)
    run(http, [leaf(), ISSUING, UPPER], roots=[ROOT])
    assert [url for url in http.asked if url.endswith(".cer")] == []


def test_each_address_is_gone_to_once_and_ocsp_once_for_each_certificate() -> None:
    http = Stub(BODIES)
    nodes = [[leaf(f"quay{n}.northpier.example"), ISSUING, UPPER] for n in range(1, 4)]
    rows = run(http, *nodes, *nodes, roots=[ROOT])
    assert sorted(http.asked) == ["http://ca/i", "http://ca/u", *["http://ocsp/"] * 3]
    assert len({row.request for row in rows if row.kind is FetchKind.OCSP}) == 3
    assert {row.vantage for row in rows} == {"pier"}


def test_without_the_issuer_nobody_is_asked_for_the_status() -> None:
    http = Stub({})
    run(http, [leaf()], roots=[ROOT])
    assert http.asked == ["http://ca/issuing.cer"]


def test_another_certificate_at_the_address_is_no_issuer() -> None:
    http = Stub({"http://ca/issuing.cer": ROOT.der})
    run(http, [leaf()], roots=[ROOT])
    assert http.asked == ["http://ca/issuing.cer"]


def test_a_root_that_is_served_is_asked_nothing() -> None:
    http = Stub(BODIES)
    own = authority("Own Root", more=addresses(lists=["http://own/list"]))
    run(http, [own])
    assert http.asked == []


def test_the_lists_of_the_clients_ca_are_fetched() -> None:
    http = Stub({"http://ca/devices": b"list"})
    devices = authority("Devices", ROOT, more=addresses(lists=["http://ca/devices"]))
    run(http, given=[devices], roots=[ROOT])
    assert http.asked == ["http://ca/devices"]


def test_a_dead_host_is_left_alone_after_some_failures() -> None:
    """A thousand certificates of one CA do not each wait for its dead responder."""
    http = Stub({"http://ocsp/": FetchOutcome.SILENT, "http://ca/i": b"list"})
    nodes = [[leaf(f"n{n}.northpier.example"), ISSUING] for n in range(40)]
    rows = [row for row in run(http, *nodes, roots=[UPPER]) if row.kind is FetchKind.OCSP]
    assert len(rows) == 40
    assert {row.outcome for row in rows} == {FetchOutcome.SILENT}
    assert http.asked.count("http://ocsp/") <= DEFAULT.fetches_per_host + 1
    assert http.asked.count("http://ca/i") == 1


def test_of_very_many_addresses_only_the_first_are_gone_to() -> None:
    lists = [f"http://ca{n}/" for n in range(50)]
    http = Stub(dict.fromkeys(lists, b"list"))
    run(http, [leaf(lists=lists), ISSUING], roots=[UPPER])
    assert [url for url in http.asked if url in lists] == lists[: DEFAULT.fetch_addresses]


def test_fetches_and_octets_of_one_run_are_bounded() -> None:
    nodes = [[leaf(f"n{n}.northpier.example", lists=[f"http://c{n}/"]), ISSUING] for n in range(9)]
    bodies = {f"http://c{n}/": bytes(100) for n in range(9)}
    http = Stub(dict(bodies))
    few = replace(DEFAULT, fetches=5)
    assert len(run(http, *nodes, roots=[UPPER], limits=few)) == 5
    http = Stub(dict(bodies))
    rows = run(http, *nodes, roots=[UPPER], limits=replace(DEFAULT, fetched_bytes=250))
    kept = [row for row in rows if row.body is not None]
    assert len(kept) == 2
    assert FetchOutcome.TOO_LARGE in {row.outcome for row in rows}


def test_no_verdict_waits_for_authorities_longer_than_the_limit() -> None:
    class Hanging(Stub):
        async def fetch(self, *_: str, **__: object) -> bytes:  # type: ignore[override]  # as above
            await asyncio.Event().wait()
            raise AssertionError("nobody sets it")

    rows = run(
        Hanging({}), [leaf(), ISSUING], roots=[UPPER], limits=replace(DEFAULT, fetch_phase=0.1)
    )
    assert {row.outcome for row in rows} == {FetchOutcome.SILENT}
    assert {row.detail for row in rows} == {"there was no time left for it"}
