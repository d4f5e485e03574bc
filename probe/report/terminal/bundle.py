"""What is to be imported, for people: can it be, what would happen, what has to be done before."""

from collections.abc import Iterator, Sequence

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import Verdict
from probe.bundle import Authority, Coverage, Judged, Origin
from probe.certificate.container import Container
from probe.certificate.facts import CertFacts
from probe.observation.model import Endpoint, fingerprint
from probe.report.escape import SENTENCES, visible
from probe.report.terminal import words
from probe.report.terminal.closing import judgement
from probe.report.terminal.findings import findings, notes
from probe.report.terminal.headline import felt, first
from probe.report.terminal.paper import Indented, Labelled, heading, styled, to_text
from probe.report.terminal.styles import of_verdict
from probe.report.terminal.view import View

COLUMN = 16
"""Where answers begin, as on the first screen of a sweep."""

ROWS = 40
"""Names that are listed of those that are to be added; the JSON document has all of them."""

COVERED = 12
"""Names that are listed of those that are covered: they are no work for anybody."""

_FROM = {
    Origin.BUNDLE: "in the bundle",
    Origin.PLAN: "among the plan's roots",
    Origin.SEEN: "served by the nodes",
    Origin.NOWHERE: "not at hand: to be had from the CA",
}

NOT_PROVEN = (
    "Nothing was asked of any node: whether one takes the files, and sends the chain as it stands "
    "here, shows afterwards (probe cluster). Whether the certificate was revoked was not asked."
)


def render_bundle(judged: Judged, *, width: int = 80, colour: bool = False) -> str:
    """Return what is to be said before the import."""
    return to_text(_parts(judged), width=width, colour=colour)


def _parts(judged: Judged) -> Iterator[RenderableType]:
    view = View.of(judged.assessment)
    what = "certificate request" if judged.is_request else "bundle"
    title = styled(f"The {what}: ", "title")
    yield Indented(title.append(judged.verdict.word, of_verdict(judged.verdict)), indent=0)
    yield Text()
    yield from _certificate(judged)
    yield from _meant(judged)
    if judged.offered.chain:
        yield from felt(view, Verdict.BLOCKED, "Blocked then")
        yield from felt(view, Verdict.WARNED, "Warned then")
    yield from first(view)
    yield from _files(judged)
    yield from _coverage(judged)
    yield from _authorities(judged)
    yield from _key(judged, view)
    yield from findings(view)
    yield from notes(view)
    yield from _closing(judged)


def _certificate(judged: Judged) -> Iterator[RenderableType]:
    offered, facts = judged.offered, judged.facts
    if offered.chain:
        leaf = facts[fingerprint(offered.chain[0])]
        until = words.day(leaf.not_after)
        line = f"{_names(leaf)}; {visible(leaf.key)}; until {until}; SHA-256 {leaf.sha256[:8]}..."
        yield Labelled("Certificate", Text(line), COLUMN, hang=2)
        issuers = [_called(facts[fingerprint(der)]) for der in offered.chain[1:]]
        line = f"with {words.some_of(issuers)}" if issuers else "alone"
        line += f", issued by {words.some_of([leaf.issuer])}" if leaf.issuer and not issuers else ""
        yield Labelled("", Text(line), COLUMN, hang=2)
    if offered.request is not None:
        request = offered.request
        names = words.some_of([name.value for name in request.names], 2)
        line = f"{names or visible(request.subject) or 'without a name'}; {visible(request.key)}"
        if judged.matches is not None:
            line += "; of the same key" if judged.matches else "; of another key"
        yield Labelled("Request", Text(line), COLUMN, hang=2)


def _names(leaf: CertFacts) -> str:
    return words.some_of([name.value for name in leaf.names], 2) or _called(leaf)


def _called(facts: CertFacts) -> str:
    return visible(facts.common_name or facts.subject or f"certificate {facts.sha256[:16]}")


def _meant(judged: Judged) -> Iterator[RenderableType]:
    if judged.key is None:
        return
    meant = [world for world in judged.worlds if world.meant]
    kinds = words.all_of([words.endpoint(world.endpoint) for world in meant])
    where = ""
    if judged.planned:
        where = f" at {words.nodes(judged.nodes, judged.plan_nodes)}"
    yield Labelled("Judged for", Text(f"{kinds}{where}"), COLUMN, hang=2)
    if judged.nodes_why is not None and judged.nodes_why != "named":
        line = f"{visible(judged.nodes_why)}; --node names others"
        yield Labelled("", Text(line), COLUMN, hang=2)
    if judged.planned and len(meant) > 1:
        yield Labelled("", Text("it fits both alike; --for decides"), COLUMN, hang=2)
    for world in judged.worlds:
        if not world.meant and judged.planned:
            line = f"not for {words.endpoint(world.endpoint)}: {visible(world.why)}; --for decides"
            yield Labelled("", Text(line), COLUMN, hang=2)


# ---------------------------------------------------------------- the files


