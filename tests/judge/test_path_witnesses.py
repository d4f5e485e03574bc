"""The two witnesses beside the examination: within the table of what each engine could express no
disagreement is tolerated, and one that is provoked is shown.
"""

import ast
from datetime import UTC, datetime, timedelta
from ipaddress import ip_network
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.x509.name import _ASN1Type
from cryptography.x509.oid import NameOID
from hypothesis import given, settings
from hypothesis import strategies as st
from OpenSSL._util import lib  # the queue of errors has no public way to look at it

from probe.certificate.facts import CertFacts, facts_of
from probe.judge.path import Explanation, clauses, explain_path
from probe.judge.path.model import Problem, Testimony
from probe.judge.path.reconcile import EXPRESSIBLE, Examined, reconcile
from probe.judge.path.witness import ask_library, ask_openssl, name_to_ask
from probe.judge.trust import AnchorSet
from tests.judge.pki import AT, CLIENT, Made, authority, ders, make, trusting
from tests.judge.test_path_engines import CASES, HOST, ISSUING, LEAF, OTHER, ROOT, Case, leaf
from tests.published.pkits import TESTS, Test
from tests.published.pkits import explain as explain_pkits

ENGINES = ("OpenSSL", "cryptography")


def explain(
    *chain: Made, anchors: tuple[Made, ...] = (ROOT,), host: str | None = HOST
) -> Explanation:
    return explain_path(
        ders(*chain), name=host, anchors=trusting(*anchors), family="chromium-web", at=AT
    )


def verdicts(explanation: Explanation) -> tuple[Testimony, ...]:
    assert tuple(witness.engine for witness in explanation.witnesses) == ENGINES
    return tuple(witness.verdict for witness in explanation.witnesses)


def own_rules(explanation: Explanation) -> tuple[str | None, ...]:
    return tuple(witness.own_rule for witness in explanation.witnesses)


# ---------------------------------------------------------------- no disagreement


@pytest.mark.parametrize("label", CASES)
def test_no_witness_disagrees_and_both_say_what_they_say_by_themselves(label: str) -> None:
    case: Case = CASES[label]
    explanation = explain(*case.chain, anchors=case.anchors)
    assert explanation.disagreements == ()
    openssl, library = verdicts(explanation)
    assert library == ("accepts" if case.good else "refuses")
    assert openssl == ("accepts" if case.good or case.only == "library" else "refuses")
    assert all(witness.version and witness.says for witness in explanation.witnesses)


@pytest.mark.parametrize("test", TESTS, ids=lambda test: test["id"])
def test_no_witness_disagrees_on_pkits(test: Test) -> None:
    """NIST PKITS 1.0.1, those that need CRLs too: no engine looks at revocation here."""
    assert explain_pkits(test).disagreements == ()


def test_every_clause_stands_in_the_table_once() -> None:
    known = {value for name, value in vars(clauses).items() if name.isupper()}
    assert set(EXPRESSIBLE) == known
    # ... and none is used that is not a clause: problems are made with names of that module only.
    for path in Path(clauses.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.keyword) and node.arg == "clause":
                assert not isinstance(node.value, ast.Constant), path


# ---------------------------------------------------------------- disagreements are shown


def test_a_witness_that_accepts_what_it_should_see_is_a_disagreement() -> None:
    facts = explain(LEAF, ISSUING)
    wrong = Problem("expired", LEAF.sha, "CN=x ended", clause=clauses.VALIDITY)
    heard = reconcile(
        Examined(_path(LEAF, ISSUING, ROOT), True, (wrong,)),
        ders(LEAF, ISSUING),
        anchors=trusting(ROOT),
        at=AT,
        name=HOST,
    )
    assert facts.good
    assert [(d.engine, d.says) for d in heard.disagreements] == [
        (engine, "it accepts the chain, although CN=x ended") for engine in ENGINES
    ]


def test_a_witness_that_refuses_without_a_fault_is_a_disagreement() -> None:
    heard = reconcile(
        Examined(_path(LEAF, ISSUING, ROOT), True, ()),
        ders(LEAF),
        anchors=trusting(OTHER),
        at=AT,
        name=HOST,
    )
    assert [d.engine for d in heard.disagreements] == list(ENGINES)
    assert "unable to get local issuer certificate (depth 0)" in heard.disagreements[0].says


