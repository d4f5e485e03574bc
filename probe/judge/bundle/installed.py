"""The survey of nodes that serve a chain which nobody has installed yet. Nothing is asked: of what
a server does beside showing its certificate nothing is known."""

from collections.abc import Iterable, Iterator
from datetime import datetime

from probe.certificate.facts import facts_of
from probe.judge.bundle.meant import Meant
from probe.observation.model import (
    EapSeen,
    Endpoint,
    Handshake,
    Outcome,
    Phase,
    Question,
    Served,
    Survey,
    Taken,
    fingerprint,
)
from probe.plan.model import Plan
from probe.records import replace


def nothing_seen(at: datetime) -> Survey:
    """Return a survey in which nothing was asked."""
    return Survey((Taken(at, at),), None, ())


def installed(
    plan: Plan, questions: Iterable[Question], chain: tuple[bytes, ...], of: Meant, at: datetime
) -> Survey:
    """Return the survey in which every question of a client, of those given, is answered by this
    chain, as far as the certificate is meant for it."""
    shown = tuple(fingerprint(der) for der in chain)
    family = facts_of(chain[0]).key_family
    asked = tuple(_of_clients(questions, of))

    def answered(question: Question) -> Handshake:
        ask = question.handshake
        assert ask is not None  # noqa: S101  # lookups were left out
        if ask.address is None:
            # Where DNS leads: said by its name.
            ask = replace(ask, address=plan.node(question.nodes[0]).host)
        return Handshake(
            question.id,
            question.endpoint,
            question.nodes,
            ask,
            at,
            0.0,
            Outcome.SERVED,
            Phase.CERTIFICATE,
            served=Served(shown, key_family=family, key_proven=True),
            eap=EapSeen(method=ask.methods[0]) if ask.methods else None,
        )

    return replace(
        nothing_seen(at),
        questions=asked,
        handshakes=tuple(answered(question) for question in asked),
        certificates=dict(zip(shown, chain, strict=True)),
    )


def _of_clients(questions: Iterable[Question], of: Meant) -> Iterator[Question]:
    for question in questions:
        ask = question.handshake
        if ask is None or ask.aspect is not None or question.endpoint not in of.endpoints:
            continue
        if question.endpoint is Endpoint.WEB and ask.name not in of.names:
            continue
        yield question
