"""What somebody told of a complaint, as `probe complaint` takes it on its command line."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import click

from probe.cli.completion import client_words, node_names, opened, sites
from probe.cli.failure import say
from probe.cli.options import TIME
from probe.cli.run import wrong_input
from probe.complaint import Complaint, Shown
from probe.jobs.complaint import read_log
from probe.jobs.imported import fingerprint_in
from probe.limits import TOLD, TOLD_CHARACTERS
from probe.records import dataclass, replace
from probe.report.escape import visible


class _Text(click.ParamType[str]):
    """What somebody told, in so many words."""

    name = "TEXT"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        text = str(value)
        if not text.strip():
            self.fail("it is empty", param, ctx)
        if len(text) > TOLD_CHARACTERS:
            self.fail(f"it is longer than {TOLD_CHARACTERS} characters", param, ctx)
        return text


class _Day(click.ParamType[date]):
    name = "DATE"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        try:
            return value if isinstance(value, date) else date.fromisoformat(value.strip())
        except ValueError:
            self.fail(f"{value!r} is no date such as 2027-04-24", param, ctx)


class _Fingerprint(click.ParamType[str]):
    name = "DIGITS"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        found = fingerprint_in(value)
        if found is None:
            self.fail(
                f"{value!r} is no fingerprint: 64 hex digits (SHA-256) or 40 (SHA-1)", param, ctx
            )
        return found


TEXT, DAY, FINGERPRINT = _Text(), _Day(), _Fingerprint()

_OPTIONS: tuple[Callable[[Any], Any], ...] = (
    click.option(
        "--saw",
        type=TEXT,
        multiple=True,
        help="Words or a code on the screen, or a line of the device's log; repeatable.",
    ),
    click.option(
        "--client",
        "clients",
        type=TEXT,
        metavar="FAMILY",
        multiple=True,
        shell_complete=client_words,
        help="What they use: iPhone, Android, Windows, Firefox, laptop ...; repeatable.",
    ),
    click.option(
        "--at-page",
        "page",
        type=TEXT,
        metavar="NAME",
        shell_complete=opened,
        help="The page they opened.",
    ),
    click.option("--on-wifi", "wifi", is_flag=True, help="It happened while joining the network."),
    click.option(
        "--site",
        type=TEXT,
        metavar="NAME",
        shell_complete=sites,
        help="Where they were: a site of the plan.",
    ),
    click.option(
        "--node",
        "nodes",
        type=TEXT,
        metavar="NAME",
        multiple=True,
        shell_complete=node_names,
        help="The server they met: its name, or its address in a log; repeatable.",
    ),
    click.option("--when", type=TIME, help="When it was: what earlier runs saw then counts, too."),
    click.option(
        "--shown-name", type=TEXT, metavar="NAME", help="The certificate's name, as shown."
    ),
    click.option("--shown-issuer", type=TEXT, metavar="NAME", help="Who issued it, as shown."),
    click.option("--shown-expiry", type=DAY, help="The day on which it ends, as shown."),
    click.option("--fingerprint", type=FINGERPRINT, help="Its SHA-256 or SHA-1, as shown."),
    click.option(
        "--server-log",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Read TLS alerts out of these lines of a RADIUS server's log.",
    ),
)


@dataclass(frozen=True, slots=True)
class Told:
    """What the options say; the log is not read yet."""

    complaint: Complaint
    server_log: Path | None = None

    def read(self) -> Complaint:
        """Return the complaint with the alerts of the log. Raises click.ClickException."""
        if self.server_log is None:
            return self.complaint
        with wrong_input():
            alerts = read_log(self.server_log)
        if not alerts:
            say(
                f"probe: {visible(str(self.server_log))} has no TLS alert in a form that is read"
                " (FreeRADIUS, hostapd, OpenSSL)"
            )
        return replace(self.complaint, log=alerts)


def told(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command the options; it receives them as one `Told`."""

    def gathered(  # noqa: PLR0913, PLR0917  # one name for each option; click passes names
        saw: tuple[str, ...],
        clients: tuple[str, ...],
        page: str | None,
        wifi: bool,
        site: str | None,
        nodes: tuple[str, ...],
        when: datetime | None,
        shown_name: str | None,
        shown_issuer: str | None,
        shown_expiry: date | None,
        fingerprint: str | None,
        server_log: Path | None,
        **given: Any,
    ) -> int:
        if max(len(saw), len(clients), len(nodes)) > TOLD:
            raise click.UsageError(f"more than {TOLD} of one kind are told")
        if when is not None and when > datetime.now(UTC):
            raise click.UsageError("--when lies ahead: it is the time of the complaint")
        shown = Shown(shown_name, shown_issuer, shown_expiry, fingerprint)
        complaint = Complaint(saw, clients, page, wifi or None, site, nodes, when, shown)
        return command(told=Told(complaint, server_log), **given)

    gathered.__doc__ = command.__doc__
    gathered.__name__ = command.__name__
    for option in reversed(_OPTIONS):
        gathered = option(gathered)
    params = getattr(command, "__click_params__", [])
    gathered.__click_params__ = getattr(gathered, "__click_params__", []) + params  # type: ignore[attr-defined]  # click keeps options on the function
    return gathered
