"""What is said of a served chain: every problem of its best path, and which path is best."""

from datetime import UTC, datetime, timedelta

import pytest
from cryptography import x509

from probe.judge.explained import Explained
from probe.judge.path import Explanation, explain_path
from probe.judge.trust import AnchorSet
from tests.judge.pki import AT, CLIENT, SERVER, Made, authority, ders, make, name, trusting

HOST = "quay1.northpier.example"
ROOT = authority("Northpier Root")
ISSUING = authority("Northpier Issuing", ROOT)
LEAF = make(HOST, ISSUING, names=[HOST])
OTHER_ROOT = authority("Harbour Public Root")
TRUST = trusting(ROOT)


def explain(
    *chain: Made,
    anchors: AnchorSet = TRUST,
    family: str = "chromium-web",
    host: str | None = HOST,
    at: datetime = AT,
    extra: tuple[Made, ...] = (),
    others: AnchorSet | None = None,
) -> Explanation:
    return explain_path(
        ders(*chain),
        name=host,
        anchors=anchors,
        family=family,
        at=at,
        extra=ders(*extra),
        others=others,
    )


def kinds(explanation: Explanation) -> list[str]:
    return [problem.kind for problem in explanation.problems]


# ---------------------------------------------------------------- good chains


@pytest.mark.parametrize(
    "chain",
    [
        (LEAF, ISSUING),
        (LEAF, ISSUING, ROOT),
        (LEAF, ROOT, ISSUING),
        (LEAF, ISSUING, ISSUING, LEAF),
        (LEAF, OTHER_ROOT, ISSUING),
    ],
    ids=["without root", "with root", "out of order", "doubled", "surplus"],
)
@pytest.mark.parametrize("family", ["chromium-web", "apple-web", "windows-eap", "node"])
def test_a_chain_with_one_good_path_is_good(chain: tuple[Made, ...], family: str) -> None:
    explanation = explain(*chain, family=family)
    assert explanation.good
    assert explanation.complete
    assert explanation.path == (LEAF.sha, ISSUING.sha, ROOT.sha)
    assert explanation.anchor == ROOT.sha
    assert explanation.ends_in == "CN=Northpier Root"
    assert explanation.used_extra == ()
    assert explanation.remarks == ()


def test_an_intermediate_or_a_leaf_may_be_the_anchor() -> None:
    """Apple support 100793: trust may be anchored to leaf, intermediate or root."""
    assert explain(LEAF, ISSUING, anchors=trusting(ISSUING)).path == (LEAF.sha, ISSUING.sha)
    alone = make(HOST, names=[HOST])
    explanation = explain(alone, anchors=trusting(alone))
    assert explanation.good
    assert explanation.path == (alone.sha,)


def test_names_of_issuers_are_compared_without_case_and_spacing() -> None:
    """RFC 5280, 7.1."""
    shouting = make("NORTHPIER   issuing", ROOT, ca=True, key_label="CN=Northpier Issuing")
    leaf = make(HOST, shouting, names=[HOST])
    assert explain(leaf, ISSUING).good


# ---------------------------------------------------------------- where a path ends


def test_a_self_signed_leaf() -> None:
    alone = make(HOST, names=[HOST])
    explanation = explain(alone)
    assert kinds(explanation) == ["self-signed"]
    assert explanation.problems[0].certificate == alone.sha
    assert explanation.anchor is None
    assert explanation.ends_in == f"CN={HOST}"


def test_a_served_root_that_is_nobodys() -> None:
    explanation = explain(LEAF, ISSUING, ROOT, anchors=trusting(OTHER_ROOT))
    assert kinds(explanation) == ["unknown-root"]
    assert explanation.problems[0].certificate == ROOT.sha
    assert "CN=Northpier Root" in explanation.problems[0].says
    assert explanation.path == (LEAF.sha, ISSUING.sha, ROOT.sha)
    assert not explanation.complete


