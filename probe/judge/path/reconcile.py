"""The examination beside its two witnesses: what they could have seen, and where they differ.

The examination's own verdict is the one that is shown. A witness that says otherwise on something
that it could have seen is a disagreement, and always shown: one of the two is then wrong, and a
reader must not be left to believe either. No disagreement is what an engine does not look at (the
table below says what each one could express), what it demands beyond RFC 5280 (said, with the
rule), and a good path that it misses because it does not search for one (`Disorder`).
"""

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from itertools import pairwise

from probe.certificate.facts import CertFacts
from probe.certificate.pool import Pool
from probe.judge.path import clauses
from probe.judge.path.build import LONGEST
from probe.judge.path.model import Disagreement, Disorder, Problem, Witness
from probe.judge.path.purpose import SERVER_AUTH
from probe.judge.path.witness import (
    LIBRARY,
    LIBRARY_VERSION,
    OPENSSL,
    OPENSSL_VERSION,
    Answer,
    ask_library,
    ask_openssl,
    name_to_ask,
)
from probe.judge.trust import AnchorSet
from probe.records import dataclass

_BOTH = frozenset({OPENSSL, LIBRARY})
_NEITHER: frozenset[str] = frozenset()

EXPRESSIBLE: Mapping[str, frozenset[str]] = {
    clauses.CHAINING: _BOTH,
    clauses.ANCHORED: _BOTH,
    clauses.SIGNATURE: _BOTH,
    clauses.VALIDITY: _BOTH,
    clauses.NAME_CONSTRAINTS: _BOTH,
    clauses.ISSUER_IS_CA: _BOTH,
    clauses.PATH_LENGTH: _BOTH,
    clauses.ISSUER_MAY_SIGN: _BOTH,
    clauses.CRITICAL_OF_ISSUER: _BOTH,
    clauses.CRITICAL_OF_LEAF: _BOTH,
    # As called, OpenSSL is told neither purpose nor name.
    clauses.LEAF_IS_NO_CA: frozenset({LIBRARY}),
    clauses.PURPOSE: frozenset({LIBRARY}),
    clauses.NAME: frozenset({LIBRARY}),
    # What one client demands, or no engine looks at.
    clauses.PURPOSE_DEMANDED: _NEITHER,
    clauses.KEY_USAGE: _NEITHER,
    clauses.WILDCARD_EXCLUDED: _NEITHER,
    # OpenSSL leaves policies out as called (`witness.py`); the other engine knows none.
    clauses.EXPLICIT_POLICY: _NEITHER,
    clauses.POLICY_AT_END: _NEITHER,
    clauses.MAPPING_OF_ANY: _NEITHER,
    # They read more, or other, encodings and algorithms, and follow longer paths.
    clauses.STRUCTURE: _NEITHER,
    clauses.EXTENSION: _NEITHER,
    clauses.ALGORITHM: _NEITHER,
    clauses.SEARCH: _NEITHER,
}
"""Clause -> the engines that could object by it."""

EITHER_WAY = frozenset(
    {
        clauses.WILDCARD_EXCLUDED,
        # A policy may stand in an extension that is critical and unknown to the engine.
        clauses.EXPLICIT_POLICY,
        clauses.POLICY_AT_END,
        clauses.MAPPING_OF_ANY,
        clauses.STRUCTURE,
        clauses.EXTENSION,
        clauses.ALGORITHM,
        clauses.SEARCH,
    }
)
"""Clauses of the examination beside which a witness may accept or refuse, for whatever reason: it
reads the very thing otherwise."""

_LEADS = frozenset({clauses.CHAINING, clauses.ANCHORED})
_CODES: Mapping[int, frozenset[str]] = {
    2: _LEADS,  # unable to get issuer certificate
    4: frozenset({clauses.SIGNATURE, clauses.ALGORITHM}),  # unable to decrypt the signature
    6: frozenset({clauses.SIGNATURE, clauses.ALGORITHM}),  # unable to decode issuer public key
    7: frozenset({clauses.SIGNATURE}),  # certificate signature failure
    9: frozenset({clauses.VALIDITY}),  # not yet valid
    10: frozenset({clauses.VALIDITY}),  # expired
    18: _LEADS,  # self-signed certificate
    19: _LEADS,  # self-signed certificate in the chain
    20: _LEADS,  # unable to get local issuer certificate
    21: _LEADS,  # unable to verify the first certificate
    24: frozenset({clauses.ISSUER_IS_CA, clauses.ISSUER_MAY_SIGN}),  # invalid CA certificate
    25: frozenset({clauses.PATH_LENGTH}),
    32: frozenset({clauses.ISSUER_MAY_SIGN}),
    34: frozenset({clauses.CRITICAL_OF_ISSUER, clauses.CRITICAL_OF_LEAF}),
    47: frozenset({clauses.NAME_CONSTRAINTS}),  # permitted subtree violation
    48: frozenset({clauses.NAME_CONSTRAINTS}),  # excluded subtree violation
    79: frozenset({clauses.ISSUER_IS_CA, clauses.ISSUER_MAY_SIGN}),  # invalid CA certificate
}
"""OpenSSL's code (x509_vfy.h) -> the clauses that it stands for."""


