"""What supplicants were really given against what is served; each case has a twin that is sound."""

import hashlib
from pathlib import Path

import pytest
from cryptography import x509

from probe.assessment import Does, Finding, Verdict
from probe.certificate.facts import facts_of
from probe.judge.given import Given, unmet
from probe.plan.model import Client, Demand, Eap, Expects, Matching, Plan, Profile, Setup
from probe.records import replace
from tests.judge.pki import Made, make
from tests.judge.world import (
    FOREIGN_ROOT,
    NODES,
    PRIVATE_ROOT,
    PUBLIC_ROOT,
    RADIUS,
    Chain,
    ca,
    clients,
    eap_chain,
    folded,
    host,
    judged,
    nodes,
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

ROOT = ca(PRIVATE_ROOT)
NAME, ANCHOR = "profile-name-missing", "profile-anchor-missing"
THIRD = ("quay3",)


def sha1(made: Made) -> str:
    return hashlib.sha1(made.der, usedforsecurity=False).hexdigest()


def apple(*names: str, anchors: tuple[Made, ...] = (ROOT,), prompts: bool = False) -> Profile:
    wanted = tuple((name, Matching.NAME) for name in names)
    expects = Expects(
        (Demand("TLSTrustedServerNames", wanted),) if names else (),
        "PayloadCertificateAnchorUUID",
        tuple(made.der for made in anchors),
        prompts=prompts,
        ssids=("Northpier",),
    )
    return Profile(Path("given/staff.mobileconfig"), "apple-eap", (expects,))


def windows(
    *names: tuple[str, Matching], prints: tuple[str, ...] = (sha1(ROOT),), prompts: bool = False
) -> Profile:
    expects = Expects(
        (Demand("ServerNames", names),) if names else (),
        "TrustedRootCA",
        thumbprints=prints,
        prompts=prompts,
    )
    return Profile(Path("given/staff.xml"), "windows-eap", (expects,))


def linux(*demands: Demand, anchors: tuple[Made, ...] = (ROOT,), **more: bool) -> Profile:
    expects = Expects(demands, "ca-cert", tuple(made.der for made in anchors), **more)
    return Profile(Path("given/staff.nmconnection"), "linux-eap", (expects,))


SUFFIX = Demand("domain-suffix-match", (("northpier.example", Matching.SUFFIX),))
THREE = (apple(RADIUS), windows((RADIUS, Matching.NAME)), linux(SUFFIX))


def given_out(*profiles: Profile, **changes: object) -> Plan:
    return plan(profiles=profiles, **changes)


def only(of: Plan, eap: dict[str, Chain] | None = None) -> Finding:
    assessment = judged(of, seen(of, eap=eap or {}))
    (finding,) = assessment.findings
    return finding


def does(finding: Finding) -> dict[str, Does]:
    return {reaction.client: reaction.does for reaction in finding.reactions}


# ---------------------------------------------------------------- healthy


def test_three_profiles_that_fit_give_no_finding() -> None:
    of = given_out(*THREE)
    assessment = judged(of, seen(of))
    assert told(assessment) == []
    assert noted(assessment) == []


def test_profiles_go_before_the_plans_own_names() -> None:
    """The plan expects another name, and every supplicant on site has a profile that fits."""
    of = given_out(
        *THREE,
        clients=clients("apple-eap", "windows-eap", "linux-eap"),
        nodes=nodes(eap=Eap(expected_names=("old.northpier.example",))),
    )
    assert told(judged(of, seen(of))) == []
    without = replace(of, profiles=THREE[:2])
    assert only(without).rule == "eap-name-unexpected"
    assert only(without).clients == ("linux-eap",)


def test_profiles_go_before_the_plans_own_roots() -> None:
    foreign = ca(FOREIGN_ROOT)
    chain = make(RADIUS, foreign, names=(RADIUS,)).der, foreign.der
    of = given_out(
        apple(RADIUS, anchors=(ROOT, foreign)), clients=clients("apple-eap", "windows-eap")
    )
    found = judged(of, seen(of, eap={"eap/": chain}))
    assert [(f.rule, f.clients) for f in found.findings] == [("eap-unknown-root", ("windows-eap",))]


# ---------------------------------------------------------------- names


def test_a_name_that_a_profile_lacks() -> None:
    of = given_out(windows(("eap.northpier.example", Matching.NAME)), *THREE[:1], *THREE[2:])
    finding = only(of)
    assert (finding.rule, finding.verdict, finding.nodes) == (NAME, Verdict.BLOCKED, NODES)
    assert finding.endpoint.value == "eap"
    assert does(finding) == {"windows-eap": Does.REFUSES}
    assert finding.says.endswith(
        '"radius.northpier.example", which has no name that ServerNames in staff.xml expects'
        " (eap.northpier.example)."
    )
    assert (
        "put radius.northpier.example under ServerNames in staff.xml, and give the profile out"
        in finding.remedy
    )
    assert "staff.xml, ServerNames: no entry is eap.northpier.example" in finding.evidence[0].value


def test_a_pattern_is_nothing_to_put_into_a_certificate() -> None:
    asked = windows((r"^nps[0-9]*\.northpier\.example$", Matching.PATTERN))
    finding = only(given_out(asked, clients=clients("windows-eap")))
    assert "issued again with a name as ^nps[0-9]*" in finding.remedy


def test_names_in_profiles_are_enough_under_a_public_root() -> None:
    """RFC 9190, 2.2: a public root without a name to match accepts anybody's certificate."""
    of = given_out(
        *THREE,
        clients=clients("apple-eap", "windows-eap", "linux-eap"),
        trust=replace(trust(), eap=trust().public),
        nodes=nodes(eap=Eap()),
    )
    by_name = tuple(
        replace(p, expects=(replace(p.expects[0], anchors=(), thumbprints=(), system_roots=True),))
        for p in of.profiles
    )
    chain = with_public(public(RADIUS, days=80))
    of = replace(of, profiles=by_name)
    assert told(judged(of, seen(of, eap={"eap/": chain}))) == []
    bare = replace(by_name[1], expects=(replace(by_name[1].expects[0], demands=()),))
    of = replace(of, profiles=(by_name[0], bare, by_name[2]))
    rules = {f.rule: f.clients for f in judged(of, seen(of, eap={"eap/": chain})).findings}
    assert set(rules) == {"eap-public-root"}


def test_a_prompt_makes_it_a_warning() -> None:
    """[MS-GPWL] 2.2.3.2.8: where prompts are not disabled, the user is asked."""
    asked = windows(("eap.northpier.example", Matching.NAME), prompts=True)
    finding = only(given_out(asked, clients=clients("windows-eap")))
    assert (finding.verdict, does(finding)) == (Verdict.WARNED, {"windows-eap": Does.WARNS})


def test_a_certificate_may_take_the_prompt_away() -> None:
    """Microsoft, EAP changes in Windows 11: with policy 1.3.6.1.4.1.40808.1.3.1 it just fails."""
    oid = x509.ObjectIdentifier("1.3.6.1.4.1.40808.1.3.1")
    policy = x509.CertificatePolicies([x509.PolicyInformation(oid, None)])
    chain = with_private(private(RADIUS, more=((policy, False),)))
    asked = windows(("eap.northpier.example", Matching.NAME), prompts=True)
    finding = only(given_out(asked, clients=clients("windows-eap")), {"eap/": chain})
    assert (finding.rule, finding.verdict) == (NAME, Verdict.BLOCKED)


def test_without_exceptions_an_apple_client_refuses() -> None:
    """Apple's schema: with names or anchors the dialogue is off unless exceptions are allowed."""
    of = given_out(apple("eap.northpier.example"), clients=clients("apple-eap"))
    assert only(of).verdict is Verdict.BLOCKED
    asked = replace(of, profiles=(apple("eap.northpier.example", prompts=True),))
    assert only(asked).verdict is Verdict.WARNED


def test_a_profile_also_decides_what_an_expired_certificate_does() -> None:
    chain = with_private(private(RADIUS, days=1))
    of = plan(clients=clients("apple-eap"))
    assert only(of, {"quay3": chain}).verdict is Verdict.WARNED
    assert only(replace(of, profiles=(apple(RADIUS),)), {"quay3": chain}).verdict is Verdict.BLOCKED


def test_profiles_with_one_cause_are_one_finding() -> None:
    chain = with_private(private(host("quay3")))
    of = given_out(*THREE[:2], clients=clients("apple-eap", "windows-eap"))
    assessment = judged(of, seen(of, eap={"quay3": chain}))
    assert told(assessment) == [(NAME, "eap", THIRD, None)]
    (finding,) = assessment.findings
    assert finding.clients == ("windows-eap", "apple-eap")
    assert (
        "ServerNames in staff.xml and TLSTrustedServerNames in staff.mobileconfig" in finding.says
    )
    assert folded(assessment) == ["eap-leaf-differs"]


def test_what_the_plan_expects_too_is_one_finding() -> None:
    """Android has no profile here: its finding explains that of the profile."""
    chain = with_private(private(host("quay3")))
    of = given_out(*THREE[:2], clients=clients("apple-eap", "windows-eap", "android-eap"))
    assessment = judged(of, seen(of, eap={"quay3": chain}))
    assert told(assessment) == [("eap-name-unexpected", "eap", THIRD, None)]
    assert sorted(folded(assessment)) == ["eap-leaf-differs", NAME]


def test_another_name_than_the_plan_expects_stands_alone() -> None:
    chain = with_private(private(host("quay3")))
    of = given_out(apple("eap.northpier.example"), clients=clients("apple-eap", "android-eap"))
    found = told(judged(of, seen(of, eap={"eap/": chain})))
    assert sorted(found) == [
        ("eap-name-unexpected", "eap", NODES, None),
        (NAME, "eap", NODES, None),
    ]


def test_other_networks_of_a_file_are_left_out() -> None:
    """The same file may hold a network of another organisation."""
    profile = apple(RADIUS)
    visitors = replace(
        apple("radius.elsewhere.example").expects[0], ssids=("Elsewhere",), anchors=()
    )
    both = replace(profile, expects=(*profile.expects, visitors))
    of = given_out(both, clients=clients("apple-eap"))
    assert only(of).rule == NAME
    here = Eap(expected_names=(RADIUS,), ssid="Northpier")
    named = replace(of, eap=here)
    assert told(judged(named, seen(named))) == []


def test_a_profile_that_looks_at_no_certificate_minds_nothing() -> None:
    blind = linux(Demand("domain-match", (("x.example", Matching.EXACT),)), validates=False)
    of = given_out(blind, clients=clients("linux-eap"))
    assert told(judged(of, seen(of))) == []


# ---------------------------------------------------------------- anchors


def test_an_anchor_that_a_profile_lacks() -> None:
    of = given_out(apple(RADIUS), windows(prints=("ab" * 20,)), linux(SUFFIX))
    finding = only(of)
    assert (finding.rule, finding.verdict, finding.nodes) == (ANCHOR, Verdict.BLOCKED, NODES)
    assert does(finding) == {"windows-eap": Does.REFUSES}
    assert finding.says.endswith(
        'leads to the root "Northpier Root", and that is not under TrustedRootCA in staff.xml.'
    )
    assert f"(SHA-1 {sha1(ROOT)}, SHA-256 {ROOT.sha})" in finding.remedy
    assert finding.evidence[0].value == (
        f"staff.xml, TrustedRootCA: it holds thumbprint {'ab' * 20} only"
    )


def test_an_apple_profile_with_an_older_root() -> None:
    older = ca("Northpier Root of old")
    finding = only(given_out(apple(RADIUS, anchors=(older,)), clients=clients("apple-eap")))
    assert finding.rule == ANCHOR
    assert 'it holds "Northpier Root of old" only' in finding.evidence[0].value


def test_an_anchor_may_be_any_certificate_of_an_apple_chain() -> None:
    """Apple support 100793: trust may be anchored to the leaf, an intermediate or a root."""
    for der in eap_chain():
        profile = apple(RADIUS)
        anchored = replace(profile, expects=(replace(profile.expects[0], anchors=(der,)),))
        of = given_out(anchored, clients=clients("apple-eap"))
        assert told(judged(of, seen(of))) == []


@pytest.mark.parametrize(("place", "rule"), [(0, None), (1, ANCHOR)], ids=["leaf", "intermediate"])
def test_a_windows_thumbprint_is_of_the_root_or_the_leaf(place: int, rule: str | None) -> None:
    """Microsoft, EAP changes in Windows 11."""
    digest = hashlib.sha1(eap_chain()[place], usedforsecurity=False).hexdigest()
    of = given_out(windows(prints=(digest,)), clients=clients("windows-eap"))
    assert [f.rule for f in judged(of, seen(of)).findings] == ([rule] if rule else [])


def test_a_wrong_chain_is_told_once_and_not_by_the_profiles() -> None:
    foreign = ca(FOREIGN_ROOT)
    chain = make(RADIUS, foreign, names=(RADIUS,)).der, foreign.der
    of = given_out(*THREE, clients=clients("apple-eap", "windows-eap", "linux-eap"))
    finding = only(of, {"quay3": chain})
    assert finding.rule == "eap-unknown-root"
    assert set(does(finding).values()) == {Does.REFUSES}


def test_nodes_that_moved_to_a_root_that_a_profile_lacks() -> None:
    """The plan has both roots, the profile the old one: why roots differ is no cause of its own."""
    newer = ca("Northpier Root of tomorrow")
    both = replace(trust(), eap=(*trust().eap, roots("newer.pem", newer)))
    chain = make(RADIUS, newer, names=(RADIUS,)).der, newer.der
    of = given_out(apple(RADIUS), trust=both, clients=clients("apple-eap"))
    assessment = judged(of, seen(of, eap={"quay3": chain}))
    assert told(assessment) == [(ANCHOR, "eap", THIRD, None)]
    by_hand = replace(of, clients=(*of.clients, *clients(by_hand=("windows-eap",))))
    assert told(judged(by_hand, seen(by_hand, eap={"quay3": chain}))) == [
        (ANCHOR, "eap", THIRD, None),
        ("eap-leaf-differs", "eap", THIRD, None),
    ]
    twin = replace(of, profiles=(apple(RADIUS, anchors=(ROOT, newer)),))
    rules = [found.rule for found in judged(twin, seen(twin, eap={"quay3": chain})).findings]
    assert ANCHOR not in rules


def test_system_roots_are_those_of_the_organisations_devices() -> None:
    of = given_out(linux(SUFFIX, anchors=(), system_roots=True), clients=clients("linux-eap"))
    assert told(judged(of, seen(of))) == []
    public_only = replace(of, trust=replace(trust(), staff=(roots("public", ca(PUBLIC_ROOT)),)))
    assert only(public_only).rule == ANCHOR


# ---------------------------------------------------------------- how names are compared


@pytest.mark.parametrize(
    ("family", "wanted", "how", "dns", "met"),
    [
        # Apple's schema has "wpa.*.example.com" as its own example.
        ("apple-eap", "wpa.*.example.com", Matching.NAME, "wpa.north.example.com", True),
        ("apple-eap", "wpa.*.example.com", Matching.NAME, "wpa.a.b.example.com", False),
        ("apple-eap", "*.example.com", Matching.NAME, "*.example.com", False),
        # Microsoft's own example: nps1 and nps2, by "nps*.example.com".
        ("windows-eap", "nps*.example.com", Matching.PATTERN, "nps1.example.com", True),
        ("windows-eap", "nps*.example.com", Matching.PATTERN, "radius.example.com", False),
        ("windows-eap", r".*\.example\.com", Matching.PATTERN, "a.example.com", True),
        ("windows-eap", r"^radius[0-9]*$", Matching.PATTERN, "radius.example.com", False),
        ("windows-eap", "RADIUS.example.com", Matching.NAME, "radius.example.com", True),
        # The supplicant's reference: "example.com would match test.example.com but would not
        # match test-example.com"; domain_match: "Example.com" matches "example.com", but not
        # "test.Example.com".
        ("linux-eap", "example.com", Matching.SUFFIX, "test.example.com", True),
        ("linux-eap", "example.com", Matching.SUFFIX, "test-example.com", False),
        ("linux-eap", "Example.com", Matching.EXACT, "example.com", True),
        ("linux-eap", "example.com", Matching.EXACT, "test.Example.com", False),
        ("linux-eap", "DNS:server.example.com", Matching.ALTERNATIVE, "server.example.com", True),
        (
            "linux-eap",
            "EMAIL:server.example.com",
            Matching.ALTERNATIVE,
            "server.example.com",
            False,
        ),
        # subject_match: a substring of "/C=US/.../CN=Test AS".
        ("linux-eap", "/CN=server.ex", Matching.SUBJECT, "server.example.com", True),
        ("linux-eap", "/O=Northpier", Matching.SUBJECT, "server.example.com", False),
    ],
)
def test_names_are_compared_as_published(
    family: str, wanted: str, how: Matching, dns: str, met: bool
) -> None:
    facts = facts_of(make(dns, names=(dns,)).der)
    one = Given("x", family, Expects((Demand("key", ((wanted, how),)),)))
    assert (not list(unmet(facts, one))) is met


def test_every_demand_must_be_met_and_one_of_its_names_is_enough() -> None:
    facts = facts_of(make("a.example", names=("a.example",)).der)
    good = Demand("domain-match", (("b.example", Matching.EXACT), ("a.example", Matching.EXACT)))
    bad = Demand("altsubject-matches", (("DNS:b.example", Matching.ALTERNATIVE),))
    found = list(unmet(facts, Given("x", "linux-eap", Expects((good, bad)))))
    assert [demand for demand, _ in found] == [bad]


def test_a_client_by_hand_has_no_profile() -> None:
    by_hand = (Client("apple-eap", Setup.BY_HAND),)
    of = given_out(apple("eap.northpier.example"), clients=by_hand)
    assert told(judged(of, seen(of))) == []
