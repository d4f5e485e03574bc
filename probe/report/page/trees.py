"""What is served, as trees: from the server's certificates along their issuers down to the anchor.

Chains that differ in the server's certificate alone, and of which the same is said, share a tree.
Who sends a certificate stands at its edge, and what nobody sends leaves a gap.
"""

from collections.abc import Iterator, Sequence

from probe.assessment import NotServed, ServedChain
from probe.certificate.facts import CertFacts
from probe.observation.model import Endpoint
from probe.records import dataclass, replace
from probe.report.escape import visible
from probe.report.page.answer import numbers
from probe.report.terminal import words
from probe.report.terminal.view import View

_KINDS = {
    Endpoint.WEB: "Web (HTTPS)",
    Endpoint.EAP: "EAP (802.1X logins)",
    Endpoint.RADSEC: "RadSec (RADIUS over TLS)",
}

NAMES = 4
"""Further names of a certificate that stand in its tree; all are in the list of certificates."""


@dataclass(frozen=True, slots=True)
class Link:
    """One certificate of a tree, with the sentence at its edge."""

    kind: str
    """"leaf", "between", "gap", "anchor", "open" (it leads nowhere known) or "beside" (sent, and
    not on the way)."""
    title: str
    says: str
    """Who sends it."""
    about: str = ""
    """Names, key, end."""
    alike: str = ""
    """Whether others send the same, where these nodes stand apart."""
    certificate: str | None = None
    """SHA-256, if it is in the list of certificates."""
    nodes: tuple[str, ...] = ()
    """Who sends it."""


@dataclass(frozen=True, slots=True)
class Tree:
    """One distinct chain, or several under one issuer, and who serves it."""

    token: str
    """The verdict's."""
    nodes: tuple[str, ...]
    where: str
    """The nodes, in words."""
    how: str
    """By which names or in which methods."""
    apart: bool
    numbers: tuple[int, ...]
    leaves: tuple[Link, ...]
    links: tuple[Link, ...]
    """From below the server's certificate down to the anchor."""
    beside: tuple[Link, ...]


@dataclass(frozen=True, slots=True)
class Silent:
    """Nodes that served nothing on an endpoint, and how that ended."""

    token: str
    nodes: tuple[str, ...]
    where: str
    says: str
    apart: bool
    numbers: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Served:
    """What is served on one kind of endpoint."""

    endpoint: str
    title: str
    trees: tuple[Tree, ...]
    silent: tuple[Silent, ...]


def served(view: View) -> tuple[Served, ...]:
    """Return the endpoints in their own order, and on each what is served as it was first met."""
    assessment = view.assessment
    found = []
    for kind in Endpoint:
        rows = [row for row in assessment.served if row.endpoint is kind]
        silent = [row for row in assessment.not_served if row.endpoint is kind]
        if rows or silent:
            title = _KINDS.get(kind) or words.endpoint(kind)
            trees = tuple(_tree(view, group, rows) for group in _groups(rows))
            found.append(
                Served(kind.value, title, trees, tuple(_silent(view, row) for row in silent))
            )
    return tuple(found)


def _groups(rows: Sequence[ServedChain]) -> Iterator[list[ServedChain]]:
    alike: dict[object, list[ServedChain]] = {}
    for row in rows:
        key = (row.chain[1:], row.ends_in, row.missing, row.apart, row.verdict, row.findings)
        alike.setdefault((*key, row.methods), []).append(row)
    yield from alike.values()


def _silent(view: View, row: NotServed) -> Silent:
    return Silent(
        row.verdict.word,
        row.nodes,
        view.nodes(row.nodes),
        words.outcome(row.outcome),
        row.apart,
        numbers(view, row.findings),
    )


def _tree(view: View, group: list[ServedChain], rows: Sequence[ServedChain]) -> Tree:
    first = group[0]
    nodes = _in_plan_order(view, group)
    others = [row for row in rows if row not in group]
    on_way, beside = _way(view, first.chain)
    leaves = tuple(_leaf(view, row, others, alone=len(group) == 1) for row in group)
    names = tuple(dict.fromkeys(name for row in group for name in row.names))
    how = [f"opened as {words.some_of(names)}"] if names else []
    how += [f"in {words.all_of(first.methods)}"] if first.methods else []
    links = [_sent(view, one, _kind(view, one, first), nodes, first, others) for one in on_way[1:]]
    links += _gaps(view, first, nodes, others)
    return Tree(
        token=first.verdict.word,
        nodes=nodes,
        where=view.every_node(nodes),
        how="; ".join(how),
        apart=first.apart,
        numbers=numbers(view, first.findings),
        leaves=leaves,
        links=(*links, *_end(view, first, on_way)),
        beside=tuple(_sent(view, one, "beside", nodes, first, others) for one in beside),
    )


def _kind(view: View, sha256: str, row: ServedChain) -> str:
    facts = view.assessment.facts.get(sha256)
    is_root = facts is not None and facts.self_issued and not row.missing
    return "anchor" if is_root and view.subject(sha256) == visible(row.ends_in or "") else "between"


