"""Literal EAP surveys: each conversation is written down in the test that needs it."""

from collections.abc import Sequence
from typing import Any

from probe.certificate.facts import facts_of
from probe.observation.model import (
    EapSeen,
    Endpoint,
    Handshake,
    HandshakeAsk,
    Method,
    Outcome,
    Phase,
    Question,
    RadiusSeen,
    Served,
    Survey,
    Taken,
    TlsVersion,
    Trial,
    fingerprint,
)
from probe.records import dataclass
from tests.judge.pki import AT
from tests.judge.world import NODES, RADIUS, Chain, eap_chain

PEAP, TTLS, TLS = Method.PEAP, Method.EAP_TTLS, Method.EAP_TLS
CURRENT = (TlsVersion.TLS1_2, TlsVersion.TLS1_3)
EVERY = tuple(TlsVersion)[:4]
VIRTUAL = "192.0.2.90"


@dataclass(frozen=True, slots=True)
class Said:
    """One question and its answer."""

    question: Question
    record: Handshake
    chain: Chain


def address(place: str) -> str:
    return VIRTUAL if place == RADIUS else f"192.0.2.{11 + NODES.index(place)}"


def said(
    place: str,
    tail: str = "PEAP",
    ended: Outcome | Chain | None = None,
    *,
    nodes: Sequence[str] = (),
    methods: Sequence[Method] = (PEAP,),
    agreed: Method | None = None,
    served_in: TlsVersion = TlsVersion.TLS1_3,
    cipher: str | None = None,
    trials: Sequence[Trial] = (),
    radius: RadiusSeen | None = None,
    rounds: int | None = None,
    eap: dict[str, Any] | None = None,
    **ask: Any,
) -> Said:
    """Return a conversation with a node, or with the virtual address (RADIUS) of `nodes`: served
    with the usual chain, unless it ended otherwise.

    `eap` are further facts of EapSeen, `ask` of HandshakeAsk.
    """
    behind = tuple(nodes) or (place,)
    service = place if place == RADIUS else None
    at = address(place)
    asked = HandshakeAsk(at, 1812, methods=tuple(methods), **ask)
    question = Question(
        f"eap/{place}/{at}:1812/{tail}", Endpoint.EAP, behind, service, handshake=asked
    )
    chain: Chain = ()
    outcome = Outcome.SERVED
    if isinstance(ended, Outcome):
        outcome = ended
    else:
        chain = eap_chain() if ended is None else ended
    served = None
    if chain:
        shown = tuple(fingerprint(der) for der in chain)
        family = facts_of(chain[0]).key_family
        served = Served(shown, served_in, cipher=cipher, key_family=family, key_proven=True)
    method = agreed or (methods[0] if chain else None)
    record = Handshake(
        question.id,
        Endpoint.EAP,
        behind,
        asked,
        AT,
        0.02,
        outcome,
        Phase.PROOF if chain else Phase.HELLO,
        round_trips=rounds,
        served=served,
        eap=EapSeen(method=method, **(eap or {})),
        radius=radius,
        trials=tuple(trials),
    )
    return Said(question, record, chain)


def surveyed(*all_said: Said) -> Survey:
    return Survey(
        (Taken(AT, AT, machine="lighthouse"),),
        None,
        tuple(one.question for one in all_said),
        (),
        tuple(one.record for one in all_said),
        {fingerprint(der): der for one in all_said for der in one.chain},
    )
