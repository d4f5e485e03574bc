"""What is sent to the lab's servers: no more round trips than arithmetic allows, little at a time,
and with the same findings whether much is asked at once or one thing after the other.
"""

import asyncio
from collections import Counter, defaultdict
from contextlib import suppress
from itertools import groupby
from math import ceil
from pathlib import Path
from typing import Any

import pytest

from lab import serving
from lab.cluster import Cluster
from lab.nameserver import NameServer
from lab.radiusserver import RadiusServer
from lab.scenario import Scenario
from probe.assessment import Assessment
from probe.jobs import sweep
from probe.jobs.sweep import Scope
from probe.limits import DEFAULT, Limits
from probe.observation.model import HandshakeAsk, Outcome, Survey, TlsVersion
from probe.observe.agenda import Depth
from probe.observe.sweep import survey
from probe.observe.web import visit_web
from probe.plan.read import load_plan
from probe.records import replace

ONE_AT_A_TIME = replace(
    DEFAULT,
    nodes_in_flight=1,
    visits_in_flight=1,
    web_per_server=1,
    conversations_per_server=1,
    dns_in_flight=1,
    dns_sockets=1,
    dns_streams=1,
    fetches_in_flight=1,
    failed_authentications_per_minute=6_000,
)
AS_USUAL = replace(DEFAULT, failed_authentications_per_minute=6_000)


def look(lab: Cluster, scope: Scope, limits: Limits = AS_USUAL) -> tuple[Survey, Assessment]:
    plan = load_plan(lab.plan_path)
    asked = sweep.questions(plan, scope)
    secrets = sweep.secrets_for(plan, asked)
    seen = asyncio.run(survey(plan, asked, secrets=secrets, limits=limits))
    return seen, sweep.assess(plan, seen)


# ---------------------------------------------------------------- round trips


