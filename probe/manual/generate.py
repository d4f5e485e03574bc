"""The pages of rules, out of the catalogue and the data of the client families."""

import textwrap
from collections.abc import Iterable, Iterator
from itertools import groupby
from pathlib import Path

from probe.assessment import Verdict
from probe.jobs.rules import Explained, catalogue, explain
from probe.observation.model import Endpoint
from probe.report.terminal import words
from probe.report.terminal.findings import reactions_in_words

FOLDER = Path(__file__).parent
COLUMNS = 78
"""Of the source text, which is read as it is too."""


def files() -> dict[Path, str]:
    """Return every file that is generated, with its text."""
    ids = tuple(rule.id for rule in catalogue())
    made = {FOLDER / "rules" / f"{rule_id}.md": page(explain(rule_id), ids) for rule_id in ids}
    return {FOLDER / "rules.md": contents(), **made}


def page(explained: Explained, ids: Iterable[str]) -> str:
    """Return the page of one rule; `ids` are those of all rules."""
    rule = explained.rule
    return _document(
        f"# {rule.id}",
        f"{rule.title}.",
        "## What was observed",
        rule.meaning,
        "## Why it matters",
        rule.why,
        "## To whom",
        *(f"* {line}" for line in _whom(explained)),
        "## What to do",
        rule.remedy,
        "## How bad it is",
        _verdict(explained),
        "## Source",
        _source(rule.source, words.basis(rule.basis)),
        *(f"* {source}" for source in explained.sources),
        *_others(rule.id, frozenset(ids)),
    )


def contents() -> str:
    """Return the page that lists all rules."""
    order = {kind: place for place, kind in enumerate(Endpoint)}
    rules = sorted(catalogue(), key=lambda rule: order[rule.endpoint])
    parts = [
        "# Rules",
        "What is looked at, by where it is put right. `probe manual ID` shows the page of a rule,"
        " `probe rules ID` the same in short.",
    ]
    for kind, group in groupby(rules, key=lambda rule: rule.endpoint):
        parts.append(f"## {words.endpoint(kind)}")
        parts += [f"* [{rule.id}](rules/{rule.id}.md): {rule.title}" for rule in group]
    return _document(*parts)


def _whom(explained: Explained) -> Iterator[str]:
    titles = explained.titles
    lines = list(reactions_in_words(explained.reactions, lambda family: titles[family]))
    rule = explained.rule
    yield from lines or [rule.whom or _nobody(rule.id, rule.floor)]


def _nobody(rule_id: str, floor: Verdict | None) -> str:
    """Say who feels it where no client family's rule decides."""
    room = rule_id.split("-", 1)[0]
    if room == "bundle":
        return "Nobody yet, as it is not imported; everybody afterwards."
    if room == "import":
        return "Who still meets what was to be replaced: a finding beside it says so."
    if floor is Verdict.DUE:
        return "Nobody before the date that is told; then whoever comes there."
    if floor is Verdict.UNSEEN:
        return "Not known, as nothing was seen. It may be everybody."
    if room == "radsec" and floor is Verdict.BLOCKED:
        return "Every peer: access points, and the proxies of partners."
    if floor in (Verdict.BLOCKED, Verdict.WARNED):
        return "Anyone who comes there, with whatever client."
    return "Nobody by itself." if floor is None else "Nobody that is known of today."


def _verdict(explained: Explained) -> str:
    rule = explained.rule
    if rule.floor is None and not rule.by_clients:
        return "A note: it changes no verdict."
    least = "a note" if rule.floor is None else f"`{rule.floor.word}`"
    if rule.by_clients:
        return f"As the clients on site react, at worst as above; {least} where none minds."
    told = least if rule.floor is Verdict.BLOCKED else f"{least} or worse"
    # Where it may be due to how it was asked, or was not seen through, a finding claims less.
    milder = rule.floor in (Verdict.BLOCKED, Verdict.WARNED)
    return f"{told}; milder where the finding says why." if milder else f"{told}."


def _source(source: str, basis: str) -> str:
    return f"{source.capitalize()}." if source == basis else f"{source} ({basis})."


def _others(rule_id: str, ids: frozenset[str]) -> Iterator[str]:
    """Name the same rule of other endpoints."""
    ending = rule_id.split("-", 1)[1]
    rooms = ("web", "eap", "radsec", "cluster", "bundle", "import")
    others = [f"{room}-{ending}" for room in rooms if f"{room}-{ending}" in ids - {rule_id}]
    if others:
        yield "## Elsewhere"
        yield ", ".join(f"[{other}]({other}.md)" for other in others)


def _document(*parts: str) -> str:
    """Return parts below each other; points of one list follow without an empty line."""
    text = ""
    for before, part in zip(("", *parts), parts, strict=False):
        apart = "\n" if before and not (part.startswith("* ") and before.startswith("* ")) else ""
        hang = "  " if part.startswith("* ") else ""
        wrapped = part
        if not part.startswith("#"):
            wrapped = textwrap.fill(
                part,
                COLUMNS,
                subsequent_indent=hang,
                break_long_words=False,
                break_on_hyphens=False,
            )
        text += f"{apart}{wrapped}\n"
    return text
