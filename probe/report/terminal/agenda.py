"""What a run will ask, told beforehand: of whom, how much, and what it leaves in servers' logs."""

from collections.abc import Iterator, Sequence
from typing import Protocol

from rich.console import RenderableType
from rich.text import Text

from probe.report.escape import visible
from probe.report.terminal import words
from probe.report.terminal.paper import Indented, Labelled, heading, styled, to_text

COLUMN = 13


class Share(Protocol):
    """What one place of the plan is asked."""

    @property
    def place(self) -> str:
        """A node, or the name of a service."""

    @property
    def nodes(self) -> tuple[str, ...]:
        """The nodes behind it."""

    @property
    def lookups(self) -> int:
        """DNS questions about its name."""

    @property
    def connections(self) -> int:
        """TLS connections."""

    @property
    def requests(self) -> int:
        """Those of them that carry one HEAD request."""

    @property
    def radsec(self) -> int:
        """TLS connections to its RadSec endpoint."""

    @property
    def conversations(self) -> int:
        """EAP conversations."""

    @property
    def per_address(self) -> bool:
        """Whether it is asked so much at each address that its name leads to."""

    @property
    def failed_authentications(self) -> int:
        """Lines in its log, at most, where it answers."""

    @property
    def further(self) -> int:
        """Lines on top, at most, where it does not."""


class Footprint(Protocol):
    """What a whole agenda asks."""

    @property
    def shares(self) -> Sequence[Share]:
        """Nodes in plan order, then services."""

    @property
    def total(self) -> Share:
        """All of it."""

    @property
    def resolvers(self) -> Sequence[tuple[str, int]]:
        """Each resolver and its questions."""

    @property
    def login(self) -> str | None:
        """The complete login that is made at the end; None: none is."""

    @property
    def authorities(self) -> bool:
        """Whether addresses in certificates are gone to afterwards."""

    @property
    def led(self) -> bool:
        """Whether clients are followed to addresses that DNS gives and the plan does not."""

    @property
    def reverse(self) -> bool:
        """Whether what reverse names give is looked up in turn."""


_AUTHORITIES = (
    "plain HTTP to addresses that the served certificates name, each once: the certificates, lists"
    " and OCSP responders of their CAs (--no-fetch leaves that out)"
)

_LED = (
    "one TLS connection, without a HEAD request, to each address that DNS gives for a name that"
    " clients open and the plan does not, if there are any"
)

_REVERSE = "one DNS question about each name that reverse names give"


_LOGIN = (
    "if its certificate is sound: to the server that is a login like any other, which may count"
    " towards a lockout if it fails, stand in its session table and take a licence; no accounting"
    " is sent"
)


def render_agenda(footprint: Footprint, *, width: int = 80, colour: bool = False) -> str:
    """Return what will be asked. Places that are asked equally much are one row."""
    return to_text(_parts(footprint), width=width, colour=colour)


def _parts(footprint: Footprint) -> Iterator[RenderableType]:
    yield styled("What would be asked. Nothing has been sent.", "title")
    yield heading("Of whom")
    for alike in _alike(footprint.shares):
        places = words.places([share.place for share in alike])
        each = "each " if len(alike) > 1 else ""
        place = styled(places, "place")
        if alike[0].nodes != (alike[0].place,):
            place.append(f", at {words.places(alike[0].nodes)}")
        yield Indented(place.append(f": {each}{_amount(alike[0])}"), hang=3)
    for resolver, questions in footprint.resolvers:
        if questions:
            place = styled(f"resolver {visible(resolver)}", "place")
            yield Indented(place.append(f": {words.plural(questions, 'question')}"))
    yield heading("Altogether")
    total = footprint.total
    yield Labelled("sent", Text(_amount(total)), COLUMN)
    if footprint.reverse:
        yield Labelled("and then", Text(_REVERSE), COLUMN)
    if footprint.led:
        yield Labelled("and then", Text(_LED), COLUMN)
    if footprint.authorities:
        yield Labelled("and then", Text(_AUTHORITIES), COLUMN)
    if footprint.login is not None:
        yield Labelled("at the end", Text(f"one login {footprint.login}, {_LOGIN}"), COLUMN)
    if not total.failed_authentications:
        yield Labelled("logged", Text("no failed authentication"), COLUMN)
        return
    logged = words.plural(total.failed_authentications, "failed authentication")
    more = " for each address" if total.per_address else ", at most"
    yield Labelled("logged", Text(f"{logged} in the servers' own logs{more}"), COLUMN)
    if total.further:
        on_top = (
            f"up to {total.further} more where a server stays silent or refuses, to narrow it down"
        )
        yield Labelled("", Text(on_top), COLUMN)


def _alike(shares: Sequence[Share]) -> list[list[Share]]:
    """A service that several nodes stand behind is a row of its own."""
    rows: dict[tuple[object, ...], list[Share]] = {}
    for share in shares:
        own = None if share.nodes == (share.place,) else share.place
        amounts = (
            *(share.lookups, share.connections, share.conversations, share.radsec),
            share.per_address,
        )
        rows.setdefault((own, *amounts), []).append(share)
    return list(rows.values())


def _amount(share: Share) -> str:
    amounts = (
        (share.lookups, "DNS question"),
        (share.connections, "TLS connection"),
        (share.requests, "HEAD request"),
        (share.radsec, "RadSec connection"),
        (share.conversations, "EAP conversation"),
    )
    parts = [words.plural(number, what) for number, what in amounts if number]
    amount = words.all_of(parts) or "nothing"
    return f"{amount}, at each address found" if share.per_address else amount
