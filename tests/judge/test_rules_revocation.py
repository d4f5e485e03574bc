"""What is made of what authorities said: literal surveys with the fetches of one run."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from cryptography import x509

from probe.assessment import Verdict
from probe.observation.model import (
    Endpoint,
    Fetch,
    FetchKind,
    FetchOutcome,
    Survey,
    fingerprint,
)
from probe.plan.model import Fetch as Fetching
from probe.plan.model import Plan
from probe.records import replace
from tests.judge.pki import AT, Made, authority, make, timestamps
from tests.judge.test_authority import a_list, a_response
from tests.judge.world import (
    GUEST,
    HOSTS,
    PRIVATE_ISSUING,
    PRIVATE_ROOT,
    PUBLIC_ISSUING,
    PUBLIC_ROOT,
    RADIUS,
    Chain,
    ca,
    clients,
    folded,
    judged,
    noted,
    plan,
    private,
    roots,
    seen,
    told,
    trust,
)

LIST, ASKED = "http://pki.northpier.example/ca.crl", "http://ocsp.northpier.example/"
ISSUER_AT = "http://pki.northpier.example/ca.cer"
DAY = timedelta(days=1)
ALL = ("quay1", "quay2", "quay3", "quay4")
ISSUING = ca(PUBLIC_ISSUING, PUBLIC_ROOT)

Extension = tuple[x509.ExtensionType, bool]


def url(text: str) -> x509.UniformResourceIdentifier:
    return x509.UniformResourceIdentifier(text)


def with_list(*urls: str) -> Extension:
    points = [x509.DistributionPoint([url(text)], None, None, None) for text in urls or (LIST,)]
    return x509.CRLDistributionPoints(points), False


def with_access(*, ocsp: str | None = None, issuer: str | None = None) -> Extension:
    oids = x509.AuthorityInformationAccessOID
    found = [(oids.OCSP, ocsp), (oids.CA_ISSUERS, issuer)]
    return x509.AuthorityInformationAccess(
        [x509.AccessDescription(oid, url(text)) for oid, text in found if text]
    ), False


MUST_STAPLE: Extension = (x509.TLSFeature([x509.TLSFeatureType.status_request]), False)


def web_leaf(*more: Extension, days: float = 90, **changes: Any) -> Made:
    names = (*HOSTS, GUEST)
    extensions = (*more, timestamps(3))
    return make(names[0], ISSUING, names=names, more=extensions, days=days, **changes)


def chain(leaf: Made) -> Chain:
    return leaf.der, ISSUING.der


def fetched(
    kind: FetchKind, text: str, of: Made, body: bytes | None, *, at: datetime = AT, **more: Any
) -> tuple[Fetch, dict[str, bytes]]:
    outcome = FetchOutcome.FETCHED if body is not None else more.pop("outcome")
    digest = None if body is None else fingerprint(body)
    row = Fetch(kind, text, of.sha, at, 0.1, outcome, body=digest, **more)
    return row, {} if body is None or digest is None else {digest: body}


def after(survey: Survey, *found: tuple[Fetch, dict[str, bytes]]) -> Survey:
    bodies: dict[str, bytes] = {}
    for _, more in found:
        bodies |= more
    return replace(survey, fetches=tuple(row for row, _ in found), bodies=bodies)


def web_told(
    leaf: Made, *found: tuple[Fetch, dict[str, bytes]], of: Plan | None = None, **more: Any
) -> Any:
    of = of or plan()
    return judged(of, after(seen(of, web={"web/": chain(leaf)}), *found), **more)


WITH_LIST = web_leaf(with_list())


def the_list(*revoked: Made, of: Made = WITH_LIST, **more: Any) -> tuple[Fetch, dict[str, bytes]]:
    return fetched(FetchKind.CRL, LIST, of, a_list(*revoked, issuer=ISSUING, **more))


# ---------------------------------------------------------------- sound


def test_a_current_list_that_has_it_not_is_sound() -> None:
    assert told(web_told(WITH_LIST, the_list())) == []


def test_a_certificate_without_addresses_needs_no_source() -> None:
    assert told(web_told(web_leaf())) == []


def test_a_short_lived_certificate_needs_none_either() -> None:
    """CA/Browser Forum TLS Baseline Requirements 1.6.1 and 4.9.1 (facts A12)."""
    short = {"begins": AT - 2 * DAY, "days": 6.9}
    plan_of_short = plan(windows=replace(plan().windows, expiring_days=1))
    assert told(web_told(web_leaf(with_list(), **short), of=plan_of_short)) == []
    longer = {"begins": AT - 2 * DAY, "days": 8}
    result = web_told(web_leaf(with_list(), **longer), of=plan_of_short)
    assert told(result) == [("web-revocation-unknown", "web", ALL, None)]


def test_addresses_that_are_not_http_are_not_asked_and_accuse_nobody() -> None:
    leaf = web_leaf(with_list("ldap:///CN=Northpier?certificateRevocationList"))
    assert told(web_told(leaf)) == []


def test_one_good_source_is_enough_and_the_other_is_noted() -> None:
    leaf = web_leaf(with_list(), with_access(ocsp=ASKED))
    stale = the_list(of=leaf, begins=AT - 9 * DAY, ends=AT - DAY)
    good = fetched(FetchKind.OCSP, ASKED, leaf, a_response(leaf, ISSUING))
    result = web_told(leaf, stale, good)
    assert told(result) == []
    assert noted(result) == [("web-revocation-unknown", ALL)]


# ---------------------------------------------------------------- revoked


def test_a_revoked_leaf_warns_browsers() -> None:
    result = web_told(WITH_LIST, the_list(WITH_LIST))
    assert told(result) == [("web-revoked", "web", ALL, None)]
    assert result.findings[0].verdict is Verdict.WARNED
    assert result.findings[0].clients == ("chromium-web", "firefox-web", "apple-web")
    assert "revoked on 2026-11-23" in result.findings[0].says


def test_one_source_that_has_it_revoked_is_enough() -> None:
    leaf = web_leaf(with_list(), with_access(ocsp=ASKED))
    good = fetched(FetchKind.OCSP, ASKED, leaf, a_response(leaf, ISSUING))
    result = web_told(leaf, the_list(leaf, of=leaf), good)
    assert told(result) == [("web-revoked", "web", ALL, None)]


def test_a_revoked_issuer_is_one_finding_for_all_it_issued() -> None:
    revoked_ca = authority(PUBLIC_ISSUING, ca(PUBLIC_ROOT), more=(with_list(),))
    leaf = make(HOSTS[0], revoked_ca, names=(*HOSTS, GUEST), more=(timestamps(3),))
    of = plan()
    body = a_list(revoked_ca, issuer=ca(PUBLIC_ROOT))
    survey = after(
        seen(of, web={"web/": (leaf.der, revoked_ca.der)}),
        fetched(FetchKind.CRL, LIST, revoked_ca, body),
    )
    result = judged(of, survey)
    assert told(result) == [("web-revoked", "web", ALL, None)]
    assert result.findings[0].certificates == (revoked_ca.sha,)


def test_a_revoked_certificate_stays_revoked_on_a_later_day() -> None:
    result = web_told(WITH_LIST, the_list(WITH_LIST), at=AT + 20 * DAY)
    assert ("web-revoked", "web", ALL, None) in told(result)


def test_who_has_expired_needs_no_finding_on_revocation() -> None:
    leaf = web_leaf(with_list(), begins=AT - 60 * DAY, days=59)
    assert told(web_told(leaf, the_list(leaf, of=leaf))) == [("web-expired", "web", ALL, None)]
    assert "web-revoked" in folded(web_told(leaf, the_list(leaf, of=leaf)))
    assert told(web_told(leaf)) == [("web-expired", "web", ALL, None)]


def eap_told(*found: tuple[Fetch, dict[str, bytes]], of: Plan) -> Any:
    issuing = ca(PRIVATE_ISSUING, PRIVATE_ROOT)
    return judged(of, after(seen(of, eap={"eap/": (EAP_LEAF.der, issuing.der)}), *found))


EAP_LEAF = private(RADIUS, more=(with_list(),))


@pytest.mark.parametrize(
    ("family", "verdict"),
    [
        ("windows-eap", Verdict.BLOCKED),
        ("linux-eap", Verdict.BLOCKED),
        # It looks nothing up during the evaluation (facts C4).
        ("apple-eap", Verdict.ADVISED),
    ],
)
def test_a_revoked_eap_certificate_by_family(family: str, verdict: Verdict) -> None:
    """RFC 9190, 5.4 (facts F8)."""
    body = a_list(EAP_LEAF, issuer=ca(PRIVATE_ISSUING, PRIVATE_ROOT))
    of = plan(clients=clients(family))
    result = eap_told(fetched(FetchKind.CRL, LIST, EAP_LEAF, body), of=of)
    assert told(result) == [("eap-revoked", "eap", ALL, None)]
    assert result.findings[0].verdict is verdict


# ---------------------------------------------------------------- unknown


@pytest.mark.parametrize(
    ("outcome", "verdict"),
    [
        (FetchOutcome.SILENT, Verdict.UNSEEN),
        (FetchOutcome.UNREACHABLE, Verdict.UNSEEN),
        (FetchOutcome.NO_ADDRESS, Verdict.UNSEEN),
        (FetchOutcome.NOT_ALLOWED, Verdict.UNSEEN),
        # A long list may be in order.
        (FetchOutcome.TOO_LARGE, Verdict.UNSEEN),
        (FetchOutcome.FAILED, Verdict.ADVISED),
        (FetchOutcome.MALFORMED, Verdict.ADVISED),
    ],
)
def test_out_of_reach_is_unseen_and_of_no_use_is_advised(
    outcome: FetchOutcome, verdict: Verdict
) -> None:
    row = fetched(FetchKind.CRL, LIST, WITH_LIST, None, outcome=outcome, detail="in words")
    result = web_told(WITH_LIST, row)
    assert told(result) == [("web-revocation-unknown", "web", ALL, None)]
    assert result.findings[0].verdict is verdict
    assert "in words" in result.findings[0].says


@pytest.mark.parametrize(
    "body",
    [
        a_list(issuer=ISSUING, begins=AT - 9 * DAY, ends=AT - DAY),
        a_list(issuer=ISSUING, signed_by=ca("Dry Dock Test CA")),
        a_list(issuer=ca("Dry Dock Test CA")),
        b"<html>Please log in</html>",
    ],
)
def test_a_list_of_no_use_is_advised(body: bytes) -> None:
    result = web_told(WITH_LIST, fetched(FetchKind.CRL, LIST, WITH_LIST, body))
    assert told(result) == [("web-revocation-unknown", "web", ALL, None)]
    assert result.findings[0].verdict is Verdict.ADVISED


def test_judged_as_of_a_later_day_a_list_says_nothing_and_accuses_nobody() -> None:
    result = web_told(WITH_LIST, the_list(), at=AT + 10 * DAY)
    assert told(result) == [("web-revocation-unknown", "web", ALL, None)]
    assert result.findings[0].verdict is Verdict.UNSEEN


def test_what_was_not_fetched_is_unseen_unless_the_plan_wants_it_so() -> None:
    result = web_told(WITH_LIST)
    assert told(result) == [("web-revocation-unknown", "web", ALL, None)]
    assert result.findings[0].verdict is Verdict.UNSEEN
    assert "--no-fetch" in result.findings[0].remedy
    off = web_told(WITH_LIST, of=plan(fetch=Fetching(off=True)))
    assert told(off) == []
    assert noted(off) == [("web-revocation-unknown", ALL)]


def test_the_same_finding_has_the_same_id_when_the_list_gets_older() -> None:
    ids = set()
    for days in (9, 8):
        body = a_list(issuer=ISSUING, begins=AT - days * DAY, ends=AT - (days - 7) * DAY)
        found = web_told(WITH_LIST, fetched(FetchKind.CRL, LIST, WITH_LIST, body))
        ids.add(found.findings[0].id)
    assert len(ids) == 1


# ---------------------------------------------------------------- staples


def stapled(leaf: Made, staple: bytes | None, of: Plan | None = None) -> Any:
    of = of or plan()
    survey = seen(of, web={"web/": chain(leaf)})
    return judged(
        of,
        replace(
            survey,
            handshakes=tuple(
                replace(r, served=replace(r.served, staple=staple))
                if r.served and r.endpoint is Endpoint.WEB
                else r
                for r in survey.handshakes
            ),
        ),
    )


def test_a_good_staple_and_none_are_both_sound() -> None:
    leaf = web_leaf()
    assert told(stapled(leaf, a_response(leaf, ISSUING))) == []
    assert told(stapled(leaf, None)) == []


def test_a_certificate_that_demands_a_staple() -> None:
    """RFC 7633, 4.3.3."""
    leaf = web_leaf(MUST_STAPLE)
    assert told(stapled(leaf, a_response(leaf, ISSUING))) == []
    result = stapled(leaf, None)
    assert told(result) == [("web-staple-missing", "web", ALL, None)]
    assert (result.findings[0].verdict, result.findings[0].clients) == (
        Verdict.WARNED,
        ("firefox-web",),
    )


@pytest.mark.parametrize(
    ("staple", "words"),
    [
        (
            lambda leaf: a_response(leaf, ISSUING, begins=AT - 9 * DAY, ends=AT - DAY),
            "SEC_ERROR_OCSP_OLD_RESPONSE",
        ),
        (
            lambda leaf: a_response(leaf, ISSUING, signer=ca("Dry Dock Test CA")),
            "SEC_ERROR_OCSP_INVALID_SIGNING_CERT",
        ),
        (
            lambda _: a_response(WITH_LIST, ISSUING),
            "MOZILLA_PKIX_ERROR_OCSP_RESPONSE_FOR_CERT_MISSING",
        ),
        (lambda _: b"no staple", None),
    ],
)
def test_a_bad_staple_and_what_its_user_sees(staple: Any, words: str | None) -> None:
    """Mozilla's error tables (vectors/client_words.json)."""
    leaf = web_leaf()
    result = stapled(leaf, staple(leaf))
    assert told(result) == [("web-staple-bad", "web", ALL, None)]
    (shown,) = [r.words for r in result.findings[0].reactions if r.client == "firefox-web"]
    assert shown == words


