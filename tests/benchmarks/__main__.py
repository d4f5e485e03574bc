"""What a sweep costs, beside what it has to cost: one table, with the goals and what is reached.

    .work/venv/bin/python -m tests.benchmarks [--quick] [--rounds 5]

The peers (`peers.py`) run in a process of their own on the last core; what is measured runs on the
first one, the bare loop (`bare.py`) and the tool in turn, each run in a fresh process that has done
one node before: that is its start-up. Ratios are of medians. Both ask the same peers the same
questions: of each node four DNS records, three TLS connections, one HEAD, one PEAP conversation of
five round trips with its polite end. The tool also judges, and writes its document.

* CPU: user and system time of the process, for 300 nodes that have one web certificate (a
  wildcard), or one with the names of all. A third row has no goal: there each node has a web
  certificate of its own, by one key, so that the tool judges 300 chains, and the bare loop none.
* Wall: at a round trip of 50 and 200 ms, and at 50 ms with 2% of packets lost. One node is held
  against the five round trips that follow from each other there: TCP, TLS, HEAD, then TCP and TLS
  of the closer look; EAP has five, too.
* A dead node beside sound ones: its ports take packets and never answer. It is held against the
  longest that the tool waits for such a node, and the sound ones against a run without it.
* By hand: `openssl s_client` once for each connection, as many at a time as is best, on all cores,
  beside `probe cluster --only web` with its start-up, at 50 ms. The tool opens three connections a
  node: so it is held against the same three, by any family, by RSA and by ECDSA. A second row has
  one connection a node by hand, and the tool's three.
* Start-up: `probe --help`, and `probe cluster` over one node on loopback, beside `python -c pass`.
* Scale: CPU of each node, memory that 1,000 nodes add, and what explaining a chain that was
  explained before costs (`explain.py`).

With `--quick` it shows that everything runs, over four nodes; its figures mean nothing.
"""

import argparse
import json
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from typing import Any

from probe.limits import DEFAULT
from tests.benchmarks.cluster import Kind, Ports, address
from tests.benchmarks.explain import measured as explained

VENV = Path(sys.executable).parent
TRIPS = 5
"""Round trips of one node's visit that follow from each other."""
WITHIN = 300.0


@dataclass(frozen=True)
class Sizes:
    """How much is measured."""

    rounds: int
    cpu: int
    wall: int
    scale: tuple[int, ...]
    by_hand: int
    at_a_time: tuple[int, ...]
    chains: int


FULL = Sizes(5, 300, 100, (10, 100, 300, 1_000), 300, (32, 64, 128), 20)
QUICK = Sizes(1, 4, 4, (1, 4), 4, (4,), 1)


def cores() -> tuple[set[int], set[int]]:
    """Return the cores of what is measured and of the peers: two different ones, if there are."""
    if not hasattr(os, "sched_getaffinity"):
        return set(), set()
    there = sorted(os.sched_getaffinity(0))
    return {there[0]}, {there[-1]}


def pin(which: set[int]) -> None:
    """Keep this process to some cores."""
    if which:
        os.sched_setaffinity(0, which)