@dataclass(frozen=True, slots=True)
class Examined:
    """What the examination found, as far as witnesses are compared with it."""

    path: tuple[CertFacts, ...]
    anchored: bool
    """The last certificate of the path is an anchor."""
    problems: tuple[Problem, ...]


@dataclass(frozen=True, slots=True)
class Reconciled:
    """The witnesses, and how they stand to the examination."""

    witnesses: tuple[Witness, ...]
    disagreements: tuple[Disagreement, ...]
    disorder: Disorder | None


def reconcile(
    examined: Examined,
    chain: tuple[bytes, ...],
    *,
    anchors: AnchorSet,
    at: datetime,
    name: str | None,
) -> Reconciled:
    """Ask both engines about a served chain and compare their answers."""
    openssl = ask_openssl(chain, anchors, at)
    library = ask_library(chain, anchors, at, name_to_ask(examined.path[0], name))
    own = _own_rule_of_openssl(examined, openssl)
    disorder = None
    if openssl.verdict == "refuses" and own is None and not _seen_by(examined, OPENSSL):
        disorder = _disorder(examined, chain, openssl, anchors, at)
    disagreements: list[Disagreement] = []
    if disorder is None:
        disagreements += _openssl_differs(examined, openssl, own)
    library_own = _own_rule_of_library(examined, library)
    disagreements += _differs(examined, LIBRARY, library, library_own)
    return Reconciled(
        (
            Witness(OPENSSL, OPENSSL_VERSION, openssl.verdict, _said(openssl), own),
            Witness(LIBRARY, LIBRARY_VERSION, library.verdict, library.says, library_own),
        ),
        tuple(disagreements),
        disorder,
    )


def _said(answer: Answer) -> str:
    return answer.says if answer.depth is None else f"{answer.says} (depth {answer.depth})"


def _seen_by(examined: Examined, engine: str) -> tuple[Problem, ...]:
    return tuple(p for p in examined.problems if engine in EXPRESSIBLE[p.clause])


def _differs(
    examined: Examined, engine: str, answer: Answer, own_rule: str | None
) -> Iterator[Disagreement]:
    seen = _seen_by(examined, engine)
    free = any(problem.clause in EITHER_WAY for problem in examined.problems)
    if answer.verdict == "accepts" and seen and not free:
        yield Disagreement(engine, f"it accepts the chain, although {seen[0].says}")
    elif answer.verdict == "refuses" and not seen and own_rule is None and not free:
        yield Disagreement(
            engine, f"it refuses the chain, where no fault is found: {_said(answer)}"
        )


def _openssl_differs(
    examined: Examined, answer: Answer, own_rule: str | None
) -> Iterator[Disagreement]:
    yield from _differs(examined, OPENSSL, answer, own_rule)
    meant = _CODES.get(answer.code or 0)
    ours = {problem.clause for problem in examined.problems}
    on_path = any(facts.sha256 == answer.certificate for facts in examined.path)
    # Where it took another path, its reason is that path's.
    if meant and on_path and own_rule is None and _seen_by(examined, OPENSSL) and not ours & meant:
        yield Disagreement(OPENSSL, f"it refuses the chain for another reason: {_said(answer)}")


def _own_rule_of_openssl(examined: Examined, answer: Answer) -> str | None:
    anchor = examined.path[-1]
    if (
        answer.verdict == "refuses"
        and examined.anchored
        and answer.certificate == anchor.sha256
        and not any(problem.certificate == anchor.sha256 for problem in examined.problems)
    ):
        # RFC 5280, 6.1: an anchor is a name and a key.
        return "it examines the trust anchor's own certificate too"
    return None


