"""One complete login with the plan's test credential, at a server whose chain was approved of.

What is approved is handed in, and nothing here judges. The credential goes to a server only if the
chain that it shows in this very conversation is one of the approved ones, octet for octet, and its
signature over this very handshake proves the key. Else the server gets nothing of it: not even a
handshake that is finished, nor the account's name.
"""

import asyncio
import socket
from collections.abc import Callable
from datetime import datetime

from probe.limits import PEM_BYTES, Limits
from probe.observation.model import (
    HandshakeAsk,
    LoginSeen,
    Method,
    Outcome,
    Phase,
    Question,
    RadiusSeen,
    Survey,
    Taken,
)
from probe.observe.eapcontext import Peer, guise
from probe.observe.exchange import Exchange
from probe.observe.notebook import Notebook
from probe.observe.sweep import utc_now
from probe.observe.talk import Talk, WithinTalk, fragment_size
from probe.observe.visit import VisitSeen, network_outcome
from probe.plan.model import Login as Planned
from probe.plan.model import Plan
from probe.plan.pem import read_bounded
from probe.records import dataclass, field, replace
from probe.wire import openssl
from probe.wire.credential import Account, ClientCertificate, Credential, CredentialError, Inner
from probe.wire.hello import Hello
from probe.wire.login import Login

__all__ = ["CredentialError", "Entrance", "credential_of", "log_in", "not_made", "unable"]

ANOTHER_CHAIN = (
    "the server shows another chain in the login than in the look before it, or one that was not"
    " approved"
)
NO_PROOF = "the server has not proven that it holds the certificate's key"
_HIDDEN = "(not shown)"


@dataclass(frozen=True, slots=True)
class Entrance:
    """Where to log in, with what, and to whom it may be shown."""

    peer: Peer
    credential: Credential = field(repr=False)
    approved: frozenset[tuple[str, ...]]
    """Chains: SHA-256 of each certificate, in the order served."""


def credential_of(planned: Planned, secret: bytes) -> Credential:
    """Return what the plan's [login] names; `secret` is its password, or its key as PEM.

    Raises CredentialError, with nothing of it in the text, and Refused for the certificate's file.
    """
    if planned.certificate is not None:
        pem = read_bounded(planned.certificate, PEM_BYTES)
        return ClientCertificate.read(pem, secret)
    try:
        password = secret.decode()
    except UnicodeDecodeError:
        raise CredentialError("the password of [login] is no UTF-8") from None
    return Account(planned.account or "", password, Inner(planned.inner or Inner.MSCHAPV2.value))


def unable(method: Method) -> str | None:
    """Return why no login can be made by a method here; None: it can."""
    if method is Method.TEAP:
        return "no login is made by TEAP here, but by PEAP, EAP-TTLS or EAP-TLS"
    if method is Method.EAP_TLS and not openssl.HAS_HOLDING:
        return "this machine's TLS library cannot hold a certificate back until it is approved of"
    return None


async def log_in(
    plan: Plan,
    question: Question,
    ask: HandshakeAsk,
    entrance: Entrance,
    limits: Limits,
    *,
    clock: Callable[[], datetime] = utc_now,
) -> Survey:
    """Make the login once, and return what was seen of it.

    Nothing is tried a second time: each proof may count towards a lockout. Cancelled, it takes its
    leave of the server and returns what is known.
    """
    notebook, began = Notebook(plan.vantage, limits, clock), clock()
    notebook.expect(question, (ask,))
    interrupted = False
    visit = _Visit(ask, entrance, limits)
    try:
        async with visit:
            await visit.run()
            notebook.visited(question, ask, began, visit.seen)
            await visit.leave()
    except asyncio.CancelledError:
        interrupted = True
        notebook.visited(question, ask, began, visit.seen)
        task = asyncio.current_task()
        if task is not None:
            # The request to stop has been followed.
            task.uncancel()
    return _survey(plan, question, notebook, began, interrupted=interrupted)


def not_made(
    plan: Plan,
    question: Question,
    ask: HandshakeAsk,
    why: str,
    limits: Limits,
    *,
    clock: Callable[[], datetime] = utc_now,
) -> Survey:
    """Return the record of a login for which nothing was sent."""
    notebook, at = Notebook(plan.vantage, limits, clock), clock()
    notebook.expect(question, (ask,))
    login = LoginSeen(sent=False, detail=why)
    seen = VisitSeen(Outcome.NOT_ASKED, Phase.CONNECT, 0.0, why, login=login)
    notebook.visited(question, ask, at, seen)
    return _survey(plan, question, notebook, at, interrupted=False)


