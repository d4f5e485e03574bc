"""How one login goes over the network: once, to whom it was approved of, and however it ends."""

import asyncio
from collections.abc import Callable, Generator
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.serialization import Encoding
from OpenSSL import SSL

from lab.serving import closed_udp_socket
from probe.limits import Limits
from probe.observation.document import from_json, to_json
from probe.observation.model import (
    Aspect,
    Endpoint,
    Handshake,
    LoginSeen,
    Method,
    Outcome,
    Survey,
    fingerprint,
)
from probe.observe.eapcontext import Peer
from probe.observe.eapquestions import login_visit
from probe.observe.login import CredentialError, Entrance, credential_of, log_in, not_made
from probe.plan.model import Login, Plan
from probe.records import replace
from probe.wire.credential import Account, Inner
from probe.wire.radius import Code, Request, build_reply
from tests.observe.plans import EAP, TRUST, node
from tests.observe.radiuspeers import SECRET, answering
from tests.observe.test_trials import QUICK
from tests.wire.eapserver import Answer
from tests.wire.loginserver import LoginServer, Script, accept, reject
from tests.wire.pki import make_chain, server_context

PASSWORD = "a lantern in the fog"  # noqa: S105  # made up: looked for in what is kept
ACCOUNT = Account("ferryman", PASSWORD, Inner.PAP)
CHAIN = make_chain("rsa")
SERVED = tuple(
    fingerprint(one.public_bytes(Encoding.DER)) for one in (CHAIN.leaf, CHAIN.intermediate)
)
QUAY = node("quay1", "127.0.0.1")
PLAN = Plan(name="Northpier", clients=(), trust=TRUST, nodes=(QUAY,), eap=EAP)


def ending(said: Answer) -> Script:
    """Hear one message inside TLS, and end then."""

    def script(_: SSL.Connection) -> Generator[bytes | Answer | None, bytes, None]:
        yield None
        yield said

    return script


class Front:
    """RADIUS before a server of logins; what is sent is kept."""

    def __init__(self, script: Script, reply: tuple[tuple[str, str], ...] = ()) -> None:
        context = server_context(CHAIN.key, CHAIN.leaf, CHAIN.intermediate)
        self.server = LoginServer(context, Method.EAP_TTLS, script)
        self.sessions = 0
        self.mute_behind: int | None = None
        """Requests after which nothing is answered any more."""
        self.at: Callable[[int], None] = lambda _: None
        self.requests: list[Request] = []
        self._reply = reply
        self._answered: dict[bytes, list[bytes]] = {}

    def handle(self, request: Request) -> list[bytes]:
        if request.authenticator not in self._answered:
            self.requests.append(request)
            self.at(len(self.requests))
            self._answered[request.authenticator] = self._answer(request)
        return self._answered[request.authenticator]

    def _answer(self, request: Request) -> list[bytes]:
        if self.mute_behind is not None and len(self.requests) > self.mute_behind:
            return []
        assert request.eap is not None
        self.sessions += request.state is None
        code, packet = self.server.answer(request.eap)
        attributes = self._reply if code is not Code.ACCESS_CHALLENGE else ()
        return [
            build_reply(
                request, SECRET, code, eap=packet.octets, state=b"session", attributes=attributes
            )
        ]


def made(
    front: Front,
    *,
    approved: tuple[str, ...] = SERVED,
    limits: Limits = QUICK,
    cancelled_at: int | None = None,
) -> tuple[Survey, Handshake, LoginSeen]:
    """Log in at a server and return what is seen."""
    eap = replace(EAP, methods=(Method.EAP_TTLS,))

    async def run() -> Survey:
        async with answering(front.handle) as radius:
            question, ask = login_visit(QUAY, replace(eap, port=radius.port), Method.EAP_TTLS)
            entrance = Entrance(Peer("127.0.0.1", eap, SECRET), ACCOUNT, frozenset({approved}))
            task = asyncio.create_task(log_in(PLAN, question, ask, entrance, limits))
            if cancelled_at is not None:

                def at(number: int) -> None:
                    if number == cancelled_at:
                        task.cancel()

                front.at = at
            return await task

    seen = asyncio.run(run())
    (record,) = seen.handshakes
    assert record.login is not None
    return seen, record, record.login


# ---------------------------------------------------------------- how it ends


def test_a_login_that_is_let_in() -> None:
    """This server derives no keys, and gives none."""
    attributes = (("Tunnel-Private-Group-ID", "quayside"),)
    seen, record, login = made(Front(ending(accept()), attributes))
    assert login == LoginSeen(
        sent=True,
        accepted=True,
        inner="PAP",
        attributes=attributes,
        resumable=login.resumable,
    )
    assert (record.asked.aspect, record.endpoint) == (Aspect.LOGIN, Endpoint.EAP)
    assert (record.outcome, record.served and record.served.chain) == (Outcome.SERVED, SERVED)
    assert seen.unobserved() == ()
    assert tuple(seen.certificates) == SERVED


