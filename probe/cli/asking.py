"""The complaint by questions and answers on a terminal, one plain question at a time.

Everything is written to stderr, so that a report may go elsewhere. An empty answer is "don't know",
and an answer that cannot be right is asked for again.
"""

import io
import re
import shlex
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TypeVar

import click

from probe.cli.options import TIME
from probe.cli.told import DAY, FINGERPRINT, TEXT
from probe.complaint import Complaint, Shown
from probe.jobs import complaint as job
from probe.jobs.sweep import JobError
from probe.limits import TOLD, TOLD_CHARACTERS
from probe.plan.model import Plan
from probe.records import replace
from probe.report.escape import SENTENCES, visible

_T = TypeVar("_T")

_CLOCK = re.compile(r"(?:(\d{4}-\d\d-\d\d)[ T])?(\d{1,2}):(\d\d)", re.ASCII)
_LISTED = 12
"""Items of a list to choose from that are shown: a person reads them all."""

_BEGIN = 'Tell what is known of it. Enter alone means "don\'t know"; Ctrl-C ends it.\n'
_DOING = ("opening a page", "joining Wi-Fi or a wired network")


def ask_for(plan: Plan, told: Complaint) -> Complaint:
    """Ask for what was not told yet. Raises click.Abort where the answers end."""
    try:
        return _asked(plan, told)
    except KeyboardInterrupt:
        _write("\n")  # wherever it came, the terminal has shown ^C
        raise


def _asked(plan: Plan, told: Complaint) -> Complaint:
    if isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(errors="replace")
    _write(_BEGIN)
    if not told.saw:
        told = replace(told, saw=_lines())
    if not told.clients:
        told = replace(told, clients=_clients(plan))
    if told.page is None and told.wifi is None:
        doing = _choice("What were they doing?", _DOING)
        told = replace(told, wifi={_DOING[0]: False, _DOING[1]: True}.get(doing or ""))
        if told.wifi is False:
            page = _question("Which page? Its name, as it stands in the address bar.", _text)
            told = replace(told, page=page)
    sites = job.sites(plan)
    if sites and told.site is None and told.wifi is not False:
        told = replace(told, site=_choice("At which site were they?", sites))
    if not told.nodes:
        node = _question(
            "Which server did they meet, by its name or its address in a log?",
            _checked(plan, lambda word: Complaint(nodes=(word,))),
        )
        told = replace(told, nodes=(node,) if node is not None else ())
    if told.when is None:
        told = replace(
            told, when=_question("When was it? Such as 14:10, or a date and 14:10.", _time)
        )
    if not told.shown.told:
        told = replace(told, shown=_shown())
    return told


def in_one_line(complaint: Complaint, plan: Path | None = None) -> str:
    """Return the command that tells the same complaint, of a plan that was named."""
    shown = complaint.shown
    given: list[tuple[str, str | None]] = [
        *(("--saw", text) for text in complaint.saw),
        *(("--client", word) for word in complaint.clients),
        ("--at-page", complaint.page),
        ("--site", complaint.site),
        *(("--node", word) for word in complaint.nodes),
        ("--when", complaint.when.isoformat(timespec="seconds") if complaint.when else None),
        ("--shown-name", shown.name),
        ("--shown-issuer", shown.issuer),
        ("--shown-expiry", shown.expiry.isoformat() if shown.expiry else None),
        ("--fingerprint", shown.fingerprint),
    ]
    words = ["probe", "complaint", *([str(plan)] if plan is not None else [])]
    words += ["--on-wifi"] if complaint.wifi else []
    for option, value in given:
        words += [option, value] if value is not None else []
    return visible(shlex.join(words), SENTENCES)


def _lines() -> tuple[str, ...]:
    found: list[str] = []
    question = "What does the screen say? Words or a code, as they stand there."
    while len(found) < TOLD and (line := _question(question, _text)) is not None:
        found.append(line)
        question = "Does it say more? If not, Enter."
    return tuple(found)


