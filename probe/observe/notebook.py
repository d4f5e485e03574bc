"""Makes the records of a survey out of what the visits and lookups saw."""

from collections.abc import Callable
from datetime import datetime

from probe.limits import Limits
from probe.observation.model import (
    Aspect,
    EapSeen,
    Fetch,
    Handshake,
    HandshakeAsk,
    Lookup,
    LookupAsk,
    Outcome,
    Phase,
    Question,
    Survey,
    Taken,
    fingerprint,
)
from probe.observe.authority import Want
from probe.observe.dns import LookupSeen
from probe.observe.visit import VisitSeen
from probe.records import dataclass, replace


@dataclass(frozen=True, slots=True)
class Answer:
    """What a resolver said, and when."""

    at: datetime
    seconds: float
    seen: LookupSeen


class Notebook:
    """What has been seen so far."""

    def __init__(self, vantage: str | None, limits: Limits, clock: Callable[[], datetime]) -> None:
        self.lookups: dict[str, list[Lookup]] = {}
        self.handshakes: dict[str, dict[str | None, Handshake | None]] = {}
        """By question and address, in the order in which they are visited; None: not yet seen."""
        self.certificates: dict[str, bytes] = {}
        self.fetches: dict[Want, Fetch] = {}
        self.bodies: dict[str, bytes] = {}
        self.clock = clock
        self._vantage = vantage
        self._limits = limits
        self._pointless: set[str] = set()

    def nothing_to_ask(self, question: Question) -> None:
        """Note that a question has turned out to ask nothing: it is no part of the survey, as
        nothing of it is unseen."""
        self._pointless.add(question.id)

    def expect(self, question: Question, asks: tuple[HandshakeAsk, ...]) -> None:
        """Fix the order of a question's records, and note at once if it leads nowhere."""
        self.handshakes[question.id] = dict.fromkeys(ask.address for ask in asks)
        if not asks and question.handshake is not None:
            nowhere = VisitSeen(Outcome.UNREACHABLE, Phase.CONNECT, 0.0, "no address is known")
            self.visited(question, question.handshake, self.clock(), nowhere)

    def looked_up(self, question: Question, asked: LookupAsk, answer: Answer) -> None:
        """Note what a resolver said: the next record of a question that has several."""
        seen = answer.seen
        self.lookups.setdefault(question.id, []).append(
            Lookup(
                question=question.id,
                asked=asked,
                at=answer.at,
                seconds=answer.seconds,
                outcome=seen.outcome,
                detail=self._bounded(seen.detail),
                aliases=seen.aliases,
                data=seen.data,
                ttl=seen.ttl,
                dnssec=seen.dnssec,
                vantage=self._vantage,
            )
        )

    def visited(
        self, question: Question, asked: HandshakeAsk, at: datetime, seen: VisitSeen
    ) -> None:
        """Note what a visit showed, with its certificates."""
        for der in seen.certificates:
            self.certificates[fingerprint(der)] = der
        self.handshakes[question.id][asked.address] = Handshake(
            question=question.id,
            endpoint=question.endpoint,
            nodes=question.nodes,
            asked=asked,
            at=at,
            seconds=seen.seconds,
            outcome=seen.outcome,
            phase=seen.phase,
            detail=self._bounded(seen.detail),
            alert=seen.alert,
            round_trips=seen.round_trips,
            served=seen.served,
            eap=self._bounded_eap(seen.eap),
            radius=seen.radius,
            http=seen.http,
            vantage=self._vantage,
            source=seen.source,
            trials=tuple(
                replace(trial, detail=self._bounded(trial.detail)) for trial in seen.trials
            ),
            radsec=seen.radsec
            and replace(seen.radsec, eap_detail=self._bounded(seen.radsec.eap_detail)),
            login=seen.login and replace(seen.login, detail=self._bounded(seen.login.detail)),
        )

    def chains(self) -> tuple[tuple[bytes, ...], ...]:
        """Return every chain that the cluster has served, each once, in the order of questions."""
        shown = dict.fromkeys(
            record.served.chain
            for records in self.handshakes.values()
            for record in records.values()
            if record is not None
            and record.served is not None
            # Whose certificate that is, nobody knows.
            and record.asked.aspect not in (Aspect.CANARY, Aspect.LED)
        )
        return tuple(tuple(self.certificates[sha256] for sha256 in chain) for chain in shown)

    def survey(
        self, questions: tuple[Question, ...], plan_digest: str | None, taken: Taken
    ) -> Survey:
        """Return everything in the order of the questions, whatever came first."""
        return Survey(
            taken=(taken,),
            plan_digest=plan_digest,
            questions=tuple(q for q in questions if q.id not in self._pointless),
            lookups=tuple(row for q in questions for row in self.lookups.get(q.id, ())),
            handshakes=tuple(
                record
                for question in questions
                for record in self.handshakes.get(question.id, {}).values()
                if record is not None
            ),
            certificates=self.certificates,
            fetches=tuple(
                sorted(self.fetches.values(), key=lambda row: (row.kind, row.url, row.certificate))
            ),
            bodies=self.bodies,
        )

    def _bounded_eap(self, eap: EapSeen | None) -> EapSeen | None:
        if eap is None or eap.client_authorities is None:
            return eap
        # Of a server's other texts none can be long: attributes of RADIUS have 253 octets.
        most = self._limits.text_characters
        return replace(eap, client_authorities=tuple(n[:most] for n in eap.client_authorities))

    def _bounded(self, text: str | None) -> str | None:
        if text is None:
            return None
        # What is not Unicode could not be saved.
        return text[: self._limits.text_characters].encode(errors="replace").decode()
