"""Which names a certificate covers: RFC 9525 for servers, each supplicant's own rules for EAP."""

from collections.abc import Callable, Iterable
from ipaddress import IPv4Address, IPv6Address

from probe.certificate.facts import CertFacts
from probe.judge.words import told_apart
from probe.plan.addresses import parsed
from probe.records import dataclass

_SHOWN = 5
"""Names listed in a sentence before it says how many more there are."""

_LONGEST = 253
"""Characters of a DNS name in text form (RFC 1035, 2.3.4)."""


@dataclass(frozen=True, slots=True)
class Match:
    """Whether a certificate covers a name, and why."""

    covered: bool
    by: str | None
    """The entry of the certificate that covers it."""
    why: str
    """In words: what matched, or which label or rule failed and which names are covered instead."""
    common_name_only: bool = False
    """Not covered, but the name stands in the subject's common name."""
    by_wildcard: bool = False
    """Covered by a wildcard entry; or not covered, though a wildcard entry would cover it if this
    client took wildcards."""
    depends: str | None = None
    """In words: on which version of the client the answer depends."""


# ---------------------------------------------------------------- RFC 9525


def reference_name(name: str) -> str | None:
    """Return a reference name as A-labels in lower case, without the root's dot.

    None if it is no DNS name at all. U-labels are converted first (RFC 9525, 6.3). Labels in ASCII
    are taken as they are, so that an underscore is compared and not refused.
    """
    name = name.removesuffix(".")
    labels = []
    for label in name.replace("\u3002", ".").split("."):
        if not label.isascii():
            import idna  # noqa: PLC0415  # few names need its tables

            try:
                label = idna.encode(label, uts46=True).decode("ascii")  # noqa: PLW2901  # the same label, in its other form
            except idna.IDNAError:
                return None
        if not 1 <= len(label) <= 63 or not label.isprintable() or " " in label:
            return None
        labels.append(label.lower())
    joined = ".".join(labels)
    return joined if len(joined) <= _LONGEST else None


def dns_name_matches(pattern: str, reference: str) -> bool:
    """Return whether a presented dNSName covers a reference name (RFC 9525, 6.3).

    An address as reference never matches a dNSName (6.4), whatever it looks like.
    """
    if _address(reference) is not None:
        return False
    name = reference_name(reference)
    return name is not None and _refusal(pattern, name) is None


def _refusal(pattern: str, name: str) -> str | None:
    """Return why a presented dNSName does not cover a normalised reference; None if it does."""
    flaw = _flaw(pattern)
    if flaw:
        return f"{pattern!a} is no valid entry: {flaw}"
    presented = pattern.lower().split(".")
    wanted = name.split(".")
    if presented == ["*"]:
        # The text of RFC 9525 does not rule it out by itself; every library looked at does.
        return "a star alone covers nothing"
    if presented[0] == "*" and presented[1:] == wanted[-len(presented) + 1 :]:
        extra = wanted[: len(wanted) - len(presented) + 1]
        if not extra:
            return f"{pattern!r} covers names below {'.'.join(wanted)}, not that name itself"
        if len(extra) > 1:
            return f"the star of {pattern!r} stands for one label, not for {'.'.join(extra)!r}"
        return None
    if len(presented) != len(wanted):
        return f"{pattern!r} has {len(presented)} labels, the name has {len(wanted)}"
    for entry, label in zip(presented, wanted, strict=True):
        if entry not in (label, "*"):
            return f"label {entry!r} of {pattern!r} is not {label!r}"
    return None


def _flaw(pattern: str) -> str | None:
    """Return which rule a presented dNSName breaks so that it is ignored (RFC 9525, 6.3, 7.1)."""
    if not pattern:
        return "it is empty"
    if not pattern.isascii():
        return "it is not in A-labels"
    if pattern.endswith("."):
        return "it ends in a dot"
    if " " in pattern or not pattern.isprintable():
        return "it holds a space or control character"
    labels = pattern.split(".")
    if "" in labels:
        return "it has an empty label"
    if pattern.count("*") > 1:
        return "it has more than one star"
    if "*" in pattern and labels[0] != "*":
        return "a star must be the whole left-most label"
    return None


def covers(facts: CertFacts, reference: str | IPv4Address | IPv6Address) -> Match:
    """Say whether a certificate covers a name or address that a client opens (RFC 9525, 6).

    The common name never counts (6.1.1, 6.2). Who asks one certificate about many names keeps its
    `Presented`.
    """
    return Presented(facts).covers(reference)


class Presented:
    """The names that a certificate presents, found by what they may cover: it may have hundreds,
    and be asked about as many nodes."""

    def __init__(self, facts: CertFacts) -> None:
        self._facts = facts
        self._entries = _of_type(facts, "dns")
        self._places: dict[str, list[int]] = {}
        """Where each entry stands in the certificate, by its text in lower case."""
        for place, entry in enumerate(self._entries):
            self._places.setdefault(entry.lower(), []).append(place)

    def covers(self, reference: str | IPv4Address | IPv6Address) -> Match:
        """Say what `covers` says."""
        facts, entries = self._facts, self._entries
        address = reference if not isinstance(reference, str) else _address(reference)
        if address is not None:
            return _covers_address(facts, address)
        name = reference_name(str(reference))
        if name is None:
            return Match(False, None, f"{reference!r} is not a name that can be looked up")
        # An entry covers the name that it is, or as a star with the parent of the name.
        parent = name.partition(".")[2]
        places = (*self._places.get(name, ()), *self._places.get(f"*.{parent}", ()))
        for entry in (entries[place] for place in sorted(places)):
            if _refusal(entry, name) is None:
                return Match(True, entry, f"{entry!r} covers {name}", by_wildcard="*" in entry)
        in_common_name = any(_refusal(each, name) is None for each in facts.common_names)
        if in_common_name:
            why = f"{name} stands only in the subject's common name, which clients do not read; "
        elif entries:
            why = f"no entry covers {name}: {_refusal(_nearest(entries, name), name)}; "
        else:
            why = f"{name} is not covered; "
        return Match(False, None, why + _coverage(facts), common_name_only=in_common_name)


