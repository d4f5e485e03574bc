"""The RadSec visits of one survey: with which certificates, and what need not be asked."""

from collections.abc import AsyncIterator, Iterable, Mapping
from contextlib import asynccontextmanager
from pathlib import Path

from probe.limits import PEM_BYTES, Limits
from probe.observation.model import Aspect, HandshakeAsk, Question
from probe.observe.eapcontext import identity_of
from probe.observe.pace import Pace
from probe.observe.radsec import Inside, visit_inside, visit_radsec
from probe.observe.visit import VisitSeen, nothing_more
from probe.plan.model import Eap, Plan, SecretRef
from probe.plan.pem import read_bounded
from probe.plan.problems import Refused
from probe.wire.credential import ClientCertificate, CredentialError

__all__ = ["CredentialError", "RadsecVisits", "credentials"]


def credentials(
    plan: Plan, questions: Iterable[Question], secrets: Mapping[SecretRef, bytes]
) -> dict[str, Inside]:
    """Return with what one goes inside at each node that these questions want it of.

    Reads certificates, and the keys out of `secrets`. Raises CredentialError, which names the node
    and nothing secret, if they are no pair, and KeyError if a key is missing.
    """
    wanted = {
        question.nodes[0]
        for question in questions
        if question.handshake is not None and question.handshake.aspect is Aspect.INSIDE
    }
    read: dict[tuple[Path, SecretRef], ClientCertificate] = {}
    found = {}
    for node in plan.nodes:
        radsec = node.radsec
        if node.name not in wanted or radsec is None:
            continue
        if radsec.certificate is None or radsec.key is None:
            raise KeyError(f"no RadSec certificate is planned for {node.name}")
        pair = radsec.certificate, radsec.key
        try:
            if pair not in read:
                pem = read_bounded(radsec.certificate, PEM_BYTES)
                read[pair] = ClientCertificate.read(pem, secrets[radsec.key])
        except (CredentialError, Refused) as error:
            says = f"radsec.certificate and radsec.key of {node.name}: {error}"
            raise CredentialError(says) from None
        found[node.name] = Inside(read[pair], node.eap or Eap())
    return found


class RadsecVisits:
    """Makes the visits of one survey."""

    def __init__(self, inside: Mapping[str, Inside], limits: Limits, pace: Pace) -> None:
        """`inside`: by node, with what one goes inside. `pace`: that of all EAP conversations."""
        self._inside = inside
        self._limits = limits
        self._pace = pace
        self._first_seen: dict[tuple[str, int], VisitSeen] = {}
        """By address and port: how the handshake alone ended there."""

    def before(self, ask: HandshakeAsk, address: str) -> VisitSeen | None:
        """Return what has shown already how a further question ends, if anything has."""
        known = self._first_seen.get((address, ask.port))
        if known is None or ask.aspect is None or not nothing_more(known, ask.aspect):
            return None
        return known

    @asynccontextmanager
    async def turn(self, question: Question, ask: HandshakeAsk) -> AsyncIterator[None]:
        """Wait until it may be asked: an EAP conversation inside is a failed authentication at the
        server behind, which is the node's own as a rule."""
        if not ask.methods:
            yield
            return
        settings = self._inside[question.nodes[0]].settings
        identity = identity_of(settings, ask)
        async with self._pace.turn(*((node, identity) for node in question.nodes)):
            yield

    async def visit(self, question: Question, ask: HandshakeAsk, address: str) -> VisitSeen:
        """Make one visit."""
        if ask.aspect is Aspect.INSIDE:
            inside = self._inside[question.nodes[0]]
            return await visit_inside(ask, address, self._limits, inside)
        seen = await visit_radsec(ask, address, self._limits)
        if ask.aspect is None:
            self._first_seen.setdefault((address, ask.port), seen)
        return seen
