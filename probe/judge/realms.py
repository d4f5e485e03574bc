"""By which names RadSec peers know a server: DNS names and addresses (RFC 9525), and realms."""

from probe.certificate.facts import CertFacts
from probe.judge.names import Match, covers, reference_name
from probe.judge.words import clip, listing, told_apart

_NAI_REALM = "otherName:1.3.6.1.5.5.7.8.8:"
"""id-on-naiRealm (RFC 7585, 2.2), as the facts of a certificate write it."""


def realm_matches(presented: str, realm: str) -> bool:
    """Return whether a NAIRealm covers a realm (RFC 7585, 2.2): they are equal, or its left-most
    label is a star and nothing else, which stands for one label. Any other star makes it invalid.

    Octets are compared there. The plan's names are A-labels in lower case, so case and the form of
    a label are passed over.
    """
    first, dot, rest = presented.partition(".")
    if first == "*" and dot:
        presented, (_, _, realm) = rest, realm.partition(".")
    if "*" in presented:
        return False
    wanted = reference_name(realm)
    return wanted is not None and reference_name(presented) == wanted


def peers_cover(facts: CertFacts, names: tuple[str, ...]) -> Match:
    """Say whether a certificate holds any of the names by which peers know the server.

    `common_name_only`: it has no name or address but the one in its subject, and that is one of
    them. RFC 6614, 2.3 has peers look there then, and RFC 9525 nowhere but in the entries.
    """
    realms = realms_of(facts)
    matches = [covers(facts, name) for name in names]
    for name, match in zip(names, matches, strict=True):
        if match.covered:
            return match
        for realm in realms:
            if realm_matches(realm, name):
                return Match(True, realm, f"the realm {realm!r} covers {name}")
    if not any(name.type in ("dns", "ip") for name in facts.names):
        for name, match in zip(names, matches, strict=True):
            if match.common_name_only:
                why = f"{name} stands in the subject's common name alone"
                return Match(False, None, why, common_name_only=True)
    why = matches[0].why
    if realms:
        held = listing([clip(told_apart(realm)) for realm in realms], last="or")
        why += f"; and no name is in the realm {held}"
    return Match(False, None, why)


def realms_of(facts: CertFacts) -> tuple[str, ...]:
    """Return the realms that a certificate holds."""
    return tuple(
        name.value.removeprefix(_NAI_REALM)
        for name in facts.names
        if name.type == "other" and name.value.startswith(_NAI_REALM)
    )
