"""Rules by date of issue: each fault, its boundary, and its twin that is healthy."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import cryptography_vectors
import pytest
from cryptography import x509

from lab import marks
from lab.authority import Blueprint, Workshop
from probe.assessment import Assessment, Verdict
from probe.certificate.facts import facts_of
from probe.judge.clients.reactions import BY_NAME
from probe.observation.model import Endpoint, Question, Survey
from probe.plan.model import Plan, Trust, Windows
from probe.plan.pem import public_roots
from probe.records import replace
from tests.judge.pki import AT, Made, make, timestamps
from tests.judge.world import (
    GUEST,
    HOSTS,
    NODES,
    OWN,
    PUBLIC_ISSUING,
    PUBLIC_ROOT,
    RADIUS,
    Chain,
    Told,
    ca,
    clients,
    folded,
    judged,
    noted,
    plan,
    private,
    public,
    roots,
    seen,
    told,
    trust,
    with_private,
    with_public,
)

EVERY_NAME = (*HOSTS, GUEST)
WEB3 = ("quay3",)


def web(chain: Chain, of: Plan | None = None) -> Assessment:
    of = of or plan()
    return judged(of, seen(of, web={"web/quay3": chain}))


def eap(chain: Chain, of: Plan | None = None) -> Assessment:
    of = of or plan()
    return judged(of, seen(of, eap={"eap/": chain}))


def at_quay3(rule: str) -> list[Told]:
    return [(rule, "web", WEB3, None)]


# ---------------------------------------------------------------- lifetime


def issued(begins: datetime, lifetime: timedelta) -> Made:
    return public(*EVERY_NAME, OWN, begins=begins, days=lifetime / timedelta(days=1))


@pytest.mark.parametrize(
    ("lifetime", "verdict"),
    [
        # Issued on 2026-11-01: 200 days, both ends counted (BR, 6.3.2).
        (timedelta(days=200, seconds=-1), None),
        (timedelta(days=200), Verdict.ADVISED),
        # Engines check 398 days, by the bare difference (Apple support 102028).
        (timedelta(days=398), Verdict.ADVISED),
        (timedelta(days=398, seconds=1), Verdict.WARNED),
    ],
)
def test_a_public_leaf_may_live_as_long_as_on_its_day_of_issue(
    lifetime: timedelta, verdict: Verdict | None
) -> None:
    result = web(with_public(issued(datetime(2026, 11, 1, tzinfo=UTC), lifetime)))
    assert told(result) == (at_quay3("web-lifetime-too-long") if verdict is not None else [])
    if verdict is not None:
        assert result.findings[0].verdict is verdict
        assert "200 days at most" in result.findings[0].remedy


def test_a_private_leaf_may_live_as_long_as_it_likes() -> None:
    """BR bind public CAs (BR, 1.1); one platform has a limit for all, which is worth a note."""
    of = plan(services=())
    long = with_private(private(*HOSTS, days=800))
    longer = with_private(private(*HOSTS, days=900))
    assert (told(web(long, of)), noted(web(long, of))) == ([], [])
    assert (told(web(longer, of)), noted(web(longer, of))) == (
        [],
        [("web-lifetime-too-long", WEB3)],
    )


def test_eap_has_no_limit_even_under_a_public_root() -> None:
    """Apple Security framework source: the EAP policy has no lifetime check."""
    of = plan(trust=replace(trust(), eap=trust().public))
    leaf = public(RADIUS, days=700)
    assert told(eap(with_public(leaf), of)) == []


# ---------------------------------------------------------------- keys and signatures


def shop(*, public_ca: bool, leaf: dict[str, Any], issuing: dict[str, Any]) -> tuple[Plan, Chain]:
    """A CA of its own, called public or private by the plan, and a chain of it."""
    made = Workshop(
        [
            Blueprint(
                label="root", common_name="Root W", authority=True, key="RSA-2048", ends=4000
            ),
            Blueprint(
                label="ca",
                issuer="root",
                common_name="Issuing W",
                authority=True,
                **{"key": "RSA-2048", "ends": 1500, **issuing},
            ),
            Blueprint(
                label="leaf",
                issuer="ca",
                common_name=HOSTS[2],
                names=(*EVERY_NAME, RADIUS),
                purposes=("server",),
                timestamps=3,
                ends=140,
                **leaf,
            ),
        ],
        AT,
    )
    store = replace(roots("w.pem"), certificates=(made["root"].der,))
    own = trust()
    known = Trust(
        public=(*own.public, store) if public_ca else own.public,
        web=(*own.web, store),
        staff=(*own.staff, store),
        eap=(*own.eap, store),
        node=(*own.node, store),
    )
    return plan(trust=known), tuple(one.der for one in made.chain(["leaf", "ca"]))


@pytest.mark.parametrize(
    ("leaf", "issuing", "rule"),
    [
        ({"key": "RSA-2048"}, {}, None),
        ({"key": "P-384"}, {}, None),
        ({"key": "RSA-1024"}, {}, "weak-key"),
        ({"key": "P-224"}, {}, "weak-key"),
        ({}, {"key": "RSA-1024"}, "weak-key"),
        ({"signed_with": "SHA-1"}, {}, "weak-signature"),
        ({}, {"signed_with": "SHA-1"}, "weak-signature"),
        ({"signed_with": "MD5"}, {}, "weak-signature"),
    ],
)
@pytest.mark.parametrize("public_ca", [False, True])
def test_weak_keys_and_signatures_below_the_root(
    leaf: dict[str, Any], issuing: dict[str, Any], rule: str | None, *, public_ca: bool
) -> None:
    of, chain = shop(public_ca=public_ca, leaf=leaf, issuing=issuing)
    result = web(chain, of)
    assert told(result) == (at_quay3(f"web-{rule}") if rule else [])
    result = judged(of, seen(of, web={"web/": chain}, eap={"eap/": chain}))
    expected = {f"web-{rule}", f"eap-{rule}"} if rule else set()
    assert {finding.rule for finding in result.findings} == expected
    at_fault = facts_of(chain[1 if issuing else 0]).sha256
    assert all(finding.certificates == (at_fault,) for finding in result.findings)


def test_a_key_that_nobody_lists_binds_public_cas_only() -> None:
    """BR, 6.1.5 names RSA and three curves; no platform's text on others was read."""
    for public_ca, expected in ((True, at_quay3("web-weak-key")), (False, [])):
        of, chain = shop(public_ca=public_ca, leaf={"key": "Ed25519"}, issuing={})
        assert told(web(chain, of)) == expected


