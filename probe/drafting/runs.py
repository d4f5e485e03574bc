"""Nodes in a row that differ by their number alone: one table of the plan stands for them."""

import re
from collections.abc import Callable, Iterator, Sequence
from ipaddress import ip_address

from probe.drafting.model import NodeDraft
from probe.limits import PLAN_RANGE
from probe.records import dataclass

LEAST = 5
"""Nodes that are written as one table; fewer are easier to read and to change one by one."""

_NUMBERED = re.compile(r"(.*?)(\d+)\Z")


@dataclass(frozen=True, slots=True)
class Run:
    """One table: of one node, or of several."""

    first: NodeDraft
    name: str
    host: str
    begins: int = 0
    last: int | None = None
    """The last number; None: it is one node."""


def runs(nodes: Sequence[NodeDraft], doubts: Callable[[NodeDraft], Sequence[str]]) -> Iterator[Run]:
    """Yield the tables of nodes, in their order. Nodes with doubts stand alone."""
    start = 0
    while start < len(nodes):
        end = start + 1
        while end < len(nodes) and end - start < PLAN_RANGE and _follows(nodes, start, end, doubts):
            end += 1
        if end - start >= LEAST:
            yield _run(nodes[start], end - start)
            start = end
        else:
            # Not all of these: a longer row may begin at the next one.
            yield Run(nodes[start], nodes[start].name, nodes[start].host)
            start += 1


def _run(first: NodeDraft, length: int) -> Run:
    prefix, digits = _parts(first.name) or (first.name, "")
    number = f"{prefix}{{{'n' * (len(digits) if digits.startswith('0') else 1)}}}"
    begins = int(digits)
    host = number + first.host.removeprefix(first.name)
    return Run(first, number, host, begins, begins + length - 1)


def _parts(name: str) -> tuple[str, str] | None:
    found = _NUMBERED.match(name)
    return (found[1], found[2]) if found else None


def _follows(
    nodes: Sequence[NodeDraft],
    start: int,
    end: int,
    doubts: Callable[[NodeDraft], Sequence[str]],
) -> bool:
    """Whether a node is what the first one would be, so many steps further."""
    first, node, steps = nodes[start], nodes[end], end - start
    parts = _parts(first.name)
    if parts is None or len(parts[1]) > 6 or not first.host.startswith(f"{first.name}."):
        return False
    prefix, digits = parts
    width = len(digits) if digits.startswith("0") else 1
    name = f"{prefix}{int(digits) + steps:0{width}}"
    return (
        (node.name, node.host) == (name, name + first.host.removeprefix(first.name))
        and node.addresses == _after(first.addresses, steps)
        and node.eap_addresses == _after(first.eap_addresses, steps)
        and (node.group, node.site, node.web_port, node.eap_port)
        == (first.group, first.site, first.web_port, first.eap_port)
        and not any((*node.doubts, *first.doubts, *doubts(node), *doubts(first)))
        and bool(first.addresses)
    )


def _after(addresses: Sequence[str], steps: int) -> tuple[str, ...]:
    try:
        return tuple(str(ip_address(address) + steps) for address in addresses)
    except ValueError:
        return ()