def _in_plan_order(view: View, group: Sequence[ServedChain]) -> tuple[str, ...]:
    serving = {node for row in group for node in row.nodes}
    return tuple(node for node in view.plan if node in serving)


def _way(view: View, chain: tuple[str, ...]) -> tuple[list[str], list[str]]:
    """Return what lies on the way from the first certificate along its issuers, and what does
    not, as far as names tell."""
    facts = view.assessment.facts
    on_way = list(chain[:1])
    left = list(dict.fromkeys(chain[1:]))
    while on_way and (last := facts.get(on_way[-1])) is not None and not last.self_issued:
        issuers = [
            one
            for one in left
            if one in facts
            and facts[one].subject_raw == last.issuer_raw
            and facts[one].subject == last.issuer
        ]
        if not issuers:
            break
        on_way.append(issuers[0])
        left.remove(issuers[0])
    return on_way, left


def _leaf(view: View, row: ServedChain, others: Sequence[ServedChain], *, alone: bool) -> Link:
    link = _sent(view, row.chain[0], "leaf", row.nodes, row, others)
    facts = view.assessment.facts.get(row.chain[0])
    further = [name.value for name in facts.names if name.value != link.title] if facts else []
    if not (alone and further):
        return link
    return replace(link, about=f"also for {words.some_of(further, NAMES)}; {link.about}")


def _sent(
    view: View,
    sha256: str,
    kind: str,
    nodes: tuple[str, ...],
    row: ServedChain,
    others: Sequence[ServedChain],
) -> Link:
    facts = view.assessment.facts.get(sha256)
    says = f"{_who(view, nodes)} {_send(nodes)} this"
    if kind == "anchor":
        says += f", a root that {_come(row.endpoint)} have anyway"
    if kind == "beside":
        says += ", and it is not on the way"
    return Link(
        kind,
        view.subject(sha256),
        says,
        _about(facts),
        _alike(view, sha256, row.endpoint, others) if row.apart else "",
        sha256 if facts is not None else None,
        nodes,
    )


def _come(endpoint: Endpoint) -> str:
    """Return what those are called who come to an endpoint."""
    return "peers" if endpoint is Endpoint.RADSEC else "clients"


def _who(view: View, nodes: tuple[str, ...]) -> str:
    return view.nodes(nodes)


def _send(nodes: Sequence[str]) -> str:
    return "sends" if len(nodes) == 1 else "send"


def _about(facts: CertFacts | None) -> str:
    return "" if facts is None else f"{visible(facts.key)}; until {words.day(facts.not_after)}"


def _alike(view: View, sha256: str, endpoint: Endpoint, others: Sequence[ServedChain]) -> str:
    nodes = _in_plan_order(view, [row for row in others if sha256 in row.chain])
    if nodes:
        return f"the same as at {view.nodes(nodes)}"
    elsewhere = _elsewhere(view, sha256, endpoint)
    return f"the same as {elsewhere}" if elsewhere else "seen only here"


def _elsewhere(view: View, sha256: str, endpoint: Endpoint) -> str | None:
    """Return where it is sent on another endpoint."""
    for kind in Endpoint:
        rows = [r for r in view.assessment.served if r.endpoint is kind and sha256 in r.chain]
        if kind is not endpoint and rows:
            return view.place(kind, _in_plan_order(view, rows))
    return None


def _gaps(
    view: View, row: ServedChain, nodes: tuple[str, ...], others: Sequence[ServedChain]
) -> Iterator[Link]:
    facts = view.assessment.facts
    for number, name in enumerate(row.missing):
        sha256 = row.lacking[number] if number < len(row.lacking) else None
        about = facts.get(sha256) if sha256 else None
        yield Link(
            "gap",
            visible(about.common_name) if about and about.common_name else visible(name),
            _missing(view, nodes, row.endpoint, sha256, others),
            _about(about),
            certificate=sha256 if sha256 in view.assessment.survey.certificates else None,
        )


def _missing(
    view: View,
    nodes: tuple[str, ...],
    endpoint: Endpoint,
    sha256: str | None,
    others: Sequence[ServedChain],
) -> str:
    senders = _in_plan_order(view, [row for row in others if sha256 in row.chain])
    if senders:
        not_here = "does" if len(nodes) == 1 else "do"
        return (
            f"missing: {_who(view, nodes)} {not_here} not send this; "
            f"{view.nodes(senders)} {_send(senders)} it"
        )
    elsewhere = _elsewhere(view, sha256 or "", endpoint)
    if elsewhere is not None:
        return f"missing: nobody sends this here; {elsewhere} has it"
    address = view.assessment.fetched_from.get(sha256 or "")
    if address is not None:
        return f"missing: nobody sends this; found at its issuer's address, {visible(address)}"
    return "missing: nobody sends this"


def _end(view: View, row: ServedChain, on_way: Sequence[str]) -> Iterator[Link]:
    whose = _come(row.endpoint)
    if row.ends_in is None:
        if not row.missing:
            yield Link("open", "no known root", f"it leads to no root that {whose} here have")
        return
    title = visible(row.ends_in)
    if on_way and not row.missing and view.subject(on_way[-1]) == title:
        return
    yield Link("anchor", title, f"a root that {whose} have: nobody has to send it")
