"""Asks all questions of an agenda at once, in one event loop, and gathers a survey.

What bounds the load is here: how many nodes, how many conversations with one server, how many
sockets. What one question does on the wire is in dns.py, web.py, eap.py and radsec.py; what EAP
visits have to do with each other is in eapvisits.py, and RadSec visits in radsecvisits.py.
"""

import asyncio
import socket
import sys
from collections.abc import Callable, Coroutine, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from secrets import token_hex
from time import monotonic

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
from probe.observe.authority import Authorities
from probe.observe.eapvisits import EapVisits
from probe.observe.events import OnEvent, Progress, ignore
from probe.observe.http import Gate, HttpClient
from probe.observe.names import Names
from probe.observe.notebook import Answer, Notebook
from probe.observe.pace import Timer, loop_timer
from probe.observe.radsecvisits import RadsecVisits, credentials
from probe.observe.visit import VisitSeen, like, no_servers_address, nothing_more, own_address
from probe.observe.waits import Waits
from probe.observe.web import visit_web
from probe.observe.webquestions import places_known, resolvers_for
from probe.plan.model import Eap, Plan, SecretRef
from probe.records import dataclass, replace
from probe.wire.hello import can_offer, not_offered

if sys.platform != "win32":
    import resource


_OTHER_FILES = 64
"""Files that a process has open beside the sockets of its visits: resolvers, modules, output."""

_ELSEWHERE = frozenset({Aspect.CANARY, Aspect.LED})
"""Visits that go where DNS leads, whatever the plan says of a node."""

_Visit = tuple[Question, HandshakeAsk]


@dataclass(frozen=True, slots=True)
class _Visits:
    """The visits of one question, once it is known where they go."""

    question: Question
    asks: tuple[HandshakeAsk, ...]
    left_out: tuple[HandshakeAsk, ...] = ()
    """Addresses beyond those that are visited."""


def draw_label() -> str:
    """Return a label that no zone has, drawn anew: letters first, so that a log can be read."""
    return f"cert-probe-{token_hex(8)}"


def utc_now() -> datetime:
    """Return the time in whole seconds, as it is saved."""
    return datetime.now(UTC).replace(microsecond=0)


def steady_clock() -> Callable[[], datetime]:
    """Return a clock that begins now and goes on evenly: one that is set meanwhile would tear a
    survey apart, and have it judged as of a day on which nothing was asked."""
    began, at = utc_now(), monotonic()
    return lambda: began + timedelta(seconds=int(monotonic() - at))


async def survey(  # noqa: PLR0913  # clocks and chance are handed in by tests alone
    plan: Plan,
    questions: Iterable[Question],
    *,
    secrets: Mapping[SecretRef, bytes],
    limits: Limits = DEFAULT,
    on_event: OnEvent = ignore,
    clock: Callable[[], datetime] | None = None,
    timer: Timer | None = None,
    label: Callable[[], str] = draw_label,
    besides: Iterable[tuple[bytes, ...]] = (),
) -> Survey:
    """Ask every question and return what was seen. `clock` gives the times of the records (None: a
    `steady_clock`), `timer` the pace of what servers log as failed authentications (None: the event
    loop's own), and `label` once the label that stands in for the star of a wildcard. `besides` are
    chains that nobody serves yet, and whose CAs are asked all the same.

    Cancelled, it closes its sockets and returns what is known, marked as interrupted. Before
    anything is sent it raises KeyError if a secret is missing that a question needs, and
    CredentialError if a RadSec certificate and its key are no pair.
    """
    questions = tuple(questions)
    clock = clock or steady_clock()
    notebook = Notebook(plan.vantage, limits, clock)
    progress = Progress(on_event, len(questions))
    known_by = _known_by(plan, questions, secrets)
    eap = EapVisits(known_by, limits, timer or loop_timer())
    names = Names(limits, notebook, label())
    radsec = RadsecVisits(credentials(plan, questions, secrets), limits, eap.pace)
    sweep = _Sweep(plan, eap, radsec, limits, notebook, progress, names)
    began = clock()
    interrupted = False
    try:
        await sweep.run(questions, tuple(besides))
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