def test_a_rejected_login_is_not_tried_again() -> None:
    front = Front(ending(reject()))
    seen, _, login = made(front)
    assert (login.sent, login.accepted) == (True, False)
    assert front.sessions == 1
    assert len(front.server.inside_heard) == 1
    assert seen.unobserved() == ()


def test_another_chain_hears_nothing() -> None:
    front = Front(ending(accept()))
    seen, record, login = made(front, approved=SERVED[:1])
    assert (login.sent, login.accepted) == (False, None)
    assert record.outcome is Outcome.SERVED
    assert front.server.inside_heard == []
    assert seen.unobserved() == (record.question,)


def test_silence_behind_the_credential_is_no_answer() -> None:
    """The same datagram goes out again; no other proof is made."""
    whole = Front(ending(accept()))
    made(whole)
    front = Front(ending(accept()))
    front.mute_behind = len(whole.requests) - 1
    seen, record, login = made(front)
    assert (login.sent, login.accepted) == (True, None)
    assert login.detail == "no further reply"
    assert record.outcome is Outcome.SERVED
    assert seen.unobserved() == (record.question,)


@pytest.mark.parametrize("number", [1, 2, 3])
def test_a_login_that_is_cancelled_tells_what_is_known(number: int) -> None:
    front = Front(ending(reject()))
    seen, record, login = made(front, cancelled_at=number)
    assert seen.interrupted
    assert (login.sent, login.accepted) == (False, None)
    assert front.server.inside_heard == []
    assert seen.unobserved() == (record.question,)


def test_a_closed_port_is_told_as_ever() -> None:
    with closed_udp_socket("127.0.0.1", 0) as closed:
        port = closed.getsockname()[1]
        question, ask = login_visit(QUAY, replace(EAP, port=port), Method.EAP_TTLS)
        entrance = Entrance(Peer("127.0.0.1", EAP, SECRET), ACCOUNT, frozenset({SERVED}))
        seen = asyncio.run(log_in(PLAN, question, ask, entrance, QUICK))
    (record,) = seen.handshakes
    assert record.outcome is Outcome.CLOSED
    assert record.login == LoginSeen(sent=False, detail="the port is closed")
    assert seen.unobserved() == (record.question,)


# ---------------------------------------------------------------- what is kept


def test_a_password_that_the_server_says_back_is_not_kept() -> None:
    said = f"welcome, {PASSWORD}"
    attributes = (("Reply-Message", said), ("Class", PASSWORD.encode().hex()))
    seen, _, login = made(Front(ending(accept()), attributes))
    assert dict(login.attributes)["Reply-Message"] == "welcome, (not shown)"
    kept = to_json(seen)
    assert PASSWORD.encode() not in kept
    assert PASSWORD.encode().hex().encode() not in kept


def test_a_login_is_saved_and_read_again() -> None:
    seen, record, _ = made(Front(ending(reject())))
    assert from_json(to_json(seen)).handshakes == (record,)


def test_nothing_shows_a_credential() -> None:
    entrance = Entrance(Peer("127.0.0.1", EAP, SECRET), ACCOUNT, frozenset())
    assert PASSWORD not in repr(entrance)
    assert "ferryman" not in repr(entrance)


def test_a_login_that_was_not_made_is_not_seen() -> None:
    question, ask = login_visit(QUAY, EAP, Method.PEAP)
    seen = not_made(PLAN, question, ask, "not approved of", QUICK)
    (record,) = seen.handshakes
    assert (record.outcome, record.detail) == (Outcome.NOT_ASKED, "not approved of")
    assert record.login == LoginSeen(sent=False, detail="not approved of")
    assert seen.unobserved() == ("eap/quay1/127.0.0.1:1812/login",)


# ---------------------------------------------------------------- the credential


def test_an_account_is_made_of_the_plan() -> None:
    planned = Login(Method.EAP_TTLS, inner="PAP", account="ferryman")
    assert credential_of(planned, PASSWORD.encode()) == ACCOUNT
    by_default = credential_of(Login(Method.PEAP, account="ferryman"), b"x")
    assert by_default == Account("ferryman", "x", Inner.MSCHAPV2)


def test_what_is_no_credential_is_refused_without_a_word_of_it(tmp_path: Path) -> None:
    with pytest.raises(CredentialError, match="no UTF-8") as refused:
        credential_of(Login(Method.PEAP, account="ferryman"), b"\xff\xfe secret")
    assert refused.value.__cause__ is None
    assert "secret" not in str(refused.value)
    path = tmp_path / "device.pem"
    path.write_bytes(CHAIN.leaf.public_bytes(Encoding.PEM))
    with pytest.raises(CredentialError) as refused:
        credential_of(Login(Method.EAP_TLS, certificate=path), b"no key at all")
    assert "no key at all" not in str(refused.value)