def _clients(plan: Plan) -> tuple[str, ...]:
    word = _question(
        "What do they use? iPhone, Android, Windows, Mac, laptop, Firefox ...",
        _checked(plan, lambda word: Complaint(clients=(word,))),
    )
    return (word,) if word is not None else ()


def _shown() -> Shown:
    if _choice("Can they see the certificate itself?", ("yes", "no")) != "yes":
        return Shown()
    return Shown(
        name=_question("For which name is it issued?", _text),
        issuer=_question("Who issued it?", _text),
        expiry=_question("On which day does it end? Such as 2027-04-24.", _day),
        fingerprint=_question("What is its fingerprint, SHA-256 or SHA-1?", _fingerprint),
    )


# ---------------------------------------------------------------- what an answer may be


class _NoAnswerError(Exception):
    """Why an answer cannot be taken."""


def _text(answer: str) -> str:
    return _converted(TEXT, answer)


def _day(answer: str) -> date:
    return _converted(DAY, answer)


def _fingerprint(answer: str) -> str:
    return _converted(FINGERPRINT, answer)


def _converted(kind: click.ParamType[_T], answer: str) -> _T:
    try:
        return kind.convert(answer, None, None)
    except click.BadParameter as error:
        raise _NoAnswerError(error.message) from None


def _checked(plan: Plan, as_complaint: Callable[[str], Complaint]) -> Callable[[str], str]:
    def check(answer: str) -> str:
        try:
            job.check(plan, as_complaint(answer))
        except JobError as error:
            raise _NoAnswerError(str(error)) from None
        return answer

    return check


def _time(answer: str) -> datetime:
    """Read a time of the clock at hand, of today or of the day before, or any that --when takes."""
    now = datetime.now(UTC).astimezone()
    if (found := _CLOCK.fullmatch(answer)) is None:
        moment = _converted(TIME, answer)
    else:
        try:
            day = date.fromisoformat(found[1]) if found[1] else now.date()
            moment = datetime(
                day.year, day.month, day.day, int(found[2]), int(found[3]), tzinfo=now.tzinfo
            )
        except ValueError:
            raise _NoAnswerError("that is no time") from None
        if moment > now and not found[1]:
            moment -= timedelta(days=1)
    if moment > now:
        raise _NoAnswerError("that lies ahead")
    return moment.astimezone(UTC)


# ---------------------------------------------------------------- question and answer


def _choice(question: str, of: Sequence[str]) -> str | None:
    offered = of[:_LISTED]
    listed = "".join(f"  {number}  {visible(item)}\n" for number, item in enumerate(offered, 1))
    if len(of) > len(offered):
        listed += f"  or one of {len(of) - len(offered)} more, by its name\n"

    def chosen(answer: str) -> str:
        if answer.isascii() and answer.isdigit() and 0 < int(answer[:4]) <= len(offered):
            return offered[int(answer) - 1]
        fitting = [item for item in of if answer.casefold() in item.casefold()]
        if len(fitting) != 1:
            raise _NoAnswerError(f"a number from 1 to {len(offered)}, or some of its letters")
        return fitting[0]

    return _question(f"{question}\n{listed.rstrip()}", chosen)


def _question(question: str, understood: Callable[[str], _T]) -> _T | None:
    """Ask until an answer is understood; None: not known."""
    _write(f"\n{question}\n")
    while True:
        answer = _read()
        if not answer:
            return None
        try:
            return understood(answer)
        except _NoAnswerError as error:
            _write(f"  {visible(str(error), SENTENCES)}\n")


def _read() -> str:
    _write("> ")
    line = rest = sys.stdin.readline(TOLD_CHARACTERS + 2)
    while rest and not rest.endswith("\n"):  # longer than is taken: the rest is passed over
        rest = sys.stdin.readline(TOLD_CHARACTERS)
    if not line:
        _write("\n")
        raise click.Abort
    return line.strip()


def _write(text: str) -> None:
    sys.stderr.write(text)
    sys.stderr.flush()
