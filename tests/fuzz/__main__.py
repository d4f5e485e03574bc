"""Looks for input that breaks a reader, led by which lines of it an input reaches (atheris).

    python -m tests.fuzz TARGET|all [MINUTES FOR EACH]

Needs `pip install -e '.[test,fuzz]'`. What was found to reach further is kept in `.work/fuzz/`, and
a later run goes on from there. Ends with status 1 at the first input that breaks something: it is
kept in `.work/fuzz/found/`, and belongs into `FOUND` of `tests/fuzz/test_targets.py` once mended.
"""

import re
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

KEPT = Path(__file__).parents[2] / ".work" / "fuzz" / "kept"
LONGEST = 16_384
"""Octets of an input that is made up."""
SECONDS = 20
"""One input that takes longer is a defect."""
MEGABYTES = 2_048


def one(target: str, seconds: int) -> None:
    """Run one target in this process, which ends with it."""
    import atheris  # noqa: PLC0415  # nobody else needs it

    with atheris.instrument_imports(include=["probe"], enable_loader_override=False):
        from tests.fuzz.targets import run  # noqa: PLC0415  # to be instrumented
    from tests.fuzz.seeds import seeds  # noqa: PLC0415

    kept = KEPT / target
    found = KEPT.with_name("found")
    for folder in (kept, found):
        folder.mkdir(parents=True, exist_ok=True)
    for number, octets in enumerate(seeds(target)):
        (kept / f"seed-{number}").write_bytes(octets)
    options = (
        f"-max_total_time={seconds}",
        f"-max_len={LONGEST}",
        f"-timeout={SECONDS}",
        f"-rss_limit_mb={MEGABYTES}",
        f"-artifact_prefix={found}/{target}-",
        "-print_final_stats=1",
    )
    atheris.Setup([sys.argv[0], *options, str(kept)], lambda octets: run(target, octets))
    atheris.Fuzz()


def main(wanted: str, minutes: float) -> int:
    """Run targets one after another, each in a process of its own; return the exit status."""
    from tests.fuzz.targets import TARGETS  # noqa: PLC0415

    if wanted not in (*TARGETS, "all"):
        print(f"{wanted} is none of {', '.join(TARGETS)}", file=sys.stderr)
        return 2
    if find_spec("atheris") is None:
        print("atheris is missing: pip install -e '.[test,fuzz]'", file=sys.stderr)
        return 2
    inputs = 0
    for target in TARGETS if wanted == "all" else (wanted,):
        command = [sys.executable, "-m", "tests.fuzz", "--one", target, str(round(60 * minutes))]
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=False
        )
        said = re.search(r"number_of_executed_units: *(\d+)", done.stderr)
        if done.returncode or said is None:
            print(done.stderr[-8_000:], file=sys.stderr)
            print(f"{target}: broke, with status {done.returncode}")
            return 1
        inputs += int(said[1])
        print(f"{target}: {int(said[1]):,} inputs, nothing broke", flush=True)
    print(f"{inputs:,} inputs in all")
    return 0


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one(sys.argv[2], int(sys.argv[3]))
    sys.exit(main(*(sys.argv[1:2] or ["all"]), float((sys.argv[2:] or ["1"])[0])))
