"""The saved form of a survey, `probe-survey/1`: JSON, with certificates as base64 of their DER.

It holds no secret and can be mailed. What is read back is not believed: it may come from
anywhere, so it is bounded, and its parts must fit together.
"""

from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import msgspec

from probe.files import write_whole
from probe.limits import DEFAULT
from probe.observation.model import (
    LATEST,
    Fetch,
    FetchOutcome,
    Handshake,
    HandshakeAsk,
    Lookup,
    LookupAsk,
    LookupOutcome,
    Outcome,
    Question,
    Survey,
    Taken,
    fingerprint,
)
from probe.records import dataclass, field, replace
from probe.version import TOOL

_FAMILY = "probe-survey/"
_NUMBER = 1
FORMAT = f"{_FAMILY}{_NUMBER}"


_Kind = TypeVar("_Kind")


class SurveyError(ValueError):
    """A file that is no survey. Its text is one line that can be shown."""


class SurveyTooNewError(SurveyError):
    """A survey that a later version of this tool has written."""


@dataclass(frozen=True, slots=True)
class Document:
    """The saved form as it is written: every key is always there."""

    format: str
    tool: str
    taken: tuple[Taken, ...]
    plan_digest: str | None
    questions: tuple[Question, ...]
    lookups: tuple[Lookup, ...]
    handshakes: tuple[Handshake, ...]
    certificates: dict[str, bytes]
    interrupted: bool = False
    fetches: tuple[Fetch, ...] = ()
    bodies: dict[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Head:
    format: str = ""


def to_json(survey: Survey) -> bytes:
    """Return the saved form, ended by a newline. The same survey gives the same octets."""
    document = Document(
        format=FORMAT,
        tool=TOOL,
        # A path of this machine says nothing elsewhere.
        taken=tuple(replace(taken, source=None) for taken in survey.taken),
        plan_digest=survey.plan_digest,
        questions=survey.questions,
        lookups=survey.lookups,
        handshakes=survey.handshakes,
        certificates=dict(sorted(survey.certificates.items())),
        interrupted=survey.interrupted,
        fetches=survey.fetches,
        bodies=dict(sorted(survey.bodies.items())),
    )
    return msgspec.json.encode(document) + b"\n"


def from_json(
    octets: bytes,
    *,
    certificates: Mapping[str, bytes] | None = None,
    bodies: Mapping[str, bytes] | None = None,
) -> Survey:
    """Read the saved form. Raises SurveyError.

    `certificates` and `bodies` are those that are kept elsewhere, for many surveys together.
    """
    _check_format(_decode(octets, _Head).format)
    document = _decode(octets, Document)
    survey = Survey(
        taken=document.taken,
        plan_digest=document.plan_digest,
        questions=document.questions,
        lookups=document.lookups,
        handshakes=document.handshakes,
        certificates={**document.certificates, **(certificates or {})},
        interrupted=document.interrupted,
        fetches=document.fetches,
        bodies={**document.bodies, **(bodies or {})},
    )
    for complaint in _contradictions(survey):
        raise SurveyError(_shown(complaint))
    return survey


def write_survey(survey: Survey, path: Path) -> None:
    """Save a survey, whole or not at all. Raises OSError."""
    write_whole(path, to_json(survey))


def read_survey(path: Path) -> Survey:
    """Read a saved survey. Raises SurveyError, whose text names the file."""
    try:
        with path.open("rb") as file:
            octets = file.read(DEFAULT.survey_bytes + 1)
    except OSError as error:
        raise SurveyError(_shown(f"{path}: {(error.strerror or str(error)).lower()}")) from error
    try:
        if len(octets) > DEFAULT.survey_bytes:
            raise SurveyError(f"larger than {DEFAULT.survey_bytes} octets")
        survey = from_json(octets)
    except SurveyError as error:
        raise type(error)(_shown(f"{path}: {error}")) from None
    return replace(survey, taken=tuple(replace(taken, source=str(path)) for taken in survey.taken))


def _decode(octets: bytes, kind: type[_Kind]) -> _Kind:
    try:
        return msgspec.json.decode(octets, type=kind)
    except (msgspec.MsgspecError, RecursionError, UnicodeError) as error:
        raise SurveyError(_shown(f"not a saved survey: {error}")) from None


def _check_format(said: str) -> None:
    number = said.removeprefix(_FAMILY)
    if number == said or not (number.isascii() and number.isdecimal()):
        raise SurveyError(f"not a saved survey: its format is not {FORMAT}")
    if number != str(_NUMBER):
        raise SurveyTooNewError(
            _shown(f"its format is {said}; this version of the tool reads {FORMAT}")
        )


def _contradictions(survey: Survey) -> Iterator[str]:
    """What does not fit together, each in a sentence."""
    if not survey.taken:
        yield "it does not say when it was taken"
    yield from _of_questions(survey.questions)
    asked = {question.id: question for question in survey.questions}
    records: tuple[Lookup | Handshake, ...] = (*survey.lookups, *survey.handshakes)
    for record in records:
        yield from _of_record(record, asked.get(record.question))
    for handshake in survey.handshakes:
        for digest in handshake.served.chain if handshake.served else ():
            if digest not in survey.certificates:
                yield f"{handshake.question} served certificate {digest}, which is not in it"
    yield from _of_fetches(survey)
    for what, pool in (("certificate", survey.certificates), ("body", survey.bodies)):
        for digest, octets in pool.items():
            if fingerprint(octets) != digest:
                yield f"{what} {digest} does not have that digest: the file was altered"
    for moment in _moments(survey):
        if moment.tzinfo is None:
            yield f"{moment.isoformat()} is in no time zone"
        elif not _in_calendar(moment):
            yield f"{moment.isoformat()} is out of range"


def _of_fetches(survey: Survey) -> Iterator[str]:
    for fetch in survey.fetches:
        if (fetch.body is not None) is not (fetch.outcome is FetchOutcome.FETCHED):
            yield f"what {fetch.url} gave does not fit how it ended"
        elif fetch.body is not None and fetch.body not in survey.bodies:
            yield f"{fetch.url} gave {fetch.body}, which is not in it"


def _of_questions(questions: tuple[Question, ...]) -> Iterator[str]:
    if len({question.id for question in questions}) < len(questions):
        yield "a question stands in it twice"
    for question in questions:
        if (question.lookup is None) == (question.handshake is None):
            yield f"{question.id} asks neither for a name nor for a visit, or for both"
        if not question.nodes:
            yield f"{question.id} speaks of no node"
        elif len(set(question.nodes)) < len(question.nodes):
            yield f"{question.id} speaks of a node twice"


def _of_record(record: Lookup | Handshake, question: Question | None) -> Iterator[str]:
    kind = "lookup" if isinstance(record, Lookup) else "handshake"
    if question is None or getattr(question, kind) is None:
        yield f"an answer to {record.question}, which was not asked"
    elif _misplaced(record, question):
        yield f"an answer to {record.question} that speaks of something else"
    elif _empty(record):
        yield f"the answer to {record.question} holds nothing of what it says was seen"


def _misplaced(record: Lookup | Handshake, question: Question) -> bool:
    """Whether a record speaks of another place than its question: nobody would see it there."""
    if isinstance(record, Lookup):
        return question.lookup is None or not _led_to(question.lookup, record.asked)
    asked, went = question.handshake, record.asked
    return (
        asked is None
        or record.endpoint is not question.endpoint
        # Surveys that were merged may have asked the same of more nodes.
        or not record.nodes
        or len(set(record.nodes)) < len(record.nodes)
        or not set(record.nodes) <= set(question.nodes)
        or asked.address not in (None, went.address)
        or _what(went) != _what(asked)
    )


def _led_to(asked: LookupAsk, went: LookupAsk) -> bool:
    """Whether one lookup may come of the question for another: by a label in place of a star, from
    a name to those of its addresses (PTR), and from these to what they name."""
    if (went.resolver, went.view) != (asked.resolver, asked.view):
        return False
    if asked.type == "PTR":
        return went.type in ("PTR", "A", "AAAA")
    star, _, parent = asked.name.partition(".")
    name = went.name.partition(".")[2] if star == "*" else went.name
    return went.type == asked.type and name == (parent if star == "*" else asked.name)


def _what(ask: HandshakeAsk) -> tuple[object, ...]:
    """What has to be the same in a question and its answers. Versions need not be: a hello holds
    those that this machine's TLS library can offer."""
    return ask.port, ask.name, ask.server_name, ask.key_family, ask.visit, ask.aspect, ask.turn


def _empty(record: Lookup | Handshake) -> bool:
    """Whether a record says that something was seen, and has nothing of it."""
    if isinstance(record, Lookup):
        return record.outcome is LookupOutcome.ANSWERED and not record.data
    chain = record.served.chain if record.served is not None else ()
    return record.outcome is Outcome.SERVED and not chain


def _in_calendar(moment: datetime) -> bool:
    try:
        return moment.astimezone(UTC) < LATEST
    except OverflowError:
        return False


def _moments(survey: Survey) -> Iterable[datetime]:
    for taken in survey.taken:
        yield from (taken.began, taken.ended)
    for lookup in survey.lookups:
        yield lookup.at
    for handshake in survey.handshakes:
        yield handshake.at
        if handshake.http is not None and handshake.http.date is not None:
            yield handshake.http.date
    for fetch in survey.fetches:
        yield fetch.at


def _shown(text: str) -> str:
    """A line of it that a terminal can take: the file may hold anything."""
    return "".join(char if char.isprintable() else "?" for char in text[: DEFAULT.text_characters])
