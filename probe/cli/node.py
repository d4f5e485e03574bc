"""`probe node NAME [PLAN]`: one node in depth, or one host without any plan."""

from pathlib import Path

import click

from probe.cli.completion import node_names
from probe.cli.expecting import Expecting, expecting
from probe.cli.failure import say
from probe.cli.options import Common, common
from probe.cli.run import PLAN, After, check_kept, read_plan, report, wrong_input
from probe.jobs.node import bare_plan, bare_scope, scope_of, would_add
from probe.jobs.sweep import Scope
from probe.limits import WATCH_EAP, WATCH_MINUTES, WATCH_WEB
from probe.plan.model import FAMILIES, Plan
from probe.records import replace


@click.command("node")
@click.argument("name", shell_complete=node_names)
@click.argument("plan", type=click.Path(path_type=Path), required=False)
@common
@click.option("--eap", is_flag=True, help="Without a plan: look at its EAP endpoint too.")
@click.option(
    "--expected-name",
    "expected_names",
    metavar="NAME",
    multiple=True,
    help="Without a plan: a name that supplicants expect.",
)
@click.option(
    "--roots",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Without a plan: the roots that supplicants trust.",
)
@click.option(
    "--client",
    type=click.Choice(FAMILIES),
    metavar="FAMILY",
    help="Explain step by step how this client family decides.",
)
@click.option(
    "--unsigned",
    is_flag=True,
    help="Try too whether a RADIUS request without Message-Authenticator is answered.",
)
@click.option(
    "--login",
    is_flag=True,
    help="At the end, log in once with the plan's [login], if the server's certificate is sound."
    " It may count towards a lockout.",
)
@expecting
@click.option(
    "--until",
    "minutes",
    type=click.FloatRange(0, WATCH_MINUTES, min_open=True),
    metavar="MINUTES",
    help="Wait so long for it: web first, EAP at most every 15 seconds.",
)
def command(  # noqa: PLR0913, PLR0917  # one name for each option; click passes names
    name: str,
    plan: Path | None,
    eap: bool,
    client: str | None,
    expected_names: tuple[str, ...],
    roots: Path | None,
    unsigned: bool,
    login: bool,
    wanted: Expecting,
    minutes: float | None,
    shared: Common,
) -> int:
    """Look at node NAME of PLAN (default: plan.toml) in depth.

    Without any plan NAME is a host, or HOST:PORT, and is looked at by defaults: its name in DNS,
    web on 443 against the public roots, and with --eap its EAP endpoint too.

    With --expect it says whether a certificate that was just imported is served there as it should
    be, and with --until it waits for that.
    """
    if client is not None and shared.form == "metrics":
        raise click.UsageError("--client explains in words, and --format metrics has numbers alone")
    _check(shared, unsigned=unsigned, login=login, waits=minutes is not None, wanted=bool(wanted))
    check_kept(shared, plan, *wanted.files, *((roots,) if roots is not None else ()))
    if plan is not None or PLAN.exists():
        if eap or expected_names or roots is not None:
            raise click.UsageError(
                "--eap, --expected-name and --roots are for a host without a plan: the plan says it"
            )
        whole = read_plan(plan)
        with wrong_input():
            scope = scope_of(
                whole, name, shared.only, shared.repeat, unsigned=unsigned, login=login
            )
        scope = replace(scope, both_kinds=bool(wanted))
        explained = (scope.nodes[0], client) if client else None
        if minutes is not None and shared.show_agenda:
            _say_meanwhile(whole, scope)
        return report(whole, scope, shared, explained, _after(wanted, minutes, shared))
    if login:
        raise click.UsageError("--login is for a plan: its [login] says with what to log in")
    if not eap and (expected_names or roots is not None):
        raise click.UsageError("--expected-name and --roots speak of EAP: say --eap too")
    if unsigned and not eap:
        raise click.UsageError("--unsigned tries an EAP endpoint: say --eap too")
    with wrong_input():
        bare = bare_plan(name, eap=eap, expected_names=expected_names, roots=roots)
    explained = (bare.nodes[0].name, client) if client else None
    scope = bare_scope(shared.only, shared.repeat, unsigned=unsigned)
    scope = replace(scope, both_kinds=bool(wanted))
    if minutes is not None and shared.show_agenda:
        _say_meanwhile(bare, scope)
    status = report(bare, scope, shared, explained, _after(wanted, minutes, shared))
    if not shared.quiet:
        say(would_add(eap=eap))
    return status


def _check(shared: Common, *, unsigned: bool, login: bool, waits: bool, wanted: bool) -> None:
    """Raise click.UsageError for options that contradict each other."""
    if unsigned and shared.saved:
        raise click.UsageError("--unsigned asks servers, and --from sends nothing")
    if login and shared.saved:
        raise click.UsageError("--login logs in, and --from sends nothing")
    if waits and not wanted:
        raise click.UsageError("--until waits for what --expect names")
    if waits and shared.saved:
        raise click.UsageError("--until asks again and again, and --from sends nothing")
    if waits and login:
        raise click.UsageError("--login looks once, and --until again and again")


def _say_meanwhile(plan: Plan, scope: Scope) -> None:
    """Say what is asked while waiting, beside the agenda of the whole look."""
    from probe.jobs.watch import to_ask  # noqa: PLC0415  # seldom wanted

    with wrong_input():
        asked = to_ask(plan, scope)
    conversations = max(map(len, asked.eap), default=0)
    say(
        "probe: while waiting, the agenda is asked whenever a shorter look shows what is expected,"
        f" and at the end. Shorter looks: {len(asked.web)} TLS connections every"
        f" {WATCH_WEB:.0f} s, and EAP at most every {WATCH_EAP:.0f} s"
        f" ({conversations} at a time, each a failed authentication)."
    )


def _after(wanted: Expecting, minutes: float | None, shared: Common) -> After:
    # The agenda is the same whatever the files say: no password need be asked for.
    return After() if shared.show_agenda else After(wanted.read(), minutes)
