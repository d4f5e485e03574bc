"""How a complete login ended: whoever asked for it looks for this first."""

from collections.abc import Iterator

from rich.console import RenderableType
from rich.text import Text

from probe.observation.model import Handshake, LoginSeen
from probe.report.escape import visible
from probe.report.terminal import words
from probe.report.terminal.paper import Indented, Labelled, heading, styled
from probe.report.terminal.view import View

COLUMN = 19

ATTRIBUTES = 12
"""Attributes of the reply that are listed; the JSON has them all."""

_KEYS = {
    True: "the key material (MS-MPPE) is the same on both sides",
    False: "the key material (MS-MPPE) is another one than derived here: no access point gets on",
    None: "no key material came to be compared, which access points need",
}


def login(view: View) -> Iterator[RenderableType]:
    """Yield what came of the logins; there is one, or of several surveys one of each."""
    records = [record for record in view.assessment.survey.handshakes if record.login is not None]
    if not records:
        return
    yield heading("Login")
    for record in records:
        if record.login is not None:
            yield from _login(view, record, record.login)


def _login(view: View, record: Handshake, seen: LoginSeen) -> Iterator[RenderableType]:
    place = styled(view.place(record.endpoint, record.nodes), "place")
    where = "no address" if record.asked.address is None else visible(record.asked.address)
    method = record.asked.methods[0].value if record.asked.methods else ""
    inner = f" with {visible(seen.inner)}" if seen.inner else ""
    place.append(f", {where} port {record.asked.port}, by {visible(method)}{inner}: ")
    yield Indented(place.append(_ending(seen)), hang=3)
    if seen.detail:
        yield Labelled("but" if seen.accepted else "why", _text(seen.detail), COLUMN, 5)
    if seen.accepted:
        yield Labelled("keys", Text(_KEYS[seen.keys_agree]), COLUMN, 5)
    for number, (name, value) in enumerate(seen.attributes[:ATTRIBUTES]):
        label = "reply" if number == 0 else ""
        yield Labelled(label, _text(f"{name}={value}"), COLUMN, 5)
    if len(seen.attributes) > ATTRIBUTES:
        more = len(seen.attributes) - ATTRIBUTES
        yield Labelled(
            "", Text(words.more(more, "attribute" if more == 1 else "attributes")), COLUMN, 5
        )
    if seen.resumable is not None and seen.accepted:
        offered = "the server offers to resume it" if seen.resumable else "is not offered"
        yield Labelled("resumption", Text(offered), COLUMN, 5)


def _text(said: str) -> Text:
    return Text(visible(said))


def _ending(seen: LoginSeen) -> str:
    if not seen.sent:
        return "nothing of the credential was sent"
    if seen.accepted is None:
        return "neither accepted nor rejected"
    return "accepted" if seen.accepted else "rejected"
