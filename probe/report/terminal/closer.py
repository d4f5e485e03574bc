"""What a closer look at EAP showed, beside the chains: a few lines for each RADIUS address."""

from collections.abc import Iterable, Iterator

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import EapLook, MethodSeen
from probe.observation.model import Endpoint, KeyFamily, Outcome, TlsVersion, Trial, TrialKind
from probe.report.escape import visible
from probe.report.terminal import words
from probe.report.terminal.paper import Indented, Labelled, heading, styled
from probe.report.terminal.view import View

COLUMN = 19

_FAMILIES = {KeyFamily.RSA.value: "RSA", KeyFamily.ECDSA.value: "ECDSA"}

_VERSIONS = {
    TlsVersion.TLS1_0.value: "TLS 1.0",
    TlsVersion.TLS1_1.value: "TLS 1.1",
    TlsVersion.TLS1_2.value: "TLS 1.2",
    TlsVersion.TLS1_3.value: "TLS 1.3",
}

_WAYS = {"session-id": "session id", "ticket": "ticket"}

_TRIALS = {
    TrialKind.STATUS_SERVER: "Status-Server",
    TrialKind.UNCONNECTED: "the same from a socket that takes replies from anywhere",
    TrialKind.SMALLER_REPLIES: "the same with small packets",
    TrialKind.LARGE_REQUEST: "a large request",
    TrialKind.WIDER_OFFER: "a hello that offers all there is",
}

_CAME = {Outcome.SERVED: "answered", Outcome.NOT_ASKED: "left out"}


def closer(view: View) -> Iterator[RenderableType]:
    """Yield the lines for each address that was looked at closely."""
    if not view.assessment.eap_looks:
        return
    yield heading("A closer look at EAP")
    for look in view.assessment.eap_looks:
        yield Indented(_place(view, look))
        for label, line in _lines(look):
            yield Labelled(label, Text(line), COLUMN, indent=5)


def _place(view: View, look: EapLook) -> Text:
    place = styled(view.place(Endpoint.EAP, look.nodes), "place")
    if look.service is not None:
        place.append(f", as {visible(look.service)}")
    where = "no address" if look.address is None else visible(look.address)
    return place.append(f", {where} port {look.port}")


def _lines(look: EapLook) -> Iterator[tuple[str, str]]:
    if look.proposed:
        yield "proposes", words.all_of(look.proposed)
    for seen in look.methods:
        yield visible(seen.method), method(seen)
    yield from fragments(look.methods)
    if look.versions or look.versions_refused:
        yield "speaks", versions(look.versions, look.versions_refused)
    if look.families:
        yield "key families", "; ".join(_family(*each) for each in look.families)
    if look.client_authorities is not None:
        yield "from clients", from_clients(look.client_authorities)
    if look.resumption:
        ways = words.all_of([_WAYS.get(way, way) for way in look.resumption])
        yield "resumes", f"sessions of TLS 1.2, by {ways}"
    if look.repeats:
        same = "with the same chain" if look.repeats_alike else "with other chains"
        yield "asked again", f"{words.plural(look.repeats, 'time')}, {same}"
    for trial in look.trials:
        yield "tried", _trial(trial)


def method(seen: MethodSeen) -> str:
    """Return how a conversation in one method went."""
    if seen.outcome != Outcome.SERVED:
        return words.outcome(seen.outcome)
    return f"the certificate after {words.plural(seen.round_trips or 0, 'round trip')}"


def fragments(seen: Iterable[MethodSeen]) -> Iterator[tuple[str, str]]:
    """Yield the line of how large the largest fragment was, where any came."""
    largest = max((one.largest_fragment or 0 for one in seen), default=0)
    if largest:
        yield "fragments", f"of up to {largest} octets of TLS"


def versions(spoken: tuple[str, ...], refused: tuple[str, ...]) -> str:
    """Return which TLS versions a server agreed to and which not."""
    agreed = _named(spoken) or "nothing that was asked for"
    return agreed + (f"; refuses {_named(refused)}" if refused else "")


def _named(tokens: tuple[str, ...]) -> str:
    return words.all_of([_VERSIONS.get(version, version) for version in tokens])


def _family(family: str, tokens: tuple[str, ...]) -> str:
    name = _FAMILIES.get(family, visible(family))
    return f"{name} under {_named(tokens)}" if tokens else f"no {name}"


def from_clients(names: tuple[str, ...]) -> str:
    """Return whose certificates a server asks for."""
    if not names:
        return "certificates of any CA"
    return "certificates of " + words.some_of([f'"{name}"' for name in names])


def _trial(trial: Trial) -> str:
    what = _TRIALS.get(trial.kind, visible(trial.kind.value))
    came = _CAME.get(trial.outcome) or words.outcome(trial.outcome.value)
    line = f"{what}: {came}"
    if trial.replied_from is not None:
        line += f", from {visible(trial.replied_from)}"
    told = trial.detail if trial.outcome is not Outcome.SILENT else None
    return line + (f" ({visible(told)})" if told else "")
