"""Name constraints (RFC 5280, 4.2.1.10): which names a CA certificate lets stand below it."""

from collections.abc import Iterable, Iterator

from probe.certificate.der import SEQUENCE, DerError, Tlv, children, content, read, whole
from probe.certificate.extensions import NAME_CONSTRAINTS, SUBJECT_ALTERNATIVE_NAME
from probe.certificate.facts import CertFacts
from probe.certificate.naming import (
    ADDRESS,
    DIRECTORY,
    DNS,
    EMAIL_ADDRESS,
    RFC822,
    URI,
    canonical_rdn,
    general_name,
    general_names,
    relative_names,
)
from probe.judge.path import clauses
from probe.records import dataclass

_PERMITTED, _EXCLUDED = 0xA0, 0xA1
_COMPARED = (DNS, RFC822, URI, ADDRESS, DIRECTORY)

_COMPARISONS = 10_000
"""Names times subtrees compared in one path, so that long lists of both end."""

_General = tuple[int, bytes]


@dataclass(frozen=True, slots=True)
class _Subtrees:
    permitted: tuple[_General, ...]
    excluded: tuple[_General, ...]


def violations(path: tuple[CertFacts, ...]) -> Iterator[tuple[CertFacts, str, str]]:
    """Yield (certificate at fault, clause, why) for a path, leaf first, its anchor included.

    A self-issued certificate that is not the leaf is exempt (RFC 5280, 6.1.3 (b)).
    """
    budget = _COMPARISONS
    for above, issuer in enumerate(path):
        value = next((e.value for e in issuer.extensions if e.oid == NAME_CONSTRAINTS), None)
        if value is None or above == 0:
            continue
        try:
            subtrees = _read(value)
        except DerError as error:
            yield issuer, clauses.EXTENSION, f"its name constraints cannot be read ({error})"
            continue
        for depth, below in enumerate(path[:above]):
            if depth > 0 and below.self_issued:
                continue
            try:
                names = _names(below)
            except DerError as error:
                why = f"its names cannot be read ({error}), and {issuer.subject} limits them"
                yield below, clauses.EXTENSION, why
                continue
            budget -= len(names) * (len(subtrees.permitted) + len(subtrees.excluded))
            if budget < 0:
                yield issuer, clauses.SEARCH, "its name constraints are too many to compare"
                return
            broken = next(_broken(names, subtrees), None)
            if broken is not None:
                clause, why = broken
                yield below, clause, f"{why} by the name constraints of {issuer.subject}"


def _read(value: bytes) -> _Subtrees:
    outer = whole(value, SEQUENCE, "nameConstraints")
    lists: dict[int, tuple[_General, ...]] = {}
    for element in children(value, outer):
        if element.tag not in (_PERMITTED, _EXCLUDED):
            raise DerError(f"an unknown field 0x{element.tag:02x}")
        lists[element.tag] = tuple(_subtree(value, tree) for tree in children(value, element))
    return _Subtrees(lists.get(_PERMITTED, ()), lists.get(_EXCLUDED, ()))


def _subtree(value: bytes, tree: Tlv) -> _General:
    base = read(value, tree.body, tree.end, "a subtree")
    if base.tag & 0xC0 != 0x80:
        raise DerError(f"a subtree of unknown kind 0x{base.tag:02x}")
    number, octets = base.tag & 0x1F, content(value, base)
    if number == ADDRESS and not _is_network(octets):
        raise DerError(f"an address range that is none: {octets.hex()}")
    if number == DIRECTORY:
        relative_names(octets)
    # minimum and maximum are not used in this profile (4.2.1.10), and nobody reads them.
    return number, octets


def _is_network(octets: bytes) -> bool:
    if len(octets) not in (8, 32):
        return False
    half = len(octets) // 2
    mask = f"{int.from_bytes(octets[half:], 'big'):0{half * 8}b}"
    return "01" not in mask


def _names(facts: CertFacts) -> list[_General]:
    """Return every name that constraints apply to (RFC 5280, 4.2.1.10 and 6.1.3 (b), (c))."""
    found: list[_General] = []
    for extension in facts.extensions:
        if extension.oid == SUBJECT_ALTERNATIVE_NAME:
            found.extend(general_names(extension.value))
            break
    subject = relative_names(facts.subject_raw)
    if subject:
        found.append((DIRECTORY, facts.subject_raw))
    if not any(number == RFC822 for number, _ in found):
        found.extend(
            (RFC822, octets) for rdn in subject for kind, _, octets in rdn if kind == EMAIL_ADDRESS
        )
    return found


def _broken(names: Iterable[_General], subtrees: _Subtrees) -> Iterator[tuple[str, str]]:
    for number, octets in names:
        permitted = [base for kind, base in subtrees.permitted if kind == number]
        excluded = [base for kind, base in subtrees.excluded if kind == number]
        if not permitted and not excluded:
            continue
        kind, shown, _ = general_name(number, octets)
        if number not in _COMPARED:
            yield (
                clauses.NAME_CONSTRAINTS,
                f"a name of a kind that cannot be compared ({kind}) is limited",
            )
        elif any(_within(number, octets, base) for base in excluded):
            yield clauses.NAME_CONSTRAINTS, f"its name {shown!r} is excluded"
        elif permitted and not any(_within(number, octets, base) for base in permitted):
            yield clauses.NAME_CONSTRAINTS, f"its name {shown!r} is not permitted"
        elif number == DNS and any(_speaks_for(octets, base) for base in excluded):
            yield clauses.WILDCARD_EXCLUDED, f"its name {shown!r} covers one that is excluded"


def _within(number: int, name: bytes, base: bytes) -> bool:
    if number == ADDRESS:
        half = len(base) // 2
        return len(name) == half and all(
            octet & mask == wanted & mask
            for octet, wanted, mask in zip(name, base[:half], base[half:], strict=True)
        )
    if number == DIRECTORY:
        whole_name, start = relative_names(name), relative_names(base)
        return [canonical_rdn(rdn) for rdn in whole_name[: len(start)]] == [
            canonical_rdn(rdn) for rdn in start
        ]
    text = name.decode("utf-8", "replace")
    limit = base.decode("utf-8", "replace").lower()
    if number == DNS:
        return _dns_within(text.lower(), limit)
    if number == RFC822:
        local, _, host = text.rpartition("@")
        if "@" in limit:
            wanted, _, wanted_host = base.decode("utf-8", "replace").rpartition("@")
            return local == wanted and host.lower() == wanted_host.lower()
        return _host_within(host.lower(), limit)
    host = text.partition("://")[2].partition("/")[0].rpartition("@")[2].partition(":")[0]
    return bool(host) and _host_within(host.lower(), limit)


def _speaks_for(name: bytes, base: bytes) -> bool:
    """Return whether a wildcard covers a name that is excluded by itself."""
    text = name.decode("utf-8", "replace").lower()
    limit = base.decode("utf-8", "replace").lower()
    return text.startswith("*.") and limit.partition(".")[2] == text[2:]


def _dns_within(name: str, limit: str) -> bool:
    """Return whether a dNSName lies in a subtree; ".x", against the text, is below x only."""
    if limit.startswith("."):
        return name.endswith(limit)
    return not limit or name == limit or name.endswith("." + limit)


def _host_within(host: str, limit: str) -> bool:
    return host.endswith(limit) if limit.startswith(".") else host == limit
