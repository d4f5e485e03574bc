"""`probe complaint [PLAN]`: from what somebody saw to its cause, and what to tell them."""

import sys
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import click

from probe.cli.failure import say
from probe.cli.files import check_writable, colour, prepare_stdout, width
from probe.cli.options import OFF, Common, common
from probe.cli.run import (
    ask,
    check_kept,
    check_options,
    gathered,
    read_plan,
    read_secrets,
    save,
    show_agenda,
    status_of,
    write,
    wrong_input,
)
from probe.cli.told import Told, told
from probe.complaint import Answer, Complaint, Source
from probe.jobs import complaint as job
from probe.jobs.recollection import Recollection
from probe.jobs.sweep import JobError, Scope
from probe.plan.model import Plan
from probe.plan.secrets import SecretError
from probe.records import replace
from probe.report.escape import visible

NOTHING_TOLD = (
    "nothing is told that a cause could be looked for by: give --saw with the words or the code on"
    " the screen, --at-page, --on-wifi, --server-log, or what was read off the certificate"
    " (--shown-name, --shown-issuer, --shown-expiry, --fingerprint); on a terminal it asks"
)


@click.command("complaint")
@click.argument("plan", type=click.Path(path_type=Path), required=False)
@partial(common, forms=("terminal", "json"))
@told
def command(plan: Path | None, told: Told, shared: Common) -> int:
    """Find the cause of a complaint about a certificate, by PLAN (default: plan.toml).

    Tell what is known; nothing has to be. Only what confirms or rules out a cause is asked, of the
    nodes that this person can have met. Where a secret for that cannot be read, the answer rests on
    what earlier runs saw. With nothing told it asks on the terminal, one question at a time.
    """
    check_options(shared)
    check_kept(shared, plan, *((told.server_log,) if told.server_log is not None else ()))
    prepare_stdout(shared.form)
    whole = read_plan(plan)
    complaint = told.read()
    if not complaint.told:
        complaint = _asked_for(whole, complaint, shared, plan)
    with wrong_input():
        job.check(whole, complaint)
    scope = Scope(only=shared.only, repeat=shared.repeat)
    if shared.show_agenda:
        return show_agenda(whole, scope, shared, job.questions(whole, complaint, scope))
    for path, option in ((shared.output, "--output"), (shared.save, "--save")):
        if path is not None:
            check_writable(path, option)
    answer = _answer(whole, complaint, scope, shared)
    write(_rendered(answer, shared), shared)
    return status_of(answer.verdict, answer.assessment.survey, shared.tolerate)


def _asked_for(plan: Plan, complaint: Complaint, shared: Common, named: Path | None) -> Complaint:
    if not (sys.stdin and sys.stdin.isatty() and sys.stderr.isatty()):
        raise click.UsageError(NOTHING_TOLD)
    from probe.cli.asking import ask_for, in_one_line  # noqa: PLC0415  # seldom wanted

    complaint = ask_for(plan, complaint)
    if not complaint.told:
        raise click.ClickException(
            "nothing is known of this complaint: probe cluster looks at everything"
        )
    if not shared.quiet:
        say(f"The same in one line: {in_one_line(complaint, named)}\n", whole=True)
    return complaint


def _answer(plan: Plan, complaint: Complaint, scope: Scope, shared: Common) -> Answer:
    recollection = _recollection(plan, complaint, scope, shared)
    look = None
    if not shared.saved:
        asked = job.questions(plan, complaint, scope)
        with wrong_input():
            try:
                secrets = read_secrets(plan, asked)
            except SecretError as error:
                return _from_history(plan, complaint, recollection, shared, error)
        look = partial(ask, plan, asked, secrets, shared)
        if not asked:
            # No server could show it: there is nothing to be kept of this run.
            shared = replace(shared, history=OFF)
    seen, before = gathered(plan, scope, shared, look)
    return job.answered(
        plan,
        complaint,
        seen,
        Source.SAVED if shared.saved else Source.NETWORK,
        at=shared.at,
        before=before,
        recollection=recollection,
    )


def _from_history(
    plan: Plan,
    complaint: Complaint,
    recollection: Recollection,
    shared: Common,
    why: SecretError,
) -> Answer:
    if recollection.latest is None:
        raise JobError(
            f"{why}\n  and no earlier run is kept that could be judged in its place: --only dns,web"
            " asks without the secret, and --from FILE takes what somebody has saved"
        )
    if not shared.quiet:
        say(f"probe: {why}\nprobe: so nobody is asked: this is by what earlier runs saw")
    if shared.save is not None:
        save(recollection.latest, shared.save)
    return job.answered(
        plan,
        complaint,
        recollection.latest,
        Source.HISTORY,
        at=shared.at if shared.at is not None else datetime.now(UTC),
        recollection=recollection,
    )


def _recollection(plan: Plan, complaint: Complaint, scope: Scope, shared: Common) -> Recollection:
    """Return what earlier runs know; with saved surveys, if the history is named."""
    if shared.history == OFF or (shared.saved and shared.history is None):
        return Recollection()
    try:
        return job.remembered(plan, complaint, scope, shared.history)
    except JobError as error:
        say(f"probe: {visible(str(error))}; this goes on without it")
        return Recollection()


def _rendered(answer: Answer, shared: Common) -> str:
    if shared.form == "json":
        from probe.report.complaint_document import complaint_to_json  # noqa: PLC0415  # one of two

        return complaint_to_json(answer)
    from probe.report.terminal import render_complaint  # noqa: PLC0415  # one of two

    plain = shared.output is not None
    return render_complaint(answer, width=80 if plain else width(), colour=not plain and colour())
