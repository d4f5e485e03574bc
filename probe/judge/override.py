"""Policies that take the prompt away from users: no certificate that does not verify is accepted.

Microsoft, EAP changes in Windows 11: "trust override disabled", strict or on first use only.
"""

from typing import Literal

from probe.assessment import Does
from probe.certificate.facts import CertFacts
from probe.judge.clients.reactions import Reacted
from probe.judge.standing import stated_policies
from probe.records import replace

Override = Literal["strict", "first use only"]

STRICT: Override = "strict"
TOFU: Override = "first use only"

_POLICIES: dict[str, Override] = {
    "1.3.6.1.4.1.40808.1.3.1": STRICT,
    "1.3.6.1.4.1.40808.1.3.2": TOFU,
}
_KNOWS_THEM = "windows-eap"


def override_of(leaf: CertFacts) -> Override | None:
    """Return how a certificate takes the prompt away; None: it does not."""
    found = {_POLICIES[policy] for policy in stated_policies(leaf) if policy in _POLICIES}
    return STRICT if STRICT in found else next(iter(found), None)


def hardened(reacted: tuple[Reacted, ...], leaf: CertFacts, *, first: bool) -> tuple[Reacted, ...]:
    """Return what clients do about a certificate where a prompt is no way out.

    `first`: it is the first that the client meets, which the milder policy still lets be accepted.
    """
    override = override_of(leaf)
    if override is None or (first and override == TOFU):
        return reacted
    return tuple(_hardened(one) for one in reacted)


def _hardened(one: Reacted) -> Reacted:
    if one.reaction.client != _KNOWS_THEM or one.known.does is not Does.WARNS:
        return one
    known = replace(one.known, does=Does.REFUSES, words=None)
    return Reacted(replace(one.reaction, does=Does.REFUSES, words=None), known)
