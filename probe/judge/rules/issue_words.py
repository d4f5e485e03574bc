"""What is said of certificates that break what is published for their date of issue, and of those
that a parser refuses."""

from collections.abc import Callable, Mapping

from probe.judge.case import Case
from probe.judge.objections import RENEWAL
from probe.judge.requirements import lifetime_limit
from probe.judge.rules.certificate_words import Said, Sentence, leaf, restart, serving
from probe.judge.standing import Standing
from probe.judge.words import called, clip, day, listing, quoted_name
from probe.observation.model import Endpoint


def _at_fault(case: Case, said: Said) -> tuple[str, bool]:
    """Return "quay1 serves the certificate x", with the CA certificate at fault if it is one, and
    whether it is."""
    says = f"{serving(said)} {leaf(case, said)}"
    if said.at_fault and said.at_fault[0] not in said.leaves:
        return f"{says} under the CA certificate {called(case.facts[said.at_fault[0]])}", True
    return says, False


def _weak_key(case: Case, said: Said) -> Sentence:
    says, by_authority = _at_fault(case, said)
    key = clip(case.facts[said.at_fault[0]].key)
    wanted = "a key of RSA 2048 bits or more, or of P-256 or P-384"
    if by_authority:
        remedy = f"Import a certificate of a CA with {wanted} on {listing(said.nodes)}"
    else:
        remedy = f"Make {wanted}, have a certificate issued for it, import it with the key on"
        remedy += f" {listing(said.nodes)}"
    joined = "has" if by_authority or len(said.leaves) == 1 else "have"
    return Sentence(f"{says}, which {joined} the weak key {key}.", f"{remedy}, {restart(said)}.")


def _weak_signature(case: Case, said: Said) -> Sentence:
    says, by_authority = _at_fault(case, said)
    name = clip(case.facts[said.at_fault[0]].signature)
    verb = "is" if by_authority or len(said.leaves) == 1 else "are"
    what = "that CA certificate" if by_authority else "the certificate"
    return Sentence(
        f"{says}, which {verb} signed with {name}.",
        f"Have {what} issued again with a SHA-256 signature, import it on"
        f" {listing(said.nodes)}, {restart(said)}.",
    )


def _lifetime(case: Case, said: Said) -> Sentence:
    _, days, limit = said.key
    issued = case.facts[said.leaves[0]].not_before
    live = "lives" if len(said.leaves) == 1 else "live"
    today = lifetime_limit(case.at) or limit
    return Sentence(
        f"{serving(said)} {leaf(case, said)}, which {live} for {days} days; a public CA may issue"
        f" for {limit} on {day(issued)}.",
        f"Have it issued again for {today} days at most, import it on {listing(said.nodes)},"
        f" {restart(said)}.",
    )


def _timestamps(case: Case, said: Said) -> Sentence:
    _, found, needed = said.key
    bring = "brings" if len(said.leaves) == 1 else "bring"
    return Sentence(
        f"{serving(said)} {leaf(case, said)}, which {bring} signed timestamps of"
        f" {found} {'log' if found == '1' else 'logs'} where {needed} are needed.",
        f"Have the CA issue it again with timestamps of {needed} logs in it, import it on"
        f" {listing(said.nodes)}, {restart(said)}.",
    )


def _winding_down(case: Case, said: Said) -> Sentence:
    root = quoted_name(said.key[0])
    says = f"{serving(said)} {leaf(case, said)} under the root {root}, which"
    if RENEWAL in said.key:
        return Sentence(
            f"{says} browsers no longer trust for new certificates.",
            f"Renew it at another public CA, import it on {listing(said.nodes)}, {restart(said)}.",
        )
    return Sentence(
        f"{says} browsers distrusted before it was issued.",
        f"Import a certificate of another public CA on {listing(said.nodes)}, {restart(said)}.",
    )


def _malformed(case: Case, said: Said) -> Sentence:
    facts = case.facts[said.at_fault[0]]
    place = "the certificate" if said.at_fault[0] in said.leaves else "the CA certificate"
    if len(said.at_fault) > 1:
        return Sentence(
            f"{serving(said)} {len(said.at_fault)} certificates such as {called(facts)}, which are"
            f" malformed: {clip(facts.oddities[0])}.",
            f"Have each of them issued again, import it on {listing(said.nodes)}, {restart(said)}.",
        )
    return Sentence(
        f"{serving(said)} {place} {called(facts)}, which is malformed: {clip(facts.oddities[0])}.",
        f"Have {place} {called(facts)} (SHA-256 {facts.sha256[:16]}...) issued again, import it on"
        f" {listing(said.nodes)}, {restart(said)}.",
    )


def _anchor_expiring(case: Case, said: Said) -> Sentence:
    facts = case.certificate(said.key[0])
    name = called(facts) if facts is not None else "the CA"
    end = day(facts.not_after if facts is not None else None)
    is_root = facts is not None and facts.self_issued
    kind = "root" if is_root else "CA certificate"
    says = f"{serving(said)} {leaf(case, said)} under the {kind} {name}, which ends on {end}."
    if is_root:
        who = "clients" if said.endpoint is Endpoint.WEB else "supplicants"
        return Sentence(
            says,
            f"Before {end} give {who} the CA's next root, then import a certificate issued under it"
            f" on {listing(said.nodes)}, {restart(said)}.",
        )
    return Sentence(
        says,
        f"Before {end} have {'it' if len(said.leaves) == 1 else 'them'} issued again under the CA's"
        f" next certificate, import the whole chain on {listing(said.nodes)}, {restart(said)}.",
    )


def public_marks(case: Case, said: Said) -> str:
    """Return a sentence on a leaf that looks public though its root is in no public set, or ""."""
    known = case.standing(said.leaves[0])
    if known.standing is not Standing.LOOKS_PUBLIC:
        return ""
    sets = [f"{source.name} {source.version or ''}".strip() for source in case.plan.trust.public]
    return (
        f" It looks like a public CA's ({listing(known.marks)}), whose root is not in"
        f" {listing(sets, last='or')}: that set may be out of date."
    )


ISSUE_SAYINGS: Mapping[str, Callable[[Case, Said], Sentence]] = {
    "weak-key": _weak_key,
    "weak-signature": _weak_signature,
    "lifetime-too-long": _lifetime,
    "too-few-timestamps": _timestamps,
    "root-winding-down": _winding_down,
    "malformed": _malformed,
    "anchor-expiring": _anchor_expiring,
}
"""By kind: the rule's id without the endpoint."""