def _survey(
    plan: Plan, question: Question, notebook: Notebook, began: datetime, *, interrupted: bool
) -> Survey:
    taken = Taken(began, notebook.clock(), plan.vantage, socket.gethostname())
    return replace(
        notebook.survey((question,), plan.digest, taken),
        interrupted=interrupted,
    )


class _Talk(Talk):
    """A talk that can be taken up again where it had stopped for approval."""

    async def go_on(self, eap: bytes | None, deadline: float) -> None:
        if eap is not None:
            await self._converse(eap, deadline)

    @property
    def broken_by(self) -> str | None:
        """What the network did, or what was wrong with what came, where that has ended the talk."""
        if self._error is not None:
            return network_outcome(self._error)[1]
        return None if self._doubt is None else str(self._doubt)


class _Visit(WithinTalk):
    """The conversation, and the one decision in it."""

    _talk: _Talk

    def __init__(self, ask: HandshakeAsk, entrance: Entrance, limits: Limits) -> None:
        peer = entrance.peer
        guised = guise(peer.settings, ask)
        attributes = guised.attributes()
        self._login = Login(
            identity=guised.identity,
            method=ask.methods[0],
            hello=Hello(versions=ask.tls, key_family=ask.key_family, staple=True, careful=True),
            fragment_size=fragment_size(peer, attributes),
            limits=limits,
        )
        self._exchange = Exchange(peer.secret, attributes, limits)
        self._talk = _Talk(self._login, self._exchange, limits)
        self._ask = ask
        self._entrance = entrance
        self._limits = limits
        self._began = 0.0

    async def run(self) -> None:
        """Converse to the end. Never raises for what the network or the peer does."""
        self._began = asyncio.get_running_loop().time()
        deadline = self._began + self._limits.eap_visit
        await self._talk.connect(self._entrance.peer.address, self._ask.port)
        await self._talk.run(deadline)
        if self._login.awaiting_approval:
            await self._talk.go_on(self._decided(), deadline)

    async def leave(self) -> None:
        """End the server's session, if it waits for anything still."""
        await self._talk.leave()

    def _decided(self) -> bytes | None:
        """Go on if this server is one that was approved of, else decline."""
        served = self._login.served
        if served is None or served.key_proven is not True:
            self._login.decline(NO_PROOF)
        elif served.chain not in self._entrance.approved:
            self._login.decline(ANOTHER_CHAIN)
        else:
            return self._login.approve(self._entrance.credential)
        return None

    @property
    def seen(self) -> VisitSeen:
        """What has been seen so far."""
        login, ending = self._login, self._talk.ending
        return VisitSeen(
            outcome=ending.outcome,
            phase=ending.phase,
            seconds=asyncio.get_running_loop().time() - self._began,
            detail=self._cleared(ending.detail),
            alert=login.alert,
            round_trips=login.round_trips,
            served=login.served,
            certificates=login.certificates,
            eap=login.seen,
            radius=self._radius(self._exchange.seen),
            source=self._exchange.datagrams.source,
            login=self._logged_in(login.login),
        )

    def _logged_in(self, login: LoginSeen) -> LoginSeen:
        detail = login.detail
        if login.accepted is None:
            # The conversation knows only that it was broken off.
            detail = self._talk.broken_by or detail
        return replace(
            login,
            detail=self._cleared(detail),
            attributes=self._cleared_all(login.attributes),
        )

    def _radius(self, radius: RadiusSeen) -> RadiusSeen:
        return replace(radius, attributes=self._cleared_all(radius.attributes))

    def _cleared_all(self, attributes: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
        return tuple((name, self._cleared(text) or "") for name, text in attributes)

    def _cleared(self, text: str | None) -> str | None:
        """Return a text without the password: a server that was given it may say it back."""
        credential = self._entrance.credential
        if text is None or not isinstance(credential, Account) or not credential.password:
            return text
        for form in (credential.password, credential.password.encode().hex()):
            text = text.replace(form, _HIDDEN)
        return text
