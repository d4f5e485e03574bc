"""Which CAs a domain lets issue: CAA records (RFC 8659), out of their presentation form.

Nothing here knows a resolver or a CA: a name gives the places to look at, a set of records gives
the issuers that it admits. Parameters of a record are the CA's own business (4.2), and left alone.
"""

import re
from collections.abc import Iterable

from probe.records import dataclass

PROCESSED = frozenset({"issue", "issuewild", "iodef"})
"""Property tags of RFC 8659, 4.1.1, which every CA processes (BR, 3.2.2.8)."""

REGISTERED = frozenset({"contactemail", "contactphone", "issuemail", "issuevmc"})
"""Further tags of IANA's registry: some CAs know them, others do not."""

_CRITICAL = 128
"""The issuer critical flag is the most significant bit; the others are reserved (4.1)."""

_RECORD = re.compile(r'([0-9]{1,3}) ([A-Za-z0-9]+) "((?:[^"\\]|\\.)*)"', re.DOTALL)

_ESCAPE = re.compile(r"\\([0-9]{3}|.)", re.DOTALL)

_LABEL = r"[A-Za-z0-9]++(?:-++[A-Za-z0-9]++)*+"
_PARAMETER = rf"{_LABEL}[ \t]*+=[ \t]*+[!-:<-~]*+"
_ISSUE_VALUE = (
    rf"[ \t]*+({_LABEL}(?:\.{_LABEL})*+)?[ \t]*+"
    rf"(?:;[ \t]*+(?:{_PARAMETER}(?:[ \t]*+;[ \t]*+{_PARAMETER})*+[ \t]*+)?)?"
)
"""issue-value of RFC 8659, 4.2; its first group is the issuer-domain-name.

Compiled where one is seen."""


@dataclass(frozen=True, slots=True)
class Property:
    """One CAA record."""

    flags: int
    tag: str
    """In lower case, as tags are matched (4.1)."""
    value: str

    @property
    def critical(self) -> bool:
        """Whether a CA that does not know the tag must not issue."""
        return bool(self.flags & _CRITICAL)


@dataclass(frozen=True, slots=True)
class Admission:
    """What one relevant record set says about issuing for one kind of name."""

    restricted: bool
    """Whether any record of the tag that counts is there; else it admits every CA."""
    tag: str
    """The tag that counts: "issue" or "issuewild"."""
    issuers: frozenset[str]
    """Issuer domain names that are admitted, in lower case; empty if restricted: nobody is."""
    unknown: tuple[str, ...]
    """Critical tags that no CA is known to know: nobody may issue (4.5)."""
    doubtful: tuple[str, ...]
    """Critical tags that some CAs know and others do not."""

    @property
    def nobody(self) -> bool:
        """Whether it forbids whoever asks."""
        return bool(self.unknown) or (self.restricted and not self.issuers)

    def admits(self, identifiers: Iterable[str]) -> bool:
        """Whether a CA that answers to these issuer domain names may issue."""
        if self.nobody:
            return False
        named = {identifier.lower() for identifier in identifiers}
        return not self.restricted or bool(self.issuers & named)


def is_wildcard(name: str) -> bool:
    """Return whether a certificate's name is a wildcard (`*.` before a domain name)."""
    return name.startswith("*.")


def climb(name: str) -> tuple[str, ...]:
    """Return the names whose record sets are looked for, nearest first (RFC 8659, 3).

    The first set found is the only one that counts. The root is not looked at; of a wildcard the
    star is left out.
    """
    labels = name.removeprefix("*.").removesuffix(".").lower().split(".")
    return tuple(".".join(labels[place:]) for place in range(len(labels)))


def parse(text: str) -> Property | None:
    """Return the record of `FLAGS TAG "VALUE"`; None where it cannot be read.

    In the value a backslash stands before a sign, or before three decimal digits of an octet
    (RFC 1035, 5.1).
    """
    found = _RECORD.fullmatch(text)
    if found is None or int(found[1]) > 255:
        return None
    value = _ESCAPE.sub(lambda escape: _octet(escape[1]), found[3])
    return Property(int(found[1]), found[2].lower(), value)


def _octet(escaped: str) -> str:
    if len(escaped) == 1:
        return escaped
    # Above 255 it is no octet: what then stands in the value is no domain name either.
    return chr(int(escaped))


def issuer_of(value: str) -> str | None:
    """Return the issuer domain name of an issue or issuewild value, in lower case.

    None where it names nobody. A value that does not match the grammar names nobody (4.2).
    """
    found = re.fullmatch(_ISSUE_VALUE, value)
    return found[1].lower() if found is not None and found[1] else None


def admission(properties: Iterable[Property], *, wildcard: bool) -> Admission:
    """Return whom a relevant record set admits, for a wildcard or for any other name.

    issuewild counts for wildcards alone, and there instead of issue (4.3).
    """
    records = tuple(properties)
    wild = wildcard and any(record.tag == "issuewild" for record in records)
    tag = "issuewild" if wild else "issue"
    counting = [record for record in records if record.tag == tag]
    critical = {r.tag for r in records if r.critical and r.tag not in PROCESSED}
    return Admission(
        restricted=bool(counting),
        tag=tag,
        issuers=frozenset(
            issuer for record in counting if (issuer := issuer_of(record.value)) is not None
        ),
        unknown=tuple(sorted(critical - REGISTERED)),
        doubtful=tuple(sorted(critical & REGISTERED)),
    )