class Tap:
    """Leads to a place, and notes which way each piece goes: ">" to the server, "<" back."""

    def __init__(self, place: tuple[str, int]) -> None:
        self._place = place
        self._way: list[str] = []
        self._handled: list[asyncio.Task[None] | None] = []

    @property
    def turns(self) -> str:
        """The ways, one for each turn."""
        return "".join(mark for mark, _ in groupby(self._way))

    async def __aenter__(self) -> "Tap":
        self._server = await asyncio.start_server(self._handle, "127.0.0.1", 0)
        self.port: int = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        await asyncio.gather(*(task for task in self._handled if task is not None))
        self._server.close()
        await self._server.wait_closed()

    async def _handle(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._handled.append(asyncio.current_task())
        far_reader, far_writer = await asyncio.open_connection(*self._place)
        await asyncio.gather(
            self._carry(reader, far_writer, ">"), self._carry(far_reader, writer, "<")
        )
        for one in (writer, far_writer):
            one.close()
            with suppress(OSError):
                await one.wait_closed()

    async def _carry(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, mark: str
    ) -> None:
        with suppress(OSError):
            while octets := await reader.read(65_536):
                self._way.append(mark)
                writer.write(octets)
            writer.write_eof()


TLS12, TLS13 = (TlsVersion.TLS1_2,), (TlsVersion.TLS1_3,)


@pytest.mark.parametrize(
    ("versions", "head", "trips"),
    [
        # Hello, flight; then the farewell. TCP's own round trip comes before (RFC 9293, 3.5).
        (TLS13, False, 1),
        (TLS12, False, 1),
        # Our Finished takes the request along (RFC 9846, 2) ...
        (TLS13, True, 2),
        # ... and up to TLS 1.2 it has to be answered first (RFC 5246, 7.3).
        (TLS12, True, 3),
    ],
)
def test_a_web_visit_takes_the_fewest_round_trips(
    tmp_path: Path, versions: tuple[TlsVersion, ...], head: bool, trips: int
) -> None:
    async def run(place: tuple[str, int]) -> tuple[Outcome, str]:
        async with Tap(place) as tap:
            name = "quay1.northpier.example"
            ask = HandshakeAsk("127.0.0.1", tap.port, name=name, server_name=name, tls=versions)
            seen = await visit_web(replace(ask, head=head), "127.0.0.1", DEFAULT)
        return seen.outcome, tap.turns

    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab:
        outcome, way = asyncio.run(run(lab.web_place("quay1")))
    assert outcome is Outcome.SERVED
    # What is sent last asks for nothing.
    assert way.removesuffix(">") == "><" * trips


def test_each_record_is_asked_for_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One question, one answer: one round trip (RFC 1035, 4.2.1)."""
    asked: Counter[bytes] = Counter()
    answer = NameServer.answer

    def counted(self: NameServer, question: bytes, *, limit: int | None) -> bytes | None:
        asked[question[12:].lower()] += 1
        return answer(self, question, limit=limit)

    monkeypatch.setattr(NameServer, "answer", counted)
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path) as lab:
        seen, _ = look(lab, Scope())
    assert len(asked) >= 12
    assert set(asked.values()) == {1}
    assert len(asked) == len({(row.asked.name, row.asked.type) for row in seen.lookups})


@pytest.mark.parametrize("scenario", ["healthy-cluster", "healthy-tls-1-2-only"])
def test_an_eap_conversation_takes_the_fewest_round_trips(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, scenario: str
) -> None:
    """Identity, each Nak, the hello, and an acknowledgement for each fragment but the last (RFC
    3748, 5.1 and 5.3.1; RFC 5216, 2.1.5); and one more, to end it."""
    requests: Counter[int] = Counter()
    answer = RadiusServer.answer

    def counted(self: RadiusServer, octets: bytes, sender: tuple[str, int]) -> Any:
        requests[sender[1]] += 1
        return answer(self, octets, sender)

    monkeypatch.setattr(RadiusServer, "answer", counted)
    with Cluster(Scenario.load(scenario), directory=tmp_path) as lab:
        seen, _ = look(lab, Scope())
        waiting = [server.waiting for server in lab.radius.values()]
    visits = [row for row in seen.handshakes if row.eap is not None]
    assert visits
    expected = []
    for visit in visits:
        assert visit.outcome is Outcome.SERVED
        assert visit.eap is not None
        naks = len(visit.eap.proposed) - 1
        fragments = len(visit.eap.fragments)
        whole = visit.eap.fragments[0]
        assert fragments <= ceil(sum(visit.eap.fragments) / whole)
        assert visit.round_trips == 1 + naks + fragments
        expected.append(1 + naks + fragments + 1)
    assert sorted(requests.values()) == sorted(expected)
    assert waiting == [0] * len(waiting)


# ---------------------------------------------------------------- load


def test_a_node_sees_little_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The most that DEVELOPERS.md says: four TLS connections at an address, and two conversations
    with a node, in depth too, which asks for more than that."""
    connections: defaultdict[int, int] = defaultdict(int)
    conversations: defaultdict[int, int] = defaultdict(int)
    made, answer = serving.Stream.connection_made, RadiusServer.answer

    def counted_connection(self: serving.Stream, transport: asyncio.BaseTransport) -> None:
        made(self, transport)
        place = transport.get_extra_info("sockname")[1]
        connections[place] = max(connections[place], len(self._open_streams))

    def counted_answer(self: RadiusServer, octets: bytes, sender: tuple[str, int]) -> Any:
        found = answer(self, octets, sender)
        conversations[id(self)] = max(conversations[id(self)], self.waiting)
        return found

    monkeypatch.setattr(serving.Stream, "connection_made", counted_connection)
    monkeypatch.setattr(RadiusServer, "answer", counted_answer)
    with Cluster(Scenario.load("healthy-cluster"), directory=tmp_path, single_address=True) as lab:
        seen, _ = look(lab, Scope(depth=Depth.NODE, nodes=("quay1",)))
        web = lab.web_place("quay1")[1]
    assert len([row for row in seen.handshakes if row.asked.port == web]) > 4
    assert len([row for row in seen.handshakes if row.eap is not None]) > 2
    assert connections[web] == 4
    assert max(conversations.values()) == 2


# ---------------------------------------------------------------- all at once


def findings(assessment: Assessment) -> list[tuple[object, ...]]:
    return sorted(
        (one.rule, one.verdict, one.endpoint, one.nodes, one.name or "", one.certificates)
        for one in assessment.findings
    )


def outcomes(seen: Survey) -> list[tuple[object, ...]]:
    looked_up = [(row.question, row.asked, row.outcome, row.data) for row in seen.lookups]
    visited = [
        (row.question, row.asked.address, row.outcome, row.phase, row.alert)
        + ((row.served.chain, row.served.tls, row.served.key_proven) if row.served else ())
        for row in seen.handshakes
    ]
    return [*looked_up, *visited]


@pytest.mark.parametrize(
    "scenario",
    ["healthy-cluster", "cluster-half-renewed", "eap-leaf-differs", "web-chain-incomplete"],
)
def test_all_at_once_shows_what_one_after_the_other_does(tmp_path: Path, scenario: str) -> None:
    with Cluster(Scenario.load(scenario), directory=tmp_path) as lab:
        together, judged_together = look(lab, Scope())
        alone, judged_alone = look(lab, Scope(), ONE_AT_A_TIME)
    assert outcomes(together) == outcomes(alone)
    assert findings(judged_together) == findings(judged_alone)
    assert together.certificates == alone.certificates
    assert judged_together.verdict == judged_alone.verdict
    if scenario.startswith("healthy"):
        assert not judged_alone.findings
    else:
        assert judged_alone.findings