def _covers_address(facts: CertFacts, address: IPv4Address | IPv6Address) -> Match:
    for entry in _of_type(facts, "ip"):
        if _address(entry) == address:
            return Match(True, entry, f"the address {entry} is an entry of its own")
    shown = str(address)
    in_common_name = shown in facts.common_names
    if shown in _of_type(facts, "dns") or in_common_name:
        why = f"{shown} is written as a name, and an address must stand as an address; "
    else:
        why = f"no address entry is {shown}; "
    return Match(False, None, why + _coverage(facts), common_name_only=in_common_name)


def _address(text: str) -> IPv4Address | IPv6Address | None:
    return parsed(text.removeprefix("[").removesuffix("]"))


def _of_type(facts: CertFacts, kind: str) -> tuple[str, ...]:
    return tuple(name.value for name in facts.names if name.type == kind)


def _nearest(entries: Iterable[str], name: str) -> str:
    """Return the entry that shares most of its final labels with a name."""
    wanted = name.split(".")[::-1]

    def shared(entry: str) -> int:
        count = 0
        for label, other in zip(entry.lower().split(".")[::-1], wanted, strict=False):
            if label not in (other, "*"):
                break
            count += 1
        return count

    return max(entries, key=shared)


def _coverage(facts: CertFacts) -> str:
    entries = [name.value for name in facts.names if name.type in ("dns", "ip")]
    if not entries:
        return "the certificate has no subject alternative name for a server"
    more = f" and {len(entries) - _SHOWN} more" if len(entries) > _SHOWN else ""
    listed = ", ".join(told_apart(entry) for entry in entries[:_SHOWN])
    return f"the certificate covers {listed}{more}"


# ---------------------------------------------------------------- supplicants


def supplicant_covers(facts: CertFacts, expected: tuple[str, ...], family: str) -> Match:
    """Say whether an EAP certificate covers any name that a supplicant's profile expects.

    Every family takes the common name if the certificate has no dNSName (RFC 5216, 5.2). Without
    expected names any certificate passes; whether that is wise is another rule's business.
    """
    if not expected:
        return Match(True, None, "no name is expected")
    entries = _of_type(facts, "dns")
    presented = entries or facts.common_names
    test = _SUPPLICANTS.get(family, _plain)
    for entry in presented:
        for wanted in expected:
            if test(entry, wanted):
                return Match(
                    True,
                    entry,
                    f"{entry!r} is as {wanted!r} demands"
                    + ("" if entries else " (by the common name, as there is no dNSName)"),
                    by_wildcard="*" in entry,
                    depends=_case(entry, wanted) if family == "windows-eap" else None,
                )
    wild = next(
        (
            (entry, wanted)
            for entry in presented
            if "*" in entry
            for wanted in expected
            if dns_name_matches(entry, wanted)
        ),
        None,
    )
    listed = " or ".join(expected)
    if wild:
        why = f"this client takes no wildcard, so {wild[0]!r} does not stand for {wild[1]}; "
    elif presented:
        why = f"no entry is {listed}; "
    else:
        why = f"it names no server at all, and {listed} is expected; "
    kind = _coverage(facts) if entries else f"its common name is {facts.common_name!a}"
    return Match(False, None, why + kind, by_wildcard=wild is not None)


def _apple(entry: str, wanted: str) -> bool:
    # Apple Security framework source, EAP policy: the configured list may hold wildcards, names of
    # the certificate are plain names.
    # An entry that is no valid one stands for nothing, whatever it would be mapped to.
    return "*" not in entry and _flaw(entry) is None and dns_name_matches(wanted, entry)


def _suffix(entry: str, wanted: str) -> bool:
    # From memory: whole labels; equal counts as suffix. The other supplicant of that
    # code base (linux-eap) is taken to compare alike.
    name = reference_name(wanted)
    presented = entry.lower().split(".")
    return (
        name is not None
        and _flaw(entry) is None
        and presented[-len(name.split(".")) :] == name.split(".")
    )


def _plain(entry: str, wanted: str) -> bool:
    return dns_name_matches(entry, wanted)


_SUPPLICANTS: dict[str, Callable[[str, str], bool]] = {
    "apple-eap": _apple,
    "android-eap": _suffix,
    "linux-eap": _suffix,
}


def _case(entry: str, wanted: str) -> str | None:
    # Microsoft, EAP changes in Windows 11.
    if "*" in entry or entry == wanted:
        return None
    return (
        f"Windows 11 build 22000 compares letter by letter and takes {entry!r} for another name "
        f"than {wanted!r}; builds from 22621 do not"
    )
