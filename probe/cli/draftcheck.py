"""`probe draft --check PLAN`: what is on the network that a plan does not name."""

from pathlib import Path
from typing import TYPE_CHECKING

from probe.cli.draftfiles import names_of
from probe.cli.failure import Status, say
from probe.cli.files import width, write_file, write_stdout
from probe.cli.progress import Progress
from probe.cli.run import read_plan, wrong_input
from probe.cli.wrapping import WIDEST, wrapped
from probe.report.escape import SENTENCES, visible

if TYPE_CHECKING:
    from probe.drafting.beyond import Beyond


def check(path: Path, names: tuple[str, ...], output: Path | None, *, quiet: bool) -> int:
    """Look, say what the plan lacks, and return the exit status."""
    from probe.jobs.draft import asking  # noqa: PLC0415  # heavy, and --help has to be quick
    from probe.jobs.draftcheck import checked  # noqa: PLC0415

    plan = read_plan(path)
    asked, _ = names_of(names)
    with wrong_input(), Progress(quiet=quiet) as progress:
        ask = asking({}, on_asked=progress.begin, on_event=progress.heed)
        found = checked(plan, ask, asked)
    text = text_of(found, visible(str(path)), 80 if output is not None else min(width(), WIDEST))
    if output is not None:
        write_file(output, text, "--output")
    else:
        write_stdout(text)
    if not quiet:
        say(f"probe: {_count(found)}")
    if found.extras:
        return Status.BAD
    return Status.UNSEEN if found.unseen else Status.FINE


def _count(found: "Beyond") -> str:
    extras, unseen = len(found.extras), len(found.unseen)
    says = f"{extras} thing{'' if extras == 1 else 's'} that the plan does not name"
    return f"{says}, {unseen} that could not be looked at" if unseen else says


def text_of(found: "Beyond", plan: str, columns: int) -> str:
    """Return what a plan lacks, for a terminal; tables of TOML are as wide as they are."""
    lines: list[str] = []

    def tell(text: str, first: str = "  ") -> None:
        lines.extend(wrapped(visible(text, SENTENCES), columns, first))

    if found.extras:
        tell(f"On the network, and not in {plan}", "")
    else:
        tell(f"Nothing was seen that {plan} does not name.", "")
    for number, extra in enumerate(found.extras, 1):
        tell(extra.says, f"  [{number}] ")
        if extra.table:
            table = (visible(line, SENTENCES) for line in extra.table.rstrip("\n").split("\n"))
            lines += ["", *(f"      {line}".rstrip() for line in table), ""]
    for title, told in (("Besides", found.remarks), ("Could not be looked at", found.unseen)):
        if told:
            lines += ["", title] if lines[-1] else [title]
            for one in told:
                tell(one)
    return "\n".join(lines).rstrip("\n") + "\n"
