"""Every finding with what was seen, who feels it, what to do, and where that is written; notes."""

from collections.abc import Iterator

from probe.assessment import Finding, Note
from probe.records import dataclass
from probe.report.escape import SENTENCES, visible
from probe.report.terminal import words
from probe.report.terminal.findings import acceptance, facts, felt_by
from probe.report.terminal.view import View

EVIDENCE = 20
"""Facts of one finding that stand open; the others can be unfolded."""

MOST_EVIDENCE = 200
"""Facts of one finding that are on the page at all; the JSON document has them all."""

_SEEING = "to see it: "
"""How a fact begins that is a line for a shell (`probe/judge/see.py`)."""


@dataclass(frozen=True, slots=True)
class Told:
    """One finding as it stands on the page."""

    number: int
    token: str
    verdict: str
    """The word, with its day."""
    place: str
    name: str
    rule: str
    endpoint: str
    nodes: tuple[str, ...]
    every_node: str
    """Only where the place does not name them all."""
    says: str
    accepted: str
    seen: tuple[str, ...]
    more: tuple[str, ...]
    left_out: int
    commands: tuple[str, ...]
    asked: str
    felt_label: str
    felt: tuple[str, ...]
    remedy: str
    source: str
    explains: tuple[str, ...]
    certificates: tuple[tuple[str, str], ...]
    """SHA-256 and title of those at fault."""


@dataclass(frozen=True, slots=True)
class ToldNote:
    """One note."""

    place: str
    says: str
    aside: str
    endpoint: str
    nodes: tuple[str, ...]


def findings(view: View) -> tuple[Told, ...]:
    """Return every finding, in the order of the assessment."""
    return tuple(_told(view, finding) for finding in view.assessment.findings)


def _told(view: View, finding: Finding) -> Told:
    lines = list(facts(finding.evidence))
    commands = [line.removeprefix(_SEEING) for line in lines if line.startswith(_SEEING)]
    seen = [line for line in lines if not line.startswith(_SEEING)]
    every = view.every_node(finding.nodes)
    asked = dict.fromkeys(item.observation for item in finding.evidence if item.observation)
    label, felt = felt_by(view, finding)
    return Told(
        number=view.numbers[finding.id],
        token=finding.verdict.word,
        verdict=words.verdict(finding.verdict, finding.due),
        place=view.place_of(finding),
        name=visible(finding.name) if finding.name is not None else "",
        rule=visible(finding.rule),
        endpoint=finding.endpoint.value,
        nodes=finding.nodes,
        every_node=every if every != view.nodes(finding.nodes) else "",
        says=visible(finding.says, SENTENCES),
        accepted=_accepted(finding),
        seen=tuple(seen[:EVIDENCE]),
        more=tuple(seen[EVIDENCE:MOST_EVIDENCE]),
        left_out=max(len(seen) - MOST_EVIDENCE, 0),
        commands=tuple(commands),
        asked=words.some_of(tuple(asked)),
        felt_label=label,
        felt=tuple(felt),
        remedy=visible(finding.remedy, SENTENCES),
        source=f"{visible(finding.source)} ({words.basis(finding.basis)})",
        explains=tuple(_explains(view, finding)),
        certificates=tuple(
            (sha256, view.subject(sha256))
            for sha256 in finding.certificates
            if sha256 in view.assessment.survey.certificates and sha256 in view.assessment.facts
        ),
    )


def _accepted(finding: Finding) -> str:
    if finding.accepted is None:
        return ""
    expired = "no longer accepted" if finding.accepted.expired else "accepted"
    return f"{expired}, {acceptance(finding.accepted)}"


def _explains(view: View, finding: Finding) -> Iterator[str]:
    for folded in finding.folded:
        where = f" at {view.nodes(folded.nodes)}" if folded.nodes else ""
        yield f"{visible(folded.rule)}{where}: {visible(folded.says, SENTENCES)}"


def notes(view: View) -> tuple[ToldNote, ...]:
    """Return what is worth knowing and changes no verdict."""
    return tuple(_note(view, note) for note in view.assessment.notes)


def _note(view: View, note: Note) -> ToldNote:
    name = f", {visible(note.name)}" if note.name is not None else ""
    return ToldNote(
        f"{view.place(note.endpoint, note.nodes)}{name}",
        visible(note.says, SENTENCES),
        f"{visible(note.rule)}; {visible(note.source)}",
        note.endpoint.value,
        note.nodes,
    )
