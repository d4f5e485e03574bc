"""NIST PKITS 1.0.1 (vectors/pkits.json; certificates of the cryptography-vectors package,
x509/PKITS_data): which tests apply, and what the examination says of each.
"""

import json
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import cryptography_vectors

from probe.certificate.facts import facts_of
from probe.certificate.pool import Pool
from probe.judge.authority.lists import Body, Lists
from probe.judge.authority.model import Status
from probe.judge.path import Explanation, Problem, explain_path
from probe.judge.path.policies import PolicySettings
from probe.judge.trust import AnchorSet

CERTIFICATES = Path(cryptography_vectors.__file__).parent / "x509/PKITS_data/certs"
LISTS = CERTIFICATES.parent / "crls"
AT = datetime(2026, 6, 1, tzinfo=UTC)
VECTORS = json.loads((Path(__file__).parent / "vectors/pkits.json").read_text("utf-8"))

Test = dict[str, Any]

TESTS: tuple[Test, ...] = tuple(VECTORS["tests"])

ANY_POLICY = "2.5.29.32.0"

BY_LISTS = "Basic Certificate Revocation Tests"
UNSUPPORTED = {
    "Distribution Points": "CRL distribution points and indirect CRLs are not supported",
    "Delta-CRLs": "delta CRLs are not supported",
}
"""Sections that are not run."""

UNREADABLE = {
    "4.1.5": "refused, though valid: a DSA key that inherits its parameters is not supported; no"
    " engine at hand confirmed the test either (vectors/pkits.json)",
}
"""Tests that apply and do not agree. Never a refusal that is accepted."""


def not_run(test: Test) -> str | None:
    """Return why a test does not apply; None if it does."""
    return UNSUPPORTED.get(test["section"])


def by_list(test: Test) -> bool:
    """Whether a test is about lists of revoked certificates."""
    invalid = test["needs_crl"] and test["expected"] == "invalid"
    return test["section"] == BY_LISTS or (invalid and not_run(test) is None)


BY_LIST = tuple(test for test in TESTS if by_list(test))
"""Those that are about lists: 4.4, and some of 4.5 and 4.7."""

APPLYING = tuple(test for test in TESTS if not_run(test) is None and not by_list(test))
"""Those that paths alone decide."""


def explain(test: Test) -> Explanation:
    """Examine a test's path with its settings."""
    return explain_path(
        tuple((CERTIFICATES / name).read_bytes() for name in test["chain"]),
        name=None,
        anchors=AnchorSet("pkits", [(CERTIFICATES / test["trust_anchor"]).read_bytes()]),
        family="linux-eap",
        at=AT,
        policies=PolicySettings(
            frozenset(
                ANY_POLICY if policy == "anyPolicy" else policy
                for policy in test["initial_policy_set"]
            ),
            explicit=test["initial_explicit_policy"],
            mapping_inhibited=test["initial_policy_mapping_inhibit"],
            any_inhibited=test["initial_inhibit_any_policy"],
        ),
    )


def problems(test: Test) -> list[Problem]:
    """Return what is wrong with the path; PKITS leaves are no servers, so purposes are left out."""
    return [problem for problem in explain(test).problems if problem.kind != "wrong-purpose"]


def statuses(test: Test) -> list[Status]:
    """Return what the lists of a test say of each certificate below the anchor, leaf first."""
    chain = [(CERTIFICATES / name).read_bytes() for name in test["chain"]]
    anchor = (CERTIFICATES / test["trust_anchor"]).read_bytes()
    more = [(CERTIFICATES / name).read_bytes() for name in test["crl_path_certs"]]
    lists = Lists(
        [Body((LISTS / name).read_bytes()) for name in test["crls"]],
        Pool((anchor, *chain, *more)),
        AnchorSet("pkits", [anchor]),
        at=AT,
    )
    path = [facts_of(der) for der in (*chain, anchor)]
    return [lists.status(subject, issuer) for subject, issuer in pairwise(path)]
