"""Examines one path and names every problem of it (RFC 5280, 6.1), never only the first.

The anchor's dates are no part of path validation (6.1: a name and a key are trusted, not a
certificate), so they are a remark. The limits that an anchor's certificate states (cA, path length,
name constraints) are applied all the same, as engines do and RFC 5937 describes.
Revocation is not looked at here; of CRLs, delta and indirect ones are not supported at all.
"""

from collections.abc import Iterator
from datetime import datetime

from probe.certificate.facts import CertFacts
from probe.judge.path import clauses
from probe.judge.path.build import Candidate, Ends
from probe.judge.path.constraints import violations
from probe.judge.path.model import Kind, Problem, Remark
from probe.judge.path.policies import UNCONSTRAINED, PolicySettings, policy_objections
from probe.judge.path.purpose import Purpose, issuer_objection, leaf_objections

# What this examination, and every client, processes (RFC 5280, 4.2). Of the others that are common
# (addresses of the issuer, stapling, timestamps) the standards say that they must not, or should
# not, be critical; where one is, clients refuse the certificate.
_KNOWN = frozenset(
    {
        "2.5.29.14",  # subjectKeyIdentifier
        "2.5.29.15",  # keyUsage
        "2.5.29.17",  # subjectAltName
        "2.5.29.19",  # basicConstraints
        "2.5.29.30",  # nameConstraints
        "2.5.29.31",  # cRLDistributionPoints
        "2.5.29.32",  # certificatePolicies
        "2.5.29.33",  # policyMappings
        "2.5.29.35",  # authorityKeyIdentifier
        "2.5.29.36",  # policyConstraints
        "2.5.29.37",  # extKeyUsage
        "2.5.29.54",  # inhibitAnyPolicy
    }
)


def path_problems(
    candidate: Candidate,
    purpose: Purpose,
    at: datetime,
    policies: PolicySettings = UNCONSTRAINED,
) -> Iterator[Problem]:
    """Yield every problem of a path but its end, its completeness and the name."""
    path = candidate.certificates
    trusted = candidate.ends is not Ends.NOWHERE
    leaf = path[0]
    for depth, facts in enumerate(path):
        is_anchor = trusted and depth == len(path) - 1
        if not facts.readable:
            yield _invalid(
                facts,
                clauses.STRUCTURE,
                f"the served certificate cannot be read: {facts.oddities[0]}",
            )
            continue
        if not is_anchor or depth == 0:
            yield from _dates(facts, at)
            yield from _strangeness(facts, is_leaf=depth == 0)
        if depth == 0:
            for clause, objection in leaf_objections(facts, purpose, is_anchor=is_anchor):
                yield _problem("wrong-purpose", facts, clause, f"{facts.subject}: {objection}")
        else:
            yield from _as_issuer(candidate, depth, is_anchor=is_anchor)
    if leaf.readable:
        for at_fault, clause, why in violations(path):
            yield _invalid(at_fault, clause, f"{at_fault.subject}: {why}")
        # An anchor is a name and a key: what policies its certificate states is its own affair.
        below = path[:-1] if trusted and len(path) > 1 else path
        for at_fault, clause, why in policy_objections(below, policies):
            yield _invalid(at_fault, clause, f"{at_fault.subject}: {why}")


def remarks(candidate: Candidate, at: datetime) -> Iterator[Remark]:
    """Yield what is to be said of the anchor at the end of a path."""
    anchor = candidate.certificates[-1]
    if candidate.ends is Ends.NOWHERE or len(candidate.certificates) == 1:
        return
    whole = at.replace(microsecond=0)
    if anchor.not_after is not None and whole > anchor.not_after:
        yield Remark(
            "anchor-expired",
            anchor.sha256,
            f"the root {anchor.subject} ended at {_moment(anchor.not_after)}; its dates are no "
            "part of path validation, but some engines look at them",
        )
    if anchor.not_before is not None and whole < anchor.not_before:
        yield Remark(
            "anchor-not-yet-valid",
            anchor.sha256,
            f"the root {anchor.subject} begins at {_moment(anchor.not_before)}; its dates are no "
            "part of path validation, but some engines look at them",
        )


def _dates(facts: CertFacts, at: datetime) -> Iterator[Problem]:
    whole = at.replace(microsecond=0)  # both ends are whole seconds and belong to it (4.1.2.5)
    if facts.not_after is not None and whole > facts.not_after:
        says = f"{facts.subject} ended at {_moment(facts.not_after)}"
        yield _problem("expired", facts, clauses.VALIDITY, says)
    if facts.not_before is not None and whole < facts.not_before:
        says = f"{facts.subject} begins at {_moment(facts.not_before)}"
        yield _problem("not-yet-valid", facts, clauses.VALIDITY, says)


def _strangeness(facts: CertFacts, *, is_leaf: bool) -> Iterator[Problem]:
    if facts.damaged:
        yield _invalid(
            facts,
            clauses.EXTENSION,
            f"{facts.subject}: it cannot be read safely ({', '.join(facts.damaged)})",
        )
    for extension in facts.extensions:
        if extension.critical and extension.oid not in _KNOWN:
            yield _invalid(
                facts,
                clauses.CRITICAL_OF_LEAF if is_leaf else clauses.CRITICAL_OF_ISSUER,
                f"{facts.subject}: the extension {extension.oid} is critical, and clients do not "
                "process it",
            )


def _as_issuer(candidate: Candidate, depth: int, *, is_anchor: bool) -> Iterator[Problem]:
    issuer, subject = candidate.certificates[depth], candidate.certificates[depth - 1]
    signed = candidate.signatures[depth - 1]
    if signed is False:
        yield _invalid(
            subject,
            clauses.SIGNATURE,
            f"{subject.subject}: its signature is not by the key of {issuer.subject}",
        )
    elif signed is None:
        yield _invalid(
            subject,
            clauses.ALGORITHM,
            f"{subject.subject}: its signature ({subject.signature}, key {issuer.key}) cannot be "
            "checked",
        )
    # An anchor may be older than the extension (version 1): the client trusts it as it stands.
    if issuer.is_ca is False or (issuer.is_ca is None and not is_anchor):
        says = f"{issuer.subject}: it issued {subject.subject} and is no CA"
        yield _invalid(issuer, clauses.ISSUER_IS_CA, says)
    if issuer.key_usage is not None and "keyCertSign" not in issuer.key_usage:
        says = f"{issuer.subject}: its key usage does not let it sign certificates"
        yield _invalid(issuer, clauses.ISSUER_MAY_SIGN, says)
    # What is no CA is told of itself, as the cause; it takes no place that a CA would.
    below = sum(
        facts.is_ca is True and not facts.self_issued for facts in candidate.certificates[1:depth]
    )
    if issuer.path_length is not None and below > issuer.path_length:
        yield _invalid(
            issuer,
            clauses.PATH_LENGTH,
            f"{issuer.subject}: {below} CA certificates stand below it, its path length allows "
            f"{issuer.path_length}",
        )
    objection = None if is_anchor else issuer_objection(issuer)
    if objection:
        says = f"{issuer.subject}: {objection}"
        yield _problem("wrong-purpose", issuer, clauses.PURPOSE, says)


def _invalid(facts: CertFacts, clause: str, says: str) -> Problem:
    return _problem("path-invalid", facts, clause, says)


def _problem(kind: Kind, facts: CertFacts, clause: str, says: str) -> Problem:
    return Problem(kind, facts.sha256, says, clause=clause)


def _moment(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M:%S UTC")
