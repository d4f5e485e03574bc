"""Which RadSec questions follow from a plan. Pure.

One handshake with each address, and two of old versions in depth. Where the plan has a certificate
and a key, there is one more, with what is said inside: a sign of life, and one EAP conversation if
EAP is in the plan, which is one failed authentication at the server behind.
"""

from collections.abc import Iterator

from probe.observation.model import Aspect, Endpoint, HandshakeAsk, Question
from probe.observe.webquestions import OLD, where_text
from probe.plan.addresses import is_address
from probe.plan.model import Node, Radsec
from probe.records import replace


def radsec_visits(node: Node, *, deep: bool) -> Iterator[Question]:
    """Each of the node's RadSec addresses; none where RadSec is not in the plan."""
    radsec = node.radsec
    if radsec is None:
        return
    for address in node.radsec_addresses() or (None,):
        where = f"radsec/{node.name}/{where_text(address, radsec.port)}"
        base = HandshakeAsk(address, radsec.port, server_name=_server_name(node, radsec))
        yield _question(node, where, base)
        for version in OLD if deep else ():
            old = replace(base, tls=(version,), aspect=Aspect.OLD_VERSION)
            yield _question(node, f"{where}/old/{version}", old)
        if radsec.certificate is not None and radsec.key is not None:
            methods = node.eap.methods[:1] if node.eap is not None else ()
            inside = replace(base, methods=methods, aspect=Aspect.INSIDE)
            yield _question(node, f"{where}/inside", inside)


def _question(node: Node, id_: str, ask: HandshakeAsk) -> Question:
    return Question(id_, Endpoint.RADSEC, (node.name,), handshake=ask)


def _server_name(node: Node, radsec: Radsec) -> str | None:
    """The first of the planned names that may stand there (RFC 6066, 3), else the node's own."""
    return next((name for name in (*radsec.names, node.host) if not is_address(name)), None)
