"""What `cluster` and `node` do alike: ask or recall, judge, write, and tell by the exit status."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from probe.assessment import Assessment, Decided, Verdict
from probe.cli.failure import Status, hide, say
from probe.cli.files import (
    check_spared,
    check_writable,
    colour,
    prepare_stdout,
    width,
    write_file,
    write_stdout,
)
from probe.cli.options import OFF, Common
from probe.cli.progress import Progress
from probe.jobs import sweep
from probe.jobs.imported import Imported, check_asked
from probe.jobs.sweep import JobError, Scope
from probe.observation.document import SurveyError, read_survey, write_survey
from probe.observation.model import Endpoint, Question, Survey
from probe.plan.model import Plan, SecretRef
from probe.plan.problems import PlanError
from probe.plan.read import load_plan
from probe.plan.secrets import Secret, SecretError
from probe.records import dataclass, replace
from probe.report.escape import SENTENCES, visible
from probe.report.render import render

if TYPE_CHECKING:
    from probe.jobs.memory import Memory

PLAN = Path("plan.toml")
"""Where a plan is looked for if none is named."""

PROBLEMS = 200
"""Problems of one plan that are shown; the rest are counted."""


@dataclass(frozen=True, slots=True)
class After:
    """What was done before the look."""

    imported: Imported | None = None
    minutes: float | None = None
    """How long it is awaited; None: one look."""


AFTER_NOTHING = After()


@contextmanager
def wrong_input() -> Iterator[None]:
    """Turn what may be wrong with what was given into a message that ends the command."""
    try:
        yield
    except PlanError as error:
        raise click.ClickException(_plan_error(error)) from None
    except (JobError, SecretError, SurveyError) as error:
        raise click.ClickException(str(error)) from None


def _plan_error(error: PlanError) -> str:
    lines = [visible(str(problem), 1_000) for problem in error.problems[:PROBLEMS]]
    place = visible(str(error.path)) if error.path is not None else "the plan"
    if len(lines) == 1:
        return f"{place}: {lines[0]}"
    if len(error.problems) > PROBLEMS:
        lines.append(f"... and {len(error.problems) - PROBLEMS} more")
    return "\n  ".join([f"{place}: {len(error.problems)} problems", *lines])


def read_plan(path: Path | None) -> Plan:
    """Return the plan in a file, of `plan.toml` if none is named."""
    if path is None and not PLAN.exists():
        raise click.ClickException(f"there is no {PLAN}: name a plan, or let probe draft make one")
    with wrong_input():
        return load_plan(path if path is not None else PLAN)


def report(
    plan: Plan,
    scope: Scope,
    shared: Common,
    explained: tuple[str, str] | None = None,
    after: After = AFTER_NOTHING,
) -> int:
    """Do what the options say and return the exit status.

    `explained` is a node and a client family whose decision is told with the report,
    `after` what was imported before.
    """
    check_options(shared)
    prepare_stdout(shared.form)
    if after.imported is not None:
        with wrong_input():
            check_asked(plan, scope, after.imported.endpoint)
    if shared.show_agenda:
        return show_agenda(plan, scope, shared)
    for path, option in ((shared.output, "--output"), (shared.save, "--save")):
        if path is not None:
            check_writable(path, option)
    look = None
    if after.imported is not None and after.minutes is not None:
        look = partial(_await, plan, scope, shared, after.imported, after.minutes)
    unsaved: list[click.ClickException] = []
    seen, before = gathered(plan, scope, shared, look, unsaved)
    assessment = sweep.assess(plan, seen, shared.at, before, after.imported)
    if explained is not None:
        from probe.jobs.node import decisions  # noqa: PLC0415  # seldom asked for

        told = Decided(*explained, decisions(plan, seen, *explained, shared.at))
        assessment = replace(assessment, decided=told)
    text = _rendered(assessment, shared, in_depth=scope.in_depth)
    write(text, shared)
    for error in unsaved:
        raise error
    return status_of(assessment.verdict, assessment.survey, shared.tolerate)


def gathered(
    plan: Plan,
    scope: Scope,
    shared: Common,
    look: Callable[[], Survey] | None = None,
    unsaved: list[click.ClickException] | None = None,
) -> tuple[Survey, sweep.Before]:
    """Ask, or recall what was saved; save it and keep it as the options say. `look` asks instead
    of what is usual. Why nothing was saved goes into `unsaved`, if given, to be raised later: what
    was seen is not lost for want of a place."""
    look = look or partial(_look, plan, scope, shared)
    with _remembering(shared) as memory:
        seen = _recall(plan, scope, shared) if shared.saved else look()
        if shared.save is not None:
            try:
                save(seen, shared.save)
            except click.ClickException as error:
                if unsaved is None:
                    raise
                unsaved.append(error)
        before = memory.before(plan, seen, saved=bool(shared.saved)) if memory else sweep.Before()
        if memory and not shared.saved:
            memory.keep(plan, seen)
    return seen, before


@contextmanager
def _remembering(shared: Common) -> Iterator["Memory | None"]:
    """Open the history, which is to be looked into before anything is asked. None: there is none.

    With saved surveys it is read if it is named, and never written.
    """
    if shared.history == OFF or (shared.saved and shared.history is None):
        yield None
        return
    from probe.jobs.memory import Memory  # noqa: PLC0415  # it takes a database along

    with Memory(shared.history, say) as memory:
        with wrong_input():
            memory.check()
        yield memory


def check_options(shared: Common) -> None:
    """Raise click.UsageError for options that contradict each other."""
    if shared.show_agenda and shared.saved:
        raise click.UsageError("--show-agenda says what would be sent, and --from sends nothing")
    if shared.show_agenda and shared.save is not None:
        raise click.UsageError("--show-agenda sees nothing that --save could save")
    if shared.show_agenda and shared.form != "terminal":
        raise click.UsageError("--show-agenda is for people: --format terminal is its only form")
    if shared.output is not None and shared.output == shared.save:
        raise click.UsageError("--output and --save name the same file")


def check_kept(shared: Common, plan: Path | None, *read: Path) -> None:
    """Raise click.UsageError where what is to be written is what is read.

    Surveys that were saved may be saved again, as one.
    """
    given = (plan or PLAN, *read, history_file(shared.history))
    check_spared({"--output": shared.output, "--save": shared.save}, given)
    check_spared({"--output": shared.output}, shared.saved)


def history_file(named: Path | None) -> Path | None:
    """Return where the history is, which no output may replace; None: there is none."""
    if named == OFF:
        return None
    from probe.jobs.past import where  # noqa: PLC0415  # it takes a database along

    return where(named)


def show_agenda(
    plan: Plan, scope: Scope, shared: Common, asked: tuple[Question, ...] | None = None
) -> int:
    """Say what would be asked, and send nothing. `asked` are other questions than the usual."""
    from probe.jobs import login  # noqa: PLC0415  # seldom wanted
    from probe.report.terminal import render_agenda  # noqa: PLC0415  # rich is not always needed

    with wrong_input():
        asked = asked if asked is not None else sweep.questions(plan, scope)
        effort = sweep.effort(_to_ask(plan, shared), asked)
        if scope.login:
            effort = login.with_login(effort, plan, scope)
    plain = shared.output is not None
    write(
        render_agenda(effort, width=80 if plain else width(), colour=not plain and colour()), shared
    )
    return Status.FINE


def _recall(plan: Plan, scope: Scope, shared: Common) -> Survey:
    with wrong_input():
        seen = sweep.recall(plan, [read_survey(path) for path in shared.saved], scope)
    missing = sweep.not_asked(plan, seen, scope)
    if missing and not shared.quiet:
        say(f"probe: not in what was saved, so not judged: {visible(', '.join(missing))}")
    return seen


def read_secrets(plan: Plan, asked: tuple[Question, ...]) -> dict[SecretRef, Secret]:
    """Return the secrets that these questions need, which no message shows from now on.

    Raises SecretError.
    """
    secrets = sweep.secrets_for(plan, asked)
    hide(secrets.values())
    sweep.check_keys(plan, asked, secrets)
    return secrets


def tell_left_out(asked: tuple[Question, ...], *, quiet: bool) -> None:
    """Say what this machine's TLS library keeps from being asked, if it does."""
    lacking = sweep.left_out(asked)
    if lacking is not None and not quiet:
        say(f"probe: {visible(lacking, SENTENCES)}")