class Peers:
    """The process of the peers."""

    def __init__(self, directory: Path, nodes: int, kind: Kind) -> None:
        self.directory = directory
        command = [sys.executable, "-m", "tests.benchmarks.peers", directory, str(nodes), kind]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        pin_other(self._process.pid)
        self.ports = Ports(*map(int, self._read().split()))

    def _read(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise SystemExit("the peers did not start")
        return line

    def way(self, seconds: float, loss: float = 0.0, dead: int = 0) -> None:
        """Set the round trip time, the share of packets that get lost, and how many nodes, the
        first ones, never answer."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{seconds} {loss} {dead}\n")
        self._process.stdin.flush()
        self._read()

    def run(self, way: str, nodes: int) -> dict[str, Any]:
        """Measure one run."""
        where = [str(self.directory), str(nodes)]
        ports = map(str, (self.ports.dns, self.ports.web, self.ports.eap))
        command = [sys.executable, "-m", "tests.benchmarks.once", way, *where, *ports]
        done = subprocess.run(command, capture_output=True, text=True, timeout=WITHIN, check=False)
        if done.returncode:
            raise SystemExit(done.stderr)
        found: dict[str, Any] = json.loads(done.stdout)
        return found

    def stop(self) -> None:
        """End it."""
        self._process.communicate()


@contextmanager
def peers(nodes: int, kind: Kind) -> Iterator[Peers]:
    """Run the peers of so many nodes."""
    with tempfile.TemporaryDirectory(prefix="benchmark-") as directory:
        running = Peers(Path(directory), nodes, kind)
        try:
            yield running
        finally:
            running.stop()


def pin_other(pid: int) -> None:
    """Put the peers on the other core."""
    if _OTHER:
        os.sched_setaffinity(pid, _OTHER)


_OWN, _OTHER = cores()


class Beside:
    """Medians of the bare loop and of the tool, run in turn."""

    def __init__(self, at: Peers, nodes: int, rounds: int) -> None:
        runs: dict[str, list[dict[str, Any]]] = {"bare": [], "tool": []}
        for _ in range(rounds):
            for way, found in runs.items():
                found.append(at.run(way, nodes))
        self.nodes = nodes
        self._runs = runs
        self.all_seen = all(run["chains"] == 3 * nodes for found in runs.values() for run in found)

    def median(self, way: str, what: str) -> float:
        """Return the median of one measure."""
        return statistics.median(run[what] for run in self._runs[way])

    def ratio(self, what: str) -> float:
        """Return the tool's median over the bare loop's."""
        return self.median("tool", what) / self.median("bare", what)


class Table:
    """Rows of what was measured."""

    def __init__(self) -> None:
        self.missed = 0

    def row(
        self, what: str, figures: str, ratio: float, goal: float, *, at_least: bool = False
    ) -> None:
        """Print a row that has a goal."""
        reached = ratio >= goal if at_least else ratio <= goal
        self.missed += not reached
        sign = ">=" if at_least else "<="
        word = "reached" if reached else "missed"
        print(f"{what:<44}{figures:<34}{ratio:7.2f} {sign} {goal:<6g} {word}", flush=True)

    def plain(self, what: str, figures: str) -> None:
        """Print a row that has none."""
        print(f"{what:<44}{figures}", flush=True)


def both(beside: Beside, what: str, scale: float, unit: str) -> str:
    """Return the figures of the bare loop and the tool."""
    bare, tool = (beside.median(way, what) * scale for way in ("bare", "tool"))
    lost = "" if beside.all_seen else ", not every chain seen"
    return f"bare {bare:.2f}, tool {tool:.2f} {unit}{lost}"


def cpu_and_scale(table: Table, sizes: Sizes) -> None:
    """Goal 1, and goal 5 for CPU and memory."""
    most = max(sizes.scale)
    for kind in (Kind.NAMES, Kind.OWN):
        with peers(sizes.cpu, kind) as at:
            beside = Beside(at, sizes.cpu, sizes.rounds)
        figures = both(beside, "cpu", 1_000 / sizes.cpu, "ms/node")
        if kind is Kind.OWN:
            what = f"  CPU, {sizes.cpu} nodes, each its own"
            table.plain(what, f"{figures}, {beside.ratio('cpu'):.2f} x")
        else:
            table.row(f"1 CPU, {sizes.cpu} nodes, {kind}", figures, beside.ratio("cpu"), 1.4)
    with peers(most, Kind.WILDCARD) as at:
        found = {nodes: Beside(at, nodes, sizes.rounds) for nodes in (*sizes.scale, sizes.cpu)}
    beside = found[sizes.cpu]
    figures = both(beside, "cpu", 1_000 / sizes.cpu, "ms/node")
    table.row(f"1 CPU, {sizes.cpu} nodes, wildcard", figures, beside.ratio("cpu"), 1.4)
    for nodes in sizes.scale:
        figures = both(found[nodes], "cpu", 1_000 / nodes, "ms/node")
        table.plain(f"  CPU, {nodes} nodes", f"{figures}, {found[nodes].ratio('cpu'):.2f} x")
    each = {nodes: found[nodes].median("tool", "cpu") / nodes for nodes in sizes.scale}
    few = sizes.scale[1] if len(sizes.scale) > 2 else sizes.scale[0]
    figures = f"{each[few] * 1_000:.2f}, {each[most] * 1_000:.2f} ms/node"
    table.row(f"5 CPU of a node, {most} beside {few}", figures, each[most] / each[few], 1.1)
    allowed = 512 * min(most, 150) + 10 * most
    grown = found[most].median("tool", "grown")
    figures = f"{grown / 1_024:.1f} of {allowed / 1_024:.1f} MiB"
    table.row(f"5 memory that {most} nodes add", figures, grown / allowed, 1.0)
    for family in ("RSA", "ECDSA"):
        times = dict(explained(family, sizes.chains))
        again, first = times["1,000 nodes that serve it"] / 1_000, times["explaining it first"]
        figures = f"{first * 1e6:.0f}, again {again * 1e6:.1f} us"
        table.row(f"5 explaining a known chain, {family}", figures, again / first, 0.1)


def walls(table: Table, sizes: Sizes) -> None:
    """Goal 2: at several round trip times."""
    with peers(sizes.wall, Kind.WILDCARD) as at:
        at.way(0.05)
        one = statistics.median(at.run("tool", 1)["wall"] for _ in range(sizes.rounds))
        ideal = TRIPS * 0.05
        figures = f"{ideal:.3f}, tool {one:.3f} s"
        table.row(f"2 wall, one node at 50 ms, {TRIPS} trips", figures, one / ideal, 1.15)
        for seconds, loss, goal in ((0.05, 0.0, 1.25), (0.2, 0.0, None), (0.05, 0.02, None)):
            at.way(seconds, loss)
            beside = Beside(at, sizes.wall, sizes.rounds)
            what = f"wall, {sizes.wall} nodes at {seconds * 1_000:.0f} ms"
            what += f", {loss:.0%} lost" if loss else ""
            figures = both(beside, "wall", 1, "s")
            if goal is not None:
                table.row(f"2 {what}", figures, beside.ratio("wall"), goal)
            else:
                table.plain(f"  {what}", f"{figures}, {beside.ratio('wall'):.2f} x")


def dead_node(table: Table, sizes: Sizes) -> None:
    """Goal 2: the first node of all takes what comes and never answers."""
    budget = DEFAULT.radius_silence + DEFAULT.trial_wait
    runs: dict[int, list[dict[str, Any]]] = {0: [], 1: []}
    with peers(sizes.wall, Kind.WILDCARD) as at:
        for _ in range(min(sizes.rounds, 3)):
            for dead, found in runs.items():
                at.way(0.05, 0.0, dead)
                found.append(at.run("watched", sizes.wall))
    first = statistics.median(run["first"] for run in runs[1])
    figures = f"its budget {budget:g}, took {first:.2f} s"
    table.row("2 a dead node, at 50 ms", figures, first / budget, 1.1)
    without, beside = (statistics.median(run["others"] for run in runs[n]) for n in (0, 1))
    figures = f"without it {without:.2f}, beside it {beside:.2f} s"
    table.row(f"2 {sizes.wall - 1} others meanwhile", figures, beside / without, 1.1)


def timed(command: Sequence[str | Path], **more: Any) -> float:
    """Return the seconds that a command takes."""
    null = subprocess.DEVNULL
    began = perf_counter()
    subprocess.run(command, stdout=null, stderr=null, check=False, **more)
    return perf_counter() - began


def cpu_of(command: Sequence[str | Path]) -> float:
    """Return the CPU seconds that a command takes."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    timed(command)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


_BY_HAND = "openssl s_client -showcerts -connect {} </dev/null"
_BY_FAMILY = (" -sigalgs RSA-PSS+SHA256", " -sigalgs ECDSA+SHA256")


def by_hand(table: Table, sizes: Sizes) -> None:
    """Goal 3."""
    with peers(sizes.by_hand, Kind.OWN) as at:
        at.way(0.05)
        plan = at.directory / f"plan-{sizes.by_hand}.toml"
        places = "\n".join(f"{address(n)}:{at.ports.web}" for n in range(sizes.by_hand))
        kinds = [f"{place}{kind}" for place in places.split() for kind in ("", *_BY_FAMILY)]
        alone, hand = (
            min(
                timed(["xargs", "-P", str(most), "-I{}", "sh", "-c", _BY_HAND], input=lines)
                for most in sizes.at_a_time
            )
            for lines in (places.encode(), "\n".join(kinds).encode())
        )
        command = [VENV / "probe", "cluster", plan, "--only", "web", "--history", "off", "--quiet"]
        tool = statistics.median(
            timed([*command, "--output", at.directory / "report.txt"]) for _ in range(sizes.rounds)
        )
    figures = f"by hand {hand:.2f}, tool {tool:.2f} s"
    what = f"3 {3 * sizes.by_hand} connections to {sizes.by_hand} nodes"
    table.row(what, figures, hand / tool, 10, at_least=True)
    what = f"  {sizes.by_hand} by hand, {3 * sizes.by_hand} by the tool"
    table.plain(what, f"by hand {alone:.2f}, tool {tool:.2f} s, {alone / tool:.2f} x")


def start_up(table: Table, sizes: Sizes) -> None:
    """Goal 4. The machine's other work only ever adds to it: so the least of many is taken."""
    times = 5 * sizes.rounds
    with peers(1, Kind.WILDCARD) as at:
        plan = at.directory / "plan-1.toml"
        look = [VENV / "probe", "cluster", plan, "--history", "off", "--quiet"]
        bare = [sys.executable, "-c", "pass"]
        wall, cpu = (min(one(bare) for _ in range(times)) for one in (timed, cpu_of))
        for what, command, goal in (
            ("--help", [VENV / "probe", "--help"], 0.035),
            ("one node, document", [*look, "--format", "json"], 0.15),
            ("one node, screen", look, 0.15),
        ):
            over = min(timed(command) for _ in range(times)) - wall
            work = min(cpu_of(command) for _ in range(times)) - cpu
            figures = f"{over * 1_000:.0f} (CPU {work * 1_000:.0f}) of {goal * 1_000:.0f} ms"
            table.row(f"4 start-up, {what}", figures, over / goal, 1.0)


def main() -> int:
    """Print the table; return 1 if a goal is missed, but for `--quick`."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="show that it runs, with four nodes")
    parser.add_argument("--rounds", type=int, help="times that each way is measured (default: 5)")
    asked = parser.parse_args()
    sizes = QUICK if asked.quick else FULL
    if asked.rounds:
        sizes = Sizes(asked.rounds, *(getattr(sizes, n) for n in Sizes.__match_args__[1:]))
    # As where the tool is installed: there its files are compiled.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    pin(_OWN)
    load = f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    print(f"{machine}, load {load}; median of {sizes.rounds}; ratio, goal")
    table = Table()
    start_up(table, sizes)
    cpu_and_scale(table, sizes)
    walls(table, sizes)
    dead_node(table, sizes)
    pin(_OWN | _OTHER)
    by_hand(table, sizes)
    print(f"{table.missed} goals missed" if table.missed else "all goals reached")
    return 1 if table.missed and not asked.quick else 0


if __name__ == "__main__":
    sys.exit(main())
