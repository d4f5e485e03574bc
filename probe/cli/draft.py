"""`probe draft NAME...`: a first plan out of names, DNS and what is served; or what one lacks."""

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from probe.cli.draftfiles import names_of, profiles_of, resolvers_of, seen_from, sheet_of
from probe.cli.failure import Status, hide, say
from probe.cli.files import (
    check_spared,
    check_writable,
    prepare_stdout,
    width,
    write_file,
    write_stdout,
)
from probe.cli.progress import Progress
from probe.cli.run import wrong_input
from probe.cli.wrapping import WIDEST, wrapped
from probe.plan.model import SecretRef
from probe.plan.problems import Problem
from probe.plan.read import problems_in
from probe.plan.secrets import resolve
from probe.records import dataclass
from probe.report.document import pem
from probe.report.escape import SENTENCES, visible

if TYPE_CHECKING:
    from probe.drafting.model import Draft, Given

_FILE = click.Path(path_type=Path)
_PORT = click.IntRange(1, 65_535)

ROOTS = "roots"
"""The folder that is proposed for certificates of CAs."""


@click.command("draft")
@click.argument("names", nargs=-1, metavar="NAME...")
@click.option(
    "--service",
    "services",
    metavar="NAME",
    multiple=True,
    help="A name that is a service and no node's own; repeatable.",
)
@click.option(
    "--nodes",
    "sheet",
    type=_FILE,
    metavar="CSV",
    help="The nodes as comma-separated values. The first row names the columns: host, and maybe"
    " name, addresses, group, site, web_port, eap_port. Names given besides are services.",
)
@click.option(
    "--profile",
    "profiles",
    type=_FILE,
    metavar="FILE",
    multiple=True,
    help="A profile that supplicants were given: it tells expected names and roots; repeatable.",
)
@click.option("--eap", is_flag=True, help="Look at EAP too; the RADIUS secret is asked for.")
@click.option(
    "--secret-env",
    metavar="NAME",
    help="Look at EAP too: the environment variable with the RADIUS secret.",
)
@click.option(
    "--secret-file",
    type=_FILE,
    metavar="FILE",
    help="Likewise a file that only its owner can read.",
)
@click.option(
    "--expected-name",
    "expected_names",
    metavar="NAME",
    multiple=True,
    help="A name that supplicants expect; repeatable.",
)
@click.option(
    "--resolver",
    "resolvers",
    metavar="[VIEW=]ADDRESS",
    multiple=True,
    help="A resolver to ask instead of this machine's own, as ADDRESS or ADDRESS:PORT; repeatable.",
)
@click.option(
    "--web-port",
    type=_PORT,
    metavar="PORT",
    default=443,
    show_default=True,
    help="The port of HTTPS.",
)
@click.option(
    "--eap-port",
    type=_PORT,
    metavar="PORT",
    default=1812,
    show_default=True,
    help="That of RADIUS.",
)
@click.option(
    "--follow",
    is_flag=True,
    help="Take in names that certificates have and that lead elsewhere, and look there too.",
)
@click.option(
    "--check",
    "plan",
    type=_FILE,
    metavar="PLAN",
    help="Draft nothing: say what is on the network that PLAN does not name.",
)
@click.option(
    "--write-roots",
    type=_FILE,
    metavar="DIR",
    help="Write the CA certificates that are at hand, one a file. None is trusted by that.",
)
@click.option("--output", type=_FILE, metavar="FILE", help="Write into a file that is not there.")
@click.option("--quiet", is_flag=True, help="No progress and no remarks on stderr.")
@click.option("--debug", is_flag=True, expose_value=False, help="Show a bug's traceback.")
def command(**given: Any) -> int:
    """Draft a plan out of the host names of nodes and services: where DNS leads them, what is
    served there, and what the certificates name besides. Begin with the names of the nodes.

    What could not be known is marked OPEN in the draft, and listed on stderr with what to do. No CA
    is trusted because it was served. Only what was named is spoken to, and where its names lead:
    one TLS connection to each address by each name and, with a secret, one EAP conversation with
    each address, which its log counts as a failed authentication.

    Exit status: 0 the draft loads as it is; 4 something has to be filled in before. With --check: 0
    the plan names everything that was seen; 1 it does not; 4 not everything could be seen.
    """
    return _run(Options(**given))


