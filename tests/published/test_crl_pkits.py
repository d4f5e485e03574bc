"""Lists of revoked certificates against NIST PKITS 1.0.1: sections 4.4, and what of 4.5 and 4.7 is
about lists (vectors/pkits.json). Which tests apply is in `pkits.py`; `conftest.py` counts them.

A path is accepted if the examination finds nothing and every certificate below the anchor is known
to be good.
"""

import pytest

from probe.judge.authority.model import Status
from tests.published.pkits import BY_LIST, TESTS, Test, problems, statuses

ACCEPTED = {Status.GOOD}

# What OpenSSL's codes (x509_vfy.h) mean here: revoked (23); everything else (no list, an expired
# one, a bad signature, no cRLSign, an unknown critical extension) leaves the status unknown.
REVOKED = 23


def test_the_group_is_all_there() -> None:
    assert len(BY_LIST) == 26
    assert sum(test["expected"] == "valid" for test in BY_LIST) == 6


@pytest.mark.parametrize("test", BY_LIST, ids=lambda test: test["id"])
def test_pkits_list(test: Test) -> None:
    good = set(statuses(test)) <= ACCEPTED and not problems(test)
    assert good is (test["expected"] == "valid"), (test["name"], statuses(test))


@pytest.mark.parametrize(
    "test", [one for one in BY_LIST if one["expected"] == "invalid"], ids=lambda test: test["id"]
)
def test_certificate_and_reason_of_a_refusal_by_list(test: Test) -> None:
    """vectors/pkits.json, openssl_observed: code and depth of each refusal."""
    found = statuses(test)
    codes = {error["code"]: error["depth"] for error in test["openssl_observed"]["errors"]}
    # 4.4.21: the key that signed the list was revoked (code 54: the path of the list itself).
    if REVOKED in codes and 54 not in codes:
        assert found[codes[REVOKED]] is Status.REVOKED
    else:
        assert found[min(codes.values())] is Status.UNKNOWN


@pytest.mark.parametrize(
    "test",
    [one for one in TESTS if one["number"].startswith("4.14.") and one["expected"] == "invalid"],
    ids=lambda test: test["id"],
)
def test_no_refusal_is_accepted_where_lists_are_not_supported(test: Test) -> None:
    """4.14: lists by distribution points' names and indirect ones. Of no certificate that the list
    of another kind revokes is it said that it is good."""
    assert set(statuses(test)) != ACCEPTED
