"""Asks all questions of an agenda at once, in one event loop, and gathers a survey.

What bounds the load is here: how many nodes, how many conversations with one server, how many
sockets. What one question does on the wire is in dns.py, web.py and eap.py; what EAP visits have to
do with each other is in eapvisits.py.
"""

import asyncio
import socket
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import Enum

from probe.limits import DEFAULT, Limits
from probe.observation.model import (
    Aspect,
    Endpoint,
    HandshakeAsk,
    LookupAsk,
    Outcome,
    Phase,
    Question,
    Survey,
    Taken,
)
from probe.observe.agenda import ADDRESS_TYPES
from probe.observe.authority import Authorities
from probe.observe.dns import Resolvers
from probe.observe.eapvisits import EapVisits
from probe.observe.http import Gate, HttpClient
from probe.observe.notebook import Answer, Notebook
from probe.observe.pace import Timer, loop_timer
from probe.observe.visit import VisitSeen, like, no_servers_address, nothing_more
from probe.observe.web import visit_web
from probe.observe.webquestions import resolvers_for
from probe.plan.addresses import is_address
from probe.plan.model import Eap, Plan, Resolver, SecretRef
from probe.wire.hello import can_offer, not_offered

if sys.platform != "win32":
    import resource


class EventKind(Enum):
    """What has just happened to a question."""

    BEGAN = "began"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Event:
    """How far a survey has come."""

    kind: EventKind
    question: str
    node: str
    """The first of its nodes."""
    done: int
    """Questions that have ended."""
    total: int


OnEvent = Callable[[Event], None]

_OTHER_FILES = 64
"""Files that a process has open beside the sockets of its visits: resolvers, modules, output."""

_Visit = tuple[Question, HandshakeAsk]
_Visits = tuple[Question, tuple[HandshakeAsk, ...]]


def ignore(event: Event) -> None:
    """Take no notice."""


def utc_now() -> datetime:
    """Return the time in whole seconds, as it is saved."""
    return datetime.now(UTC).replace(microsecond=0)


async def survey(
    plan: Plan,
    questions: Iterable[Question],
    *,
    secrets: Mapping[SecretRef, bytes],
    limits: Limits = DEFAULT,
    on_event: OnEvent = ignore,
    clock: Callable[[], datetime] = utc_now,
    timer: Timer | None = None,
) -> Survey:
    """Ask every question and return what was seen. `clock` gives the times of the records, `timer`
    the pace of what servers log as failed authentications (None: the event loop's own).

    Cancelled, it closes its sockets and returns what is known, marked as interrupted. Raises
    KeyError, before anything is sent, if a secret is missing that a question needs.
    """
    questions = tuple(questions)
    notebook = Notebook(plan.vantage, limits, clock)
    progress = _Progress(on_event, len(questions))
    known_by = _known_by(plan, questions, secrets)
    eap = EapVisits(known_by, limits, timer or loop_timer())
    sweep = _Sweep(plan, eap, limits, notebook, progress)
    began = clock()
    interrupted = False
    try:
        await sweep.run(questions)
    except asyncio.CancelledError:
        interrupted = True
        task = asyncio.current_task()
        if task is not None:
            # The request to stop has been followed: the caller's next await is not cancelled.
            task.uncancel()
    taken = Taken(began, clock(), plan.vantage, socket.gethostname())
    return replace(notebook.survey(questions, plan.digest, taken), interrupted=interrupted)


def sockets_at_a_time(limits: Limits) -> int:
    """Return how many visits may have a socket: what the limits and the system both allow.

    A process that has run out of files would take each further node for an unreachable one.
    """
    if sys.platform == "win32":
        return limits.visits_in_flight
    allowed, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if allowed == resource.RLIM_INFINITY:
        return limits.visits_in_flight
    return max(1, min(limits.visits_in_flight, allowed - _OTHER_FILES))


def _known_by(
    plan: Plan, questions: Iterable[Question], secrets: Mapping[SecretRef, bytes]
) -> dict[str, tuple[Eap, bytes]]:
    """Return the settings and the secret of each node that EAP is asked of."""
    asked = {question.nodes[0] for question in questions if question.endpoint is Endpoint.EAP}
    known = {}
    for node in plan.nodes:
        if node.name in asked:
            if node.eap is None or node.eap.secret is None:
                raise KeyError(f"no secret is planned for {node.name}")
            known[node.name] = node.eap, secrets[node.eap.secret]
    return known


