"""Two hundred nodes that misbehave in every way at once, and twenty sound ones behind them.

Time is that of a clock which stands still while anybody is busy, so a busy machine changes nothing.
Memory is that of the real command, in a process of its own.
"""

import asyncio
import gc
import json
import os
import resource
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import AbstractAsyncContextManager as AsyncContextManager
from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.serialization import Encoding

from probe.limits import DEFAULT
from probe.observation.model import Endpoint, Method, Outcome, Survey, TlsVersion, fingerprint
from probe.observe.agenda import Depth, agenda
from probe.observe.events import Event, EventKind
from probe.observe.sweep import survey
from probe.plan.model import Fetch, Plan, Web
from probe.records import replace
from tests.cli.conftest import ROOT
from tests.observe import standstill
from tests.observe.hostile import RADIUS, WEB, Place, address, hostile
from tests.observe.plans import EAP, node, plan
from tests.observe.plans import SECRET as REFERENCE
from tests.observe.radiuspeers import SECRET, answering
from tests.observe.test_trials import Clients
from tests.observe.test_web import TlsServer, listening
from tests.wire.pki import der, make_chain

BAD, SOUND = 200, 20
ONLY = frozenset({Endpoint.WEB, Endpoint.EAP})

LARGEST = DEFAULT.eap_visit + DEFAULT.eap_farewell_wait
"""What a node may cost: one EAP conversation that never ends, and the goodbye. By HTTPS it is less:
two times 8 s, as clients look and then more closely."""


async def sound(stack: AsyncExitStack, numbers: range) -> list[Place]:
    """Serve nodes with nothing wrong."""
    served = frozenset({Outcome.SERVED})
    places = []
    for number in numbers:
        host, clients = address(number), Clients()
        port = await stack.enter_async_context(listening(TlsServer(TlsVersion.TLS1_3).handle, host))
        clients.radius = await stack.enter_async_context(answering(clients.handle, host))
        places.append(Place(f"quay{number}", host, port, clients.radius.port, served, served))
    return places


def planned(places: list[Place]) -> Plan:
    """A plan with the bad nodes first: whoever waits for them waits longest."""
    nodes = (
        node(
            place.name,
            place.address,
            web=Web(port=place.web),
            eap=replace(EAP, port=place.radius, methods=(Method.PEAP,)),
        )
        for place in places
    )
    return replace(plan(*nodes, resolvers=()), fetch=Fetch(off=True))


@dataclass(frozen=True)
class Swept:
    """What came of the sweep."""

    places: list[Place]
    survey: Survey
    seconds: float
    sound_after: float
    """When the last question about a sound node had ended."""


