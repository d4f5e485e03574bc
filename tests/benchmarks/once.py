"""One run to be measured, in a process of its own on a core of its own.

    python -m tests.benchmarks.once WAY DIRECTORY NODES DNS WEB EAP

WAY is "bare" or "tool". It runs once over one node, which is its start-up, and then over all of
them; what that took is printed as JSON: CPU and wall seconds, KiB that the process has grown by at
its peak, and how many chains it has in hand.
"""

import gc
import json
import os
import resource
import sys
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

from tests.benchmarks import bare
from tests.benchmarks.cluster import Ports


def tool(directory: Path, nodes: int, *, at_hand: str = "dns,web,eap") -> int:
    """Run the command as a user does, in this process, and return how many chains were seen."""
    from probe.cli.main import GARBAGE, main  # noqa: PLC0415  # the bare loop needs none of it

    gc.set_threshold(GARBAGE)
    written = directory / f"written-{os.getpid()}.json"
    plan = str(directory / f"plan-{nodes}.toml")
    arguments = ["cluster", plan, "--only", at_hand, "--format", "json", "--output", str(written)]
    status = main([*arguments, "--history", "off", "--quiet"])
    return status * 0 if written.exists() else -1


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
