"""What is to be read first: who is blocked or warned now, which nodes stand apart, where to begin.

Only findings that count speak here, so an accepted one raises no alarm.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence

from probe.assessment import Apart, Does, Felt, Finding, Headline, NotServed, ServedChain, Verdict
from probe.records import replace

_FELT_AS = {Does.REFUSES: Verdict.BLOCKED, Does.WARNS: Verdict.WARNED}
_NOW = frozenset(_FELT_AS.values())


def headline(
    findings: Sequence[Finding],
    served: Iterable[ServedChain],
    not_served: Iterable[NotServed],
    nodes: Sequence[str],
) -> Headline:
    """Return what to read first. `findings` are in their final order, `nodes` in plan order."""
    counting = [finding for finding in findings if finding.counts]
    before = tuple(finding.id for finding in counting if finding.rule.startswith("here-"))
    felt = [entry for finding in counting for entry in _felt(finding)]
    # The same place felt by more families, more names for them, more nodes where they meet that.
    felt = _merged(felt, lambda entry: (entry.verdict, entry.endpoint, entry.nodes, entry.names))
    felt = _merged(
        felt,
        lambda entry: (
            *(entry.verdict, entry.endpoint, entry.nodes, frozenset(entry.clients)),
            not entry.names,  # no name means every page: that is not one name more
        ),
    )
    felt = _merged(
        felt,
        lambda entry: (entry.verdict, entry.endpoint, frozenset(entry.clients), entry.names),
    )
    return Headline(
        felt=tuple(sorted(felt, key=lambda entry: entry.verdict)),
        apart=tuple(_apart(counting, tuple(served), tuple(not_served), nodes)),
        first=before[0] if before else counting[0].id if counting else None,
        before=before,
    )


def _felt(finding: Finding) -> Iterator[Felt]:
    if finding.verdict not in _NOW or of_import(finding):
        return
    names = () if finding.name is None else (finding.name,)
    entry = Felt(finding.verdict, finding.endpoint, (), finding.nodes, names, (finding.id,))
    clients: dict[Verdict, list[str]] = {}
    for reaction in finding.reactions:
        if reaction.does in _FELT_AS:
            # What rests on memory alone may have made the finding milder than the reaction.
            verdict = max(finding.verdict, _FELT_AS[reaction.does])
            clients.setdefault(verdict, []).append(reaction.client)
    if not clients:
        clients[finding.verdict] = list(finding.clients)
    for verdict, families in sorted(clients.items()):
        yield replace(entry, verdict=verdict, clients=tuple(dict.fromkeys(families)))


def of_import(finding: Finding) -> bool:
    """Return whether it only says that something else was to be served: who comes there need not
    mind."""
    return finding.rule.startswith("import-") and not finding.clients and not finding.reactions


def _merged(entries: Iterable[Felt], key: Callable[[Felt], object]) -> list[Felt]:
    """Return one entry for all that have the same key, in the order of the first of them."""
    merged: dict[object, Felt] = {}
    for entry in entries:
        first = merged.setdefault(key(entry), entry)
        if first is not entry:
            merged[key(entry)] = replace(
                first,
                clients=_union(first.clients, entry.clients),
                nodes=_union(first.nodes, entry.nodes),
                names=_union(first.names, entry.names),
                findings=_union(first.findings, entry.findings),
            )
    return list(merged.values())


def _union(first: tuple[str, ...], second: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*first, *second)))


def _apart(
    findings: Sequence[Finding],
    served: Sequence[ServedChain],
    not_served: Sequence[NotServed],
    nodes: Sequence[str],
) -> list[Apart]:
    """Nodes for which all of it is the same are one entry."""
    some = [finding for finding in findings if 2 * len(set(finding.nodes)) <= len(nodes)]
    alike: dict[object, Apart] = {}
    for node in nodes:
        other = tuple(row for row in served if row.apart and node in row.nodes)
        missing = tuple(row for row in not_served if row.apart and node in row.nodes)
        named = tuple(finding for finding in some if node in finding.nodes)
        if not (other or missing or named):
            continue
        key = (
            tuple((row.endpoint, row.chain) for row in other),
            tuple((row.endpoint, row.outcome) for row in missing),
            tuple(finding.id for finding in named),
        )
        entry = Apart(
            nodes=(node,),
            verdict=min((finding.verdict for finding in named), default=Verdict.SOUND),
            other_chain=tuple(dict.fromkeys(row.endpoint for row in other)),
            not_served=tuple(dict.fromkeys(row.endpoint for row in missing)),
            findings=tuple(finding.id for finding in named),
        )
        earlier = alike.get(key)
        alike[key] = replace(earlier, nodes=(*earlier.nodes, node)) if earlier else entry
    return sorted(alike.values(), key=lambda entry: entry.verdict)
