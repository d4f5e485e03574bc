"""Literal lookups for the judge's tests of names: what one resolver said to one question."""

from collections.abc import Sequence
from typing import Any

from probe.observation.model import (
    Aspect,
    Endpoint,
    Handshake,
    HandshakeAsk,
    Lookup,
    LookupAsk,
    LookupOutcome,
    Outcome,
    Phase,
    Question,
    Served,
    Survey,
    fingerprint,
)
from probe.records import replace
from tests.judge.pki import AT
from tests.judge.world import NODES, Chain

RESOLVER = "192.0.2.53"

Said = tuple[Question, Lookup]


def said(
    name: str,
    kind: str,
    data: Sequence[str] | LookupOutcome,
    *,
    by: str = RESOLVER,
    view: str | None = None,
    nodes: Sequence[str] = NODES,
    question: LookupAsk | None = None,
    **more: Any,
) -> Said:
    """Return what a resolver said, with its question; `question` where that asked otherwise."""
    asked = LookupAsk(name, kind, by, view)
    of = question or asked
    place = by if view is None else f"{by}@{view}"
    about = Question(f"dns/{place}/{of.name}/{of.type}", Endpoint.DNS, tuple(nodes), lookup=of)
    if isinstance(data, LookupOutcome):
        return about, Lookup(about.id, asked, AT, 0.01, data, **more)
    outcome = LookupOutcome.ANSWERED if data else LookupOutcome.NO_DATA
    return about, Lookup(about.id, asked, AT, 0.01, outcome, data=tuple(data), **more)


def having(survey: Survey, *pairs: Said) -> Survey:
    """Return a survey with these records in the place of its own to the same questions."""
    ids = {question.id for question, _ in pairs}
    questions = {question.id: question for question, _ in pairs}
    kept = tuple(question for question in survey.questions if question.id not in ids)
    lookups = tuple(lookup for lookup in survey.lookups if lookup.question not in ids)
    return replace(
        survey,
        questions=(*kept, *questions.values()),
        lookups=(*lookups, *(lookup for _, lookup in pairs)),
    )


def led(
    survey: Survey,
    name: str,
    address: str,
    met: Chain | Outcome,
    *,
    nodes: Sequence[str] = NODES,
    port: int = 443,
) -> Survey:
    """Return a survey with a visit of an address that DNS gives and the plan does not."""
    ask = HandshakeAsk(None, port, name=name, server_name=name, aspect=Aspect.LED)
    question = Question(f"web/led/{name}:{port}", Endpoint.WEB, tuple(nodes), handshake=ask)
    record = Handshake(
        question.id,
        Endpoint.WEB,
        tuple(nodes),
        replace(ask, address=address),
        AT,
        0.02,
        Outcome.SERVED,
        Phase.PROOF,
    )
    certificates = dict(survey.certificates)
    if isinstance(met, Outcome):
        record = replace(record, outcome=met, phase=Phase.CONNECT)
    else:
        certificates.update((fingerprint(der), der) for der in met)
        chain = tuple(fingerprint(der) for der in met)
        record = replace(record, served=Served(chain, ask.tls[-1], key_proven=True))
    questions = {one.id: one for one in (*survey.questions, question)}
    return replace(
        survey,
        questions=tuple(questions.values()),
        handshakes=(*survey.handshakes, record),
        certificates=certificates,
    )
