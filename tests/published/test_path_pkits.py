"""Path validation against NIST PKITS 1.0.1: every accept or refuse, and the reason of each refusal.

Which tests apply and which do not, and why, is in `pkits.py`; `conftest.py` prints it.
"""

import pytest

from tests.published.pkits import (
    APPLYING,
    BY_LIST,
    TESTS,
    UNREADABLE,
    UNSUPPORTED,
    Test,
    not_run,
    problems,
)

# What OpenSSL's codes (x509_vfy.h) mean in the words of RFC 5280: where it refuses with such a
# code, we refuse by one of these clauses.
CODES = {
    7: {"RFC 5280, 6.1.3 (a)(1)"},  # certificate signature failure
    9: {"RFC 5280, 6.1.3 (a)(2)"},  # certificate is not yet valid
    10: {"RFC 5280, 6.1.3 (a)(2)"},  # certificate has expired
    20: {"RFC 5280, 6.1 (a)"},  # unable to get local issuer certificate
    25: {"RFC 5280, 6.1.4 (l), (m)"},  # path length constraint exceeded
    32: {"RFC 5280, 6.1.4 (n)"},  # key usage does not include certificate signing
    34: {"RFC 5280, 6.1.5 (f)"},  # unhandled critical extension, of a leaf
    42: {"RFC 5280, 6.1.4 (a)"},  # invalid or inconsistent policy extension: a mapped anyPolicy
    43: {"RFC 5280, 6.1.3 (f)", "RFC 5280, 6.1.5 (g)"},  # no explicit policy
    47: {"RFC 5280, 6.1.3 (b), (c)"},  # permitted subtree violation
    48: {"RFC 5280, 6.1.3 (b), (c)"},  # excluded subtree violation
    79: {"RFC 5280, 6.1.4 (k)", "RFC 5280, 6.1.4 (n)"},  # invalid CA certificate
}

POLICY_DEPTHS = {
    "4.8.2.2": 1,
    "4.8.3.2": 1,
    "4.8.3.3": 1,
    "4.8.8": 1,
    "4.8.9": 1,
    "4.12.3.2": 1,
    "4.12.8": 1,
}
"""Depths of refusals by policy other than the leaf's. OpenSSL processes policies of the path as a
whole and always gives depth 0; RFC 5280, 6.1.3 (f) refuses at the first certificate after which no
policy is left, which is the one to change. All else agrees in depth and reason."""


def test_the_groups_are_all_there() -> None:
    assert len(TESTS) == 249
    assert {test["section"] for test in TESTS if test["section"] in UNSUPPORTED} == set(UNSUPPORTED)
    assert len(APPLYING) == 178
    assert sum(test["expected"] == "invalid" for test in APPLYING) == 89
    assert all(not_run(test) or test in BY_LIST for test in TESTS if test not in APPLYING)


@pytest.mark.parametrize("test", APPLYING, ids=lambda test: test["id"])
def test_pkits(test: Test) -> None:
    found = problems(test)
    if test["id"] in UNREADABLE:
        assert "cannot be checked" in found[0].says
        return
    assert (not found) is (test["expected"] == "valid"), (test["name"], found)


REFUSED = [test for test in APPLYING if test["expected"] == "invalid"]


@pytest.mark.parametrize("test", REFUSED, ids=lambda test: test["id"])
def test_certificate_and_reason_of_a_refusal(test: Test) -> None:
    """vectors/pkits.json, openssl_observed: code and depth of each refusal."""
    ours = {(problem.depth, problem.clause) for problem in problems(test)}
    for error in test["openssl_observed"]["errors"]:
        depth = error["depth"]
        if error["code"] == 43:
            depth = POLICY_DEPTHS.get(test["id"], 0)
        assert any((depth, clause) in ours for clause in CODES[error["code"]]), (
            test["name"],
            error,
            ours,
        )
