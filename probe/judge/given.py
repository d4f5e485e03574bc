"""What supplicants were really given: which names and anchors their profiles hold.

Where the plan has a profile of a family, it takes the place of the plan's own expected names and
EAP roots for clients of that family that were set up by profile.
"""

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping
from fnmatch import fnmatchcase
from functools import lru_cache

from probe.certificate.facts import CertFacts, facts_of
from probe.judge.names import Match, dns_name_matches, supplicant_covers
from probe.judge.trust import AnchorSet, anchors
from probe.plan.model import Client, Demand, Expects, Matching, Plan, Roots, Setup
from probe.plan.pattern import compiled
from probe.records import dataclass, replace


@dataclass(frozen=True, slots=True)
class Given:
    """One network of one profile."""

    file: str
    """The profile's file, as its name alone."""
    family: str
    expects: Expects


def given(plan: Plan, clients: Iterable[Client]) -> Mapping[Client, tuple[Given, ...]]:
    """Return each client with what it was given; nothing where the plan has no profile for it.

    A client with profiles of which some let it ask its user and some do not is two. One whose
    profile has it look at no certificate is none. Where the plan names the network (`ssid`) and a
    profile is for it, other networks are left out: a file may hold those of other organisations.
    """
    ssid = plan.eap.ssid if plan.eap is not None else None
    found: dict[Client, tuple[Given, ...]] = {}
    for client in clients:
        every = tuple(
            Given(profile.file.name, profile.family, expects)
            for profile in plan.profiles
            if profile.family == client.family and client.setup is Setup.PROFILE
            for expects in profile.expects
        )
        own = tuple(one for one in every if ssid is not None and ssid in one.expects.ssids)
        if not every:
            found[client] = ()
        for one in own or every:
            if one.expects.validates:
                with_it = replace(client, prompts=one.expects.prompts)
                found[with_it] = (*found.get(with_it, ()), one)
    return found


# ---------------------------------------------------------------- anchors


def roots_of(one: Given, plan: Plan, seen: Iterable[bytes]) -> AnchorSet | None:
    """Return the anchors of a profile; None where it leaves them to the system or the user.

    A thumbprint is an anchor as soon as its certificate is known: from the plan, or from `seen`.
    """
    expects, trust = one.expects, plan.trust
    if not (expects.anchors or expects.thumbprints or expects.system_roots):
        return None
    sources = (*trust.public, *trust.web, *trust.staff, *trust.eap, *trust.node)
    known = (*(der for source in sources for der in source.certificates), *seen)
    wanted = set(expects.thumbprints)
    named = tuple(
        der
        for der in dict.fromkeys(known)
        if wanted & _digests(der) and (one.family != "windows-eap" or _root_or_leaf(der))
    )
    own = Roots(one.file, None, (*expects.anchors, *named))
    system = (*trust.public, *trust.staff) if expects.system_roots else ()
    return anchors(*dict.fromkeys((own, *system)), name=f"profile {one.file}")


def _root_or_leaf(der: bytes) -> bool:
    # Microsoft, EAP changes in Windows 11: the thumbprint of the root, or of the leaf.
    facts = facts_of(der)
    return facts.self_issued or not facts.is_ca


@lru_cache(maxsize=4_096)
def _digests(der: bytes) -> frozenset[str]:
    # SHA-1 only says which certificate is meant: whether it is trusted is the profile's word.
    sha1 = hashlib.sha1(der, usedforsecurity=False).hexdigest()
    return frozenset({sha1, hashlib.sha256(der).hexdigest()})


# ---------------------------------------------------------------- names


def unmet(facts: CertFacts, one: Given) -> Iterator[tuple[Demand, Match]]:
    """Yield each demand of a profile that a certificate does not meet, and why."""
    for demand in one.expects.demands:
        if any(_meets(facts, name, how, one.family) for name, how in demand.names):
            continue
        names = tuple(name for name, _ in demand.names)
        match = supplicant_covers(facts, names, one.family)
        if not all(how is Matching.NAME for _, how in demand.names):
            seen = ", ".join(_presented(facts)[:5]) or facts.subject
            why = f"nothing in it is as {' or '.join(names)} demands; it has {seen}"
            match = Match(False, None, why, by_wildcard=match.by_wildcard)
        yield demand, match


def _meets(facts: CertFacts, wanted: str, matching: Matching, family: str) -> bool:
    if matching is Matching.NAME:
        return _star(facts, wanted) or supplicant_covers(facts, (wanted,), family).covered
    if matching is Matching.SUBJECT:
        return wanted in _one_line(facts.subject)
    if matching is Matching.ALTERNATIVE:
        return _alternative(facts, wanted)
    entries = _presented(facts)
    if matching is Matching.EXACT:
        return any(entry.lower() == wanted.lower() for entry in entries)
    if matching is Matching.SUFFIX:
        labels = wanted.lower().strip(".").split(".")
        return any(entry.lower().split(".")[-len(labels) :] == labels for entry in entries)
    # Whether the whole name must match is not published; an expression that fits a part of it is
    # let pass, and so is a star read as the published example has it ("nps*.example.com").
    pattern = compiled(wanted)
    return any(pattern.finds(entry) or _globs(entry, wanted) for entry in entries)


def _presented(facts: CertFacts) -> tuple[str, ...]:
    """Return the DNS names, or the common names if there are none (RFC 5216, 5.2).

    What is longer than any DNS name (RFC 1035, 2.3.4) is left out: it would only cost time.
    """
    found = tuple(n.value for n in facts.names if n.type == "dns") or facts.common_names
    return tuple(entry for entry in found if len(entry) <= 253)


def _star(facts: CertFacts, wanted: str) -> bool:
    """Whether a configured name with a star, anywhere in it, stands for a name presented."""
    plain = [entry for entry in _presented(facts) if "*" not in entry]
    return "*" in wanted and any(
        dns_name_matches(wanted, entry) or _globs(entry, wanted) for entry in plain
    )


def _globs(entry: str, wanted: str) -> bool:
    presented, labels = entry.lower().split("."), wanted.lower().split(".")
    return len(presented) == len(labels) and all(
        fnmatchcase(one, re.sub(r"([?\[])", r"[\1]", label)) and "*" not in one
        for one, label in zip(presented, labels, strict=True)
    )


_TYPES = {"DNS": "dns", "EMAIL": "email", "URI": "uri"}


def _alternative(facts: CertFacts, wanted: str) -> bool:
    kind, sign, value = wanted.partition(":")
    type_ = _TYPES.get(kind.upper())
    if not sign or type_ is None:
        # Without a type it is nothing that is published: a DNS name is what must be meant.
        type_, value = "dns", wanted
    return any(n.type == type_ and n.value.lower() == value.lower() for n in facts.names)


_EMAIL = "1.2.840.113549.1.9.1"


def _one_line(subject: str) -> str:
    """Return a subject (RFC 4514 text) as the supplicant's reference writes it: "/O=a/CN=b"."""
    parts = re.split(r"(?<!\\)[,+]", subject)
    plain = [re.sub(r"\\(.)", r"\1", part) for part in reversed(parts)]
    return "".join(f"/{part.replace(_EMAIL, 'emailAddress')}" for part in plain)