def test_a_refusal_for_another_reason_is_a_disagreement() -> None:
    forged = leaf(ISSUING, signed_with="somebody else")
    wrong = Problem("expired", forged.sha, "CN=x ended", clause=clauses.VALIDITY)
    heard = reconcile(
        Examined(_path(forged, ISSUING, ROOT), True, (wrong,)),
        ders(forged, ISSUING),
        anchors=trusting(ROOT),
        at=AT,
        name=HOST,
    )
    assert [d.says for d in heard.disagreements] == [
        "it refuses the chain for another reason: certificate signature failure (depth 0)"
    ]


def _path(*chain: Made) -> tuple[CertFacts, ...]:
    return tuple(facts_of(made.der) for made in chain)


# ---------------------------------------------------------------- rules of their own


def test_both_look_at_an_anchors_own_dates() -> None:
    """RFC 5280, 6.1: an anchor is a name and a key. Said, and no disagreement."""
    old = authority("Old Root", days=300)
    explanation = explain(make(HOST, old, names=[HOST]), anchors=(old,))
    assert explanation.good
    assert verdicts(explanation) == ("refuses", "refuses")
    assert explanation.disagreements == ()
    assert own_rules(explanation) == (
        "it examines the trust anchor's own certificate too",
        "it examines the trust anchor's dates too",
    )


def test_an_expired_root_beside_a_newer_one_troubles_nobody() -> None:
    old, new = authority("Northpier Root", days=300), ROOT
    for anchors in ((old, new), (new, old)):
        for chain in ((LEAF, ISSUING), (LEAF, ISSUING, old), (LEAF, ISSUING, new)):
            explanation = explain(*chain, anchors=anchors)
            assert explanation.good
            assert explanation.anchor == new.sha
            assert verdicts(explanation) == ("accepts", "accepts")
            assert explanation.remarks == ()


@pytest.mark.parametrize(
    ("made", "rule"),
    [
        (leaf(ISSUING, key_ids=False), "demands an extension that is absent"),
        (
            leaf(ISSUING, purposes=[x509.ObjectIdentifier("2.5.29.37.0")]),
            "it takes serverAuth and no other word",
        ),
        (
            leaf(ISSUING, more=[(x509.InhibitAnyPolicy(0), True)]),
            "it does not process an extension that is critical",
        ),
    ],
)
def test_the_profile_of_the_public_web_is_said_to_be_one(made: Made, rule: str) -> None:
    """A private CA may leave out what the CA/Browser Forum demands of public ones."""
    explanation = explain(made, ISSUING)
    assert explanation.good
    assert explanation.disagreements == ()
    assert verdicts(explanation) == ("accepts", "refuses")
    assert rule in (own_rules(explanation)[1] or "")


def test_names_of_issuers_that_differ_in_case_only() -> None:
    """RFC 5280, 7.1; one engine compares octets."""
    shouting = make("NORTHPIER   issuing", ROOT, ca=True, key_label="CN=Northpier Issuing")
    explanation = explain(make(HOST, shouting, names=[HOST]), ISSUING)
    assert explanation.good
    assert explanation.disagreements == ()
    assert "octet by octet" in (own_rules(explanation)[1] or "")


# ---------------------------------------------------------------- what cannot be asked


def test_the_name_to_ask_about_is_the_leafs_own_if_none_is_opened() -> None:
    wild = make("x", ISSUING, names=["*.northpier.example", HOST])
    address = make("x", ISSUING, names=["192.0.2.7"])
    assert verdicts(explain(wild, ISSUING, host=None)) == ("accepts", "accepts")
    assert verdicts(explain(address, ISSUING, host=None)) == ("accepts", "accepts")
    assert verdicts(explain(make("x", ISSUING), ISSUING, host=None)) == ("accepts", "silent")
    assert name_to_ask(_path(wild)[0], "y.example") == "y.example"


def test_an_unreadable_leaf_makes_both_silent() -> None:
    explanation = explain_path(
        (b"junk", LEAF.der), name=HOST, anchors=trusting(ROOT), family="node", at=AT
    )
    assert verdicts(explanation) == ("silent", "silent")
    assert explanation.disagreements == ()


def test_without_any_root_there_is_nothing_to_disagree_on() -> None:
    explanation = explain(LEAF, ISSUING, anchors=())
    assert verdicts(explanation) == ("refuses", "silent")
    assert explanation.disagreements == ()