def test_a_staple_tells_what_nobody_could_fetch() -> None:
    leaf = web_leaf(with_list())
    assert told(stapled(leaf, a_response(leaf, ISSUING))) == []


# ---------------------------------------------------------------- issuers


def test_a_missing_intermediate_is_proven_by_what_its_address_gave() -> None:
    leaf = web_leaf(with_access(issuer=ISSUER_AT))
    of = plan()
    alone = seen(of, web={"web/": (leaf.der,)})
    found = fetched(FetchKind.ISSUER, ISSUER_AT, leaf, ISSUING.der)
    result = judged(of, after(alone, found))
    assert told(result) == [("web-chain-incomplete", "web", ALL, None)]
    assert ISSUING.sha[:16] in result.findings[0].remedy
    assert ISSUER_AT in result.findings[0].remedy
    # ... and it stands in the document with the others.
    assert result.survey.certificates[ISSUING.sha] == ISSUING.der


def test_another_certificate_at_the_address_proves_nothing() -> None:
    leaf = web_leaf(with_access(issuer=ISSUER_AT))
    of = plan()
    alone = seen(of, web={"web/": (leaf.der,)})
    found = fetched(FetchKind.ISSUER, ISSUER_AT, leaf, ca("Dry Dock Test CA").der)
    result = judged(of, after(alone, found))
    assert told(result) == [("web-chain-incomplete", "web", ALL, None)]
    assert "SHA-256" not in result.findings[0].remedy