def ask(
    plan: Plan,
    asked: tuple[Question, ...],
    secrets: Mapping[SecretRef, Secret],
    shared: Common,
) -> Survey:
    """Ask these questions, and say on a terminal how far that has come."""
    tell_left_out(asked, quiet=shared.quiet)
    with Progress(asked, quiet=shared.quiet) as progress:
        return sweep.look(_to_ask(plan, shared), asked, secrets, on_event=progress.heed)


_WITHOUT_SECRETS = (Endpoint.DNS, Endpoint.WEB)


def _look(plan: Plan, scope: Scope, shared: Common) -> Survey:
    with wrong_input():
        asked = sweep.questions(plan, scope)
    try:
        with wrong_input():
            secrets = read_secrets(plan, asked)
    except click.ClickException as error:
        rest = any(question.endpoint in _WITHOUT_SECRETS for question in asked)
        if not rest or scope.login or "--only" in error.message:
            raise
        raise click.ClickException(
            f"{error.message}\n  --only dns,web looks at what needs none"
        ) from None
    seen = ask(plan, asked, secrets, shared)
    if not scope.login:
        return seen
    from probe.jobs import login  # noqa: PLC0415  # as above

    seen = login.log_in(plan, seen, scope, secrets, on_secrets=hide)
    failed = login.failed(seen)
    if failed is not None and not shared.quiet:
        say(f"probe: {visible(failed)}")
    return seen


