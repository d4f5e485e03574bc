"""Small words for sentences: lists, dates and what a certificate is called."""

import re
from collections.abc import Sequence
from datetime import UTC, datetime

from probe.certificate.facts import CertFacts
from probe.observation.model import Endpoint, TlsVersion
from probe.observation.runs import counts_on, runs

_LISTED = 4
"""Names in a sentence before the rest is counted: the finding itself lists them all."""

_TEXT = 120
"""Characters of one text off the wire in a sentence."""


HOW = {Endpoint.WEB: "over HTTPS", Endpoint.EAP: "for EAP", Endpoint.RADSEC: "over RadSec"}
"""In which way certificates are served on an endpoint."""

SERVICE = {
    Endpoint.WEB: "web service",
    Endpoint.EAP: "RADIUS service",
    Endpoint.RADSEC: "RadSec service",
}
"""What is to be restarted."""

VERSIONS = {
    TlsVersion.TLS1_0: "TLS 1.0",
    TlsVersion.TLS1_1: "TLS 1.1",
    TlsVersion.TLS1_2: "TLS 1.2",
    TlsVersion.TLS1_3: "TLS 1.3",
}
"""What TLS versions are called in a sentence."""

_PART = re.compile(r"(?:[^,\\]|\\.)+", re.DOTALL)
"""One relative name of RFC 4514 text. A comma behind a backslash belongs to a value (2.4 there), so
that nobody's organisation passes for a common name."""


def listing(items: Sequence[str], *, most: int = _LISTED, last: str = "and") -> str:
    """Return "a", "a and b", "a, b and c", or "a, b, c and 5 more".

    Of too many those that are numbered one after the other are told as "quay1 to quay38".
    """
    if len(items) > most + 1:
        found = list(runs(items, counts_on))
        items = [run[0] if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in found]
        if len(items) > most + 1:
            left = sum(len(run) for run in found[most:])
            return f"{', '.join(items[:most])} and {left} more"
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def verb(items: Sequence[str], one: str, several: str) -> str:
    """Return the form of a verb that fits so many."""
    return one if len(items) == 1 else several


def day(moment: datetime | None) -> str:
    """Return a date as "2026-11-25" (UTC)."""
    return moment.astimezone(UTC).date().isoformat() if moment else "an unreadable date"


def minute(moment: datetime | None) -> str:
    """Return a time as "2026-11-25 14:47 UTC"."""
    if moment is None:
        return "an unreadable date"
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(" ", "minutes") + " UTC"


def clip(text: str) -> str:
    """Return a text off the wire, cut to what a sentence can hold."""
    return text if len(text) <= _TEXT else text[: _TEXT - 3] + "..."


def told_apart(text: str) -> str:
    """Return a name off the wire so that none passes for another.

    A host name is written in ASCII (RFC 5280, 4.2.1.6). In one that is not, letters may only look
    like those of the name that is expected, so they are spelled out by their codes.
    """
    like_a_host = "." in text and " " not in text
    return ascii(text)[1:-1] if like_a_host and not text.isascii() else text


def called(facts: CertFacts) -> str:
    """Return what a certificate is called in a sentence."""
    names = [name.value for name in facts.names if name.type in ("dns", "ip")]
    text = facts.common_name or (names[0] if names else "") or facts.subject
    return f'"{clip(told_apart(text))}"' if text else f"{facts.sha256[:16]}..."


def issuer(facts: CertFacts) -> str:
    """Return what a certificate's issuer is called in a sentence."""
    return quoted_name(facts.issuer)


def quoted_name(name: str) -> str:
    """Return a distinguished name (RFC 4514 text) by its common name, where it has one."""
    for part in _PART.findall(name):
        kind, _, value = part.partition("=")
        if kind.strip().upper() == "CN" and value:
            return f'"{clip(value)}"'
    return f'"{clip(name)}"' if name else "an unnamed CA"