# ---------------------------------------------------------------- the clients' own CA


def devices(**changes: Any) -> Made:
    return authority("Northpier Devices", ca(PRIVATE_ROOT), more=(with_list(),), **changes)


def of_devices(issuer: Made) -> Plan:
    return plan(trust=replace(trust(), client_issuers=(roots("devices.pem", issuer),)))


def devices_told(issuer: Made, *found: tuple[Fetch, dict[str, bytes]], **more: Any) -> Any:
    of = of_devices(issuer)
    return judged(of, after(seen(of), *found), **more)


def list_of_root(of: Made, **dates: datetime) -> tuple[Fetch, dict[str, bytes]]:
    return fetched(FetchKind.CRL, LIST, of, a_list(issuer=ca(PRIVATE_ROOT), **dates))


def test_a_current_list_of_the_clients_ca_is_sound() -> None:
    issuer = devices()
    assert told(devices_told(issuer, list_of_root(issuer))) == []


@pytest.mark.parametrize(
    ("begins", "ends", "verdict"),
    [
        (AT - 9 * DAY, AT - DAY, Verdict.BLOCKED),
        # Nine tenths of a week are over: the next list may well come in time.
        (AT - 6.3 * DAY, AT + 0.7 * DAY, None),
        (AT - 6.8 * DAY, AT + 0.2 * DAY, Verdict.DUE),
    ],
)
def test_a_list_of_the_clients_ca_by_its_age(
    begins: datetime, ends: datetime, verdict: Verdict | None
) -> None:
    issuer = devices()
    result = devices_told(issuer, list_of_root(issuer, begins=begins, ends=ends))
    expected = [("eap-client-crl-stale", "eap", ALL, None)] if verdict is not None else []
    assert told(result) == expected
    assert [finding.verdict for finding in result.findings] == [verdict][: len(expected)]


