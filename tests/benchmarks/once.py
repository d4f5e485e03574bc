"""One run to be measured, in a process of its own on a core of its own.

    python -m tests.benchmarks.once WAY DIRECTORY NODES DNS WEB EAP

WAY is "bare" or "tool". It runs once over one node, which is its start-up, and then over all of
them; what that took is printed as JSON: CPU and wall seconds, KiB that the process has grown by at
its peak, and how many chains it has in hand. Or WAY is "watched": the tool's survey alone, and
after how many seconds the first node was over, and all others.
"""

import asyncio
import gc
import json
import os
import resource
import sys
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

from tests.benchmarks import bare
from tests.benchmarks.cluster import SECRET, Ports


def tool(directory: Path, nodes: int, *, at_hand: str = "dns,web,eap") -> int:
    """Run the command as a user does, in this process, and return how many chains were seen."""
    from probe.cli.main import GARBAGE, main  # noqa: PLC0415  # the bare loop needs none of it

    gc.set_threshold(GARBAGE)
    written = directory / f"written-{os.getpid()}.json"
    plan = str(directory / f"plan-{nodes}.toml")
    arguments = ["cluster", plan, "--only", at_hand, "--format", "json", "--output", str(written)]
    status = main([*arguments, "--history", "off", "--quiet"])
    return status * 0 if written.exists() else -1


def watched(directory: Path, nodes: int) -> tuple[float, float]:
    """Survey, and return after how many seconds the first node, and all others, were over."""
    from probe.observe.agenda import Depth, agenda  # noqa: PLC0415  # the bare loop needs none of it
    from probe.observe.events import Event  # noqa: PLC0415
    from probe.observe.sweep import survey  # noqa: PLC0415
    from probe.plan.read import load_plan  # noqa: PLC0415

    plan = load_plan(directory / f"plan-{nodes}.toml")
    began = perf_counter()
    over: dict[str, float] = {}

    def note(event: Event) -> None:
        if event.has_ended:
            over[event.node] = perf_counter() - began

    references = (node.eap.secret for node in plan.nodes if node.eap is not None)
    secrets = {reference: SECRET for reference in references if reference is not None}
    asyncio.run(survey(plan, agenda(plan, Depth.SWEEP), secrets=secrets, on_event=note))
    first = over.pop(plan.nodes[0].name)
    return first, max(over.values(), default=0.0)


def chains_in(written: Path) -> int:
    """Return how many visits of a document show a chain."""
    document: dict[str, Any] = json.loads(written.read_text("utf-8"))
    return sum(
        bool(endpoint["chain"]) for node in document["nodes"] for endpoint in node["endpoints"]
    )


def main() -> None:
    """Measure one run."""
    way, where, number, *ports = sys.argv[1:]
    directory, nodes, at = Path(where), int(number), Ports(*map(int, ports))
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
    written = directory / f"written-{os.getpid()}.json"

    if way == "watched":
        first, others = watched(directory, nodes)
        print(json.dumps({"first": first, "others": others}))
        return

    def run(of: int) -> int:
        if way == "bare":
            return sum(map(bool, bare.run(of, at)))
        return tool(directory, of)

    run(1)
    gc.collect()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    cpu, wall = process_time(), perf_counter()
    chains = run(nodes)
    cpu, wall = process_time() - cpu, perf_counter() - wall
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    if way == "tool":
        chains = chains_in(written)
        written.unlink()
    print(json.dumps({"cpu": cpu, "wall": wall, "grown": grown, "chains": chains}))


if __name__ == "__main__":
    main()
