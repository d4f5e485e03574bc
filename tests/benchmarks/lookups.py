"""How much CPU many lookups at once cost, beside a bare loop over the same server.

    .work/venv/bin/python -m tests.benchmarks.lookups

The server is nsd, in a process of its own (`tests/run.sh` unpacks it). As resolvers do, it answers
with nothing but the records. The bare loop is the least Python that gets them in hand: dnspython's
codec over shared sockets, a future for each question, and nothing else. It sends no EDNS and tries
nothing again. All are run in turn in one process, and the medians of their CPU time are compared,
so that the ratios can be compared between machines. "asked" is what the lookups themselves cost,
"surveyed" the same questions as a survey, with a record of each. Exits with 1 if either takes more
than the limit.
"""

import argparse
import asyncio
import statistics
import sys
import tempfile
from collections.abc import Callable, Coroutine, Iterator, Sequence
from pathlib import Path
from time import process_time
from typing import cast

import dns.message

from probe.limits import DEFAULT
from probe.observation.model import Endpoint, LookupAsk, LookupOutcome, Question
from probe.observe.dns import Resolvers
from probe.observe.sweep import survey
from probe.plan.model import Plan
from probe.plan.read import load_plan
from tests.observe import nameservers
from tests.peers.nameservers import nsd, zone
from tests.peers.servers import LOOPBACK

LIMIT = 1.4
"""Of the bare loop's CPU."""

HOSTS = 3_000
"""Each has an A and an AAAA record: 6,000 lookups."""
SOCKETS = 4
IN_FLIGHT = 128
"""On each socket: more overflow its buffer."""

ZONE = "northpier.example"

Lookups = Sequence[tuple[str, str]]
Data = dict[tuple[str, str], tuple[str, ...]]


def records() -> Iterator[tuple[str, str, str]]:
    """Yield every record of the zone: (host, type, data)."""
    for number in range(HOSTS):
        high, low = divmod(number, 250)
        yield f"quay{number}", "A", f"10.9.{high}.{low + 1}"
        yield f"quay{number}", "AAAA", f"2001:db8::{high + 1:x}:{low + 1:x}"


# ---------------------------------------------------------------- the bare loop


class BareSocket(asyncio.DatagramProtocol):
    """A connected socket and what is in flight on it."""

    def __init__(self) -> None:
        self.waiting: dict[int, asyncio.Future[dns.message.Message]] = {}

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: object) -> None:  # noqa: ARG002  # connected
        response = dns.message.from_wire(data)
        self.waiting.pop(response.id).set_result(response)


async def bare(port: int, lookups: Lookups) -> Data:
    """Ask for everything, `IN_FLIGHT` at a time on each socket."""
    loop = asyncio.get_running_loop()
    todo = iter(lookups)
    found: Data = {}

    async def ask(socket: BareSocket) -> None:
        for name, kind in todo:
            query = dns.message.make_query(name, kind)
            while query.id in socket.waiting:
                query.id = (query.id + 1) % 65536
            waiting = socket.waiting[query.id] = loop.create_future()
            socket.transport.sendto(query.to_wire())
            response = await waiting
            found[name, kind] = tuple(
                record.to_text() for records in response.answer for record in records
            )

    sockets = [
        (await loop.create_datagram_endpoint(BareSocket, remote_addr=(LOOPBACK, port)))[1]
        for _ in range(SOCKETS)
    ]
    await asyncio.gather(*(ask(socket) for socket in sockets for _ in range(IN_FLIGHT)))
    for socket in sockets:
        socket.transport.close()
    return found


# ---------------------------------------------------------------- the tool


async def asked(port: int, lookups: Lookups) -> Data:
    """Look everything up as the tool does."""
    resolvers = Resolvers(DEFAULT)
    place = f"{LOOPBACK}:{port}"
    seen = await asyncio.gather(
        *(nameservers.ask(resolvers, LookupAsk(name, kind, place)) for name, kind in lookups)
    )
    await resolvers.close()
    return {
        lookup: one.data
        for lookup, one in zip(lookups, seen, strict=True)
        if one.outcome is LookupOutcome.ANSWERED
    }


async def surveyed(plan: Plan, questions: Sequence[Question]) -> Data:
    """Make a survey of these questions."""
    seen = await survey(plan, questions, secrets={})
    return {
        (one.asked.name, one.asked.type): one.data
        for one in seen.lookups
        if one.outcome is LookupOutcome.ANSWERED
    }


# ---------------------------------------------------------------- beside each other


def cost(run: Callable[[], Coroutine[object, object, Data]], expected: Data) -> float:
    """Return the CPU seconds that one run takes. Fails if it did not find everything."""
    began = process_time()
    found = asyncio.run(run())
    taken = process_time() - began
    if found != expected:
        missing = sum(found.get(lookup) != data for lookup, data in expected.items())
        raise SystemExit(f"{missing} of {len(expected)} lookups did not give what the zone has")
    return taken


def measured(directory: Path, rounds: int) -> dict[str, float]:
    """Return the median CPU seconds of each way."""
    expected = {(f"{host}.{ZONE}", kind): (data,) for host, kind, data in records()}
    lookups = tuple(expected)
    lines = "\n".join(" ".join(record) for record in records())
    with nsd(directory / "nsd", zone(ZONE, lines), minimal=True) as server:
        place = f"{LOOPBACK}:{server.port}"
        questions = [
            Question(
                f"dns/{place}/{name}/{kind}",
                Endpoint.DNS,
                (name.split(".", 1)[0],),
                lookup=LookupAsk(name, kind, place),
            )
            for name, kind in lookups
        ]
        plan_file = directory / "plan.toml"
        plan_file.write_text(
            f'name = "Lookups"\n[dns]\nresolvers = ["{place}"]\n'
            '[[node]]\nname = "quay0"\nhost = "quay0.northpier.example"\n',
            "ascii",
        )
        plan = load_plan(plan_file)
        ways: dict[str, Callable[[], Coroutine[object, object, Data]]] = {
            "bare loop": lambda: bare(server.port, lookups),
            "asked": lambda: asked(server.port, lookups),
            "surveyed": lambda: surveyed(plan, questions),
        }
        taken: dict[str, list[float]] = {way: [] for way in ways}
        for number in range(rounds + 1):
            for way, run in ways.items():
                seconds = cost(run, expected)
                if number:  # the first round warms up
                    taken[way].append(seconds)
    return {way: statistics.median(seconds) for way, seconds in taken.items()}


def main() -> int:
    """Print the table; return 1 if the limit is broken."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--rounds", type=int, default=5, help="times that each way is measured")
    rounds = parser.parse_args().rounds
    with tempfile.TemporaryDirectory() as directory:
        found = measured(Path(directory), rounds)
    least = found["bare loop"]
    print(f"{2 * HOSTS:,} lookups: median of {rounds}, CPU of this process")
    for way, seconds in found.items():
        each = seconds / (2 * HOSTS)
        print(f"  {way:<12}{seconds:8.3f} s  {each * 1e6:6.0f} us each  {seconds / least:6.2f} x")
    if any(seconds > LIMIT * least for seconds in found.values()):
        print(f"  more than {LIMIT:g} x the bare loop")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