def test_an_issuing_ca_whose_issuer_is_nobodys() -> None:
    explanation = explain(LEAF, ISSUING, anchors=trusting(OTHER_ROOT))
    assert kinds(explanation) == ["unknown-root"]
    assert explanation.problems[0].certificate == ISSUING.sha
    assert explanation.ends_in == "CN=Northpier Root"


def test_a_root_of_another_world_of_the_plan() -> None:
    explanation = explain(LEAF, ISSUING, anchors=trusting(OTHER_ROOT), others=TRUST)
    assert kinds(explanation) == ["private-root"]
    assert explanation.anchor == ROOT.sha
    assert not explanation.complete


def test_a_lone_leaf_is_incomplete_and_names_its_issuer() -> None:
    for chain in ((LEAF,), (LEAF, ROOT), (LEAF, OTHER_ROOT)):
        explanation = explain(*chain)
        assert kinds(explanation) == ["chain-incomplete"]
        assert "CN=Northpier Issuing" in explanation.problems[0].says
        assert explanation.ends_in == "CN=Northpier Issuing"
        assert explanation.used_extra == ()


def test_a_missing_intermediate_that_is_known_is_named() -> None:
    explanation = explain(LEAF, extra=(OTHER_ROOT, ISSUING))
    assert kinds(explanation) == ["chain-incomplete"]
    assert explanation.problems[0].certificate == ISSUING.sha
    assert "CN=Northpier Issuing" in explanation.problems[0].says
    assert explanation.used_extra == (ISSUING.sha,)
    assert explanation.anchor == ROOT.sha
    assert not explanation.complete


def test_two_missing_intermediates_are_both_named_from_the_leaf_on() -> None:
    lower = authority("Northpier Issuing 2", ISSUING)
    leaf = make(HOST, lower, names=[HOST])
    explanation = explain(leaf, extra=(ISSUING, lower))
    assert explanation.used_extra == (lower.sha, ISSUING.sha)
    assert "CN=Northpier Issuing 2 and CN=Northpier Issuing" in explanation.problems[0].says


def test_a_root_need_not_be_served_even_if_nobody_trusts_it() -> None:
    explanation = explain(LEAF, ISSUING, anchors=trusting(OTHER_ROOT), extra=(ROOT,))
    assert kinds(explanation) == ["unknown-root"]
    assert explanation.used_extra == ()


def test_another_root_of_the_same_name_is_not_the_issuer() -> None:
    """RFC 5280, 4.2.1.1: the key identifiers tell them apart."""
    twin = authority("Northpier Root", key_label="another key")
    explanation = explain(LEAF, ISSUING, anchors=trusting(twin))
    assert kinds(explanation) == ["unknown-root"]


# ---------------------------------------------------------------- several paths


def test_of_cross_signed_paths_the_one_without_problems_counts() -> None:
    """The old root's cross-certificate has ended; the new root is trusted and its path is good."""
    crossed = authority("Northpier Root", OTHER_ROOT, days=100)
    both = trusting(OTHER_ROOT, ROOT)
    explanation = explain(LEAF, ISSUING, crossed, anchors=both)
    assert explanation.good
    assert explanation.anchor == ROOT.sha
    only_old = explain(LEAF, ISSUING, crossed, anchors=trusting(OTHER_ROOT))
    assert kinds(only_old) == ["expired"]
    assert only_old.problems[0].certificate == crossed.sha
    assert only_old.path == (LEAF.sha, ISSUING.sha, crossed.sha, OTHER_ROOT.sha)


def test_an_expired_twin_of_an_intermediate_does_no_harm() -> None:
    old = authority("Northpier Issuing", ROOT, days=100)
    for chain in ((LEAF, old, ISSUING), (LEAF, ISSUING, old)):
        assert explain(*chain).good
    assert kinds(explain(LEAF, old)) == ["expired"]


