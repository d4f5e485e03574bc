"""Draws hostile input for the codecs until the time is over, other input in each round.

    python -m tests.wire.long_run [MINUTES] [FIRST ROUND]

Each round has a number, from which it can be drawn again. It ends with status 1 at what breaks a
property, which is then shown as small as it could be made.
"""

import sys
import time

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.wire.anything import OCTETS, PARSERS, Hostile

_EXAMPLES = 500
"""Of each property in a round: some ten seconds."""


def one_round(number: int) -> None:
    """Draw one round. Raises whatever a property does."""
    drawing = settings(
        max_examples=_EXAMPLES,
        stateful_step_count=20,
        deadline=None,
        database=None,
        derandomize=False,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.generate, Phase.shrink],
    )
    for check in PARSERS.values():
        seed(number)(drawing(given(OCTETS)(check)))()
    drawn = type(f"Hostile{number}", (Hostile,), {})
    run_state_machine_as_test(seed(number)(drawn), settings=drawing)


def main(minutes: float, number: int) -> int:
    """Return the exit status."""
    deadline = time.monotonic() + 60 * minutes
    done = 0
    while time.monotonic() < deadline:
        try:
            one_round(number)
        except Exception:
            print(f"round {number}: python -m tests.wire.long_run 0.01 {number}", file=sys.stderr)
            raise
        done += 1
        number += 1
    print(f"{done} rounds of {_EXAMPLES} examples of {len(PARSERS) + 1} properties: nothing broke")
    return 0


if __name__ == "__main__":
    given_minutes, given_round = [*sys.argv[1:], *["10", "1"][len(sys.argv) - 1 :]][:2]
    sys.exit(main(float(given_minutes), int(given_round)))
