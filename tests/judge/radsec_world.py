"""A cluster with RadSec for the judge's tests: a plan, and surveys written down by hand."""

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from probe.certificate.facts import facts_of
from probe.observation.model import (
    Aspect,
    Endpoint,
    Handshake,
    Outcome,
    Phase,
    Question,
    RadsecSeen,
    Served,
    Survey,
    Taken,
    fingerprint,
)
from probe.observe.agenda import Depth, agenda
from probe.plan.model import Plan, Radsec, SecretRef
from probe.records import replace
from tests.judge.pki import AT
from tests.judge.world import (
    PRIVATE_ROOT,
    Chain,
    ca,
    host,
    nodes,
    plan,
    private,
    roots,
    with_private,
)

RADSEC = "radsec.northpier.example"
ASKED = RadsecSeen(certificate_asked=True, client_authorities=("CN=Northpier Issuing",))
ONLY = frozenset({Endpoint.RADSEC})

Answer = Chain | Outcome | Handshake | RadsecSeen
"""A chain, an ending without one, a whole record to take parts from, or what was seen beside the
usual chain."""


def radsec(**changes: Any) -> Radsec:
    own = roots("northpier-root.pem", ca(PRIVATE_ROOT))
    return replace(Radsec(roots=(own,), names=(RADSEC,)), **changes)


def radsec_plan(
    *, inside: bool = False, more: Mapping[str, Any] | None = None, **changes: Any
) -> Plan:
    """Return the plan of four nodes with RadSec; `inside`: with a certificate and a key."""
    if inside:
        pair = {"certificate": Path("peer.pem"), "key": SecretRef(environment="PEER_KEY")}
        changes = {**pair, **changes}
    settings = radsec(**changes)
    four = nodes(radsec=settings, eap=None)
    return plan(**{"nodes": four, "services": (), "radsec": settings, "eap": None, **(more or {})})


@cache
def usual() -> Chain:
    return with_private(private(RADSEC))


def own_names() -> dict[str, Chain]:
    return {
        f"/{node}/": with_private(private(host(node)))
        for node in ("quay1", "quay2", "quay3", "quay4")
    }


def seen(
    of: Plan, answers: Mapping[str, Answer] | None = None, *, depth: Depth = Depth.SWEEP
) -> Survey:
    """Return a survey: all nodes serve the usual chain and refuse old versions, and what answers
    inside is alive. The keys are texts of questions' ids, a later one before an earlier one."""
    questions = agenda(of, depth, only=ONLY)
    certificates: dict[str, bytes] = {}
    records = []
    for question in questions:
        found = [answer for text, answer in (answers or {}).items() if text in question.id]
        old = question.handshake and question.handshake.aspect is Aspect.OLD_VERSION
        default: Answer = Outcome.REFUSED if old else usual()
        named = any(text in question.id for text in answers or {} if "/old/" in text)
        answer = found[-1] if found and (not old or named) else default
        record, chain = _record(question, answer)
        certificates.update((fingerprint(der), der) for der in chain)
        records.append(record)
    return Survey(
        (Taken(AT, AT, machine="lighthouse"),), None, questions, (), tuple(records), certificates
    )


def _record(question: Question, answer: Answer) -> tuple[Handshake, Chain]:
    asked = question.handshake
    assert asked is not None
    record = Handshake(
        question.id,
        Endpoint.RADSEC,
        question.nodes,
        asked,
        AT,
        0.02,
        Outcome.SERVED,
        Phase.FINISH,
        radsec=ASKED,
    )
    if isinstance(answer, Outcome):
        return replace(record, outcome=answer, phase=Phase.CONNECT, radsec=None), ()
    chain = answer if isinstance(answer, tuple) else usual()
    shown = tuple(fingerprint(der) for der in chain)
    family = facts_of(chain[0]).key_family
    served = Served(shown, asked.tls[-1], key_family=family, key_proven=True)
    record = replace(record, served=served)
    if asked.aspect is Aspect.INSIDE:
        record = replace(record, radsec=replace(ASKED, status_reply="Access-Accept"))
    if isinstance(answer, RadsecSeen):
        record = replace(record, radsec=answer)
    if isinstance(answer, Handshake):
        record = replace(
            record,
            outcome=answer.outcome,
            alert=answer.alert,
            detail=answer.detail,
            served=replace(served, key_proven=False) if answer.served else served,
        )
    return record, chain


def ended(outcome: Outcome, *, alert: str | None = None, detail: str | None = None) -> Handshake:
    """Return a record to take the ending from, for a visit that has shown a chain before."""
    (question, *_) = agenda(radsec_plan(), Depth.SWEEP, only=ONLY)
    record, _ = _record(question, usual())
    return replace(record, outcome=outcome, alert=alert, detail=detail, served=None)