def test_what_is_served_is_preferred_to_what_is_known() -> None:
    """The client sees the expired intermediate, though the valid one is known from elsewhere."""
    old = authority("Northpier Issuing", ROOT, days=100)
    explanation = explain(LEAF, old, extra=(ISSUING,))
    assert kinds(explanation) == ["expired"]
    assert explanation.used_extra == ()
    # Also where the way through what is known would be shorter.
    between = authority("Northpier Between", ROOT)
    longer = authority("Northpier Issuing", between, days=100)
    explanation = explain(LEAF, longer, between, extra=(ISSUING,))
    assert kinds(explanation) == ["expired"]
    assert explanation.used_extra == ()


def test_two_authorities_that_signed_each_other_end() -> None:
    one, two = authority("Ring One"), authority("Ring Two")
    one_by_two = authority("Ring One", two)
    two_by_one = authority("Ring Two", one)
    leaf = make(HOST, one, names=[HOST])
    explanation = explain(leaf, one_by_two, two_by_one)
    assert kinds(explanation) == ["unknown-root"]


# ---------------------------------------------------------------- dates


def test_every_expired_certificate_of_the_path_is_named() -> None:
    issuing = authority("Northpier Issuing", ROOT, days=366)
    leaf = make(HOST, issuing, names=[HOST], days=31)
    explanation = explain(leaf, issuing, at=AT + timedelta(days=2))
    assert kinds(explanation) == ["expired", "expired"]
    assert [problem.certificate for problem in explanation.problems] == [leaf.sha, issuing.sha]


def test_validity_is_inclusive_to_the_second() -> None:
    """RFC 5280, 4.1.2.5: through notAfter, inclusive."""
    first, last = AT - timedelta(days=30), AT + timedelta(days=60)
    assert explain(LEAF, ISSUING, at=first).good
    assert explain(LEAF, ISSUING, at=last).good
    assert explain(LEAF, ISSUING, at=last + timedelta(milliseconds=900)).good
    assert kinds(explain(LEAF, ISSUING, at=last + timedelta(seconds=1))) == ["expired"]
    assert kinds(explain(LEAF, ISSUING, at=first - timedelta(seconds=1))) == ["not-yet-valid"]


def test_an_anchors_dates_are_a_remark_and_no_problem() -> None:
    """RFC 5280, 6.1: an anchor is a name and a key."""
    root = authority("Old Root", days=360)
    leaf = make(HOST, root, names=[HOST])
    explanation = explain(leaf, anchors=trusting(root))
    assert explanation.good
    assert [remark.kind for remark in explanation.remarks] == ["anchor-expired"]
    renewed = authority("Old Root", days=3650)
    assert explain(leaf, anchors=trusting(root, renewed)).remarks == ()


# ---------------------------------------------------------------- purposes


@pytest.mark.parametrize(
    ("family", "expected"),
    [
        ("chromium-web", []),
        ("firefox-web", []),
        ("apple-web", ["wrong-purpose"]),
        ("node", []),
        ("windows-eap", []),
        ("apple-eap", []),
        ("android-eap", []),
    ],
)
def test_an_absent_purpose(family: str, expected: list[str]) -> None:
    """RFC 5216, 5.3; Apple support 103769 for the web."""
    leaf = make(HOST, ISSUING, names=[HOST], purposes=None)
    assert kinds(explain(leaf, ISSUING, family=family)) == expected


def test_an_absent_purpose_before_apples_date() -> None:
    """Apple support 103769: issued after 2019-07-01."""
    begins = datetime(2019, 6, 1, tzinfo=UTC)
    root = authority("Older Root", begins=begins)
    leaf = make(HOST, root, names=[HOST], purposes=None, begins=begins, days=700)
    at = datetime(2020, 1, 1, tzinfo=UTC)
    assert explain(leaf, anchors=trusting(root), family="apple-web", at=at).good