_Applies = Callable[[Examined], bool]


def _always(_: Examined) -> bool:
    return True


def _anchor_out_of_date(examined: Examined) -> bool:
    return examined.anchored and len(examined.path) > 1


def _anchor_is_old(examined: Examined) -> bool:
    anchor = examined.path[-1]
    usage = anchor.key_usage
    return examined.anchored and (
        anchor.is_ca is None or usage is None or "keyCertSign" not in usage
    )


def _names_are_spelt_otherwise(examined: Examined) -> bool:
    return any(below.issuer_raw != above.subject_raw for below, above in pairwise(examined.path))


def _purpose_by_another_word(examined: Examined) -> bool:
    return SERVER_AUTH not in (examined.path[0].extended_key_usage or ())


_PROFILE = "the profile of the public web (CA/Browser Forum Baseline Requirements, 7.1.2)"
_LIBRARY_RULES: tuple[tuple[str, _Applies, str], ...] = (
    ("missing required extension", _always, f"{_PROFILE} demands an extension that is absent"),
    ("extension must be", _always, f"{_PROFILE} demands another criticality"),
    ("MUST be", _always, f"{_PROFILE} demands another criticality"),
    ("must not be", _always, f"{_PROFILE} forbids what a certificate says"),
    ("must not contain", _always, f"{_PROFILE} forbids what a certificate says"),
    ("must contain", _always, f"{_PROFILE} demands what a certificate does not say"),
    ("prohibited extension", _always, f"{_PROFILE} forbids an extension"),
    ("serial", _always, f"{_PROFILE} limits the serial number"),
    ("must be an X509v3", _always, "it takes certificates of version 3 only"),
    ("Forbidden public key algorithm", _always, "it takes the keys of the public web only"),
    ("Forbidden signature algorithm", _always, "it takes the signatures of the public web only"),
    ("key size", _always, "it takes RSA keys of 2048 bits and more only"),
    ("modulus", _always, "it takes RSA keys of 2048 bits and more only"),
    ("unaccounted-for critical", _always, "it does not process an extension that is critical"),
    ("unsupported", _always, "it does not process name constraints of this kind"),
    ("malformed", _always, "it does not compare names of this form with name constraints"),
    ("exceeds max depth", _always, "it follows paths of eight CA certificates at most"),
    (
        "no interior errors",
        _names_are_spelt_otherwise,
        "it compares names of issuers octet by octet (RFC 5280, 7.1 folds case and spaces)",
    ),
    ("required EKU not found", _purpose_by_another_word, "it takes serverAuth and no other word"),
    ("cert is not valid at", _anchor_out_of_date, "it examines the trust anchor's dates too"),
    ("keyUsage.keyCertSign", _anchor_is_old, "it examines the trust anchor's key usage too"),
    ("basicConstraints", _anchor_is_old, "it examines the trust anchor's constraints too"),
)
"""Part of its message, when that is a rule of its own (it reads as one of ours otherwise), and the
rule in words. `_differs` asks only where the examination found nothing that it could express."""


def _own_rule_of_library(examined: Examined, answer: Answer) -> str | None:
    if answer.verdict != "refuses" or _seen_by(examined, LIBRARY):
        return None
    for part, applies, rule in _LIBRARY_RULES:
        if part.lower() in answer.says.lower() and applies(examined):
            return rule
    return None


def _disorder(
    examined: Examined,
    chain: tuple[bytes, ...],
    openssl: Answer,
    anchors: AnchorSet,
    at: datetime,
) -> Disorder | None:
    """Return what to serve before what, if the good path alone would be accepted."""
    served = Pool(chain)
    ordered = tuple(
        served.by_sha[facts.sha256] for facts in examined.path if facts.sha256 in served
    )
    if not examined.path[0].readable or ask_openssl(ordered, anchors, at).verdict != "accepts":
        return None
    place = {sha256: number for number, sha256 in enumerate(served.by_sha)}
    on_path = {facts.sha256 for facts in examined.path}
    for facts in examined.path[1:LONGEST]:
        if facts.sha256 not in place:
            continue
        for der in served.named(facts.subject_raw):
            other = next(sha256 for sha256, found in served.by_sha.items() if found == der)
            if other not in on_path and place[other] < place[facts.sha256]:
                engine = f"{OPENSSL} {OPENSSL_VERSION}"
                return Disorder(facts.sha256, other, engine, openssl.says)
    return None
