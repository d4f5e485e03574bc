"""Strict transport: names for which browsers let no warning be clicked away (RFC 6797).

A browser that has once met the header keeps to it for as long as it says (8.1 there), and then ends
every connection whose certificate it objects to, without a way for its user to go on (8.4, 12.1).
"""

import re
from collections.abc import Iterable, Mapping

from probe.assessment import Basis, Does
from probe.judge.clients.reactions import BY_NAME, Reacted
from probe.observation.model import Endpoint, Handshake
from probe.plan.addresses import is_address
from probe.records import dataclass, replace

SOURCE = "RFC 6797, 8.4 and 12.1"

_DIRECTIVE = re.compile(r"""\s*([^\s=;]+)\s*(?:=\s*("[^"]*"|[^\s;]*)\s*)?(?:;|$)""")
_LONGEST = 1_000
"""Characters of a header that are read: what it has to say takes a tenth of that."""


@dataclass(frozen=True, slots=True)
class Policy:
    """What a host asks of browsers."""

    seconds: int
    """max-age, from the last visit on."""
    with_subdomains: bool


def read(header: str) -> Policy | None:
    """Read a Strict-Transport-Security header (RFC 6797, 6.1); None: browsers ignore it, or it
    takes an earlier one back (6.1.1)."""
    found: dict[str, str | None] = {}
    place, text = 0, header[:_LONGEST]
    while place < len(text):
        if text[place] in "; \t":
            place += 1  # an empty directive is allowed
            continue
        match = _DIRECTIVE.match(text, place)
        if match is None or match[1].lower() in found:
            return None
        found[match[1].lower()] = match[2].strip('"') if match[2] is not None else None
        place = match.end()
    age = found.get("max-age")
    if age is None or not (age.isascii() and age.isdigit()) or len(age) > 15 or int(age) == 0:
        return None
    return Policy(int(age), "includesubdomains" in found)


def policies(records: Iterable[Handshake]) -> Mapping[str, Policy]:
    """Return the policy of each name that was opened and has one; of several the longest. An
    address has none (RFC 6797, 8.1.1)."""
    found: dict[str, Policy] = {}
    for record in records:
        name, http = record.asked.name, record.http
        if record.endpoint is not Endpoint.WEB or http is None or name is None or is_address(name):
            continue
        policy = read(http.strict_transport or "")
        if policy is None or record.asked.aspect is not None:
            continue
        known = found.get(name, policy)
        found[name] = Policy(
            max(policy.seconds, known.seconds), policy.with_subdomains or known.with_subdomains
        )
    return found


def holder(known: Mapping[str, Policy], name: str | None) -> str | None:
    """Return the name whose policy holds for a name: its own, or a parent's (RFC 6797, 8.2)."""
    if name is None or name in known:
        return name
    labels = name.split(".")
    parents = (".".join(labels[place:]) for place in range(1, len(labels)))
    return next((one for one in parents if one in known and known[one].with_subdomains), None)


def no_way_out(
    known: Mapping[str, Policy], name: str | None, reacted: tuple[Reacted, ...]
) -> tuple[Reacted, ...]:
    """Return what clients do about a name's certificate where strict transport may hold for it."""
    if not known or holder(known, name) is None:
        return reacted
    return tuple(_refusing(one) for one in reacted)


def _refusing(one: Reacted) -> Reacted:
    if BY_NAME[one.reaction.client].world != "web" or one.known.does is not Does.WARNS:
        return one
    if one.known.basis is not Basis.PUBLISHED:
        return one
    source = "; ".join(dict.fromkeys((*one.known.source.split("; "), SOURCE)))
    return Reacted(
        replace(one.reaction, does=Does.REFUSES),
        replace(one.known, does=Does.REFUSES, source=source),
    )