def _await(plan: Plan, scope: Scope, shared: Common, expected: Imported, minutes: float) -> Survey:
    """Look until what was imported is served, or the time is over."""
    from probe.jobs import watch  # noqa: PLC0415  # seldom wanted

    with wrong_input():
        asked = watch.to_ask(plan, scope, expected).every
        secrets = read_secrets(plan, asked)
    tell_left_out(asked, quiet=shared.quiet)
    if not shared.quiet:
        end = datetime.now(UTC) + timedelta(minutes=minutes)
        say(
            f"probe: waiting until {end:%H:%M:%S} UTC at most; Ctrl-C ends that, and what is known"
            " is reported"
        )

    def look(asked: tuple[Question, ...], whole: bool) -> Survey:
        of = _to_ask(plan, shared) if whole else sweep.without_fetching(plan)
        return sweep.look(of, asked, secrets)

    def tell(told: watch.Told) -> None:
        if not shared.quiet:
            say(f"probe: {told.at:%H:%M:%S} UTC  {visible(told.says, SENTENCES)}")

    return watch.wait_for(
        plan,
        scope,
        expected,
        minutes=minutes,
        look=look,
        clock=watch.SystemClock(),
        tell=tell,
    )


def _to_ask(plan: Plan, shared: Common) -> Plan:
    return sweep.without_fetching(plan) if shared.no_fetch else plan


def save(seen: Survey, path: Path) -> None:
    """Save what was seen. Raises click.ClickException."""
    try:
        write_survey(seen, path)
    except OSError as error:
        raise click.ClickException(
            f"--save {path}: {(error.strerror or str(error)).lower()}"
        ) from None


def _rendered(assessment: Assessment, shared: Common, *, in_depth: bool) -> str:
    if shared.output is not None:
        return render(assessment, shared.form, in_depth=in_depth)
    return render(assessment, shared.form, width=width(), colour=colour(), in_depth=in_depth)


def write(text: str, shared: Common) -> None:
    """Write a report where the options say; to stdout, too, where it cannot be written there."""
    if shared.output is not None:
        try:
            write_file(shared.output, text, "--output")
        except click.ClickException:
            write_stdout(text)
            raise
    else:
        write_stdout(text)


def status_of(verdict: Verdict, seen: Survey, tolerated: Verdict) -> int:
    """Return the exit status of a verdict; what is not worse than `tolerated` is fine."""
    if seen.interrupted:
        say("probe: interrupted: this is what was known by then")
        return Status.INTERRUPTED
    if verdict >= tolerated or verdict is Verdict.SOUND:
        return Status.FINE
    return Status.UNSEEN if verdict is Verdict.UNSEEN else Status.BAD
