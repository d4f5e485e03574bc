"""Visits a RadSec endpoint (RFC 6614): the handshake alone, or with what is said inside TLS."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager

from probe.certificate.naming import name_text
from probe.limits import Limits
from probe.observation.model import HandshakeAsk, Outcome, Phase, RadsecSeen
from probe.observe.eapcontext import Peer, guise
from probe.observe.talk import Asking
from probe.observe.tlstalk import TlsTalk, shake_hands
from probe.observe.visit import VisitSeen
from probe.plan.model import Eap
from probe.records import dataclass, field, replace
from probe.wire.credential import ClientCertificate
from probe.wire.hello import HISTORIC_ALPN, RADSEC_ALPN, Hello
from probe.wire.radius import SecretDiffers
from probe.wire.radsec import SECRET, RadsecSession
from probe.wire.tls import TlsClient


@dataclass(frozen=True, slots=True)
class Inside:
    """With what, and as whom, one goes inside."""

    certificate: ClientCertificate = field(repr=False)
    settings: Eap
    """The node's EAP settings; those that a plan without EAP would have, for the client's name."""


async def visit_radsec(ask: HandshakeAsk, address: str, limits: Limits) -> VisitSeen:
    """Shake hands as `ask` says, without a certificate, as far as it is known whether one is asked
    for. Never raises for what the network or the peer does.

    Both RADIUS protocols are offered (RFC 9765, 3.3), and none is spoken.
    """
    loop = asyncio.get_running_loop()
    began = loop.time()
    ends = began + limits.web_visit
    hello = Hello(ask.server_name, ask.tls, ask.key_family, RADSEC_ALPN)
    talk = TlsTalk(TlsClient(hello, limits, until_request=True), limits, ends)
    try:
        seen = await shake_hands(talk, address, ask.port, began)
        if talk.began is None:
            return seen
        await talk.patience.come(talk.over, talk.ends)
        return replace(seen, radsec=_radsec(talk.client))
    finally:
        await talk.leave()


async def visit_inside(
    ask: HandshakeAsk, address: str, limits: Limits, inside: Inside
) -> VisitSeen:
    """Shake hands with the plan's certificate, ask for a sign of life, and hold the EAP
    conversation of `ask`, if it names a method. Never raises for what the network or the peer does.

    Served: something came back inside. The server's chain is told also where nothing did.
    """
    loop = asyncio.get_running_loop()
    began = loop.time()
    ends = began + limits.eap_visit
    hello = Hello(ask.server_name, ask.tls, None, HISTORIC_ALPN)
    client = TlsClient(hello, limits, finish=True, certificate=inside.certificate)
    talk = _Talk(client, limits, ends, _session(ask, address, limits, inside.settings))
    try:
        with talk.ended_politely():
            seen = await shake_hands(talk, address, ask.port, began)
            if talk.began is None:
                return seen
            if seen.outcome is Outcome.SERVED:
                await talk.converse_until(ends, limits)
                seen = _inside(seen, talk)
        return replace(seen, seconds=loop.time() - began)
    finally:
        await talk.leave()


def _session(ask: HandshakeAsk, address: str, limits: Limits, settings: Eap) -> RadsecSession:
    attributes = guise(settings, ask).attributes()
    if not ask.methods:
        return RadsecSession(attributes)
    # Within EAP the hello is a supplicant's, whatever the one of the connection says.
    asking = Asking(
        HandshakeAsk(address, ask.port, methods=ask.methods),
        Peer(address, settings, SECRET),
        limits,
    )
    return RadsecSession(attributes, asking.conversation(attributes))


class _Talk(TlsTalk):
    """Carries RADIUS behind the handshake."""

    def __init__(
        self, client: TlsClient, limits: Limits, ends: float, session: RadsecSession
    ) -> None:
        super().__init__(client, limits, ends)
        self.session = session
        self.closed = False
        self._greeted = False
        self._moved = asyncio.Event()

    @property
    def finished(self) -> bool:
        return self.session.done

    def converse(self) -> bytes:
        said = b"" if self._greeted else self.session.start()
        self._greeted = True
        octets = self.client.write(said) if said else b""
        said = self.session.receive(self.client.read())
        return octets + (self.client.write(said) if said else b"")

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._moved.set()

    def connection_lost(self, exc: Exception | None) -> None:
        self.closed = True
        super().connection_lost(exc)
        self._moved.set()

    async def converse_until(self, ends: float, limits: Limits) -> None:
        """Go on until nothing more is to be said, or it is too late."""
        loop = asyncio.get_running_loop()
        while not (self.client.done or self.session.done):
            self._moved.clear()
            wait = min(ends, loop.time() + self._wait(limits))
            try:
                async with asyncio.timeout_at(wait):
                    await self._moved.wait()
            except TimeoutError:
                if self._moved.is_set() and loop.time() < ends:
                    continue  # it came at the same time
                if not self.client.established:
                    return
                if loop.time() < ends:
                    said = self.session.silence()
                else:
                    said = self.session.break_off(f"given up after {limits.eap_visit:g} s")
                self._send(said)
        if self.over.done():
            self.over.result()  # a bug of ours is not the peer's doing
        if self.client.done:
            self.session.end_of_input()

    @contextmanager
    def ended_politely(self) -> Iterator[None]:
        """Tell the EAP server behind if it is all broken off, by a cancellation."""
        try:
            yield
        except asyncio.CancelledError:
            self._send(self.session.break_off("interrupted"))
            raise

    def _wait(self, limits: Limits) -> float:
        if not self.client.established:
            return limits.tls_wait
        if self.session.conversing:
            return limits.radius_silence
        return limits.eap_farewell_wait if self.session.leaving else limits.trial_wait

    def _send(self, said: bytes) -> None:
        if said and self.client.established and not self.closed:
            self.say(self.client.write(said))


def _radsec(client: TlsClient) -> RadsecSeen:
    names = client.client_authorities
    return RadsecSeen(
        certificate_asked=client.certificate_asked,
        client_authorities=None if names is None else tuple(map(name_text, names)),
        alpn=client.alpn,
    )


def _inside(seen: VisitSeen, talk: _Talk) -> VisitSeen:
    """Add what was said inside to how the handshake went."""
    client, session = talk.client, talk.session
    conversation = session.conversation if session.spoke_eap else None
    radsec = replace(_radsec(client), status_reply=session.status_reply)
    if conversation is not None:
        radsec = replace(
            radsec,
            eap_outcome=conversation.outcome,
            eap_detail=conversation.detail,
            eap_served=conversation.served,
        )
    outcome, detail = _ending(talk)
    return replace(
        seen,
        outcome=outcome,
        phase=Phase.FINISH,
        detail=seen.detail if outcome is Outcome.SERVED else detail,
        alert=client.alert if outcome is Outcome.REFUSED else None,
        certificates=(*seen.certificates, *(conversation.certificates if conversation else ())),
        round_trips=conversation.round_trips if conversation else None,
        eap=conversation.seen if conversation else None,
        radius=session.seen,
        radsec=radsec,
    )


def _ending(talk: _Talk) -> tuple[Outcome, str | None]:
    client, session = talk.client, talk.session
    if session.answered:
        return Outcome.SERVED, None
    if session.doubt is not None:
        differs = isinstance(session.doubt, SecretDiffers)
        outcome = Outcome.SECRET_DIFFERS if differs else Outcome.MALFORMED
        return outcome, f"inside TLS: {session.doubt}"
    if client.done and not (client.left or talk.closed):
        return Outcome.MALFORMED, "inside TLS: more than is taken, and no reply in it"
    if client.alert is not None:
        return Outcome.REFUSED, f"the server sent the alert {client.alert} after our certificate"
    if talk.reset:
        return Outcome.CUT_OFF, "the connection was reset after our certificate"
    if talk.closed or client.done:
        return Outcome.CUT_OFF, "the connection ended after our certificate"
    if not client.established:
        return Outcome.CUT_OFF, "the handshake with our certificate was not finished"
    return Outcome.SILENT, "nothing came back inside TLS"
