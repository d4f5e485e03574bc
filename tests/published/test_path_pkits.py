"""Path validation against NIST PKITS 1.0.1 (vectors/pkits.json; certificates of the
cryptography-vectors package, x509/PKITS_data).

Checked: signature verification, validity periods, name chaining, basic constraints, key usage, name
constraints, self-issued certificates, private extensions, and the tests of the revocation groups
that give their result without any CRL. Not checked, as certificate policies and revocation are not
processed yet: certificate policies, explicit policy, policy mappings, inhibit-mapping, inhibit-any
and the tests that need a CRL.
"""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cryptography_vectors
import pytest

from probe.judge.path import explain_path
from probe.judge.trust import AnchorSet

CERTIFICATES = Path(cryptography_vectors.__file__).parent / "x509/PKITS_data/certs"
VECTORS = json.loads((Path(__file__).parent / "vectors/pkits.json").read_text("utf-8"))

POLICIES = {
    "Certificate Policies",
    "Require Explicit Policy",
    "Policy Mappings",
    "Inhibit Policy Mapping",
    "Inhibit Any Policy",
}
CHECKED = [
    test
    for test in VECTORS["tests"]
    if test["section"] not in POLICIES and not (test["needs_crl"] and test["expected"] == "invalid")
]

# The library reads no DSA key whose parameters are inherited from its issuer; so no engine
# confirmed this test either (vectors/pkits.json, "unconfirmed_by_any_engine").
UNREADABLE = {"4.1.5"}


def problems(test: dict[str, Any]) -> list[str]:
    """Return what is wrong with the path; PKITS leaves are no servers, so purposes are left out."""
    explanation = explain_path(
        tuple((CERTIFICATES / name).read_bytes() for name in test["chain"]),
        name=None,
        anchors=AnchorSet("pkits", [(CERTIFICATES / test["trust_anchor"]).read_bytes()]),
        family="linux-eap",
        at=datetime(2026, 6, 1, tzinfo=UTC),
    )
    return [problem.says for problem in explanation.problems if problem.kind != "wrong-purpose"]


def test_the_groups_are_all_there() -> None:
    assert len(CHECKED) == 115
    assert sum(test["expected"] == "invalid" for test in CHECKED) == 46


@pytest.mark.parametrize("test", CHECKED, ids=lambda test: test["id"])
def test_pkits(test: dict[str, Any]) -> None:
    if test["id"] in UNREADABLE:
        assert "cannot be checked" in problems(test)[0]
        return
    assert (not problems(test)) is (test["expected"] == "valid"), test["name"]


FAULTS = {
    "4.1.2": "signature",
    "4.1.3": "signature",
    "4.2.1": "begins at",
    "4.2.2": "begins at",
    "4.2.5": "ended at",
    "4.2.6": "ended at",
    "4.6.1": "is no CA",
    "4.6.2": "is no CA",
    "4.6.5": "path length",
    "4.7.1": "key usage",
    "4.13.2": "not permitted",
    "4.13.7": "is excluded",
    "4.13.31": "not permitted",
    "4.16.2": "is critical",
}


@pytest.mark.parametrize("number", FAULTS)
def test_the_fault_that_pkits_means_is_the_one_named(number: str) -> None:
    """PKITS 1.0.1: the purpose that each test's description gives."""
    test = next(test for test in VECTORS["tests"] if test["id"] == number)
    assert any(FAULTS[number] in says for says in problems(test)), problems(test)