@pytest.mark.parametrize("family", ["chromium-web", "apple-web", "windows-eap", "apple-eap"])
@pytest.mark.parametrize(
    ("purposes", "fine"),
    [
        ([CLIENT], False),
        ([x509.ObjectIdentifier("2.5.29.37.0")], True),
        ([x509.ObjectIdentifier("1.3.6.1.5.5.7.3.14")], False),
        ([x509.ObjectIdentifier("1.3.6.1.5.5.7.3.14"), SERVER], True),
    ],
)
def test_purposes_of_a_leaf(family: str, purposes: list[x509.ObjectIdentifier], fine: bool) -> None:
    """RFC 5280, 4.2.1.12; RFC 5216, 5.3; id-kp-eapOverLAN is for peers (RFC 4334, 2)."""
    leaf = make(HOST, ISSUING, names=[HOST], purposes=purposes)
    explanation = explain(leaf, ISSUING, family=family)
    assert kinds(explanation) == ([] if fine else ["wrong-purpose"])


def test_the_two_gated_purposes_pass_for_apples_supplicant_only() -> None:
    """Apple Security framework source, EAP policy."""
    gated = [x509.ObjectIdentifier("1.3.6.1.4.1.311.10.3.3")]
    leaf = make(HOST, ISSUING, names=[HOST], purposes=gated)
    assert explain(leaf, ISSUING, family="apple-eap").good
    assert kinds(explain(leaf, ISSUING, family="windows-eap")) == ["wrong-purpose"]


def test_a_key_that_may_not_sign_and_a_ca_as_leaf() -> None:
    """RFC 9846, 4.4.2.2 and RFC 5246, 7.4.2; RFC 5280, 4.2.1.9."""
    mute = make(HOST, ISSUING, names=[HOST], usage=["key_agreement"])
    assert kinds(explain(mute, ISSUING)) == ["wrong-purpose"]
    ca = make(HOST, ISSUING, names=[HOST], ca=True, usage=["digital_signature", "key_cert_sign"])
    says = explain(ca, ISSUING).problems[0].says
    assert "CA certificate" in says


def test_an_issuing_ca_for_clients_only() -> None:
    limited = authority(
        "Northpier Devices",
        ROOT,
        more=[(x509.ExtendedKeyUsage([CLIENT]), False)],
    )
    leaf = make(HOST, limited, names=[HOST])
    explanation = explain(leaf, limited)
    assert kinds(explanation) == ["wrong-purpose"]
    assert explanation.problems[0].certificate == limited.sha


# ---------------------------------------------------------------- what else RFC 5280 refuses


def test_a_bad_signature_is_never_good() -> None:
    forged = make(HOST, ISSUING, names=[HOST], signed_with="somebody else")
    explanation = explain(forged, ISSUING)
    assert kinds(explanation) == ["path-invalid"]
    assert explanation.problems[0].certificate == forged.sha
    assert "signature" in explanation.problems[0].says


@pytest.mark.parametrize(
    ("intermediate", "says"),
    [
        (make("Not A CA", ROOT), "is no CA"),
        (make("No Constraints", ROOT, ca=None), "is no CA"),
        (authority("Mute CA", ROOT, usage=["digital_signature"]), "key usage"),
        (authority("Odd CA", ROOT, critical=["1.3.6.1.4.1.55555.1"]), "1.3.6.1.4.1.55555.1"),
    ],
    ids=["cA false", "no basicConstraints", "no keyCertSign", "unknown critical extension"],
)
def test_an_issuer_that_may_not_issue(intermediate: Made, says: str) -> None:
    """RFC 5280, 6.1.4 (k), (n), (o)."""
    leaf = make(HOST, intermediate, names=[HOST])
    explanation = explain(leaf, intermediate)
    invalid = explanation.of_kind("path-invalid")
    assert {problem.certificate for problem in invalid} == {intermediate.sha}
    assert {problem.depth for problem in invalid} == {1}
    assert says in invalid[0].says