@pytest.fixture(scope="module", autouse=True)
def _room_for_servers() -> Iterator[None]:
    """Servers and visits are in one process here: twice the sockets that a sweep takes."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = 4_096 if hard == resource.RLIM_INFINITY else min(4_096, hard)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, most), hard))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


async def look(stack: AsyncExitStack, bad: AsyncContextManager[list[Place]]) -> Swept:
    """Serve and sweep. No task is left."""
    loop = asyncio.get_running_loop()
    places = await stack.enter_async_context(bad)
    places += await sound(stack, range(BAD, BAD + SOUND))
    of = planned(places)
    ended: dict[str, float] = {}

    def note(event: Event) -> None:
        if event.kind is EventKind.ENDED:
            ended[event.node] = loop.time()

    began = loop.time()
    asked = agenda(of, Depth.SWEEP, only=ONLY)
    seen = await survey(of, asked, secrets={REFERENCE: SECRET}, on_event=note)
    seconds = loop.time() - began
    left = asyncio.all_tasks() - {asyncio.current_task()}
    assert not [task for task in left if "listening.<locals>.guarded" not in repr(task.get_coro())]
    sound_after = max(ended[place.name] for place in places[BAD:]) - began
    return Swept(places, seen, seconds, sound_after)


def sweep(bad: AsyncContextManager[list[Place]]) -> Swept:
    """Look by the clock that stands still. No file is left open, once the servers are gone."""

    async def run() -> Swept:
        before = open_files()
        async with AsyncExitStack() as stack:
            swept = await look(stack, bad)
        await asyncio.sleep(0.1)  # on that clock: until transports have closed
        gc.collect()
        assert open_files() == before
        return swept

    return standstill.run(run())


@pytest.fixture(scope="module")
def swept() -> Swept:
    return sweep(hostile(range(BAD)))


def test_every_way_meets_every_other() -> None:
    ways = {(number % len(WEB), number % len(RADIUS)) for number in range(BAD)}
    assert {web for web, _ in ways} == set(range(len(WEB)))
    assert {radius for _, radius in ways} == set(range(len(RADIUS)))
    assert len(ways) == BAD


def test_it_ends_within_the_largest_budget_of_a_node(swept: Swept) -> None:
    assert LARGEST == 30.5  # half a minute: a larger one has to be wanted here, too
    assert swept.seconds <= 1.1 * LARGEST


def test_nobody_waits_for_the_bad_ones(swept: Swept) -> None:
    """The sound ones stand last in the plan, and are done at once."""
    assert swept.sound_after < 1.0


def test_dead_nodes_delay_nobody() -> None:
    """Two hundred that take what comes and say nothing, in HTTPS and in EAP."""
    dead = sweep(hostile(range(BAD), web="mute", radius="mute"))
    assert dead.sound_after < 3.0
    assert dead.seconds <= 1.1 * LARGEST


def test_each_has_its_outcome(swept: Swept) -> None:
    places = {place.name: place for place in swept.places}
    wrong = []
    for record in swept.survey.handshakes:
        place = places[record.nodes[0]]
        ends = place.web_ends if record.endpoint is Endpoint.WEB else place.radius_ends
        if record.asked.aspect is None and record.outcome not in ends:
            wrong.append((place.name, record.endpoint, record.outcome, record.detail))
    assert wrong == []
    assert swept.survey.unobserved() == ()


def test_the_sound_ones_are_seen_whole(swept: Swept) -> None:
    chain = make_chain("rsa")
    by_eap = tuple(fingerprint(each) for each in der(chain.leaf, chain.intermediate))
    by_web = (*by_eap, *(fingerprint(each) for each in der(chain.root)))
    mine = {place.name for place in swept.places[BAD:]}
    seen = [
        (record.endpoint, record.served.chain)
        for record in swept.survey.handshakes
        if record.nodes[0] in mine and record.asked.aspect is None and record.served is not None
    ]
    assert sorted(seen) == [(Endpoint.EAP, by_eap)] * SOUND + [(Endpoint.WEB, by_web)] * SOUND


# ---------------------------------------------------------------- memory

IN_FLIGHT, FINISHED = 0.5 * 2**20, 10 * 2**10
"""Octets that a node may take while it is visited, and afterwards."""

PLAIN = """
name = "Northpier"
trust.eap = ["root.pem"]
trust.web = ["root.pem"]
[web]
[eap]
secret = { environment = "NORTHPIER_RADIUS" }
methods = ["PEAP"]
[fetch]
off = true
[limits]
tls_wait = 2.0
web_visit = 4.0
eap_visit = 4.0
radius_silence = 2.0
trial_wait = 0.5
trial_silence = 1.0
"""
NODE = """
[[node]]
name = "{0.name}"
host = "{0.name}.northpier.example"
addresses = ["{0.address}"]
web.port = {0.web}
eap.port = {0.radius}
"""


@pytest.fixture(scope="module")
def served() -> Iterator[list[Place]]:
    """The same nodes by the clock on the wall, in a thread of their own."""
    loop = asyncio.new_event_loop()
    stack = AsyncExitStack()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()

    async def start() -> list[Place]:
        places = await stack.enter_async_context(hostile(range(BAD)))
        return places + await sound(stack, range(BAD, BAD + SOUND))

    try:
        yield asyncio.run_coroutine_threadsafe(start(), loop).result(60)
    finally:
        asyncio.run_coroutine_threadsafe(stack.aclose(), loop).result(60)
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


def peak(places: list[Place], folder: Path) -> tuple[int, dict[str, Any]]:
    """Sweep with the command; return the most octets that it had, and its report."""
    root = make_chain("rsa").root.public_bytes(Encoding.PEM)
    (folder / "root.pem").write_bytes(root)
    (folder / "plan.toml").write_text(PLAIN + "".join(NODE.format(place) for place in places))
    arguments = ("cluster", "--only", "web,eap", "--format", "json", "--history", "off")
    with (folder / "report").open("wb") as report:
        process = subprocess.Popen(
            [sys.executable, "-m", "probe.cli.main", *arguments],
            cwd=folder,
            env=os.environ | {"PYTHONPATH": str(ROOT), "NORTHPIER_RADIUS": SECRET.decode()},
            stdin=subprocess.DEVNULL,
            stdout=report,
        )
        _, how, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(how)
    assert process.returncode in (1, 4)
    return used.ru_maxrss * 1024, json.loads((folder / "report").read_text())


@pytest.mark.skipif(sys.platform != "linux", reason="the unit of ru_maxrss is getrusage(2)'s here")
def test_memory_is_bounded_whatever_they_send(served: list[Place], tmp_path: Path) -> None:
    """What one sound node takes is start-up; the rest is what the others may have."""
    for name in ("one", "all"):
        (tmp_path / name).mkdir()
    alone, _ = peak(served[-1:], tmp_path / "one")
    most, report = peak(served, tmp_path / "all")
    in_flight = min(len(served), DEFAULT.nodes_in_flight)
    assert most - alone <= IN_FLIGHT * in_flight + FINISHED * len(served)
    of_sound = {place.name for place in served[BAD:]}
    ends = {
        entry["outcome"]
        for each in report["nodes"]
        if each["name"] in of_sound
        for entry in each["endpoints"]
        if entry["asked"]["aspect"] is None
    }
    assert ends == {"served"}