@dataclass(frozen=True, slots=True)
class Options:
    """What was given on the command line."""

    names: tuple[str, ...]
    services: tuple[str, ...]
    sheet: Path | None
    profiles: tuple[Path, ...]
    eap: bool
    secret_env: str | None
    secret_file: Path | None
    expected_names: tuple[str, ...]
    resolvers: tuple[str, ...]
    web_port: int
    eap_port: int
    follow: bool
    plan: Path | None
    write_roots: Path | None
    output: Path | None
    quiet: bool

    @property
    def folder(self) -> Path:
        """Where the plan is to be: files that it names are seen from there."""
        return self.output.parent if self.output is not None else Path()

    @property
    def secret(self) -> SecretRef | None:
        """Where the RADIUS secret is to be found; None: EAP is not looked at."""
        if self.secret_env is not None:
            return SecretRef(environment=self.secret_env)
        if self.secret_file is not None:
            return SecretRef(file=self.secret_file)
        return SecretRef(ask=True) if self.eap else None


def _run(options: Options) -> int:
    _check(options)
    prepare_stdout()
    if options.plan is not None:
        from probe.cli.draftcheck import check  # noqa: PLC0415  # one of two

        return check(options.plan, options.names, options.output, quiet=options.quiet)
    given = _given(options)
    draft = _drafted(given, options)
    if options.write_roots is not None:
        _write_roots(draft, options.write_roots)
    missing = problems_in(draft.text, options.folder)
    if options.output is not None:
        write_file(options.output, draft.text, "--output")
    else:
        write_stdout(draft.text)
    if not options.quiet:
        say(summary(draft, missing, options, min(width(), WIDEST)), whole=True)
    return Status.UNSEEN if missing else Status.FINE


def _check(options: Options) -> None:
    """Raise click.UsageError for what contradicts itself, or would replace what is there."""
    secrets = (options.eap, options.secret_env is not None, options.secret_file is not None)
    if sum(secrets) > 1:
        raise click.UsageError("--eap, --secret-env and --secret-file are three ways: name one")
    if options.plan is not None:
        others = (
            *(options.services, options.sheet, options.profiles, options.expected_names),
            *(options.resolvers, options.write_roots, options.follow, any(secrets)),
        )
        if any(others):
            raise click.UsageError("--check goes by its PLAN: only names can be given besides")
    elif not (options.names or options.services or options.sheet):
        raise click.UsageError("name the hosts of the nodes, or a sheet of them with --nodes CSV")
    read = (options.plan, options.sheet, options.secret_file, *options.profiles)
    check_spared({"--output": options.output}, read)
    if options.output is not None:
        # A plan that was filled in by hand is not to be lost by drafting again.
        if options.output.is_file():
            place = visible(str(options.output))
            raise click.UsageError(
                f"--output {place} is there already, and is not replaced: remove it, or name"
                " another file"
            )
        check_writable(options.output, "--output")


def _given(options: Options) -> "Given":
    from probe.drafting.model import Given  # noqa: PLC0415  # heavy, and --help has to be quick
    from probe.plan.names import expected_name  # noqa: PLC0415

    names, ports = names_of(options.names)
    services, more = names_of(options.services)
    rows, remark = sheet_of(options.sheet) if options.sheet is not None else ((), None)
    if remark is not None and not options.quiet:
        say(f"probe: {remark}")
    try:
        expected = tuple(dict.fromkeys(map(expected_name, options.expected_names)))
    except ValueError as error:
        raise click.UsageError(f"--expected-name cannot be used: {error}") from None
    secret_file = options.secret_file
    folder = options.write_roots or options.folder / ROOTS
    return Given(
        names=names,
        ports={**ports, **more},
        rows=rows,
        services=services,
        profiles=profiles_of(options.profiles),
        profile_files=tuple(seen_from(options.folder, path) for path in options.profiles),
        resolvers=resolvers_of(options.resolvers),
        web_port=options.web_port,
        eap_port=options.eap_port,
        secret=options.secret,
        secret_file=seen_from(options.folder, secret_file) if secret_file is not None else None,
        expected_names=expected,
        roots_folder=seen_from(options.folder, folder),
        roots_written=options.write_roots is not None,
    )


