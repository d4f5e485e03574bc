"""What is said of each kind of certificate fault, and what to do about it."""

from collections.abc import Callable, Mapping

from probe.certificate.facts import CertFacts
from probe.judge.case import Case
from probe.judge.path import clauses
from probe.judge.words import (
    HOW,
    SERVICE,
    called,
    day,
    issuer,
    listing,
    minute,
    quoted_name,
    verb,
)
from probe.observation.model import Endpoint, KeyFamily
from probe.records import dataclass


@dataclass(frozen=True, slots=True)
class Said:
    """What a sentence is about."""

    endpoint: Endpoint
    nodes: tuple[str, ...]
    name: str | None
    at_fault: tuple[str, ...]
    """Certificates at fault that were seen."""
    leaves: tuple[str, ...]
    key: tuple[str, ...]
    family: KeyFamily | None = None
    """Set where another key family's certificate is served beside it."""
    clauses: frozenset[str] = frozenset()
    """What of RFC 5280 is broken."""


@dataclass(frozen=True, slots=True)
class Sentence:
    """One sentence and what to do."""

    says: str
    remedy: str


def serving(said: Said) -> str:
    """Return "quay1 and quay2 serve for guest.northpier.example over HTTPS"."""
    text = f"{listing(said.nodes)} {verb(said.nodes, 'serves', 'serve')}"
    if said.name:
        text += f" for {said.name}"
    return f"{text} {HOW[said.endpoint]}"


def restart(said: Said) -> str:
    """Return "then restart the web service there"."""
    return f"then restart the {SERVICE[said.endpoint]} there"


def leaf(case: Case, said: Said) -> str:
    """Return "the certificate "x"" or "3 certificates such as "x""."""
    first = called(case.facts[said.leaves[0]])
    kind = f"{said.family.value.upper()} " if said.family else ""
    if len(said.leaves) == 1:
        return f"the {kind}certificate {first}"
    return f"{len(said.leaves)} {kind}certificates such as {first}"


def which(said: Said) -> str:
    """Return "which is" or "which are"."""
    return "which is" if len(said.leaves) == 1 else "which are"


def authority(said: Said) -> str:
    """Return which CA is the right one."""
    if said.endpoint is Endpoint.RADSEC:
        return "the CA of the RadSec peers"
    return "a CA that its clients trust" if said.endpoint is Endpoint.WEB else "the EAP CA"


_WHO = {
    Endpoint.WEB: "clients",
    Endpoint.EAP: "supplicants",
    Endpoint.RADSEC: "RadSec peers",
}


def _self_signed(case: Case, said: Said) -> Sentence:
    own = "its own issuer" if len(said.leaves) == 1 else "their own issuers"
    return Sentence(
        f"{serving(said)} {leaf(case, said)}, {which(said)} {own}.",
        f"Import a certificate issued by {authority(said)} on {listing(said.nodes)}, "
        f"{restart(said)}.",
    )


def _private_root(case: Case, said: Said) -> Sentence:
    root = quoted_name(said.key[0])
    opened = said.name or "the names opened there"
    return Sentence(
        f"{serving(said)} {leaf(case, said)}, issued under the private root {root}, which the"
        " devices that come there do not have.",
        f"Import a certificate of a public CA for {opened} on {listing(said.nodes)}, "
        f"{restart(said)}.",
    )


def _unknown_root(case: Case, said: Said) -> Sentence:
    root = quoted_name(said.key[0])
    who = _WHO[said.endpoint]
    return Sentence(
        f"{serving(said)} {leaf(case, said)}, {_leads(said)} to {root}, which is not among the"
        f" roots that {who} have for it.",
        f"Import a certificate issued by {authority(said)} on {listing(said.nodes)}, "
        f"{restart(said)}; or, if {root} is right, give {who} that root and add it to the plan.",
    )


def _leads(said: Said) -> str:
    return "which leads" if len(said.leaves) == 1 else "which lead"


def _chain_incomplete(case: Case, said: Said) -> Sentence:
    missing = [case.facts[sha256] for sha256 in said.key if sha256 in case.facts]
    if missing:
        ca = listing([called(facts) for facts in missing])
        prints = ", ".join(f"{facts.sha256[:16]}..." for facts in missing)
        places = [
            case.fetched_from[one.sha256] for one in missing if one.sha256 in case.fetched_from
        ]
        if places:
            prints += f"; to be had at {listing(places)}"
        text = f"Import the CA certificate {ca} (SHA-256 {prints}) on {listing(said.nodes)}"
    else:
        ca = issuer(case.facts[said.leaves[0]])
        text = f"Import the certificate of the CA {ca} on {listing(said.nodes)}"
    return Sentence(
        f"{serving(said)} {leaf(case, said)} without the CA certificate {ca} that leads from it"
        " to a root.",
        f"{text} together with the server's certificate, {restart(said)}.",
    )