def _together(steps: Iterable[Coroutine[object, object, None]]) -> Coroutine[object, object, None]:
    """Return what takes some steps at the same time: of a single one, that itself."""
    taken = tuple(steps)
    return taken[0] if len(taken) == 1 else _all_of(taken)


async def _all_of(steps: tuple[Coroutine[object, object, None], ...]) -> None:
    """Take steps at the same time. The first of them needs no task of its own."""
    if steps:
        async with asyncio.TaskGroup() as group:
            for step in steps[1:]:
                group.create_task(step)
            await steps[0]


async def _one_after_the_other(
    steps: Iterable[Coroutine[object, object, None]],
    at_once: int,
    limits: Limits,
    group: asyncio.TaskGroup,
) -> None:
    """Begin so many steps at one instant, and the next ones a pause later."""
    for number, step in enumerate(steps):
        group.create_task(step)
        if number % at_once == at_once - 1:
            await asyncio.sleep(limits.start_pause)


def _is_closer(question: Question) -> bool:
    return question.handshake is not None and question.handshake.aspect is not None


class _Turn:
    """A place among the nodes that are visited at a time, given back once."""

    def __init__(self, places: asyncio.Semaphore) -> None:
        self._places = places
        self.is_over = False

    def end(self) -> None:
        if not self.is_over:
            self.is_over = True
            self._places.release()