def test_one_supplicant_looks_away_under_a_private_root() -> None:
    """Apple Security framework source, EAP policy: weak keys count under system roots only."""
    for public_ca, verdict in ((False, Verdict.ADVISED), (True, Verdict.WARNED)):
        of, chain = shop(public_ca=public_ca, leaf={"key": "RSA-1024"}, issuing={})
        of = replace(of, clients=clients("apple-eap"))
        (finding,) = eap(chain, of).findings
        assert (finding.rule, finding.verdict) == ("eap-weak-key", verdict)


def test_who_refuses_1024_bits_and_who_does_not() -> None:
    """Chromium and Firefox source: 1024 bits are enough there; Apple support 103769: 2048."""
    of, chain = shop(public_ca=True, leaf={"key": "RSA-1024"}, issuing={})
    for family, verdict in (
        ("chromium-web", Verdict.ADVISED),
        ("firefox-web", Verdict.ADVISED),
        ("apple-web", Verdict.WARNED),
        ("node", Verdict.BLOCKED),
    ):
        (finding,) = web(chain, replace(of, clients=clients(family))).findings
        assert (family, finding.verdict) == (family, verdict)


def test_a_weak_root_and_its_own_signature_are_trusted_as_they_stand() -> None:
    made = Workshop(
        [
            Blueprint(
                label="root",
                common_name="Root V",
                authority=True,
                key="RSA-1024",
                signed_with="SHA-1",
                ends=4000,
            ),
            Blueprint(
                label="leaf",
                issuer="root",
                common_name=RADIUS,
                names=(RADIUS,),
                purposes=("server",),
            ),
        ],
        AT,
    )
    store = replace(roots("v.pem"), certificates=(made["root"].der,))
    of = plan(trust=replace(trust(), eap=(store,)))
    assert told(eap((made["leaf"].der, made["root"].der), of)) == []


