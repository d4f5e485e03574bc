"""`probe node NAME [PLAN]`: one node in depth, or one host without any plan."""

from pathlib import Path

import click

from probe.cli.failure import say
from probe.cli.options import Common, common
from probe.cli.run import PLAN, read_plan, report, wrong_input
from probe.jobs.node import bare_plan, bare_scope, scope_of, would_add
from probe.plan.model import FAMILIES


@click.command("node")
@click.argument("name")
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
def command(  # noqa: PLR0913, PLR0917  # one name for each option; click passes names
    name: str,
    plan: Path | None,
    eap: bool,
    client: str | None,
    expected_names: tuple[str, ...],
    roots: Path | None,
    unsigned: bool,
    login: bool,
    shared: Common,
) -> int:
    """Look at node NAME of PLAN (default: plan.toml) in depth.

    Without any plan NAME is a host, or HOST:PORT, and is looked at by defaults: its name in DNS,
    web on 443 against the public roots, and with --eap its EAP endpoint too.
    """
    if unsigned and shared.saved:
        raise click.UsageError("--unsigned asks servers, and --from sends nothing")
    if login and shared.saved:
        raise click.UsageError("--login logs in, and --from sends nothing")
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
        return report(whole, scope, shared, (scope.nodes[0], client) if client else None)
    if login:
        raise click.UsageError("--login is for a plan: its [login] says with what to log in")
    if not eap and (expected_names or roots is not None):
        raise click.UsageError("--expected-name and --roots speak of EAP: say --eap too")
    if unsigned and not eap:
        raise click.UsageError("--unsigned tries an EAP endpoint: say --eap too")
    with wrong_input():
        bare = bare_plan(name, eap=eap, expected_names=expected_names, roots=roots)
    explained = (bare.nodes[0].name, client) if client else None
    status = report(
        bare, bare_scope(shared.only, shared.repeat, unsigned=unsigned), shared, explained
    )
    if not shared.quiet:
        say(would_add(eap=eap))
    return status
