"""`probe bundle FILE...`: what is to be imported, before it is."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from probe.assessment import Verdict
from probe.bundle import Judged, Offered, Said, ServedNow
from probe.cli.bundlefiles import passwords, passwords_of, read_file
from probe.cli.completion import node_list, node_names
from probe.cli.failure import Status, say
from probe.cli.files import (
    check_spared,
    check_writable,
    colour,
    prepare_stdout,
    width,
    write_file,
    write_stdout,
)
from probe.cli.options import HISTORY, OFF, TIME, TOLERATE
from probe.cli.run import PLAN, history_file, read_plan, wrong_input
from probe.jobs import bundle as job
from probe.jobs.sweep import JobError
from probe.observation.document import read_survey
from probe.observation.model import Endpoint
from probe.plan.model import Plan, SecretRef
from probe.records import dataclass
from probe.report.document import pem
from probe.report.escape import visible
from probe.report.render import PLAIN_FORMS

if TYPE_CHECKING:
    from probe.rehearsal import Rehearsal

_FILE = click.Path(path_type=Path)


@click.command("bundle")
@click.argument("files", type=_FILE, nargs=-1, metavar="FILE...")
@click.option("--plan", type=_FILE, metavar="PLAN", help="What should be there (plan.toml).")
@click.option(
    "--for",
    "endpoint",
    type=click.Choice(["web", "eap"]),
    help="What it is for (default: what its names and its CA say).",
)
@click.option(
    "--node",
    "nodes",
    metavar="NAME",
    multiple=True,
    shell_complete=node_names,
    help="For this node; repeatable.",
)
@click.option("--request", type=_FILE, metavar="FILE", help="The certificate request (PKCS#10).")
@passwords
@click.option(
    "--from",
    "saved",
    type=_FILE,
    metavar="FILE",
    multiple=True,
    help="What the nodes serve now, as it was saved (default: as the history has it).",
)
@HISTORY
@click.option(
    "--write-roots",
    type=_FILE,
    metavar="DIR",
    help="Write the CA certificates that nodes must have first, one a file.",
)
@click.option(
    "--write-chain",
    type=_FILE,
    metavar="FILE",
    help="Write the chain in order, without the root and without the key.",
)
@click.option(
    "--rehearse",
    is_flag=True,
    help="Say what clients will meet while it comes to the nodes, one by one, and what spares it."
    " The nodes are asked, unless --from or --history FILE says what they serve.",
)
@click.option(
    "--order",
    metavar="NODES",
    shell_complete=node_list,
    help="Which nodes get it first (with --rehearse): names, by commas.",
)
@click.option("--at", type=TIME, help="Judge as of another time: RFC 3339, a date, or now.")
@click.option(
    "--format",
    "form",
    type=click.Choice(PLAIN_FORMS),
    default="terminal",
    show_default=True,
    help="The report's form.",
)
@click.option("--output", type=_FILE, metavar="FILE", help="Write the report into a file.")
@TOLERATE
@click.option("--quiet", is_flag=True, help="No remarks on stderr.")
@click.option("--debug", is_flag=True, expose_value=False, help="Show a bug's traceback.")
def command(**given: Any) -> int:
    """Look at certificates, keys and chains in FILE... before they are imported: PKCS#12, PEM, DER
    or PKCS#7, together one bundle. Nothing is asked of any node, unless with --rehearse.

    Says whether key and chain belong together, which names of the plan are covered, what each kind
    of client would do were it installed, and which CA certificates a node must have first. With
    --request a certificate request is judged before it goes to a CA, or matched with its answer.
    """
    return _run(_Options(**given))


@dataclass(frozen=True, slots=True)
class _Options:
    files: tuple[Path, ...]
    plan: Path | None
    endpoint: str | None
    nodes: tuple[str, ...]
    request: Path | None
    references: tuple[SecretRef, ...]
    saved: tuple[Path, ...]
    history: Path | None
    write_roots: Path | None
    write_chain: Path | None
    rehearse: bool
    order: str | None
    at: datetime | None
    form: str
    output: Path | None
    tolerate: Verdict
    quiet: bool


def _run(options: _Options) -> int:
    if not options.files and options.request is None:
        raise click.UsageError("name a FILE, or a certificate request with --request")
    _check_targets(options)
    prepare_stdout(options.form)
    plan = read_plan(options.plan) if options.plan is not None or PLAN.exists() else None
    if options.order is not None and not options.rehearse:
        raise click.UsageError("--order is that of a rehearsal: --rehearse is missing")
    if plan is None and options.nodes:
        raise click.UsageError("--node names a node of a plan, and there is none")
    if plan is None and options.history not in (None, OFF):
        raise click.UsageError("--history is of a plan's nodes, and there is no plan")
    rehearsal = _rehearsal(plan, options) if options.rehearse else None
    judged = rehearsal.bundle if rehearsal is not None else _judged(plan, options)
    written = _write_roots(judged, options.write_roots) if options.write_roots else 0
    whole = _write_chain(judged, options.write_chain) if options.write_chain else True
    plain = options.output is not None
    text = _rendered(judged if rehearsal is None else rehearsal, options.form, plain=plain)
    if options.output is not None:
        write_file(options.output, text, "--output")
    else:
        write_stdout(text)
    if not options.quiet:
        if options.write_roots is not None:
            say(f"probe: {written} CA certificates are in {visible(str(options.write_roots))}")
        if plan is None:
            say("\n  ".join(job.WOULD_ADD))
    return _status(judged, rehearsal, options.tolerate, whole=whole)


def _status(
    judged: Judged, rehearsal: "Rehearsal | None", tolerated: Verdict, *, whole: bool
) -> int:
    if rehearsal is not None and rehearsal.survey.interrupted:
        say("probe: interrupted: this is what was known by then")
        return Status.INTERRUPTED
    verdict = judged.verdict if rehearsal is None else rehearsal.verdict
    if verdict >= tolerated or verdict is Verdict.SOUND:
        return Status.FINE if whole else Status.BAD
    return Status.UNSEEN if verdict is Verdict.UNSEEN else Status.BAD


def _rehearsal(plan: Plan | None, options: _Options) -> "Rehearsal":
    from probe.cli import rehearsal  # noqa: PLC0415  # it asks the network, as this command seldom does

    said, of = _read(options)
    wanted = rehearsal.Wanted(
        rehearsal.order_of(options.order),
        options.saved,
        options.history,
        options.at,
        said,
        options.quiet,
    )
    return rehearsal.rehearsed(rehearsal.check(wanted, plan), of, wanted)


def _read(options: _Options) -> tuple[Said, Offered]:
    """Return what was said of the files, and what they hold."""
    read = [read_file(path) for path in options.files]
    request = read_file(options.request)[1] if options.request is not None else None
    said = Said(Endpoint(options.endpoint) if options.endpoint else None, options.nodes)
    with wrong_input():
        secrets = passwords_of([name for name, _ in read], options.references)
        return said, job.offered(read, secrets, request)


def _judged(plan: Plan | None, options: _Options) -> Judged:
    with wrong_input():
        now = _now(plan, options)
    said, of = _read(options)
    with wrong_input():
        return job.look_into(plan, of, at=options.at, said=said, now=now)


def _now(plan: Plan | None, options: _Options) -> ServedNow | None:
    """Return what the nodes serve, as it was saved, or as the history has it."""
    if options.saved:
        return job.saved([read_survey(path) for path in options.saved])
    if plan is None or options.history == OFF:
        return None
    return job.remembered(plan, options.history, say)


def _check_targets(options: _Options) -> None:
    """Raise click.UsageError where what is to be written is what is read: a key may be lost. Raise
    click.ClickException where it cannot be written."""
    targets = {"--output": options.output, "--write-chain": options.write_chain}
    secrets = (reference.file for reference in options.references)
    given = (*options.files, *options.saved, options.request, options.plan or PLAN)
    check_spared(targets, (*given, *secrets, history_file(options.history)))
    if options.output is not None and options.output == options.write_chain:
        raise click.UsageError("--output and --write-chain name the same file")
    for option, path in targets.items():
        if path is not None:
            check_writable(path, option)


def _rendered(found: "Judged | Rehearsal", form: str, *, plain: bool) -> str:
    if not isinstance(found, Judged):
        from probe.cli.rehearsal import rendered  # noqa: PLC0415  # only with --rehearse

        return rendered(found, form, plain=plain)
    if form == "json":
        from probe.report.bundle_document import bundle_to_json  # noqa: PLC0415  # one of two

        return bundle_to_json(found)
    from probe.report.terminal import render_bundle  # noqa: PLC0415  # rich is heavy

    return render_bundle(found, width=80 if plain else width(), colour=not plain and colour())


def _write_roots(judged: Judged, folder: Path) -> int:
    found = job.roots_to_write(judged)
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        reason = (error.strerror or "cannot be made").lower()
        raise click.ClickException(f"--write-roots {folder}: {reason}") from None
    for name, der in found:
        write_file(folder / name, pem(der), "--write-roots")
    return len(found)


def _write_chain(judged: Judged, path: Path) -> bool:
    """Write the chain; False, with a message: there is none that is whole."""
    try:
        chain = job.chain_to_write(judged)
    except JobError as error:
        say(f"probe: --write-chain {visible(str(path))}: {error}")
        return False
    write_file(path, "".join(pem(der) for der in chain), "--write-chain")
    return True
