"""What is served: one row for each distinct chain, with the nodes that serve it."""

from collections.abc import Iterator

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import NotServed, ServedChain, Verdict
from probe.certificate.facts import CertFacts
from probe.observation.model import Endpoint
from probe.report.escape import visible
from probe.report.terminal import words
from probe.report.terminal.paper import Indented, heading, styled
from probe.report.terminal.styles import of_verdict
from probe.report.terminal.view import View

ROWS = 12
"""Rows of one endpoint without anything to tell, where each node has a chain of its own."""

ALIKE = 4
"""Rows of one endpoint that stand apart, or not, with the same verdict; the others are one line."""

_ORDER = {kind: place for place, kind in enumerate(Endpoint)}


def served(view: View) -> Iterator[RenderableType]:
    """Yield the rows: each endpoint's chains, then its visits without one."""
    assessment = view.assessment
    kinds = {row.endpoint for row in assessment.served}
    kinds |= {row.endpoint for row in assessment.not_served}
    if not kinds:
        return
    yield heading("What is served")
    for kind in sorted(kinds, key=lambda kind: _ORDER.get(kind, len(_ORDER))):
        fates: dict[tuple[bool, Verdict], list[ServedChain]] = {}
        rows = [row for row in assessment.served if row.endpoint is kind]
        for row in rows:
            fates.setdefault((row.apart, row.verdict), []).append(row)
        left_out = [_beyond(alike) for alike in fates.values()]
        for row in rows:
            if not any(row in some for some in left_out):
                yield from _row(view, row)
        for some in filter(None, left_out):
            yield _left_out(view, kind, some)
        for missing in assessment.not_served:
            if missing.endpoint is kind:
                yield from _missing(view, missing)


def _row(view: View, row: ServedChain) -> Iterator[RenderableType]:
    how = f", in {words.all_of(row.methods)}" if row.methods else ""
    yield Indented(_opening(view, row, how), hang=3)
    leaf = view.assessment.facts.get(row.chain[0]) if row.chain else None
    if leaf is not None:
        yield Indented(Text(_leaf(view, leaf)), 5, hang=2)
    yield Indented(Text(_issuers(view, row, leaf)), 5, hang=2)
    if row.names:
        yield Indented(Text(f"opened as {words.some_of(row.names)}"), 5, hang=2)


def _opening(view: View, row: ServedChain | NotServed, how: str = "") -> Text:
    opening = styled(view.place(row.endpoint, row.nodes), "place").append(how)
    if row.apart:
        opening.append(", standing apart")
    opening.append(": ").append(words.verdict(row.verdict), of_verdict(row.verdict))
    return opening.append_text(view.references(row.findings))


def _leaf(view: View, leaf: CertFacts) -> str:
    names = words.some_of([name.value for name in leaf.names], 2) or view.subject(leaf.sha256)
    until = words.day(leaf.not_after)
    return f"{names}; {visible(leaf.key)}; until {until}; SHA-256 {leaf.sha256[:8]}..."


def _issuers(view: View, row: ServedChain, leaf: CertFacts | None) -> str:
    rest = [view.subject(sha256) for sha256 in row.chain[1:]]
    sent = f"sent with {words.some_of(rest)}" if rest else "sent alone"
    if row.missing:
        # It ends there only for a client that has the missing ones from elsewhere.
        leads = f", which leads to {words.all_of([row.ends_in])}" if row.ends_in else ""
        return f"{sent}; missing: {words.some_of(row.missing)}{leads}"
    if not rest and leaf and leaf.issuer:
        sent += f", issued by {words.some_of([leaf.issuer])}"
    end = f"ends in {words.all_of([row.ends_in])}" if row.ends_in else "leads to no known root"
    return f"{sent}; {end}"


def _beyond(alike: list[ServedChain]) -> list[ServedChain]:
    """Return the rows of one fate that are told in one line; a single one has its own."""
    quiet = alike[0].verdict is Verdict.SOUND and not alike[0].apart
    beyond = alike[ROWS if quiet else ALIKE :]
    return beyond if len(beyond) > 1 else []


def _left_out(view: View, kind: Endpoint, rows: list[ServedChain]) -> RenderableType:
    names = list(dict.fromkeys(name for row in rows for name in row.nodes))
    chains = words.plural(len(rows), f"more {words.endpoint(kind)} chain")
    apart = ", standing apart" if rows[0].apart else ""
    line = Text(f"and {chains}, at {view.nodes(names)}{apart}: ")
    line.append(rows[0].verdict.word, of_verdict(rows[0].verdict))
    found = dict.fromkeys(identifier for row in rows for identifier in row.findings)
    return Indented(line.append_text(view.references(found)), hang=3)


def _missing(view: View, row: NotServed) -> Iterator[RenderableType]:
    yield Indented(_opening(view, row), hang=3)
    yield Indented(Text(words.outcome(row.outcome)), 5)
