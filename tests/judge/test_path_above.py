"""What a witness remembers of the way above a leaf changes no answer: each is the one that it gives
when nothing is remembered, whatever other leaves were asked about before.
"""

from collections.abc import Iterable, Iterator
from datetime import timedelta

import pytest
from cryptography import x509
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.certificate.extensions import NAME_CONSTRAINTS
from probe.judge.path import witness
from probe.judge.path.witness import Answer, ask_library, ask_openssl
from probe.judge.trust import AnchorSet
from tests.judge.pki import AT, Made, authority, ders, make, name, trusting
from tests.judge.test_path_engines import CASES, HOST, ISSUING, LEAF, LIMITED, ROOT, leaf
from tests.published.pkits import APPLYING, CERTIFICATES

Chain = tuple[bytes, ...]


def forget(*, above: bool) -> None:
    ask_openssl.cache_clear()
    ask_library.cache_clear()
    if above:
        witness._remembered.cache_clear()


def answers(chain: Chain, anchors: AnchorSet) -> tuple[Answer, Answer]:
    return ask_openssl(chain, anchors, AT), ask_library(chain, anchors, AT, HOST)


def alone(chain: Chain, anchors: AnchorSet) -> tuple[Answer, Answer]:
    forget(above=True)
    return answers(chain, anchors)


def one_after_another(chains: Iterable[Chain], anchors: AnchorSet) -> list[tuple[Answer, Answer]]:
    forget(above=True)
    return [answers(chain, anchors) for chain in chains]


# ---------------------------------------------------------------- leaves of all kinds

BLOCKS = x509.ObjectIdentifier("1.3.6.1.5.5.7.1.7")
"""Address blocks (RFC 3779, 2.2.1): those of a leaf must be within those of each CA above."""
TEN = x509.UnrecognizedExtension(BLOCKS, bytes.fromhex("300c300a04020001300403 02000a"))
ELEVEN = x509.UnrecognizedExtension(BLOCKS, bytes.fromhex("300c300a04020001300403 02000b"))
PROXY = x509.UnrecognizedExtension(
    x509.ObjectIdentifier("1.3.6.1.5.5.7.1.14"), bytes.fromhex("300c300a06082b06010505071501")
)
"""A proxy certificate (RFC 3820, 3.8), which makes the path above longer."""

NARROW_ROOT = authority(
    "Narrow Root", more=[(x509.NameConstraints([x509.DNSName("harbour.example")], None), True)]
)
BELOW_NARROW = authority("Below Narrow", NARROW_ROOT)
TEN_ROOT = authority("Ten Root", more=[(TEN, False)])
BELOW_TEN = authority("Below Ten", TEN_ROOT, more=[(TEN, False)])
ELEVEN_BELOW_TEN = authority("Eleven Below Ten", TEN_ROOT, more=[(ELEVEN, False)])
FLAT_ROOT = authority("Flat Root", path_length=1)
BELOW_FLAT_ROOT = authority("Below Flat Root", FLAT_ROOT)
LAST = authority("Last", BELOW_FLAT_ROOT)
NAMESAKE = authority("Northpier Issuing", ROOT, key_label="another key")

ISSUERS = {
    **{label: (case.chain[1:], case.anchors) for label, case in CASES.items()},
    "names limited by the root": ((BELOW_NARROW,), (NARROW_ROOT,)),
    "addresses limited": ((BELOW_TEN,), (TEN_ROOT,)),
    "addresses limited otherwise": ((ELEVEN_BELOW_TEN,), (TEN_ROOT,)),
    "path length of the root": ((BELOW_FLAT_ROOT,), (FLAT_ROOT,)),
    "path length of the root broken": ((LAST, BELOW_FLAT_ROOT), (FLAT_ROOT,)),
    "two of one name": ((ISSUING, NAMESAKE), (ROOT,)),
    "two of one name, the other first": ((NAMESAKE, ISSUING), (ROOT,)),
    "one of them an anchor": ((ISSUING,), (NAMESAKE, ROOT)),
    "the issuer is an anchor": ((ISSUING,), (ISSUING, ROOT)),
}


def leaves(issuer: Made) -> Iterator[Made]:
    """Yield leaves of one issuer: good ones, and one for each thing that can be wrong with them."""
    yield leaf(issuer)
    yield leaf(issuer, key_label="another key")
    yield leaf(issuer, days=29)
    yield leaf(issuer, begins=AT + timedelta(seconds=1))
    yield leaf(issuer, signed_with="somebody else")
    yield leaf(issuer, critical=["1.3.6.1.4.1.55555.1"])
    yield leaf(issuer, purposes=None)
    yield leaf(issuer, key_ids=False)
    yield leaf(issuer, ca=True)
    yield leaf(issuer, strong=True)
    yield leaf(issuer, rsa_leaf=True)
    for block in (TEN, ELEVEN, PROXY):
        yield leaf(issuer, more=[(block, block is PROXY)])
    for names in (["x.example"], ["a.harbour.example", HOST]):
        yield make("x", issuer, names=names)
    # One of its issuer's name, of the issuer's key too, and of a root's name.
    for own in (issuer.certificate.subject, ROOT.certificate.subject, name("Narrow Root")):
        yield make(own, issuer, names=[HOST])
        yield make(own, issuer, names=[HOST], key_label="another key")


