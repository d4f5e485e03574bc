"""What a closer look at RadSec showed, beside the chains: a few lines for each address."""

from collections.abc import Iterator

from rich.console import RenderableType
from rich.text import Text

from probe.assessment import RadsecLook
from probe.observation.model import Endpoint, Outcome, TlsVersion
from probe.report.escape import visible
from probe.report.terminal import words
from probe.report.terminal.closer import COLUMN, fragments, from_clients, method, versions
from probe.report.terminal.paper import Indented, Labelled, heading, styled
from probe.report.terminal.view import View

_NOTHING = "no certificate is asked for"

_ENDED = {
    Outcome.REFUSED.value: "the plan's certificate is refused",
    Outcome.CUT_OFF.value: "the connection ends at the plan's certificate",
    Outcome.SILENT.value: "nothing comes back",
}


def radsec(view: View) -> Iterator[RenderableType]:
    """Yield the lines for each address that was looked at closely."""
    looks = [(look, list(_lines(view, look))) for look in view.assessment.radsec_looks]
    if any(lines for _, lines in looks):
        yield heading("A closer look at RadSec")
    for look, lines in looks:
        if not lines:
            continue  # it did not answer, and the findings say so
        place = styled(view.place(Endpoint.RADSEC, look.nodes), "place")
        where = "no address" if look.address is None else visible(look.address)
        yield Indented(place.append(f", {where} port {look.port}"))
        for label, line in lines:
            yield Labelled(label, Text(line), COLUMN, indent=5)


def _lines(view: View, look: RadsecLook) -> Iterator[tuple[str, str]]:
    if look.versions or look.versions_refused:
        yield "agrees to", _versions(look)
    if look.certificate_asked is not None:
        asks = from_clients(look.client_authorities or ()) if look.certificate_asked else _NOTHING
        yield "from peers", asks
    if look.alpn is not None:
        yield "protocol", visible(look.alpn)
    if look.inside is not None:
        yield "inside", _inside(look)
    if look.eap is not None:
        yield visible(look.eap.method), f"inside, {method(look.eap)}"
        yield from fragments((look.eap,))
    if look.eap_leaf is not None:
        yield "EAP behind", _behind(view, look)


def _versions(look: RadsecLook) -> str:
    text = versions(look.versions, look.versions_refused)
    untried = TlsVersion.TLS1_2 not in (*look.versions, *look.versions_refused)
    return text + ("; TLS 1.2 was not tried alone" if untried and look.versions else "")


def _inside(look: RadsecLook) -> str:
    if look.status_reply is not None:
        return f"{visible(look.status_reply)} to Status-Server"
    if look.inside == Outcome.SERVED:
        return "Status-Server is not answered"
    return _ENDED.get(look.inside or "") or words.outcome(look.inside or "")


def _behind(view: View, look: RadsecLook) -> str:
    text = view.subject(look.eap_leaf or "")
    if look.eap_elsewhere is None:
        return text
    return text + (", as for EAP by UDP" if look.eap_elsewhere else ", which EAP by UDP does not")