def _dated(case: Case, said: Said, was: Callable[[CertFacts], str]) -> tuple[str, bool]:
    """Return who serves what with which date, and whether a CA certificate is at fault."""
    first = case.facts[said.at_fault[0]]
    if said.at_fault[0] in said.leaves:
        return f"{serving(said)} {leaf(case, said)}, {was(first)}.", False
    text = f"{serving(said)} {leaf(case, said)} under the CA certificate {called(first)}"
    return f"{text}, {was(first)}.", True


def _expired(case: Case, said: Said) -> Sentence:
    says, by_authority = _dated(
        case, said, lambda facts: f"expired since {minute(facts.not_after)}"
    )
    if by_authority:
        ca = called(case.facts[said.at_fault[0]])
        text = f"Import the CA's current certificate in place of {ca} on {listing(said.nodes)}"
        return Sentence(says, f"{text}, or a certificate of another CA, {restart(said)}.")
    text = f"Renew the certificate, import it on {listing(said.nodes)}"
    return Sentence(says, f"{text}, {restart(said)}.")


def _not_yet_valid(case: Case, said: Said) -> Sentence:
    says, _ = _dated(case, said, lambda facts: f"not valid before {minute(facts.not_before)}")
    return Sentence(
        says,
        f"Go back to the certificate before it on {listing(said.nodes)} until then, and check the"
        " clock of the CA that issued it.",
    )


def _expiring(case: Case, said: Said) -> Sentence:
    end = day(case.facts[said.leaves[0]].not_after)
    ends = "which ends" if len(said.leaves) == 1 else "which end"
    return Sentence(
        f"{serving(said)} {leaf(case, said)}, {ends} on {end}.",
        f"Renew the certificate before {end}, import it on {listing(said.nodes)}, {restart(said)}.",
    )


def _wrong_purpose(case: Case, said: Said) -> Sentence:
    if said.key[0] == "absent":
        says = f"{serving(said)} {leaf(case, said)} without an extended key usage."
    elif said.at_fault and said.at_fault[0] not in said.leaves:
        ca = called(case.facts[said.at_fault[0]])
        says = f"{serving(said)} {leaf(case, said)} under the CA certificate {ca}, whose purposes"
        says += " do not allow server certificates."
    else:
        says = f"{serving(said)} {leaf(case, said)}, {which(said)} made for another purpose than"
        says += " a server's."
    return Sentence(
        says,
        "Have it issued again for server authentication (extended key usage serverAuth, key usage"
        f" digitalSignature, no CA), import it on {listing(said.nodes)}, {restart(said)}.",
    )


def _path_invalid(case: Case, said: Said) -> Sentence:
    # What is at fault may be a root of the plan that nobody served.
    first = case.certificate(said.key[0]) or case.facts[said.leaves[0]]
    why = f"whose path to a root is broken at {called(first)}"
    if not first.readable:  # only a leaf comes this far: no path leads over what cannot be read
        why = "which cannot be read"
    return Sentence(
        f"{serving(said)} {leaf(case, said)}, {why}.",
        f"{_mended(case, said, first)}, import the whole chain on {listing(said.nodes)},"
        f" {restart(said)}.",
    )


def _mended(case: Case, said: Said, first: CertFacts) -> str:
    """Return what has to be issued: the certificate at fault again, where that would mend it."""
    fault = called(first) if len(said.at_fault) < 2 else "each of them"
    server = called(case.facts[said.leaves[0]]) if len(said.leaves) == 1 else "them"
    if said.clauses & {clauses.ISSUER_IS_CA, clauses.ISSUER_MAY_SIGN}:
        return f"Have {server} issued by a CA: {fault} is none that may sign it"
    if clauses.PATH_LENGTH in said.clauses:
        return f"Have {server} issued by {fault} itself, or {fault} again with a longer path length"
    if clauses.NAME_CONSTRAINTS in said.clauses:
        return f"Have {fault} issued again for names that its CAs may issue for, or by another CA"
    if len(said.at_fault) < 2:
        fault += f" (SHA-256 {first.sha256[:16]}...)"
    return f"Have {fault} issued again without this fault"


PATH_SAYINGS: Mapping[str, Callable[[Case, Said], Sentence]] = {
    "self-signed": _self_signed,
    "private-root": _private_root,
    "unknown-root": _unknown_root,
    "chain-incomplete": _chain_incomplete,
    "expired": _expired,
    "not-yet-valid": _not_yet_valid,
    "expiring": _expiring,
    "wrong-purpose": _wrong_purpose,
    "path-invalid": _path_invalid,
}
