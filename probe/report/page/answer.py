"""The first screen: the answer in a sentence, who feels it, who stands apart, what to do first, and
what else is wrong."""

from collections.abc import Iterable, Iterator, Sequence

from probe.assessment import Apart, Assessment, Felt, Finding, Verdict
from probe.observation.model import Endpoint
from probe.records import dataclass
from probe.report.escape import SENTENCES, visible
from probe.report.terminal import words
from probe.report.terminal.headline import difference, doing
from probe.report.terminal.view import View

_NAMED = 4
"""Clients that the sentence names; all of them stand right below it."""

_BESIDES = 3
"""Clients that it names behind those."""

_ELSE = 4
"""Further findings that stand in the first screen; all of them are below."""

_CAUSE = 240
"""Characters of one of them: three lines."""

_FELT = frozenset({Verdict.WARNED, Verdict.DUE})
"""What an acceptance takes out of the verdict though clients feel it; one that blocks stays in."""

_WITHOUT_HARM = {
    Verdict.DUE: "Nobody is blocked or warned today, but something ends soon.",
    Verdict.UNSEEN: "Nobody is known to be blocked or warned, but not everything was seen.",
    Verdict.ADVISED: "Nobody is known to be blocked or warned; something goes against a rule or"
    " good practice.",
    Verdict.SOUND: "Nobody is blocked or warned: what was looked at is as it should be.",
}


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a group: who, in bold, and what is said of them."""

    who: str
    says: str
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Group:
    """What becomes of some clients."""

    token: str
    """Of the verdict whose mark it has."""
    title: str
    entries: tuple[Entry, ...]
    nobody: str = ""
    """What is said where there is no entry."""


@dataclass(frozen=True, slots=True)
class First:
    """What to begin with."""

    number: int
    place: str
    says: str
    """Empty where it is said elsewhere on the first screen."""
    remedy: str
    before: str | None
    """The day until which there is time."""


def sentence(view: View) -> str:
    """Return the answer, one sentence."""
    assessment = view.assessment
    harmed = [entry for entry in assessment.headline.felt if entry.verdict is assessment.verdict]
    if not harmed:
        return _nobody_harmed(view)
    besides = _besides(view, [e for e in assessment.headline.felt if e not in harmed])
    if len(harmed) == 1:
        return f"{_one_way(view, harmed[0])}{besides}."
    nodes = view.nodes(tuple(dict.fromkeys(node for entry in harmed for node in entry.nodes)))
    what = "cannot get on" if assessment.verdict is Verdict.BLOCKED else "are shown warnings"
    return f"Clients {what}{f' at {nodes}' if nodes else ''}{besides}."


def _besides(view: View, milder: Sequence[Felt]) -> str:
    if not milder:
        return ""
    who = words.some_of([view.client(family) for family in milder[0].clients], _BESIDES)
    if len(milder) > 1 or not who:
        return "; others are shown a warning"
    return f"; users of {who} are shown a warning"


def _one_way(view: View, entry: Felt) -> str:
    who = words.some_of([view.client(family) for family in entry.clients], _NAMED)
    if entry.verdict is Verdict.BLOCKED:
        return f"{f'{who} cannot get on' if who else 'Nobody gets on'}, {doing(view, entry)}"
    whose = f"Users of {who} are" if who else "Everybody is"
    return f"{whose} shown a warning, {doing(view, entry)}"


def _nobody_harmed(view: View) -> str:
    verdict, first = view.assessment.verdict, view.finding(view.assessment.headline.first)
    if verdict is Verdict.DUE and first is not None and first.due is not None:
        day = words.day(first.due)
        return f"Nobody is blocked or warned today; from {day} on somebody will be."
    if verdict in _WITHOUT_HARM:
        return _WITHOUT_HARM[verdict]
    if view.assessment.expected:  # an import that did not arrive is warned of; nobody need feel it
        return "Nobody is blocked or warned, but what was imported is not served as it should be."
    return visible(first.says, SENTENCES) if first is not None else f"The verdict: {verdict.word}."


def first(view: View) -> First | None:
    """Return what to begin with. None: nothing has to be done."""
    headline = view.assessment.headline
    finding = view.finding(headline.first)
    if finding is None:
        return None
    day = words.day(finding.due)
    return First(
        number=view.numbers[finding.id],
        place=view.place_of(finding),
        # What is wrong with this machine stands under "First of all", above what it puts in doubt.
        says="" if finding.id in headline.before else visible(finding.says, SENTENCES),
        remedy=visible(finding.remedy, SENTENCES),
        before=day if finding.due is not None and day not in finding.remedy else None,
    )


def besides(view: View) -> tuple[tuple[tuple[str, Entry], ...], int]:
    """Return what else is wrong, each finding with the token of its verdict, and how many more
    there are. What the plan takes as known is none of it."""
    first = view.assessment.headline.first
    others = [one for one in view.assessment.findings if one.counts and one.id != first]
    shown = tuple(
        (one.verdict.word, Entry("", visible(one.says, _CAUSE), (view.numbers[one.id],)))
        for one in others[:_ELSE]
    )
    return shown, len(others) - len(shown)


def consequences(view: View) -> tuple[Group, ...]:
    """Return who is blocked, who is warned, who will be, and for whom nothing changes."""
    assessment = view.assessment
    unseen = tuple(_unseen(view, assessment))
    known = ", as far as was seen" if unseen or not assessment.complete else ""
    groups = [
        Group(
            verdict.word,
            title,
            tuple(_felt(view, assessment.headline.felt, verdict)),
            f"nobody{known}",
        )
        for verdict, title in ((Verdict.BLOCKED, "Blocked"), (Verdict.WARNED, "Warned"))
    ]
    later = tuple(_later(view, assessment))
    if later:
        groups.append(Group(Verdict.DUE.word, "Blocked or warned later", later))
    if unseen:
        groups.append(Group(Verdict.UNSEEN.word, "Not known", unseen))
    taken = [one for one in assessment.findings if not one.counts and one.verdict in _FELT]
    if taken:
        worst = min(one.verdict for one in taken)
        known_of = tuple(_taken(view, finding) for finding in taken)
        groups.append(Group(worst.word, "Known and accepted", known_of))
    spared = words.all_of([view.client(family) for family in assessment.headline.no_change])
    groups.append(
        Group(
            Verdict.SOUND.word,
            "No change",
            (Entry(spared, "can get on as before"),) if spared else (),
            "nobody of whom this is known",
        )
    )
    return tuple(groups)


def _felt(view: View, felt: Iterable[Felt], verdict: Verdict) -> Iterator[Entry]:
    for entry in felt:
        if entry.verdict is verdict:
            who = words.all_of([view.client(family) for family in entry.clients])
            yield Entry(who or "anyone", doing(view, entry), numbers(view, entry.findings))


def _later(view: View, assessment: Assessment) -> Iterator[Entry]:
    for finding in _counting(assessment, Verdict.DUE):
        who = words.all_of([view.client(family) for family in finding.clients]) or "anyone"
        day = f"from {words.day(finding.due)} on, " if finding.due is not None else ""
        where = view.place_of(finding)
        yield Entry(who, f"{day}{where}", (view.numbers[finding.id],))


def _unseen(view: View, assessment: Assessment) -> Iterator[Entry]:
    for finding in _counting(assessment, Verdict.UNSEEN):
        who = words.all_of([view.client(family) for family in finding.clients]) or "anyone"
        where = view.place_of(finding)
        yield Entry(who, f"using {where}", (view.numbers[finding.id],))
    yield from _unanswered(view, assessment)


def _unanswered(view: View, assessment: Assessment) -> Iterator[Entry]:
    """What was not asked to the end, as in a run that was interrupted: no finding speaks of it."""
    told = {(f.endpoint, node) for f in assessment.findings for node in f.nodes}
    for kind in Endpoint:
        nodes = tuple(
            node.name
            for node in assessment.nodes
            if (kind, Verdict.UNSEEN) in node.endpoints and (kind, node.name) not in told
        )
        if nodes:
            yield Entry("anyone", f"using {view.place(kind, nodes)}, of which not all was seen")


def _taken(view: View, finding: Finding) -> Entry:
    who = words.all_of([view.client(family) for family in finding.clients]) or "anyone"
    where = view.place_of(finding)
    says = f"{words.verdict(finding.verdict, finding.due)}, {where}"
    return Entry(who, says, (view.numbers[finding.id],))


def _counting(assessment: Assessment, verdict: Verdict) -> Iterator[Finding]:
    return (f for f in assessment.findings if f.verdict is verdict and f.counts)


def apart(view: View) -> tuple[tuple[str, Entry], ...]:
    """Return the nodes that stand apart, each with the token of its verdict."""
    return tuple((one.verdict.word, _apart(view, one)) for one in view.assessment.headline.apart)


def _apart(view: View, one: Apart) -> Entry:
    return Entry(view.nodes(one.nodes), difference(one), numbers(view, one.findings))


def numbers(view: View, findings: Iterable[str]) -> tuple[int, ...]:
    """Return the numbers of findings that are on the page, in order."""
    return tuple(sorted(view.numbers[one] for one in findings if one in view.numbers))