class _Sweep:
    """Asks, within the limits. Questions about the same nodes go together."""

    def __init__(
        self,
        plan: Plan,
        eap: EapVisits,
        radsec: RadsecVisits,
        limits: Limits,
        notebook: Notebook,
        progress: Progress,
        names: Names,
    ) -> None:
        self._plan = plan
        self._nodes = {node.name: node for node in plan.nodes}
        self._eap = eap
        self._radsec = radsec
        self._limits = limits
        self._notebook = notebook
        self._progress = progress
        self._names = names
        self._known_places = places_known(plan)
        known = (place for places in self._known_places.values() for place in places)
        self._is_at_home = any(own_address(place) is not None for place in known)
        """The cluster itself stands on this machine or its link."""
        self._led_left = limits.led_visits
        self._in_flight = asyncio.Semaphore(limits.nodes_in_flight)
        self._turns = Waits(limits.node_turn, _Turn.end)
        self._sockets = asyncio.Semaphore(sockets_at_a_time(limits))
        self._servers: dict[tuple[Endpoint, str, int], asyncio.Semaphore] = {}
        self._first_seen: dict[tuple[str, int], VisitSeen] = {}
        """By address and port: how a web visit ended there."""

    async def run(
        self, questions: tuple[Question, ...], besides: tuple[tuple[bytes, ...], ...] = ()
    ) -> None:
        """Ask everything. However it ends, no task and no socket is left."""
        places: dict[object, list[_Visit]] = {}
        try:
            async with asyncio.TaskGroup() as group:
                lookups = []
                for question in questions:
                    if question.lookup is not None:
                        lookups.append((question, question.lookup))
                    elif question.handshake is not None:
                        visit = question, question.handshake
                        # No visit waits for resolvers that it does not need.
                        led = question.handshake.aspect is Aspect.LED
                        places.setdefault((question.nodes, led), []).append(visit)
                limits = self._limits
                of_places = (self._visit_place(visits) for visits in places.values())
                if len(places) <= limits.nodes_at_once:
                    for visiting in of_places:
                        group.create_task(visiting)
                else:
                    group.create_task(
                        _one_after_the_other(of_places, limits.nodes_at_once, limits, group)
                    )
                group.create_task(self._look_up(lookups, group))
            if places and not self._plan.fetch.off:
                await self._ask_authorities(besides)
        finally:
            self._turns.close()
            await self._names.close()

    async def _ask_authorities(self, besides: tuple[tuple[bytes, ...], ...]) -> None:
        """Go to the addresses in the certificates that were served, once all visits are over."""
        trust, notebook = self._plan.trust, self._notebook
        radsec = self._plan.radsec_roots
        roots = (*trust.public, *trust.web, *trust.staff, *trust.eap, *trust.node, *radsec)

        async def addresses(host: str) -> tuple[str, ...]:
            found = await self._names.addresses(host, self._plan.resolvers)
            return found[: self._limits.dns_addresses]

        gate = Gate(self._plan.fetch.allow)
        authorities = Authorities(
            HttpClient(addresses, gate, self._limits),
            self._limits,
            clock=notebook.clock,
            vantage=self._plan.vantage,
        )
        notebook.fetches, notebook.bodies = authorities.fetches, authorities.bodies
        await authorities.run(
            (*notebook.chains(), *besides),
            (der for source in dict.fromkeys(roots) for der in source.certificates),
            # Servers check their clients' certificates where EAP is spoken.
            (der for source in trust.client_issuers for der in source.certificates)
            if self._eap.asked
            else (),
        )

    # ------------------------------------------------------------ names

    async def _look_up(
        self, lookups: Sequence[tuple[Question, LookupAsk]], group: asyncio.TaskGroup
    ) -> None:
        """Ask about names: so many questions at one instant, and the next ones a pause later."""
        out = len(lookups)
        over: asyncio.Future[None] = asyncio.get_running_loop().create_future()

        def ended(question: Question) -> None:
            nonlocal out
            out -= 1
            self._progress.ended(question)
            if not out and not over.done():
                over.set_result(None)

        def note(question: Question, asked: LookupAsk, answer: asyncio.Future[Answer]) -> None:
            if over.done():
                return
            try:
                self._notebook.looked_up(question, asked, answer.result())
                ended(question)
            except Exception as error:
                over.set_exception(error)  # the loop would only log it

        async def backwards(question: Question, ask: LookupAsk) -> None:
            await self._names.look_up_backwards(question, ask)
            ended(question)

        at_once, pause = self._limits.questions_at_once, self._limits.start_pause
        try:
            for number, (question, ask) in enumerate(lookups, 1):
                self._progress.began(question)
                if ask.type == "PTR":
                    group.create_task(backwards(question, ask))
                else:
                    self._names.look_up(question, ask, note)
                if number % at_once == 0:
                    await asyncio.sleep(pause)
            if lookups:
                await over
        except BaseException:
            # Nothing more is asked and noted while others say goodbye.
            over.cancel()
            await self._names.close()
            raise

    # ------------------------------------------------------------ visits

    async def _visit_place(self, visits: list[_Visit]) -> None:
        # Waited for here, so that a dead resolver takes no other node's turn.
        at_addresses = [await self._led(question, ask) for question, ask in visits]
        by_endpoint: dict[Endpoint, list[_Visits]] = {}
        for one in at_addresses:
            if one.asks or one.left_out:
                by_endpoint.setdefault(one.question.endpoint, []).append(one)
            else:
                self._go_nowhere(one.question)
        if not by_endpoint:
            return
        await self._in_flight.acquire()
        turn = _Turn(self._in_flight)
        self._turns.add(turn)
        try:
            await _together(self._visit_endpoint(of_one) for of_one in by_endpoint.values())
        finally:
            turn.end()

    async def _led(self, question: Question, ask: HandshakeAsk) -> _Visits:
        """Find out where a visit goes, if the plan does not say it."""
        if ask.address is not None:
            return _Visits(question, (ask,))
        name = self._nodes[question.nodes[0]].host
        if ask.aspect in _ELSEWHERE:
            name = str(ask.name)
        found = await self._names.addresses(name, resolvers_for(self._plan, ask))
        most = self._limits.dns_addresses
        if ask.aspect is Aspect.LED:
            known = self._known_places.get(name, frozenset())
            found = tuple(place for place in found if place not in known)
            most = min(most, self._led_left)
            self._led_left -= min(most, len(found))
        asks = tuple(replace(ask, address=address) for address in found)
        return _Visits(question, asks[:most], asks[most:])

    def _go_nowhere(self, question: Question) -> None:
        """Take in that no address is known for a question, or that nobody is led elsewhere."""
        self._progress.began(question)
        if question.handshake is not None and question.handshake.aspect is Aspect.LED:
            self._notebook.nothing_to_ask(question)
        else:
            self._notebook.expect(question, ())
        self._progress.ended(question)

    async def _visit_endpoint(self, visits: list[_Visits]) -> None:
        """Visit one endpoint of a place: as clients do, and then for a closer look."""
        for closer in (False, True):
            await _together(
                self._visit_all(one) for one in visits if _is_closer(one.question) is closer
            )

    async def _visit_all(self, visits: _Visits) -> None:
        question = visits.question
        self._progress.began(question)
        self._notebook.expect(question, visits.asks + visits.left_out[:1])
        await _together(self._visit(question, ask) for ask in visits.asks)
        if visits.left_out:
            first = visits.left_out[0]
            says = (
                f"{len(visits.left_out)} more addresses were not visited, the first of them"
                f" {first.address}: {self._limits.dns_addresses} of one name are"
            )
            if first.aspect is Aspect.LED:
                says += f", and {self._limits.led_visits} in all that the plan does not have"
            seen = VisitSeen(Outcome.NOT_ASKED, Phase.CONNECT, 0.0, says)
            self._notebook.visited(question, first, self._notebook.clock(), seen)
        self._progress.ended(question)

    async def _visit(self, question: Question, ask: HandshakeAsk) -> None:
        node = self._nodes[question.nodes[0]]
        address = str(ask.address)
        if ask.aspect not in _ELSEWHERE:
            address = node.reached_at(address)
        nowhere = no_servers_address(address)
        if nowhere is None and ask.aspect is Aspect.LED and not self._is_at_home:
            nowhere = own_address(address)
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
        left_out = None
        if versions != ask.tls:
            left_out = next(version for version in ask.tls if version not in versions)
            ask = replace(ask, tls=versions)
        if question.endpoint is Endpoint.EAP:
            await self._visit_eap(question, ask, address)
            return
        if question.endpoint is Endpoint.RADSEC:
            await self._visit_radsec(question, ask, address)
            return
        async with self._server(question.endpoint, address, ask.port), self._sockets:
            at = self._notebook.clock()
            first = self._first_seen.get((address, ask.port))
            staple = first is None or not first.spoiled_staple
            seen = await visit_web(ask, address, self._limits, staple=staple)
            if left_out is not None and seen.detail is None:
                seen = replace(seen, detail=not_offered(left_out, ask.key_family))
            self._notebook.visited(question, ask, at, seen)
            if ask.aspect is None:
                self._first_seen.setdefault((address, ask.port), seen)

    def _known(self, question: Question, ask: HandshakeAsk, address: str) -> VisitSeen | None:
        """Return the earlier visit that a closer look would end like, if there is one."""
        if question.endpoint is Endpoint.EAP:
            return self._eap.before(question, ask, address)
        if question.endpoint is Endpoint.RADSEC:
            return self._radsec.before(ask, address)
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

    async def _visit_radsec(self, question: Question, ask: HandshakeAsk, address: str) -> None:
        async with (
            self._radsec.turn(question, ask),
            self._server(question.endpoint, address, ask.port),
            self._sockets,
        ):
            at = self._notebook.clock()
            seen = await self._radsec.visit(question, ask, address)
            self._notebook.visited(question, ask, at, seen)

    def _server(self, endpoint: Endpoint, address: str, port: int) -> asyncio.Semaphore:
        """Return the gate of one server: it is in service, and gets little at a time."""
        key = (endpoint, address, port)
        if key not in self._servers:
            self._servers[key] = asyncio.Semaphore(self._limits.web_per_server)
        return self._servers[key]