# ---------------------------------------------------------------- logs


@pytest.mark.parametrize(
    ("days", "logs", "fault"),
    [(90, 2, False), (90, 1, True), (181, 3, False), (181, 2, True), (90, 0, True)],
)
def test_timestamps_of_too_few_logs(days: float, logs: int, *, fault: bool) -> None:
    result = web(with_public(public(*EVERY_NAME, days=days, logs=logs)))
    assert told(result) == (at_quay3("web-too-few-timestamps") if fault else [])
    if fault:
        assert result.findings[0].clients == ("chromium-web", "firefox-web", "apple-web")


def without_list(*names: str, **changes: Any) -> Made:
    return make(names[0], ca(PUBLIC_ISSUING, PUBLIC_ROOT), names=names, **changes)


def of_a_programme() -> Plan:
    """Public roots as a root programme publishes them."""
    programme = replace(trust().public[0], name="programme", version="2026.1")
    return plan(trust=replace(trust(), public=(programme,), web=(programme,)))


def with_ways(survey: Survey, **brought: bytes) -> Survey:
    """Let quay3's handshakes bring a timestamp list or a staple."""
    return replace(
        survey,
        handshakes=tuple(
            replace(r, served=replace(r.served, **brought))
            if r.served and r.endpoint is Endpoint.WEB and r.nodes == WEB3
            else r
            for r in survey.handshakes
        ),
    )


def test_a_leaf_without_timestamps_in_a_survey_that_did_not_look_elsewhere() -> None:
    """Nothing is claimed, and it is not passed over: worth a note, or, under the roots of a root
    programme, something that was not seen."""
    of = plan()
    for of, found, notes in (
        (plan(), [], [("web-too-few-timestamps", WEB3)]),
        (of_a_programme(), at_quay3("web-too-few-timestamps"), []),
    ):
        survey = seen(of, web={"web/quay3": with_public(without_list(*EVERY_NAME))})
        early = replace(
            survey, handshakes=tuple(r for r in survey.handshakes if r.asked.aspect is None)
        )
        result = judged(of, replace(early, questions=as_answered(early)))
        assert (told(result), noted(result)) == (found, notes)
        assert [f.verdict for f in result.findings] == [Verdict.UNSEEN for _ in found]


def as_answered(survey: Survey) -> tuple[Question, ...]:
    answered = {r.question for r in (*survey.lookups, *survey.handshakes)}
    return tuple(question for question in survey.questions if question.id in answered)


def test_a_leaf_without_timestamps_anywhere() -> None:
    """Only who is known to be in a root programme is known to need them."""
    chain = with_public(without_list(*EVERY_NAME))
    assert (told(web(chain)), noted(web(chain))) == ([], [("web-too-few-timestamps", WEB3)])
    result = web(chain, of_a_programme())
    assert told(result) == at_quay3("web-too-few-timestamps")
    assert result.findings[0].verdict is Verdict.WARNED
    assert result.findings[0].clients == ("chromium-web", "firefox-web", "apple-web")


def by_handshake(logs: int) -> bytes:
    """Return a SignedCertificateTimestampList (RFC 6962, 3.3.1) of so many made-up logs."""
    return marks.timestamp_list(logs, AT)


STAPLE = (Path(cryptography_vectors.__path__[0]) / "x509/ocsp/resp-sct-extension.der").read_bytes()
"""An OCSP response with the timestamps of four logs (cryptography-vectors)."""


