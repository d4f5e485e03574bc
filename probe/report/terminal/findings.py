"""The findings: what is seen, who feels it, what to do, and where that is written."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import Accepted, Evidence, Finding, Note, Reaction, Verdict
from probe.observation.model import Endpoint
from probe.report.escape import SENTENCES, visible
from probe.report.terminal import words
from probe.report.terminal.paper import Indented, Labelled, heading, styled
from probe.report.terminal.styles import of_verdict
from probe.report.terminal.view import View

COLUMN = 20
"""Where the text of a finding's parts begins."""

INDENT = 6

EVIDENCE = 20
"""Facts shown of one finding, whoever judged; the JSON has them all."""

SAME = 3
"""Facts shown that are the same but for where they were met."""

WHOLE = 4
"""Findings of one rule and verdict that are shown whole; further ones are what is, and what to do:
the rest stands with the first."""

BRIEF = 20
"""Findings of one rule and verdict that are shown so; of still further ones their number."""


def findings(view: View) -> Iterator[RenderableType]:
    """Yield every finding, in the order of the assessment; of many of one rule the first ones
    whole, and the last ones only counted."""
    found = view.assessment.findings
    if not found:
        return
    yield heading("Findings")
    before: Counter[tuple[str, Verdict]] = Counter()
    left_out: dict[str, list[Finding]] = {}
    for number, finding in enumerate(found):
        alike = finding.rule, finding.verdict
        before[alike] += 1
        if before[alike] > WHOLE + BRIEF:
            left_out.setdefault(finding.rule, []).append(finding)
            continue
        if number:
            yield Text()
        yield from _title(view, finding)
        if before[alike] <= WHOLE:
            yield from _details(view, finding)
        else:
            yield _part("to do", visible(finding.remedy, SENTENCES))
    for rule, some in left_out.items():
        names = tuple(dict.fromkeys(name for finding in some for name in finding.nodes))
        where = f" at {view.nodes(names)}" if names else ""
        yield Text()
        yield Indented(Text(words.more(len(some), f"of {visible(rule)}{where}")))


def _title(view: View, finding: Finding) -> Iterator[RenderableType]:
    title = styled(f"[{view.numbers[finding.id]}] ", "reference")
    title.append(words.verdict(finding.verdict, finding.due), of_verdict(finding.verdict))
    if finding.accepted is not None:
        title.append(", accepted" if not finding.accepted.expired else ", no longer accepted")
    title.append("  ").append(view.place_of(finding), "place")
    if finding.name is not None:
        title.append(f", {visible(finding.name)}")
    yield Indented(title.append(f"  {visible(finding.rule)}", "aside"), hang=4)
    yield Indented(Text(visible(finding.says, SENTENCES)), INDENT)
    if finding.accepted is not None:
        yield _part("accepted", acceptance(finding.accepted))


def _details(view: View, finding: Finding) -> Iterator[RenderableType]:
    every = view.every_node(finding.nodes)
    if every != view.nodes(finding.nodes):
        # Whoever has to go there needs them all, and only here are they told: once.
        alike = (other for other in view.assessment.findings if other.nodes == finding.nodes)
        number = view.numbers[next(alike).id]
        again = number != view.numbers[finding.id]
        yield _part("nodes", f"the same as of [{number}]" if again else every)
    seen = _alike(finding.evidence)
    for number, line in enumerate(seen[:EVIDENCE]):
        yield _part("seen" if number == 0 else "", line)
    if len(seen) > EVIDENCE:
        yield _part("", words.more(len(seen) - EVIDENCE))
    asked = tuple(dict.fromkeys(item.observation for item in finding.evidence if item.observation))
    if asked:
        yield _part("asked", words.some_of(asked))
    yield from _felt(view, finding)
    yield _part("to do", visible(finding.remedy, SENTENCES))
    yield _part("source", f"{visible(finding.source)} ({words.basis(finding.basis)})")
    for number, folded in enumerate(finding.folded):
        where = f" at {view.nodes(folded.nodes)}" if folded.nodes else ""
        line = f"{visible(folded.rule)}{where}: {visible(folded.says, SENTENCES)}"
        yield _part("explains" if number == 0 else "", line)


