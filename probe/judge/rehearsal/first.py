"""What a rehearsal comes to, in a few sentences: who is blocked, warned or asked, and how long."""

from collections.abc import Iterator, Sequence

from probe.assessment import Finding, Verdict
from probe.judge.clients.reactions import TITLES
from probe.judge.words import listing
from probe.rehearsal import Anew, Feels, Span, Step, Trouble

_HOW = {"profile": " (by profile)", "by-hand": " (by hand)"}

_MOST = 9
"""Clients that a sentence names: all families there are."""


def first(
    steps: Sequence[Step],
    troubles: Sequence[Trouble],
    anew: Sequence[Anew],
    blocking: Sequence[Finding],
    left: Sequence[Finding],
    own: Sequence[Finding],
) -> Iterator[str]:
    """Yield the sentences, the gravest first. `left` is what is not replaced in the end, `own` what
    is found of the new certificates then."""
    if any(one.verdict is Verdict.BLOCKED for one in blocking):
        yield "Something is wrong with the files by themselves, as is told below."
    told = [*_hard(steps, Feels.BLOCKED, "Blocked"), *_hard(steps, Feels.WARNED, "Warned")]
    yield from told
    asked = [_called(one.client, one.setup) for one in anew if one.feels is Feels.ASKED]
    if asked:
        yield f"Asked anew whether to trust it, users of {listing(asked, most=_MOST)}."
    between = [name for name in _asked_between(steps) if name not in asked]
    if between:
        yield f"Asked on the way alone, users of {listing(between, most=_MOST)}."
    mended = list(_mended(steps))
    if mended:
        yield f"Better off than today, once all nodes are done: {listing(mended, most=_MOST)}."
    nothing_seen = all(one.feels is Feels.UNSEEN for step in steps for one in step.experiences)
    blocked_anew = any(one.feels is Feels.BLOCKED for one in anew)
    if not (told or asked or between or blocked_anew or nothing_seen):
        yield "As far as is known, nobody is blocked, warned or asked at any step who is not today."
    if _stays(steps):
        yield "Who is blocked or warned today, and is not named here, stays so."
    rules = list(dict.fromkeys(one.rule for one in troubles if one.span is Span.BETWEEN))
    stay = {one.rule for one in troubles if one.span is Span.STAYS}
    grave = [one.rule for one in own if one.verdict <= Verdict.DUE]
    renewed = [rule for rule in dict.fromkeys(grave) if rule in stay]
    if renewed:
        yield f"The new certificate has faults that today's has: {listing(renewed)}."
    if any(one.counts for one in left):
        yield "Certificates of the other kind of key stay behind in the end, as is told below."
    if rules:
        yield f"Left half done, it would be found ({listing(rules)}); that ends with the last node."


def _called(client: str, setup: str | None) -> str:
    return TITLES.get(client, client) + _HOW.get(setup or "", "")


def _hard(steps: Sequence[Step], feels: Feels, word: str) -> Iterator[str]:
    """Yield who comes to meet that and does not today, or at further nodes: to stay, or on the way
    alone."""
    stay: dict[str, list[str]] = {}
    pass_by: list[str] = []
    for place, today in enumerate(steps[0].experiences):
        known = set(today.nodes) if today.feels <= feels else set()
        since = next(
            (
                step
                for step in steps[1:]
                if step.experiences[place].feels is feels
                and not known.issuperset(step.experiences[place].nodes)
            ),
            None,
        )
        if since is None:
            continue
        name = _called(today.client, today.setup)
        if steps[-1].experiences[place].feels is not feels:
            pass_by.append(name)
        elif since is steps[-1]:
            stay.setdefault("once all nodes are done", []).append(name)
        else:
            stay.setdefault(f"from {since.newly[0]} on", []).append(name)
    for since_when, names in stay.items():
        yield f"{word} {since_when}, to the end: {listing(names, most=_MOST)}."
    if pass_by:
        yield f"{word} on the way alone: {listing(pass_by, most=_MOST)}."


def _asked_between(steps: Sequence[Step]) -> Iterator[str]:
    for place, today in enumerate(steps[0].experiences):
        met = [step.experiences[place].feels for step in steps]
        if Feels.ASKED in met[1:-1] and today.feels > Feels.ASKED and met[-1] > Feels.ASKED:
            yield _called(today.client, today.setup)


def _mended(steps: Sequence[Step]) -> Iterator[str]:
    for today, last in zip(steps[0].experiences, steps[-1].experiences, strict=True):
        if today.feels < last.feels and today.feels < Feels.UNSEEN:
            yield _called(today.client, today.setup)


def _stays(steps: Sequence[Step]) -> bool:
    return any(
        today.feels is last.feels and today.feels < Feels.ASKED
        for today, last in zip(steps[0].experiences, steps[-1].experiences, strict=True)
    )
