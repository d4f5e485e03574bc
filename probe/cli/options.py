"""The options that commands share, and what their words mean."""

import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from probe.assessment import Verdict
from probe.cli.completion import starting
from probe.observation.model import LATEST, Endpoint
from probe.records import dataclass
from probe.report.render import FORMS

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

ASKED = (Endpoint.DNS, Endpoint.WEB, Endpoint.EAP, Endpoint.RADSEC)
"""What `--only` may name."""

MOST_REPEATS = 20
"""Answers that change from one time to the next show within that many, unless they are rare."""

_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)", re.ASCII)
_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)


@dataclass(frozen=True, slots=True)
class Common:
    """The options that `cluster` and `node` share."""

    at: datetime | None
    form: str
    output: Path | None
    save: Path | None
    saved: tuple[Path, ...]
    only: frozenset[Endpoint]
    show_agenda: bool
    tolerate: Verdict
    quiet: bool
    repeat: int | None
    no_fetch: bool
    history: Path | None
    """None: the one in the user's data folder; `OFF`: none."""


OFF = Path("off")
"""The word for no history. A file of that name is written ./off."""


class _Time(click.ParamType[datetime]):
    name = "TIME"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> datetime:
        if isinstance(value, datetime):
            return value
        try:
            return _time(value)
        except (ValueError, OverflowError):
            self.fail(
                f"{value!r} is no time: RFC 3339 such as 2027-04-01T08:00:00Z, a date, or now",
                param,
                ctx,
            )


def _time(text: str) -> datetime:
    if text == "now":
        return datetime.now(UTC)
    if _DAY.fullmatch(text):
        moment = datetime.fromisoformat(text).replace(tzinfo=UTC)
    elif _RFC_3339.fullmatch(text):
        moment = datetime.fromisoformat(text.upper()).astimezone(UTC)
    else:
        raise ValueError
    if moment >= LATEST:
        raise ValueError
    return moment


TIME = _Time()
"""A point in time, as `--at` takes it."""


class _Only(click.ParamType[frozenset[Endpoint]]):
    name = "LIST"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> frozenset[Endpoint]:
        if isinstance(value, frozenset):
            return value
        known = {endpoint.value: endpoint for endpoint in ASKED}
        words = [word.strip() for word in value.split(",")]
        for word in words:
            if word not in known:
                self.fail(f"{word!r} is none of {', '.join(known)}", param, ctx)
        return frozenset(known[word] for word in words)

    def shell_complete(
        self,
        ctx: click.Context,  # noqa: ARG002  # click's signature
        param: click.Parameter,  # noqa: ARG002  # click's signature
        incomplete: str,
    ) -> "list[CompletionItem[str]]":
        """Return what the last word of the list may become."""
        before, comma, begun = incomplete.rpartition(",")
        said = before.split(",")
        left = [kind.value for kind in ASKED if kind.value not in said]
        return starting(((before + comma + word, "") for word in left), before + comma + begun)


class _Verdict(click.ParamType[Verdict]):
    name = "VERDICT"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Verdict:
        if isinstance(value, Verdict):
            return value
        words = {verdict.word: verdict for verdict in Verdict}
        if value not in words:
            self.fail(f"{value!r} is none of {', '.join(words)}", param, ctx)
        return words[value]

    def shell_complete(
        self,
        ctx: click.Context,  # noqa: ARG002  # click's signature
        param: click.Parameter,  # noqa: ARG002  # click's signature
        incomplete: str,
    ) -> "list[CompletionItem[str]]":
        """Return the verdicts that begin so."""
        return starting(((verdict.word, "") for verdict in Verdict), incomplete)


VERDICT = _Verdict()
"""A verdict by its word, as `--tolerate` takes it."""

TOLERATE = click.option(
    "--tolerate",
    type=VERDICT,
    default=Verdict.ADVISED,
    help="The worst verdict that still exits 0: blocked, warned, due, unseen, advised (default) or"
    " sound.",
)

_FILE = click.Path(path_type=Path, dir_okay=True)

HISTORY = click.option(
    "--history",
    type=_FILE,
    metavar="FILE",
    help="Where earlier runs are kept (default: the user's data folder), or off.",
)

_OPTIONS: tuple[Callable[[Any], Any], ...] = (
    click.option("--at", type=TIME, help="Judge as of another time: RFC 3339, a date, or now."),
    click.option("--output", type=_FILE, metavar="FILE", help="Write the report into a file."),
    click.option("--save", type=_FILE, metavar="FILE", help="Save what was seen."),
    click.option(
        "--from",
        "saved",
        type=_FILE,
        metavar="FILE",
        multiple=True,
        help="Judge what was saved; nothing is sent. Several are merged.",
    ),
    click.option(
        "--only",
        type=_Only(),
        default=frozenset(ASKED),
        help="Look at these only: some of dns,web,eap,radsec, by commas.",
    ),
    click.option(
        "--repeat",
        type=click.IntRange(1, MOST_REPEATS),
        metavar="N",
        help="Ask each web address N times by each name and, in depth, each EAP address (default: 3"
        " in depth, else 1).",
    ),
    click.option(
        "--show-agenda", is_flag=True, help="Say what would be asked, of whom; send nothing."
    ),
    TOLERATE,
    click.option(
        "--no-fetch",
        is_flag=True,
        help="Fetch nothing from CAs: whether certificates were revoked is unseen.",
    ),
    HISTORY,
    click.option("--quiet", is_flag=True, help="No progress and no remarks on stderr."),
    click.option("--debug", is_flag=True, expose_value=False, help="Show a bug's traceback."),
)


def _format(forms: Sequence[str]) -> Callable[[Any], Any]:
    return click.option(
        "--format",
        "form",
        type=click.Choice(forms),
        default="terminal",
        show_default=True,
        help="The report's form.",
    )


def common(command: Callable[..., int], forms: Sequence[str] = FORMS) -> Callable[..., int]:
    """Give a command the shared options; it receives them as one `Common`."""

    def gathered(**given: Any) -> int:
        shared = Common(**{name: given.pop(name) for name in Common.__match_args__})
        return command(shared=shared, **given)

    gathered.__doc__ = command.__doc__
    gathered.__name__ = command.__name__
    for option in reversed((_OPTIONS[0], _format(forms), *_OPTIONS[1:])):
        gathered = option(gathered)
    # Options of the command itself were put on it before: they come first in its help.
    params = getattr(command, "__click_params__", [])
    gathered.__click_params__ = getattr(gathered, "__click_params__", []) + params  # type: ignore[attr-defined]  # click keeps options on the function
    return gathered
