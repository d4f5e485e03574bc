"""`python -m lab SCENARIO`: keeps a cluster up until it is told to end."""

import argparse
import os
import signal
import sys
import tempfile
import textwrap
import traceback
from contextlib import ExitStack
from pathlib import Path

from lab.cluster import Cluster, LabCrash
from lab.places import NoPlace, Ports
from lab.scenario import Scenario, ScenarioError, known

_WRONG_USE, _BUG = 2, 70
_USUAL = Ports()
_LOOK_UP = 0.1
"""Seconds between two looks at whether somebody asked us to end."""


def main(arguments: list[str] | None = None) -> int:
    """Run one scenario and return the exit status: 0 ended, 2 wrong input, 70 a bug of the lab."""
    asked = _parser().parse_args(arguments)
    ended: list[int] = []
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda number, _: ended.append(number))
    with ExitStack() as stack:
        try:
            scenario = Scenario.load(asked.scenario)
            directory = asked.directory
            if directory is None:
                directory = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="lab-")))
            with Cluster(
                scenario,
                directory=directory,
                single_address=asked.single_address,
                ports=asked.ports,
            ) as lab:
                _say_what_to_try(lab)
                # A signal handler must not touch the event: it may interrupt its very `wait`.
                while not ended and not lab.over.wait(_LOOK_UP):
                    pass
        except (ScenarioError, NoPlace) as error:
            print(f"lab: {error}", file=sys.stderr)
            return _WRONG_USE
        except LabCrash:
            traceback.print_exc()
            return _BUG
        except BrokenPipeError:
            # Whoever started us has gone. Python's own last flush must not fail on it again.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        except OSError as error:
            print(f"lab: {error}", file=sys.stderr)
            return _WRONG_USE
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m lab",
        description="Keeps a cluster up on loopback until Ctrl-C, for probe to look at.",
        epilog="scenarios:\n"
        + textwrap.fill(
            ", ".join(known()),
            78,
            initial_indent="  ",
            subsequent_indent="  ",
            break_on_hyphens=False,
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("scenario", metavar="SCENARIO", help="what is there and what is wrong")
    parser.add_argument(
        "--directory",
        type=Path,
        help="where plan and certificates are written (default: a temporary folder)",
    )
    parser.add_argument(
        "--single-address",
        action="store_true",
        help="everything at 127.0.0.1, each server on a port of its own",
    )
    parser.add_argument(
        "--ports",
        type=_ports,
        default=_USUAL,
        metavar="DNS,WEB,EAP",
        help=f"other ports than {_USUAL.dns},{_USUAL.web},{_USUAL.eap}",
    )
    return parser


def _ports(text: str) -> Ports:
    try:
        numbers = [int(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) != 3 or not all(0 < number < 65_536 for number in numbers):
        raise argparse.ArgumentTypeError("three port numbers, such as 10053,10443,11812")
    return Ports(*numbers)


def _say_what_to_try(lab: Cluster) -> None:
    plan = lab.plan_path
    after = (
        f"\n  probe cluster {plan} --expect {lab.imported_path}" if lab.scenario.imported else ""
    )
    print(
        f"{plan}\n\n"
        f"The cluster is up: {', '.join(lab.names)}. Ctrl-C ends it. In another terminal, try\n"
        f"  probe cluster {plan}\n"
        f"  probe node {lab.names[0]} {plan}\n"
        f"  probe cluster {plan} --format json{after}",
        flush=True,
    )


if __name__ == "__main__":
    sys.exit(main())