def _files(judged: Judged) -> Iterator[RenderableType]:
    offered = judged.offered
    if not offered.containers:
        return
    yield heading("The files")
    for container in offered.containers:
        yield Indented(styled(visible(container.file), "place").append(f": {_kind(container)}"))
        for line in _protection(container):
            yield Indented(Text(line), 5, 2)
    if not offered.chain:
        return
    line = "no private key"
    if offered.keys:
        fits = {
            True: "belongs to the certificate, as a signature shows",
            False: "does not belong to the certificate",
            None: "could not be tried with the certificate",
        }[offered.fits]
        line = f"the private key ({words.some_of(offered.keys)}) {fits}"
    yield Indented(Text(line))
    order = "in order" if offered.in_order else "in another order than they are to be sent in"
    several = len(offered.chain) > 1
    count = words.plural(len(offered.chain), "certificate")
    yield Indented(Text(f"{count} of the chain" + (f", {order}" if several else "")))


def _kind(container: Container) -> str:
    return container.kind.value if container.kind is not None else "nothing that is read here"


def _protection(container: Container) -> Iterator[str]:
    if container.encryption:
        rounds = f", {container.iterations} iterations" if container.iterations else ""
        yield f"encrypted with {words.some_of(container.encryption)}{rounds}"
    if container.mac is not None:
        yield f"sealed with {visible(container.mac)}"
    if container.newer:
        yield f"some servers do not read {words.some_of(container.newer)} yet"


# ---------------------------------------------------------------- names


def _coverage(judged: Judged) -> Iterator[RenderableType]:
    wanted = [row for row in judged.coverage if row.wanted]
    rest = [row for row in judged.coverage if not row.wanted]
    if wanted:
        yield heading("Names of the plan")
        missing = [row for row in wanted if not row.covered]
        covered = [row for row in wanted if row.covered]
        for rows, most in ((missing, ROWS), (covered, COVERED)):
            for row in rows[:most]:
                yield from _name(judged, row)
            if len(rows) > most:
                how = "covered" if rows is covered else "not covered"
                yield Indented(Text(words.more(len(rows) - most, f"that are {how}")))
    if rest and wanted:
        names = [f"{row.name} ({words.endpoint(row.endpoint)})" for row in rest]
        yield Indented(Text(f"not looked for: {words.some_of(names)}"), hang=2)
    yield from _entries(judged)


def _name(judged: Judged, row: Coverage) -> Iterator[RenderableType]:
    line = styled(visible(row.name), "place")
    if row.endpoint is Endpoint.EAP:
        line.append(" (EAP)")
    line.append(f" at {words.nodes(row.nodes, judged.plan_nodes)}: ")
    if row.covered:
        line.append(f"covered by {visible(row.by)}" if row.by else "covered")
    else:
        line.append("not covered", of_verdict(Verdict.BLOCKED))
    yield Indented(line, hang=3)


def _entries(judged: Judged) -> Iterator[RenderableType]:
    entries = judged.entries
    if not entries.names:
        return
    yield Labelled("would cover", Text(_listed(entries.names)), COLUMN, hang=2)
    if entries.fewest != entries.names:
        yield Labelled("or fewest", Text(_listed(entries.fewest)), COLUMN, hang=2)


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(visible(name) for name in names[:ROWS])
    return shown + (f" and {len(names) - ROWS} more" if len(names) > ROWS else "")


# ---------------------------------------------------------------- what has to be there first


def _authorities(judged: Judged) -> Iterator[RenderableType]:
    if not judged.authorities:
        return
    yield heading("CA certificates that a node must have first")
    for one in judged.authorities:
        yield from _authority(judged, one)


def _authority(judged: Judged, one: Authority) -> Iterator[RenderableType]:
    facts = judged.facts.get(one.certificate or "")
    name = _called(facts) if facts is not None else visible(one.subject)
    line = styled(name, "place").append(f", {'the root' if one.root else 'issuing CA'}: ")
    line.append(_FROM[one.origin])
    if one.trusted and judged.planned:
        line.append("; nodes have it, by the plan")
    yield Indented(line, hang=3)
    if one.certificate is not None:
        yield Labelled("SHA-256", Text(_spaced(one.certificate)), COLUMN, 5)
    if one.sha1 is not None:
        yield Labelled("SHA-1", Text(_spaced(one.sha1)), COLUMN, 5)


def _spaced(digits: str) -> str:
    """Return a fingerprint in groups, to be compared by eye."""
    shown = visible(digits).upper()
    return " ".join(shown[start : start + 4] for start in range(0, len(shown), 4))


def _key(judged: Judged, view: View) -> Iterator[RenderableType]:
    key = judged.key
    if key is None or not (judged.planned or key.reused is not None):
        return
    yield heading("The key")
    known = f" Known from {visible(key.known_from)}." if key.known_from is not None else ""
    for number, line in enumerate(key.says):
        yield Indented(Text(visible(line, SENTENCES) + (known if number == 0 else "")))
    if key.asked_again:
        who = words.all_of([view.client(family) for family in key.asked_again])
        yield Indented(
            Text(f"Set up by hand, {who} will meet a certificate that they do not know.")
        )


def _closing(judged: Judged) -> Iterator[RenderableType]:
    assessment = judged.assessment
    yield heading("About this result")
    yield Indented(Text(NOT_PROVEN))
    plan = visible(assessment.plan_name) if judged.planned else "none: judged by defaults"
    yield Labelled("plan", Text(plan), COLUMN)
    yield from judgement(assessment, COLUMN)