@pytest.mark.parametrize(
    ("inside", "ways", "minding"),
    [
        # Two by the handshake are enough, however long the certificate lives (Chrome CT Policy;
        # Apple support 103214), and one beside one in the certificate.
        (None, {"timestamps": by_handshake(2)}, ()),
        (1, {"timestamps": by_handshake(2)}, ()),
        (None, {"timestamps": by_handshake(1)}, ("chromium-web", "firefox-web", "apple-web")),
        # In a stapled OCSP response they count, but not for Chromium from version 148 on.
        (None, {"staple": STAPLE}, ("chromium-web",)),
        (2, {"staple": STAPLE}, ("chromium-web",)),
        (3, {"staple": STAPLE}, ()),
        (2, {"staple": b"no staple"}, ("chromium-web", "firefox-web", "apple-web")),
    ],
)
def test_timestamps_beside_the_certificate_count(
    inside: int | None, ways: dict[str, bytes], minding: tuple[str, ...]
) -> None:
    leaf = without_list(*EVERY_NAME, days=190)
    if inside is not None:
        leaf = public(*EVERY_NAME, days=190, logs=inside)
    of = of_a_programme()
    survey = with_ways(seen(of, web={"web/quay3": with_public(leaf)}), **ways)
    result = judged(of, survey)
    # The staple is of another certificate, which is another matter.
    found = [one for one in result.findings if one.rule != "web-staple-bad"]
    assert [one.rule for one in found] == (["web-too-few-timestamps"] if minding else [])
    for finding in found:
        assert finding.clients == minding


def test_private_leaves_need_no_timestamps() -> None:
    """Chrome CT for enterprises: private CAs are outside."""
    of = plan(services=())
    result = web(with_private(private(*HOSTS)), of)
    assert (told(result), noted(result)) == ([], [])


# ---------------------------------------------------------------- names


def test_a_name_in_the_subject_only() -> None:
    leaf = make(HOSTS[2], ca(PUBLIC_ISSUING, PUBLIC_ROOT), more=[timestamps(2)])
    result = web(with_public(leaf))
    assert told(result) == at_quay3("web-common-name-only")
    assert {"cluster-join-untrusted", "cluster-name-uncovered"} == set(folded(result))
    # The twin: among the alternative names, which then lack the others.
    named = make(HOSTS[2], ca(PUBLIC_ISSUING, PUBLIC_ROOT), names=[HOSTS[2]], more=[timestamps(2)])
    assert told(web(with_public(named))) == [("web-name-mismatch", "web", WEB3, GUEST)]


# ---------------------------------------------------------------- shape


def cut(der: bytes) -> bytes:
    """Return a certificate with a text where its end should stand."""
    place = der.index(b"\x30\x1e\x17\x0d") + 17
    return der[:place] + b"\x16" + der[place + 1 :]


def test_a_malformed_certificate_is_one_finding() -> None:
    first, *rest = with_public(public(*EVERY_NAME))
    result = web((cut(first), *rest))
    assert told(result) == at_quay3("web-malformed")
    assert "notAfter: a time with tag 0x16" in result.findings[0].says
    first, *rest = with_private(private(RADIUS))
    assert told(eap((cut(first), *rest))) == [("eap-malformed", "eap", NODES, None)]


def test_what_sets_one_node_apart_explains_that_it_differs() -> None:
    of = plan(clients=clients("windows-eap", by_hand=("apple-eap",)))
    first, *rest = with_private(private(RADIUS))
    result = judged(of, seen(of, eap={"eap/quay3": (cut(first), *rest)}))
    assert told(result) == [("eap-malformed", "eap", WEB3, None)]
    assert folded(result) == ["eap-leaf-differs"]


def test_whatever_is_served_as_a_certificate_is_told_as_one_fault() -> None:
    good, issuing = with_public(public(*EVERY_NAME))
    for octets in (b"", b"\x30", b"\x30\x82\xff\xff", good[:200], b"\0" * 40):
        assert told(web((octets, issuing))) == at_quay3("web-malformed")


def test_a_malformed_ca_certificate_is_named() -> None:
    first, issuing = with_public(public(*EVERY_NAME))
    result = web((first, cut(issuing)))
    (finding,) = [f for f in result.findings if f.rule == "web-malformed"]
    assert finding.certificates == (facts_of(cut(issuing)).sha256,)


# ---------------------------------------------------------------- ends of CAs