def facts(evidence: Iterable[Evidence]) -> Iterator[str]:
    """Yield a line for each fact: the ways in which it was met the same are told together."""
    return (line for line, _ in _facts(evidence))


def _alike(evidence: Iterable[Evidence]) -> list[str]:
    """Return the lines of facts; of those that are the same elsewhere the first ones."""
    told = list(_facts(evidence))
    several = Counter(value for _, value in told)
    shown: Counter[str] = Counter()
    lines = []
    for line, value in told:
        shown[value] += 1
        if several[value] <= SAME + 1 or shown[value] <= SAME:
            lines.append(line)
        elif shown[value] == several[value]:
            lines.append(words.more(several[value] - SAME, "like these"))
    return lines


def _facts(evidence: Iterable[Evidence]) -> Iterator[tuple[str, str]]:
    """Yield each fact as a line, and the value in it."""
    met: dict[tuple[str, str | None, str], list[str]] = {}
    for item in evidence:
        way, which = item.how or (None, "")
        met.setdefault((item.what, way, item.value), []).append(which)
    for (what, way, value), ways in met.items():
        how = "" if way is None else f", {visible(way)} {words.some_of(ways)}"
        yield f"{visible(what)}{how}: {visible(value)}", value


def _part(label: str, text: str) -> Labelled:
    return Labelled(label, Text(text), COLUMN, INDENT, hang=2)


def acceptance(accepted: Accepted) -> str:
    """Return until when a finding is taken as known, and why."""
    # An acceptance lasts until the end of a day in UTC, so the day is what its author wrote.
    until = words.day(accepted.until)
    return f"until {until}: {visible(accepted.reason)}"


def felt_by(view: View, finding: Finding) -> tuple[str, list[str]]:
    """Return the label, and a line for clients that feel a finding alike."""
    lines = [*reactions_in_words(finding.reactions, view.client)]
    if not lines:
        clients = words.all_of([view.client(family) for family in finding.clients])
        lines = [clients or _anyone(finding)]
    return "felt by" if finding.due is None else "then felt by", lines


def _felt(view: View, finding: Finding) -> Iterator[RenderableType]:
    label, lines = felt_by(view, finding)
    for number, line in enumerate(lines):
        yield _part(label if number == 0 else "", line)


def _anyone(finding: Finding) -> str:
    if finding.rule.startswith("import-"):
        return "nobody by itself: it is not what was to be served"
    if finding.endpoint is Endpoint.BUNDLE and finding.verdict is not Verdict.UNSEEN:
        return "whoever imports it"
    return _ANYONE[finding.verdict]


def reactions_in_words(reactions: Iterable[Reaction], title: Callable[[str], str]) -> Iterator[str]:
    """Yield a line for client families that do the same and show the same words."""
    alike: dict[tuple[object, ...], list[Reaction]] = {}
    for reaction in reactions:
        alike.setdefault((reaction.does, reaction.setup, reaction.words), []).append(reaction)
    for group in alike.values():
        first = group[0]
        line = words.all_of([title(item.client) for item in group])
        if first.setup is not None:
            line += f", set up {words.setup(first.setup)}"
        line += f": {words.does(first.does)}"
        if first.words is not None:
            line += f', shown "{visible(first.words)}"'
        yield line


_ANYONE = {
    Verdict.BLOCKED: "anyone who comes there",
    Verdict.WARNED: "anyone who comes there",
    Verdict.DUE: "anyone who comes there from then on",
    Verdict.UNSEEN: "not known, as nothing was seen",
    Verdict.ADVISED: "nobody today",
    Verdict.SOUND: "nobody",
}
"""Who feels a finding that rests on no client family's rule."""


def notes(view: View) -> Iterator[RenderableType]:
    """Yield what is worth knowing and changes no verdict."""
    if not view.assessment.notes:
        return
    yield heading("Notes, which change no verdict")
    for note in view.assessment.notes:
        yield Indented(_note(view, note), hang=3)


def _note(view: View, note: Note) -> Text:
    line = styled(view.place(note.endpoint, note.nodes), "place")
    if note.name is not None:
        line.append(f", {visible(note.name)}")
    line.append(f": {visible(note.says, SENTENCES)}")
    return line.append(f" ({visible(note.rule)}; {visible(note.source)})", "aside")