def test_a_path_longer_than_an_issuer_allows() -> None:
    """RFC 5280, 6.1.4 (l), (m)."""
    upper = authority("Upper", ROOT, path_length=0)
    lower = authority("Lower", upper)
    leaf = make(HOST, lower, names=[HOST])
    explanation = explain(leaf, lower, upper)
    assert kinds(explanation) == ["path-invalid"]
    assert explanation.problems[0].certificate == upper.sha
    assert explain(make(HOST, upper, names=[HOST]), upper).good


def test_an_issuer_that_is_no_ca_is_the_one_cause() -> None:
    """A server's certificate that signs another one breaks no limit of the CAs above it as well."""
    upper = authority("Upper", ROOT, path_length=0)
    server = make("portal.northpier.example", upper)
    invalid = explain(make(HOST, server, names=[HOST]), server, upper).of_kind("path-invalid")
    assert {problem.certificate for problem in invalid} == {server.sha}


@pytest.mark.parametrize(
    ("permitted", "excluded", "fine"),
    [
        (["northpier.example"], [], True),
        (["harbour.example"], [], False),
        ([], ["quay1.northpier.example"], False),
        ([], ["quay2.northpier.example"], True),
    ],
)
def test_name_constraints(permitted: list[str], excluded: list[str], fine: bool) -> None:
    """RFC 5280, 4.2.1.10."""
    limits = x509.NameConstraints(
        [x509.DNSName(value) for value in permitted] or None,
        [x509.DNSName(value) for value in excluded] or None,
    )
    limited = authority("Limited", ROOT, more=[(limits, True)])
    leaf = make(HOST, limited, names=[HOST])
    explanation = explain(leaf, limited)
    assert kinds(explanation) == ([] if fine else ["path-invalid"])


def test_a_wildcard_is_excluded_with_a_name_that_it_covers() -> None:
    """RFC 5280, 4.2.1.10 is silent on wildcards; one excluded name must not be spoken for."""
    limits = x509.NameConstraints(None, [x509.DNSName("till.northpier.example")])
    limited = authority("Limited", ROOT, more=[(limits, True)])
    wild = make(HOST, limited, names=["*.northpier.example"])
    assert kinds(explain(wild, limited)) == ["path-invalid"]
    aside = make(HOST, limited, names=["*.quay.northpier.example", HOST])
    assert explain(aside, limited).good


def test_a_critical_poison_makes_a_precertificate_useless() -> None:
    """RFC 6962, 3.1."""
    leaf = make(HOST, ISSUING, names=[HOST], more=[(x509.PrecertPoison(), True)])
    assert kinds(explain(leaf, ISSUING)) == ["path-invalid"]


# ---------------------------------------------------------------- all at once


def test_all_problems_are_named_at_once() -> None:
    leaf = make(
        name("quay1"),
        ISSUING,
        names=["old.northpier.example"],
        purposes=[CLIENT],
        days=20,
        critical=["1.3.6.1.4.1.55555.1"],
    )
    explanation = explain(leaf, ISSUING, anchors=trusting(OTHER_ROOT))
    assert sorted(kinds(explanation)) == [
        "expired",
        "name-mismatch",
        "path-invalid",
        "unknown-root",
        "wrong-purpose",
    ]
    assert explanation.match is not None
    assert "old.northpier.example" in explanation.match.why


def test_without_a_name_none_is_checked() -> None:
    explanation = explain(LEAF, ISSUING, host=None)
    assert explanation.good
    assert explanation.match is None
    assert kinds(explain(LEAF, ISSUING, host="quay2.northpier.example")) == ["name-mismatch"]


# ---------------------------------------------------------------- hostile input