def _is_closer(question: Question) -> bool:
    return question.handshake is not None and question.handshake.aspect is not None


class _Progress:
    """Counts questions and tells whoever wants to know."""

    def __init__(self, on_event: OnEvent, total: int) -> None:
        self._on_event = on_event
        self._total = total
        self._done = 0

    def began(self, question: Question) -> None:
        self._tell(EventKind.BEGAN, question)

    def ended(self, question: Question) -> None:
        self._done += 1
        self._tell(EventKind.ENDED, question)

    def _tell(self, kind: EventKind, question: Question) -> None:
        self._on_event(Event(kind, question.id, question.nodes[0], self._done, self._total))


class _Sweep:
    """Asks, within the limits. Questions about the same nodes go together."""

    def __init__(
        self,
        plan: Plan,
        eap: EapVisits,
        limits: Limits,
        notebook: Notebook,
        progress: _Progress,
    ) -> None:
        self._plan = plan
        self._nodes = {node.name: node for node in plan.nodes}
        self._eap = eap
        self._limits = limits
        self._notebook = notebook
        self._progress = progress
        self._resolvers = Resolvers(limits)
        self._answers: dict[LookupAsk, asyncio.Task[Answer]] = {}
        self._in_flight = asyncio.Semaphore(limits.nodes_in_flight)
        self._sockets = asyncio.Semaphore(sockets_at_a_time(limits))
        self._servers: dict[tuple[str, int], asyncio.Semaphore] = {}
        self._first_seen: dict[tuple[str, int], VisitSeen] = {}
        """By address and port: how a web visit ended there."""

    async def run(self, questions: tuple[Question, ...]) -> None:
        """Ask everything. However it ends, no task and no socket is left."""
        places: dict[tuple[str, ...], list[_Visit]] = {}
        try:
            async with asyncio.TaskGroup() as group:
                for question in questions:
                    if question.lookup is not None:
                        group.create_task(self._look_up(question, question.lookup, group))
                    elif question.handshake is not None:
                        visit = question, question.handshake
                        places.setdefault(question.nodes, []).append(visit)
                for visits in places.values():
                    group.create_task(self._visit_place(visits, group))
            if places and not self._plan.fetch.off:
                await self._ask_authorities()
        finally:
            await self._resolvers.close()

    async def _ask_authorities(self) -> None:
        """Go to the addresses in the certificates that were served, once all visits are over."""
        trust, notebook = self._plan.trust, self._notebook
        roots = (*trust.public, *trust.web, *trust.staff, *trust.eap, *trust.node)
        async with asyncio.TaskGroup() as group:

            async def addresses(host: str) -> tuple[str, ...]:
                return await self._addresses(host, self._plan.resolvers, group)

            gate = Gate(self._plan.fetch.allow)
            authorities = Authorities(
                HttpClient(addresses, gate, self._limits),
                self._limits,
                clock=notebook.clock,
                vantage=self._plan.vantage,
            )
            notebook.fetches, notebook.bodies = authorities.fetches, authorities.bodies
            await authorities.run(
                notebook.chains(),
                (der for source in dict.fromkeys(roots) for der in source.certificates),
                # Servers check their clients' certificates where EAP is spoken.
                (der for source in trust.client_issuers for der in source.certificates)
                if self._eap.asked
                else (),
            )

    # ------------------------------------------------------------ names

    async def _look_up(self, question: Question, ask: LookupAsk, group: asyncio.TaskGroup) -> None:
        self._progress.began(question)
        self._notebook.looked_up(question, ask, await self._answer(ask, group))
        self._progress.ended(question)

    def _answer(self, ask: LookupAsk, group: asyncio.TaskGroup) -> asyncio.Task[Answer]:
        """Ask a resolver, once, whoever needs the answer."""
        if ask not in self._answers:
            self._answers[ask] = group.create_task(self._ask(ask))
        return self._answers[ask]

    async def _ask(self, ask: LookupAsk) -> Answer:
        loop = asyncio.get_running_loop()
        at, began = self._notebook.clock(), loop.time()
        seen = await self._resolvers.ask(ask)
        return Answer(at, loop.time() - began, seen)

    async def _addresses(
        self, host: str, resolvers: tuple[Resolver, ...], group: asyncio.TaskGroup
    ) -> tuple[str, ...]:
        """Return every address that any of the resolvers gives for a host, bounded."""
        if is_address(host):
            return (host,)
        answers = [
            self._answer(LookupAsk(host, kind, resolver.at, resolver.view), group)
            for resolver in resolvers
            for kind in ADDRESS_TYPES
        ]
        found: dict[str, None] = {}
        for answer in answers:
            found.update(dict.fromkeys((await answer).seen.data))
        return tuple(found)[: self._limits.dns_addresses]

    # ------------------------------------------------------------ visits

    async def _visit_place(self, visits: list[_Visit], group: asyncio.TaskGroup) -> None:
        at_addresses: list[_Visits] = []
        for question, ask in visits:
            asks: tuple[HandshakeAsk, ...] = (ask,)
            if ask.address is None:
                # Waited for here, so that a dead resolver takes no other node's turn.
                canary = ask.aspect is Aspect.CANARY
                name = str(ask.name) if canary else self._nodes[question.nodes[0]].host
                found = await self._addresses(name, resolvers_for(self._plan, ask), group)
                asks = tuple(replace(ask, address=address) for address in found)
            at_addresses.append((question, asks))
        async with self._in_flight, asyncio.TaskGroup() as together:
            for endpoint in dict.fromkeys(question.endpoint for question, _ in at_addresses):
                of_one = [visit for visit in at_addresses if visit[0].endpoint is endpoint]
                together.create_task(self._visit_endpoint(of_one))

    async def _visit_endpoint(self, visits: list[_Visits]) -> None:
        """Visit one endpoint of a place: as clients do, and then for a closer look."""
        for closer in (False, True):
            async with asyncio.TaskGroup() as together:
                for question, asks in visits:
                    if _is_closer(question) is closer:
                        together.create_task(self._visit_all(question, asks))

    async def _visit_all(self, question: Question, asks: tuple[HandshakeAsk, ...]) -> None:
        self._progress.began(question)
        self._notebook.expect(question, asks)
        async with asyncio.TaskGroup() as together:
            for ask in asks:
                together.create_task(self._visit(question, ask))
        self._progress.ended(question)

    async def _visit(self, question: Question, ask: HandshakeAsk) -> None:
        node = self._nodes[question.nodes[0]]
        address = str(ask.address)
        if ask.aspect is not Aspect.CANARY:
            address = node.reached_at(address)
        nowhere = no_servers_address(address)
        if nowhere is not None:
            self._notebook.visited(question, ask, self._notebook.clock(), nowhere)
            return
        known = self._known(question, ask, address)
        if known is not None:
            self._notebook.visited(question, ask, self._notebook.clock(), like(known))
            return
        versions = can_offer(ask.tls, ask.key_family)
        if not versions:
            says = not_offered(ask.tls[0], ask.key_family)
            seen = VisitSeen(Outcome.NOT_ASKED, Phase.CONNECT, 0.0, says)
            self._notebook.visited(question, ask, self._notebook.clock(), seen)
            return
        left_out = [version for version in ask.tls if version not in versions]
        ask = replace(ask, tls=versions)
        if question.endpoint is Endpoint.EAP:
            await self._visit_eap(question, ask, address)
            return
        async with self._server(address, ask.port), self._sockets:
            at = self._notebook.clock()
            first = self._first_seen.get((address, ask.port))
            staple = first is None or not first.spoiled_staple
            seen = await visit_web(ask, address, self._limits, staple=staple)
            if left_out and seen.detail is None:
                seen = replace(seen, detail=not_offered(left_out[0], ask.key_family))
            self._notebook.visited(question, ask, at, seen)
            if ask.aspect is None:
                self._first_seen.setdefault((address, ask.port), seen)

    def _known(self, question: Question, ask: HandshakeAsk, address: str) -> VisitSeen | None:
        """Return the earlier visit that a closer look would end like, if there is one."""
        if question.endpoint is Endpoint.EAP:
            return self._eap.before(question, ask, address)
        known = self._first_seen.get((address, ask.port))
        if known is None or ask.aspect is None or not nothing_more(known, ask.aspect):
            return None
        return known

    async def _visit_eap(self, question: Question, ask: HandshakeAsk, address: str) -> None:
        async with self._eap.turn(question, ask) as turn, self._sockets:
            at = self._notebook.clock()
            await self._eap.visit(
                question,
                ask,
                address,
                turn,
                lambda seen: self._notebook.visited(question, ask, at, seen),
            )

    def _server(self, address: str, port: int) -> asyncio.Semaphore:
        """Return the gate of one web server: it is in service, and gets little at a time."""
        key = (address, port)
        if key not in self._servers:
            self._servers[key] = asyncio.Semaphore(self._limits.web_per_server)
        return self._servers[key]