def test_a_list_of_the_clients_ca_that_is_out_of_reach_is_unseen() -> None:
    issuer = devices()
    row = fetched(FetchKind.CRL, LIST, issuer, None, outcome=FetchOutcome.SILENT)
    result = devices_told(issuer, row)
    assert told(result) == [("eap-client-crl-stale", "eap", ALL, None)]
    assert result.findings[0].verdict is Verdict.UNSEEN


def test_the_end_of_the_clients_ca() -> None:
    ending = devices(days=365 + 60)
    result = devices_told(ending, list_of_root(ending))
    assert told(result) == [("eap-client-ca-expiring", "eap", ALL, None)]
    assert result.findings[0].verdict is Verdict.DUE
    assert result.findings[0].due == AT + 60 * DAY
    ended = devices(days=300)
    result = devices_told(ended, list_of_root(ended))
    assert [f.verdict for f in result.findings] == [Verdict.BLOCKED]


def test_without_eap_tls_nobody_cares_for_the_clients_ca() -> None:
    ending = devices(days=365 + 60)
    of = of_devices(ending)
    peap = replace(of.nodes[0].eap, methods=of.nodes[0].eap.methods[:1])  # type: ignore[arg-type,union-attr]  # EAP is planned
    of = replace(of, nodes=tuple(replace(node, eap=peap) for node in of.nodes))
    assert told(judged(of, seen(of))) == []