def under(end: timedelta, **leaf: Any) -> Chain:
    issuing = make(
        "Ending Issuing",
        ca(PUBLIC_ROOT),
        ca=True,
        begins=AT - timedelta(days=700),
        days=700 + end / timedelta(days=1),
    )
    made = make(HOSTS[2], issuing, names=EVERY_NAME, more=[timestamps(3)], **leaf)
    return made.der, issuing.der


def test_a_ca_that_ends_inside_the_window() -> None:
    result = web(under(timedelta(days=365)))
    assert told(result) == at_quay3("web-anchor-expiring")
    assert (result.findings[0].verdict, result.findings[0].due) == (
        Verdict.DUE,
        AT + timedelta(days=365),
    )
    assert told(web(under(timedelta(days=365, seconds=1)))) == []
    narrow = plan(windows=Windows(anchor_days=30))
    assert told(web(under(timedelta(days=365)), narrow)) == []


def test_a_ca_that_ends_before_a_renewal_would_is_a_note_when_it_is_far() -> None:
    near = plan(windows=Windows(anchor_days=30))
    result = web(under(timedelta(days=100), days=150), near)
    assert (told(result), noted(result)) == ([], [("web-anchor-expiring", WEB3)])
    result = web(under(timedelta(days=151), days=150), near)
    assert (told(result), noted(result)) == ([], [])


def test_what_is_no_ca_is_not_told_as_a_ca_that_ends() -> None:
    """A server's certificate stands for a CA: that is the cause, and its own end is beside it."""
    server = make("portal.northpier.example", ca(PUBLIC_ISSUING, PUBLIC_ROOT), days=90)
    made = make(HOSTS[2], server, names=EVERY_NAME, more=[timestamps(3)])
    result = web((made.der, server.der, ca(PUBLIC_ISSUING, PUBLIC_ROOT).der))
    assert told(result) == at_quay3("web-path-invalid")


# ---------------------------------------------------------------- dated distrust

WINDING = "OU=ePKI Root Certification Authority,O=Chunghwa Telecom Co.\\, Ltd.,C=TW"


def under_winding(first_seen: datetime) -> Assessment:
    subject = x509.Name.from_rfc4514_string(WINDING)
    root = make(subject, ca=True, begins=AT - timedelta(days=900), days=4000)
    leaf = make(HOSTS[2], root, names=EVERY_NAME, more=[timestamps(3, first_seen)])
    store = roots("programme", root)
    own = trust()
    known = replace(
        own,
        public=(*own.public, store),
        web=(*own.web, store),
        staff=(*own.staff, store),
        node=(*own.node, store),
    )
    return web((leaf.der,), plan(trust=known))


def test_a_root_that_its_programme_distrusts_from_a_date_on() -> None:
    """Chrome Root Program, announcement on Chunghwa Telecom and Netlock: after 2025-07-31 UTC."""
    before = under_winding(datetime(2025, 7, 31, 23, 59, 59, tzinfo=UTC))
    assert told(before) == at_quay3("web-root-winding-down")
    assert before.findings[0].verdict is Verdict.DUE
    after = under_winding(datetime(2025, 8, 1, tzinfo=UTC))
    assert told(after) == at_quay3("web-root-winding-down")
    assert after.findings[0].verdict is Verdict.WARNED
    assert after.findings[0].clients == ("chromium-web",)


def test_the_dates_speak_of_roots_that_are_still_shipped() -> None:
    """When the last of them has left the set, the data can go."""
    shipped = public_roots().certificates
    subjects = {facts_of(der).subject for der in shipped}
    assert set(BY_NAME["chromium-web"].winding_down) & subjects


# ---------------------------------------------------------------- folding


def test_a_weak_key_under_a_certificate_that_has_to_go_anyway_is_no_second_finding() -> None:
    made = Workshop(
        [Blueprint(label="own", common_name=HOSTS[2], names=EVERY_NAME, key="RSA-1024", ends=100)],
        AT,
    )
    result = web((made["own"].der,))
    assert told(result) == at_quay3("web-self-signed")
    assert "web-weak-key" in folded(result)