def test_junk_in_place_of_certificates() -> None:
    explanation = explain_path(
        (b"junk", LEAF.der), name=HOST, anchors=TRUST, family="chromium-web", at=AT
    )
    assert kinds(explanation) == ["path-invalid"]
    assert explain_path(
        (LEAF.der, b"junk", ISSUING.der, b""), name=HOST, anchors=TRUST, family="node", at=AT
    ).good


def test_many_certificates_of_one_name_end_soon() -> None:
    """A tangle in which everything signed everything: 30 twins of 3 names."""
    labels = ("Tangle A", "Tangle B", "Tangle C")
    roots = {label: authority(label) for label in labels}
    tangle = [
        authority(label, roots[other], days=400 + number)
        for number in range(5)
        for label in labels
        for other in labels
        if other != label
    ]
    leaf = make(HOST, roots["Tangle A"], names=[HOST])
    explanation = explain(leaf, *tangle, extra=tuple(roots.values()))
    assert kinds(explanation) == ["unknown-root"]


def test_more_paths_than_are_tried_are_remarked_on() -> None:
    twins = [authority("Northpier Issuing", ROOT, days=400 + number) for number in range(31)]
    explanation = explain(LEAF, *twins)
    assert explanation.good
    assert [remark.kind for remark in explanation.remarks] == ["search-bounded"]


def levels(count: int) -> tuple[Made, ...]:
    """Return a chain of so many issuing CAs below the root: leaf first, root last."""
    issuers = [ROOT]
    for number in range(count):
        issuers.append(authority(f"Level {number}", issuers[-1]))
    return make(HOST, issuers[-1], names=[HOST]), *reversed(issuers)


def test_a_chain_of_ten_below_a_root_is_good() -> None:
    """RFC 5280, 6.1 knows no length that is too much, and OpenSSL accepts it."""
    chain = levels(9)
    assert len(chain) == 10 + 1
    assert explain(*chain[:-1]).problems == ()


def test_a_chain_longer_than_any_client_follows() -> None:
    explanation = explain(*levels(24))
    assert kinds(explanation) == ["path-invalid"]
    assert "longer" in explanation.problems[0].says
    assert [remark.kind for remark in explanation.remarks] == ["search-bounded"]


def test_our_own_misuse_is_an_error() -> None:
    with pytest.raises(ValueError, match="chain"):
        explain_path((), name=None, anchors=TRUST, family="node", at=AT)
    with pytest.raises(ValueError, match="zone"):
        explain_path((LEAF.der,), name=None, anchors=TRUST, family="node", at=datetime(2026, 1, 1))


# ---------------------------------------------------------------- memory


def test_a_memory_gives_the_same_answer_and_tells_arguments_apart() -> None:
    memory = Explained()

    def ask(family: str = "node", host: str | None = HOST, at: datetime = AT) -> Explanation:
        return memory.explain(ders(LEAF, ISSUING), name=host, anchors=TRUST, family=family, at=at)

    assert ask() == explain(LEAF, ISSUING)
    assert ask() is ask()
    with pytest.raises(ValueError, match="a chain needs a certificate"):
        memory.explain((), name=HOST, anchors=TRUST, family="node", at=AT)
    assert ask(family="firefox-web") is ask()
    assert ask(family="apple-web") is ask()
    assert kinds(ask(host="other.example")) == ["name-mismatch"]
    assert kinds(ask(at=AT + timedelta(days=61))) == ["expired"]
    bare = make("quay1", ISSUING, names=[HOST], purposes=None)
    for family, found in (("node", []), ("apple-web", ["wrong-purpose"]), ("firefox-web", [])):
        one = memory.explain(ders(bare, ISSUING), name=HOST, anchors=TRUST, family=family, at=AT)
        assert kinds(one) == found
        assert one == explain(bare, ISSUING, family=family)
    other = memory.explain(
        ders(LEAF, ISSUING), name=HOST, anchors=trusting(OTHER_ROOT), family="node", at=AT
    )
    assert kinds(other) == ["unknown-root"]