@pytest.mark.parametrize("label", ISSUERS)
def test_no_leaf_is_answered_otherwise_for_those_before_it(label: str) -> None:
    rest, anchors = ISSUERS[label]
    trusted = trusting(*anchors)
    issuers = {made.sha: made for made in (ISSUING, *rest, *anchors)}.values()
    chains = [ders(one, *rest) for issuer in issuers for one in leaves(issuer)]
    chains += [ders(one, *rest) for one in rest]
    apart = [alone(chain, trusted) for chain in chains]
    assert one_after_another(chains, trusted) == apart
    assert one_after_another(reversed(chains), trusted) == apart[::-1]


def test_what_was_accepted_elsewhere_or_once_stands_for_nothing() -> None:
    """One leaf was accepted; the next of its issuer is asked about by other roots, at another time,
    and without the issuer."""
    old_root = authority("Old Root", days=375)
    issuing = authority("Below Old", old_root)
    roots = trusting(old_root)
    first, second = leaf(issuing), leaf(issuing)
    cases = [
        (ders(first, issuing), roots, AT, "accepts"),
        (ders(second, issuing), trusting(ROOT), AT, "refuses"),
        (ders(second, issuing), roots, AT + timedelta(days=30), "refuses"),
        (ders(second), roots, AT, "refuses"),
        (ders(second, issuing), roots, AT, "accepts"),
    ]
    forget(above=True)
    for chain, trusted, at, verdict in cases:
        assert ask_openssl(chain, trusted, at).verdict == verdict
        assert ask_library(chain, trusted, at, HOST).verdict == verdict


def test_another_name_is_refused_by_who_looks_at_names() -> None:
    roots = trusting(ROOT)
    first, second = (make(host, ISSUING, names=[host]) for host in (HOST, "x.example"))
    forget(above=True)
    assert ask_library(ders(first, ISSUING), roots, AT, HOST).verdict == "accepts"
    assert ask_library(ders(second, ISSUING), roots, AT, HOST).verdict == "refuses"
    assert ask_library(ders(second, ISSUING), roots, AT, "x.example").verdict == "accepts"


def test_what_a_ca_demands_of_leaves_would_be_seen_to_be_lost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The twin: were name constraints left out of what is looked at, answers would differ."""
    kept = make("x", BELOW_NARROW, names=["till.harbour.example"])
    chains = [ders(one, BELOW_NARROW) for one in (kept, leaf(BELOW_NARROW))]
    roots = trusting(NARROW_ROOT)
    apart = [alone(chain, roots) for chain in chains]
    assert [openssl.verdict for openssl, _ in apart] == ["accepts", "refuses"]
    monkeypatch.setattr(witness, "_OF_ITSELF", witness._OF_ITSELF | {NAME_CONSTRAINTS})
    assert one_after_another(chains, roots) != apart


@pytest.mark.parametrize("rest", [(ISSUING,), (LIMITED,)], ids=["issuing", "limited"])
def test_it_is_remembered_where_nothing_is_demanded(rest: tuple[Made, ...]) -> None:
    roots = trusting(ROOT)
    chain = ders(make("x", rest[0], names=["x.harbour.example"]), *rest)
    forget(above=True)
    assert ask_openssl(chain, roots, AT).verdict == "accepts"
    assert ask_library(chain, roots, AT, "x.harbour.example").verdict == "accepts"
    expected = (ISSUING.der,) if rest == (ISSUING,) else ()
    for engine in (witness.OPENSSL, witness.LIBRARY):
        assert witness._above(engine, chain, roots, AT).issuer == expected


# ---------------------------------------------------------------- others' certificates, and junk


def test_pkits_is_answered_alike_in_any_order() -> None:
    """NIST PKITS 1.0.1: its leaves stand under a few CAs, many of which demand something."""
    for anchor in sorted({test["trust_anchor"] for test in APPLYING}):
        roots = AnchorSet("pkits", [(CERTIFICATES / anchor).read_bytes()])
        chains = [
            tuple((CERTIFICATES / served).read_bytes() for served in test["chain"])
            for test in APPLYING
            if test["trust_anchor"] == anchor
        ]
        apart = [alone(chain, roots) for chain in chains]
        assert one_after_another(chains, roots) == apart
        assert one_after_another(reversed(chains), roots) == apart[::-1]
    assert witness._remembered.cache_info().hits > 100


@given(data=st.data())
@settings(max_examples=300, deadline=None, derandomize=True)
def test_damaged_leaves_are_answered_alike(data: st.DataObject) -> None:
    octets = bytearray(LEAF.der)
    for _ in range(data.draw(st.integers(1, 3))):
        octets[data.draw(st.integers(0, len(octets) - 1))] = data.draw(st.integers(0, 255))
    roots = trusting(ROOT)
    chain = (bytes(octets), ISSUING.der)
    apart = alone(chain, roots)
    assert one_after_another([ders(LEAF, ISSUING), chain], roots)[1] == apart
