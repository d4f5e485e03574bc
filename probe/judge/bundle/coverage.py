"""Which names of the plan a certificate covers, and the fewest entries that would cover all."""

from collections import defaultdict
from collections.abc import Iterable, Iterator

from probe.bundle import Coverage, Entries
from probe.certificate.facts import CertFacts
from probe.judge.bundle.meant import Meant
from probe.judge.case import REFERENCE
from probe.judge.clients.reactions import on_site
from probe.judge.names import covers, supplicant_covers
from probe.judge.words import listing
from probe.observation.model import Endpoint
from probe.plan.addresses import is_address
from probe.plan.model import Plan, Setup
from probe.plan.places import opened_at

_STAR_BELOW = 2
"""Labels that must stand behind a star: right below a top-level domain no CA issues one."""

_STAR_FOR = 2
"""Names for which a star is worth it: for one, the name itself says less to a thief of the key."""


def coverage(plan: Plan, leaf: CertFacts, of: Meant) -> tuple[Coverage, ...]:
    """Return every name of the plan and whether a certificate covers it; the wanted ones first."""
    rows = [*_web(plan, leaf, of), *_eap(plan, leaf, of)]
    return tuple(sorted(rows, key=lambda row: not row.wanted))


def _web(plan: Plan, leaf: CertFacts, of: Meant) -> Iterator[Coverage]:
    opened: dict[str, list[str]] = defaultdict(list)
    for node, name, _, _ in opened_at(plan):
        if node.name not in opened[name]:
            opened[name].append(node.name)
    for name, nodes in opened.items():
        is_meant = (
            Endpoint.WEB in of.endpoints and bool(set(nodes) & set(of.nodes)) and name in of.names
        )
        match = covers(leaf, name)
        yield Coverage(
            Endpoint.WEB, name, tuple(nodes), is_meant, match.covered, match.by, match.why
        )


def _eap(plan: Plan, leaf: CertFacts, of: Meant) -> Iterator[Coverage]:
    expected: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for node in plan.nodes:
        if node.eap is not None and node.eap.expected_names:
            expected[node.eap.expected_names].append(node.name)
    families = [
        client.family
        for client in on_site(plan.clients, "eap")
        if client.setup is not Setup.BY_HAND
    ] or [REFERENCE[Endpoint.EAP]]
    for names, nodes in expected.items():
        is_meant = Endpoint.EAP in of.endpoints and bool(set(nodes) & set(of.nodes))
        matches = [supplicant_covers(leaf, names, family) for family in families]
        # One family that finds no name is enough for the name to be missing.
        match = next((one for one in matches if not one.covered), matches[0])
        yield Coverage(
            Endpoint.EAP,
            listing(names, last="or"),
            tuple(nodes),
            is_meant,
            match.covered,
            match.by,
            match.why,
            starred=match.by_wildcard and not match.covered,
        )


def entries(plan: Plan, rows: Iterable[Coverage]) -> Entries:
    """Return the names that a certificate needs for all that is wanted of it, if it lacks any.

    With wildcards it is the fewest: a name is covered by itself or by one star in place of its
    first label (RFC 9525, 6.3), so the names of one domain need one entry, and no choice in one
    domain changes another. A star is proposed for two names or more, not right below a top-level
    domain and not for EAP, where some supplicants take none; of several names that supplicants
    expect the first is enough.
    """
    meant = [row for row in rows if row.wanted]
    if all(row.covered for row in meant):
        return Entries()
    web = list(dict.fromkeys(row.name for row in meant if row.endpoint is Endpoint.WEB))
    eap = [
        node.eap.expected_names[0]
        for row in meant
        if row.endpoint is Endpoint.EAP
        for node in plan.nodes
        if node.name == row.nodes[0] and node.eap is not None
    ]
    names = tuple(dict.fromkeys((*web, *eap)))
    return Entries(names, tuple(dict.fromkeys((*_with_stars(web), *eap))))


def _with_stars(names: Iterable[str]) -> Iterator[str]:
    below: dict[str, list[str]] = defaultdict(list)
    for name in names:
        domain = name.partition(".")[2]
        starred = not is_address(name) and len(domain.split(".")) >= _STAR_BELOW
        below[f"*.{domain}" if starred else name].append(name)
    for entry, covered in below.items():
        yield from [entry] if len(covered) >= _STAR_FOR else covered
