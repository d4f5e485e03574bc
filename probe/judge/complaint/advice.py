"""What to tell the person. Only where it is known to be safe to go on, the answer is yes."""

from collections.abc import Sequence

from probe.assessment import Finding, Verdict
from probe.complaint import Advice, Cause, Recognised, Standing, Whose
from probe.judge.complaint.recognised import Ours
from probe.judge.complaint.understood import Understood
from probe.observation.model import Endpoint

_HARMLESS = frozenset(
    {
        "expired",
        "not-yet-valid",
        "private-root",
        "chain-incomplete",
        "chain-disordered",
        "chain-differs",
        "leaf-differs",
        "root-differs",
        "half-renewed",
        "name-mismatch",
        "name-unexpected",
        "name-uncovered",
        "common-name-only",
        "no-alternative-names",
        "lifetime-too-long",
        "too-few-timestamps",
    }
)
"""Faults with which a server whose certificate is known by its fingerprint is that server all the
same. Not among them: whatever means that somebody else may have its key, or may read along; and
what leads to no root of the plan, as nobody but the way there vouches for that."""

_SHARED_KEY = frozenset(
    {
        "revoked",
        "key-unproven",
        "weak-key",
        "weak-signature",
        "path-invalid",
        "malformed",
        "wrong-purpose",
        "intercepted",
    }
)
"""Faults of a certificate with which its fingerprint vouches for nobody, whatever was complained
of, and however little clients mind them."""

_FELT = frozenset({Verdict.BLOCKED, Verdict.WARNED})

_STAY = "Please do not go on, and do not enter a password there."


def advice(
    taken: Understood,
    causes: Sequence[Cause],
    found: Recognised,
    known: Ours,
    findings: Sequence[Finding],
) -> Advice:
    """Return two plain sentences, and whether it is safe to go on.

    `findings` are all that are known now, whether those words mean them or not.
    """
    confirmed = [c for c in causes if c.standing is Standing.CONFIRMED and not c.then]
    if found.whose is Whose.UNKNOWN:
        return Advice(
            (
                "Stop: what answered you shows a certificate that is not known to be ours, so it"
                " may be somebody else's server.",
                "Do not go on and enter no password; if you have already, change it from another"
                " network, and tell us where you are.",
            ),
            safe=False,
            why="The certificate on the screen is none that is known to be ours.",
        )
    reason = _unsafe(confirmed, found, known, findings)
    if reason is None:
        return Advice(
            (
                "The certificate on your screen is ours, and what is wrong with it is our mistake.",
                "You can go on this once, as long as the fingerprint is the one that you read out.",
            ),
            safe=True,
            why="By its fingerprint it is the certificate that our server shows, and what is wrong"
            " with it gives nobody else a hold.",
        )
    if taken.client_side:
        return Advice(
            (
                _said(taken, causes, confirmed, found),
                "Whether it was our network is not known, so accept no certificate that is shown to"
                " you meanwhile.",
            ),
            safe=False,
            why="The words do not say whose server it was.",
        )
    if taken.nothing_shown:
        return Advice(
            (
                _said(taken, causes, confirmed, found),
                "Nothing answered you as it should, so there is nothing to accept or to go on to.",
            ),
            safe=False,
            why="No certificate was shown that could be accepted.",
        )
    return Advice((_said(taken, causes, confirmed, found), _STAY), safe=False, why=reason)


def _unsafe(
    confirmed: list[Cause], found: Recognised, known: Ours, findings: Sequence[Finding]
) -> str | None:
    """Return why it is not safe to go on; None: it is."""
    if found.whose is Whose.NOT_TOLD:
        return "Nobody knows yet whose certificate is on the screen: its fingerprint would tell."
    if found.whose is Whose.FITS:
        return "What was told can stand in anybody's certificate: the fingerprint would tell."
    if not known.asked:
        return "Our servers were not asked now, so nobody knows that they still show it."
    if not set(found.certificates) & known.leaves:
        if found.nodes or set(found.certificates) & known.roots:
            return (
                "No server of ours was seen to have its key, and without that anybody can send it"
                " along, as he can a CA's."
            )
        return "The certificate was ours, and none of our servers was seen to show it now."
    if not confirmed:
        return "What is wrong was not found, so nothing says that it is harmless."
    for cause in confirmed:
        if cause.rule.partition("-")[2] not in _HARMLESS:
            return _HOLD
    if of_others(confirmed, found, findings):
        return "What was found is of another certificate, so what is wrong with this is not known."
    if any(_gives_a_hold(finding, found) for finding in findings):
        return _HOLD
    return None


def of_others(causes: Sequence[Cause], found: Recognised, findings: Sequence[Finding]) -> bool:
    """Whether a certificate of ours was shown, and causes were found of which none is about it."""
    confirmed = {c.finding for c in causes if c.standing is Standing.CONFIRMED and not c.then}
    about = [set(one.certificates) for one in findings if one.id in confirmed]
    shown = set(found.certificates)
    return found.whose is Whose.OURS and bool(about) and not any(shown & one for one in about)


_HOLD = "With what was found, somebody else may be able to read along."


def _gives_a_hold(finding: Finding, found: Recognised) -> bool:
    """Whether a finding on the very certificate that was shown is more than our mistake."""
    if not set(finding.certificates) & set(found.certificates):
        return False
    rules = [finding.rule, *(one.rule for one in finding.folded)]
    tails = {rule.partition("-")[2] for rule in rules}
    return bool(tails & _SHARED_KEY) or (finding.verdict in _FELT and not tails <= _HARMLESS)


def _said(
    taken: Understood, causes: Sequence[Cause], confirmed: list[Cause], found: Recognised
) -> str:
    if confirmed:
        return "We have found a fault on our side, and pass it on to be put right."
    if any(cause.then and cause.fixed_since is not None for cause in causes):
        return "It was a fault on our side, which has been put right: please try again."
    if taken.reach.page is not None and not taken.reach.page_known:
        return "That page is none of those that we know, so we cannot say who answers there."
    if taken.client_side:
        return "The network wants to know your device, and does not accept what it shows of itself."
    if any(cause.standing is Standing.POSSIBLE for cause in causes):
        return "We have not found the cause yet, and are still looking."
    if found.whose is Whose.OURS:
        return "The certificate is one of ours, and what you saw is not explained by what we found."
    it = "We have found nothing on our servers that explains this, so it may be your device or"
    if taken.endpoints == (Endpoint.EAP,):
        return f"{it} another network."
    return f"{it} another page or network."
