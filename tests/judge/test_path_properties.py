"""Random PKIs: healthy ones in any served order trouble nobody; with one defect that one is named.

Derandomized: every run draws the same PKIs, so that a failure is the change's and not the day's.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from cryptography import x509
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.assessment import Verdict
from probe.judge.path import Explanation, clauses, explain_path
from probe.plan.model import FAMILIES
from tests.judge.pki import AT, CLIENT, SERVER, Made, authority, ders, make, trusting
from tests.judge.world import (
    GUEST,
    HOSTS,
    PRIVATE_ROOT,
    PUBLIC_ROOT,
    RADIUS,
    ca,
    judged,
    plan,
    seen,
)

HOST = HOSTS[2]
OID = x509.ObjectIdentifier
POLICY = x509.CertificatePolicies([x509.PolicyInformation(OID("1.3.6.1.4.1.55555.9"), None)])
PERMITTED = x509.NameConstraints([x509.DNSName("northpier.example")], None)
BOUNDED = settings(max_examples=100, deadline=None, derandomize=True)


@dataclass(frozen=True)
class Hierarchy:
    """A root, the CA certificates below it from the lowest to the highest, and their looks."""

    root: Made
    authorities: tuple[Made, ...]
    crossed: tuple[Made, ...]
    """Further certificates of the root's or a CA's name and key, that are as good."""


@st.composite
def hierarchies(
    draw: st.DrawFn, root: Made, *, at_least: int = 0, **changes_of_lowest: Any
) -> Hierarchy:
    depth = draw(st.integers(at_least, 3))
    issuer, found = root, []
    for level in reversed(range(depth)):
        more: list[tuple[x509.ExtensionType, bool]] = []
        if draw(st.booleans()):
            more.append((POLICY, draw(st.booleans())))
        if draw(st.booleans()):
            more.append((PERMITTED, True))
        options: dict[str, Any] = {
            "path_length": draw(st.sampled_from([None, level, level + 2])),
            "days": draw(st.integers(400, 4_000)),
            "more": more,
        }
        if level == 0:
            options.update(changes_of_lowest)
        issuer = authority(f"Northpier Level {depth}.{level}", issuer, **options)
        found.append(issuer)
    crossed = []
    if draw(st.booleans()):
        crossed.append(authority(_name(root), OTHER_ANCHOR, key_label=root_label(root)))
    if found and draw(st.booleans()):
        # A renewal of the lowest CA certificate, with the same key.
        upper = found[-2] if len(found) > 1 else root
        crossed.append(authority(_name(found[-1]), upper, days=3_000))
    return Hierarchy(root, tuple(reversed(found)), tuple(crossed))


def _name(made: Made) -> str:
    return str(made.certificate.subject.get_attributes_for_oid(x509.NameOID.COMMON_NAME)[0].value)


def root_label(root: Made) -> str:
    return root.certificate.subject.rfc4514_string()


OTHER_ANCHOR = authority("Older Anchor")


@st.composite
def healthy_chains(draw: st.DrawFn, root: Made, names: Sequence[str]) -> tuple[Made, ...]:
    of = draw(hierarchies(root))
    issuer = of.authorities[0] if of.authorities else root
    leaf = make(
        draw(st.sampled_from([names[0], "anything"])),
        issuer,
        names=names,
        days=draw(st.integers(61, 90)),
        more=[(POLICY, False)] if draw(st.booleans()) else [],
    )
    rest = [*of.authorities, *of.crossed]
    if draw(st.booleans()):
        rest.append(root)
    return leaf, *draw(st.permutations(rest))


ROOT = authority("Random Root")


def explain(
    chain: Sequence[Made],
    *,
    family: str = "chromium-web",
    anchors: Sequence[Made] = (ROOT, OTHER_ANCHOR),
    extra: Sequence[Made] = (),
    host: str = HOST,
) -> Explanation:
    return explain_path(
        ders(*chain),
        name=host,
        anchors=trusting(*anchors),
        family=family,
        at=AT,
        extra=ders(*extra),
    )


# ---------------------------------------------------------------- healthy ones


@given(healthy_chains(ROOT, [HOST]), st.sampled_from(FAMILIES))
@BOUNDED
def test_a_healthy_chain_in_any_order_is_good(chain: tuple[Made, ...], family: str) -> None:
    explanation = explain(chain, family=family)
    assert explanation.problems == ()
    assert explanation.complete
    assert explanation.disagreements == ()
    assert explanation.disorder is None
    openssl, library = explanation.witnesses
    assert openssl.verdict == "accepts"
    assert library.verdict == "accepts" or library.own_rule


@given(
    healthy_chains(ca(PUBLIC_ROOT), [*HOSTS, GUEST]),
    healthy_chains(ca(PRIVATE_ROOT), [RADIUS]),
)
@settings(BOUNDED, max_examples=25)
def test_a_healthy_cluster_in_any_order_keeps_nobody_out(
    web: tuple[Made, ...], eap: tuple[Made, ...]
) -> None:
    of = plan()
    survey = seen(of, web={"web/": ders(*web)}, eap={"eap/": ders(*eap)})
    hard = {Verdict.BLOCKED, Verdict.WARNED}
    assert [f.says for f in judged(of, survey).findings if f.verdict in hard] == []


# ---------------------------------------------------------------- one defect


@dataclass(frozen=True)
class Broken:
    """A chain with one defect, and what it has to be called."""

    chain: tuple[Made, ...]
    kind: str
    clause: str
    certificate: Made
    anchors: tuple[Made, ...] = (ROOT,)
    extra: tuple[Made, ...] = ()


def _chain(of: Hierarchy, **changes: Any) -> tuple[Made, ...]:
    leaf = make(HOST, of.authorities[0], **{"names": [HOST], **changes})
    return leaf, *of.authorities


def at_leaf(kind: str, clause: str, **changes: Any) -> Callable[[st.DrawFn], Broken]:
    def broken(draw: st.DrawFn) -> Broken:
        chain = _chain(draw(hierarchies(ROOT, at_least=1)), **changes)
        return Broken(chain, kind, clause, chain[0])

    return broken


def at_authority(
    kind: str, clause: str, *, fault_at: int = 1, **changes: Any
) -> Callable[[st.DrawFn], Broken]:
    def broken(draw: st.DrawFn) -> Broken:
        of = draw(hierarchies(ROOT, at_least=1, **changes))
        chain = _chain(of)
        return Broken(chain, kind, clause, chain[fault_at])

    return broken


def too_long(draw: st.DrawFn) -> Broken:
    narrow = authority("Northpier Narrow", ROOT, path_length=0)
    of = draw(hierarchies(narrow, at_least=1))
    return Broken((*_chain(of), narrow), "path-invalid", clauses.PATH_LENGTH, narrow)


def unknown_root(draw: st.DrawFn) -> Broken:
    of = draw(hierarchies(ROOT, at_least=1))
    chain = (*_chain(of), ROOT)
    return Broken(chain, "unknown-root", clauses.ANCHORED, ROOT, anchors=(OTHER_ANCHOR,))


def self_signed(_: st.DrawFn) -> Broken:
    leaf = make(HOST, names=[HOST])
    return Broken((leaf,), "self-signed", clauses.ANCHORED, leaf)


def missing(draw: st.DrawFn) -> Broken:
    of = draw(hierarchies(ROOT, at_least=1))
    chain = _chain(of)
    gone = draw(st.sampled_from(of.authorities))
    served = tuple(made for made in chain if made is not gone)
    return Broken(served, "chain-incomplete", clauses.CHAINING, gone, extra=(gone,))


DEFECTS: dict[str, Callable[[st.DrawFn], Broken]] = {
    "leaf expired": at_leaf("expired", clauses.VALIDITY, days=29),
    "leaf not begun": at_leaf("not-yet-valid", clauses.VALIDITY, begins=AT + timedelta(hours=1)),
    "leaf forged": at_leaf("path-invalid", clauses.SIGNATURE, signed_with="somebody else"),
    "leaf for clients": at_leaf("wrong-purpose", clauses.PURPOSE, purposes=[CLIENT]),
    "leaf may not sign": at_leaf("wrong-purpose", clauses.KEY_USAGE, usage=["key_agreement"]),
    "leaf is a CA": at_leaf(
        "wrong-purpose",
        clauses.LEAF_IS_NO_CA,
        ca=True,
        usage=["digital_signature", "key_cert_sign"],
        more=[(x509.ExtendedKeyUsage([SERVER]), False)],
    ),
    "leaf has an unknown critical extension": at_leaf(
        "path-invalid", clauses.CRITICAL_OF_LEAF, critical=["1.3.6.1.4.1.55555.1"]
    ),
    "leaf lacks the name": at_leaf("name-mismatch", clauses.NAME, names=["x.northpier.example"]),
    "issuer expired": at_authority("expired", clauses.VALIDITY, days=364),
    "issuer forged": at_authority("path-invalid", clauses.SIGNATURE, signed_with="somebody else"),
    "issuer may not sign": at_authority(
        "path-invalid", clauses.ISSUER_MAY_SIGN, usage=["digital_signature"]
    ),
    "issuer is for clients": at_authority(
        "wrong-purpose", clauses.PURPOSE, more=[(x509.ExtendedKeyUsage([CLIENT]), False)]
    ),
    "issuer has an unknown critical extension": at_authority(
        "path-invalid", clauses.CRITICAL_OF_ISSUER, critical=["1.3.6.1.4.1.55555.1"]
    ),
    "issuer excludes the name": at_authority(
        "path-invalid",
        clauses.NAME_CONSTRAINTS,
        fault_at=0,
        more=[(x509.NameConstraints(None, [x509.DNSName("northpier.example")]), True)],
    ),
    "issuer demands a policy": at_authority(
        "path-invalid",
        clauses.EXPLICIT_POLICY,
        fault_at=0,
        more=[(x509.PolicyConstraints(0, None), True)],
    ),
    "path too long": too_long,
    "root unknown": unknown_root,
    "its own issuer": self_signed,
    "an intermediate missing": missing,
}


@pytest.mark.parametrize("label", DEFECTS)
@given(data=st.data(), family=st.sampled_from(FAMILIES))
@settings(BOUNDED, max_examples=20)
def test_one_defect_is_named_on_the_right_certificate(
    label: str, data: st.DataObject, family: str
) -> None:
    broken = DEFECTS[label](data.draw)
    leaf, *rest = broken.chain
    chain = (leaf, *data.draw(st.permutations(rest)))
    explanation = explain(chain, family=family, anchors=broken.anchors, extra=broken.extra)
    found = {(p.kind, p.clause, p.certificate) for p in explanation.problems}
    assert found == {(broken.kind, broken.clause, broken.certificate.sha)}
    (problem,) = explanation.problems
    assert problem.depth is not None
    assert explanation.path[problem.depth] == problem.certificate
    assert explanation.disagreements == ()
    assert explanation.disorder is None