def _drafted(given: "Given", options: Options) -> "Draft":
    from probe.jobs.draft import asking, drafted  # noqa: PLC0415  # heavy, as above

    secret = given.secret
    with wrong_input():
        secrets = resolve([secret]) if secret is not None else {}
        hide(secrets.values())
    if not options.quiet:
        say(
            "probe: looking at what was named, and where its names lead: only for systems\n"
            "  that you are allowed to probe"
        )
    with wrong_input(), Progress(quiet=options.quiet) as progress:
        ask = asking(secrets, on_asked=progress.begin, on_event=progress.heed)
        return drafted(given, ask, follow=options.follow)


def _write_roots(draft: "Draft", folder: Path) -> None:
    from probe.drafting.roots import to_write  # noqa: PLC0415  # seldom wanted

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = (error.strerror or "cannot be made").lower()
        raise click.ClickException(f"--write-roots {folder}: {reason}") from None
    for name, der in to_write(draft.roots):
        path = folder / name
        if path.exists():
            continue  # it is named by its fingerprint; what stands there is not replaced
        write_file(path, pem(der), "--write-roots")


def summary(draft: "Draft", missing: tuple[Problem, ...], options: Options, columns: int) -> str:
    """Return what was drafted, what is to be filled in, and what to do then."""
    place = visible(str(options.output)) if options.output is not None else "above"
    services = _count(draft.services, "service")
    eap = "with EAP" if draft.has_eap else "without EAP"
    said = (
        f"probe: a draft of {_count(draft.nodes, 'node')} and {services}, {eap}, is {_in(place)}."
    )
    lines = wrapped(said, columns, "")
    number = len(draft.opens)
    if number:
        things = f"{_count(number, 'thing')} to fill in or to confirm, marked OPEN there:"
        lines += wrapped(things, columns, "")
    for one in draft.opens:
        told = visible(f"{one.place}: {one.says}", SENTENCES)
        lines += wrapped(told, columns, f"  OPEN {one.number}  ")
    if missing:
        lines.append("Before that is done, it does not load:")
        for problem in missing:
            lines += wrapped(visible(str(problem), 1_000), columns, "  ")
    if options.output is None:
        keep = "To keep it, with the CA certificates that are at hand beside it:"
        lines += wrapped(keep, columns, "")
        lines.append(f"  {visible(_again(options), SENTENCES)}")
    else:
        lines.append("Then look at the cluster:" if number else "Look at the cluster:")
        lines.append(f"  probe cluster {visible(shlex.quote(str(options.output)))}")
    return "\n".join(lines)


def _again(options: Options) -> str:
    """Return the command that writes the same draft into a file."""
    words = ["probe", "draft", *options.names]
    for option, values in (
        ("--service", options.services),
        ("--nodes", (options.sheet,) if options.sheet is not None else ()),
        ("--profile", options.profiles),
        ("--secret-env", (options.secret_env,) if options.secret_env is not None else ()),
        ("--secret-file", (options.secret_file,) if options.secret_file is not None else ()),
        ("--expected-name", options.expected_names),
        ("--resolver", options.resolvers),
        ("--web-port", (options.web_port,) if options.web_port != 443 else ()),
        ("--eap-port", (options.eap_port,) if options.eap_port != 1812 else ()),
    ):
        for value in values:
            words += [option, str(value)]
    words += ["--eap"] if options.eap else []
    words += ["--follow"] if options.follow else []
    return shlex.join([*words, "--output", "plan.toml", "--write-roots", ROOTS])


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _in(place: str) -> str:
    return place if place == "above" else f"in {place}"