def test_witnesses_judge_at_the_time_given() -> None:
    later = datetime(2050, 1, 1, tzinfo=UTC)
    roots = trusting(ROOT)
    chain = ders(LEAF, ISSUING)
    assert (ask_openssl(chain, roots, AT).code, ask_openssl(chain, roots, later).code) == (None, 10)
    assert ask_library(chain, roots, AT, HOST).verdict == "accepts"
    assert ask_library(chain, roots, later, HOST).verdict == "refuses"


def test_openssl_compares_names_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its answer is its own where the examination finds no anchor of a name."""
    monkeypatch.setattr(AnchorSet, "named", lambda _self, _name: ())
    assert ask_openssl(ders(LEAF, ISSUING), trusting(OTHER, ROOT), AT).verdict == "accepts"
    assert ask_openssl(ders(LEAF, ISSUING), trusting(OTHER), AT).verdict == "refuses"


def test_nothing_is_left_in_openssls_queue_of_errors() -> None:
    """A TLS connection of the same thread would take it for its own failure."""
    forged = leaf(ISSUING, signed_with="somebody else")
    assert ask_openssl(ders(forged, ISSUING), trusting(ROOT), AT).code == 7
    assert lib.ERR_peek_error() == 0


@given(data=st.data())
@settings(max_examples=300, deadline=None, derandomize=True)
def test_damaged_chains_get_an_answer(data: st.DataObject) -> None:
    """Octets altered anywhere, so that engines read what no CA ever wrote."""
    case = CASES[data.draw(st.sampled_from(sorted(CASES)))]
    chain = [bytearray(der) for der in ders(*case.chain)]
    for _ in range(data.draw(st.integers(1, 4))):
        octets = data.draw(st.sampled_from(chain))
        octets[data.draw(st.integers(0, len(octets) - 1))] = data.draw(st.integers(0, 255))
    damaged = tuple(bytes(octets) for octets in chain)
    explanation = explain_path(
        damaged, name=HOST, anchors=trusting(*case.anchors), family="node", at=AT
    )
    assert len(explanation.witnesses) == 2
    if explanation.good:
        untouched = {made.sha for made in (*case.chain, *case.anchors)}
        assert set(explanation.path) <= untouched
        assert explanation.disagreements == ()
    assert lib.ERR_peek_error() == 0


# ---------------------------------------------------------------- order

CROSS = "Northpier Crossed"
GOOD = authority(CROSS, ROOT)
ASTRAY = authority(CROSS, OTHER)
CROSS_LEAF = make(HOST, GOOD, names=[HOST])


def test_two_intermediates_of_one_key_the_first_of_which_leads_astray() -> None:
    """OpenSSL takes the first issuer of the name that is served, and does not turn back."""
    explanation = explain(CROSS_LEAF, ASTRAY, GOOD)
    assert explanation.good
    assert verdicts(explanation) == ("refuses", "accepts")
    assert explanation.disagreements == ()
    assert explanation.disorder is not None
    assert (explanation.disorder.serve, explanation.disorder.before) == (GOOD.sha, ASTRAY.sha)
    assert explanation.disorder.engine.startswith("OpenSSL ")
    assert explanation.disorder.says == "unable to get local issuer certificate"


def test_two_intermediates_of_one_name_and_different_keys() -> None:
    other_key = authority("Twin", ROOT, key_label="b", key_ids=False)
    right = authority("Twin", ROOT, key_label="a", key_ids=False)
    made = make(HOST, right, names=[HOST], key_ids=False)
    explanation = explain(made, other_key, right)
    assert explanation.good
    assert explanation.disorder is not None
    assert (explanation.disorder.serve, explanation.disorder.before) == (right.sha, other_key.sha)
    assert explanation.disorder.says == "certificate signature failure"
    assert explain(made, right, other_key).disorder is None


@pytest.mark.parametrize(
    "chain", [(CROSS_LEAF, GOOD, ASTRAY), (CROSS_LEAF, ROOT, GOOD), (CROSS_LEAF, GOOD)]
)
def test_an_order_that_every_client_gets_along_with(chain: tuple[Made, ...]) -> None:
    explanation = explain(*chain)
    assert verdicts(explanation) == ("accepts", "accepts")
    assert explanation.disorder is None


def test_a_chain_that_is_bad_in_any_order_is_not_out_of_order() -> None:
    expired = make(HOST, GOOD, names=[HOST], days=20)
    assert explain(expired, ASTRAY, GOOD).disorder is None
    # What OpenSSL was not asked about does not hide it.
    clients_only = make(HOST, GOOD, names=[HOST], purposes=[CLIENT])
    assert explain(clients_only, ASTRAY, GOOD).disorder is not None


# ---------------------------------------------------------------- name constraints of each kind

PORT = x509.Name([x509.NameAttribute(x509.NameOID.ORGANIZATION_NAME, "Northpier Ferries")])
ELSEWHERE = x509.Name([x509.NameAttribute(x509.NameOID.ORGANIZATION_NAME, "Harbour Board")])


@pytest.mark.parametrize(
    ("permitted", "excluded", "fine"),
    [
        (x509.IPAddress(ip_network("192.0.2.0/24")), None, True),
        (x509.IPAddress(ip_network("198.51.100.0/24")), None, False),
        (None, x509.IPAddress(ip_network("192.0.2.7/32")), False),
        (None, x509.IPAddress(ip_network("192.0.2.8/32")), True),
        (x509.IPAddress(ip_network("2001:db8::/32")), None, False),
        (x509.DNSName("xn--bcher-kva.example"), None, True),
        (None, x509.DNSName("xn--bcher-kva.example"), False),
        (x509.DirectoryName(PORT), None, True),
        (x509.DirectoryName(ELSEWHERE), None, False),
        (None, x509.DirectoryName(PORT), False),
        (None, x509.DirectoryName(ELSEWHERE), True),
    ],
)
def test_constraints_on_addresses_internationalised_and_directory_names(
    permitted: x509.GeneralName | None, excluded: x509.GeneralName | None, *, fine: bool
) -> None:
    """RFC 5280, 4.2.1.10 and 7.2: A-labels are compared as they stand."""
    limits = x509.NameConstraints(
        [permitted] if permitted else None, [excluded] if excluded else None
    )
    limited = authority("Limited Here", ROOT, more=[(limits, True)])
    subject = x509.Name([*PORT, x509.NameAttribute(x509.NameOID.COMMON_NAME, "quay1")])
    made = make(subject, limited, names=["till.xn--bcher-kva.example", "192.0.2.7"])
    explanation = explain(made, limited, host=None)
    assert explanation.disagreements == ()
    assert explanation.good is fine
    assert explanation.witnesses[0].verdict == ("accepts" if fine else "refuses")
    for problem in explanation.problems:
        assert (problem.certificate, problem.depth) == (made.sha, 0)
        assert problem.clause == "RFC 5280, 6.1.3 (b), (c)"


# ---------------------------------------------------------------- anchors that a chain names


def _root(spelling: x509.Name, **more: Any) -> Made:
    """Return a root of one key, whose name is spelt in some way."""
    return make(spelling, ca=True, begins=AT - timedelta(days=365), key_label="one", **more)


def _spelt(text: str, kind: _ASN1Type = _ASN1Type.UTF8String) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text, _type=kind)])


def _long(letter: str) -> x509.Name:
    """Return a name with a value longer than what is folded here; OpenSSL folds it."""
    of_any_length = x509.ObjectIdentifier("2.5.4.13")  # description
    return x509.Name([x509.NameAttribute(of_any_length, letter * 1_100)])


@pytest.mark.parametrize(
    ("usual", "other"),
    [
        # One name in two encodings (RFC 5280, 7.1): of the namesakes the first that will do counts.
        (_spelt("Pier Root"), _spelt("Pier Root", _ASN1Type.PrintableString)),
        (_spelt("Pier Root"), _spelt("PIER  root")),
        (_long("r"), _long("R")),
    ],
)
def test_openssl_says_of_the_anchors_that_a_chain_names_what_it_says_of_all(
    usual: x509.Name, other: x509.Name
) -> None:
    ended, good = _root(usual, days=300), _root(usual, days=3650)
    flat = _root(other, days=3650, path_length=0)
    issuing = authority("Pier Issuing", good)
    chain = ders(make(HOST, issuing, names=[HOST]), issuing)
    # OpenSSL takes the first of them that is in its time.
    flat_first, good_first = trusting(ended, flat, good), trusting(ended, good, flat)
    assert ask_openssl(chain, flat_first, AT).says == "path length constraint exceeded"
    assert ask_openssl(chain, good_first, AT).verdict == "accepts"
