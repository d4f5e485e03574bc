"""What is tried after a failure: each reason for a silence, made on loopback, and told apart."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest

from probe.limits import DEFAULT, Limits
from probe.observation.model import (
    Aspect,
    HandshakeAsk,
    KeyFamily,
    Method,
    Outcome,
    TlsVersion,
    Trial,
    TrialKind,
)
from probe.observe.eap import EapVisit
from probe.observe.eapcontext import Peer
from probe.observe.visit import VisitSeen
from probe.records import replace
from probe.wire.radius import Code, Request, build_reply
from tests.observe.plans import EAP
from tests.observe.radiuspeers import (
    SECRET,
    FakeRadius,
    Handler,
    answering,
    challenge,
    reject,
)
from tests.wire.eapserver import EapServer
from tests.wire.pki import make_chain, server_context

QUICK = replace(
    DEFAULT,
    radius_first_wait=0.05,
    radius_longest_wait=0.05,
    radius_tries=3,
    radius_silence=0.15,
    eap_farewell_wait=0.05,
)
"""Trials wait no longer than a request's own silence."""

ASK = HandshakeAsk("127.0.0.1", 0, methods=(Method.PEAP,))


class Clients:
    """A RADIUS server that tells its clients apart by State, and counts their sessions."""

    def __init__(self, version: TlsVersion = TlsVersion.TLS1_2, *, ciphers: str = "ALL") -> None:
        self.radius: FakeRadius
        self.opened = 0
        self.ended = 0
        self._chain = make_chain("rsa")
        self._version = version
        self._ciphers = ciphers
        self._sessions: dict[bytes, EapServer] = {}
        self._answered: dict[tuple[tuple[str, int], bytes], list[bytes]] = {}

    def handle(self, request: Request) -> list[bytes]:
        """Answer a request, the same one alike (RFC 5080, 2.2.2)."""
        key = self.radius.senders[-1], request.authenticator
        if key not in self._answered:
            self._answered[key] = [self._answer(request)]
        return self._answered[key]

    def _answer(self, request: Request) -> bytes:
        if request.code == Code.STATUS_SERVER:
            return build_reply(request, SECRET, Code.ACCESS_ACCEPT)
        state = request.state
        if state is None:
            self.opened += 1
            state = b"session %d" % self.opened
            self._sessions[state] = self._server(request)
        assert request.eap is not None
        code, packet = self._sessions[state].answer(request.eap)
        self.ended += code is Code.ACCESS_REJECT
        return build_reply(request, SECRET, code, eap=packet.octets, state=state)

    def _server(self, request: Request) -> EapServer:
        chain = self._chain
        context = server_context(
            chain.key,
            chain.leaf,
            chain.intermediate,
            version=self._version,
            ciphers=self._ciphers,
        )
        # Framed-MTU tells how large a fragment may be (RFC 3579, 2.4).
        size = min(1000, int(dict(request.shown)["Framed-MTU"]) - 10)
        return EapServer(context, fragment_size=size)


@asynccontextmanager
async def serving(clients: Clients, handle: Handler | None = None) -> AsyncIterator[FakeRadius]:
    async with answering(handle or clients.handle) as radius:
        clients.radius = radius
        yield radius


def tried(
    clients: Clients,
    handle: Handler | None = None,
    *,
    limits: Limits = QUICK,
    claim: Callable[[TrialKind], bool | None] = lambda _: True,
    ask: HandshakeAsk = ASK,
) -> tuple[VisitSeen, dict[TrialKind, Trial]]:
    """Visit, leave, and narrow down."""

    async def run() -> tuple[VisitSeen, tuple[Trial, ...]]:
        async with serving(clients, handle) as radius:
            here = replace(ask, port=radius.port)
            peer = Peer("127.0.0.1", EAP, SECRET)
            async with EapVisit(here, peer, limits, jitter=lambda: 0.0) as visit:
                seen = await visit.run()
                await visit.leave()
                trials = await visit.narrow_down(claim)
            assert len(asyncio.all_tasks()) == 1
            return seen, trials

    seen, trials = asyncio.run(run())
    assert [trial.kind for trial in trials] == [
        kind for kind in TrialKind if kind in by_kind(trials)
    ]
    return seen, by_kind(trials)


def by_kind(trials: tuple[Trial, ...]) -> dict[TrialKind, Trial]:
    return {trial.kind: trial for trial in trials}


def silent(_: Request) -> list[bytes]:
    return []


# ---------------------------------------------------------------- silence at once


def test_a_server_that_does_not_know_us_stays_silent_to_everything() -> None:
    clients = Clients()
    seen, trials = tried(clients, silent)
    assert seen.outcome is Outcome.SILENT
    assert {kind: trial.outcome for kind, trial in trials.items()} == {
        TrialKind.STATUS_SERVER: Outcome.SILENT,
        TrialKind.UNCONNECTED: Outcome.SILENT,
    }
    codes = [request.code for request in clients.radius.heard]
    # Three transmissions, then one from another socket, and Status-Server as often as a request.
    assert codes.count(Code.ACCESS_REQUEST) == 4
    assert codes.count(Code.STATUS_SERVER) == 3
    assert len(set(clients.radius.senders)) == 2


def test_a_server_that_runs_and_drops_the_request_is_told_by_status_server() -> None:
    """RFC 5997, 4.2: it answers on the authentication port with Access-Accept."""

    def handle(request: Request) -> list[bytes]:
        return clients.handle(request) if request.code == Code.STATUS_SERVER else []

    clients = Clients()
    _, trials = tried(clients, handle)
    status = trials[TrialKind.STATUS_SERVER]
    assert (status.outcome, status.detail) == (Outcome.SERVED, "Access-Accept")
    (asked, *_) = [one for one in clients.radius.heard if one.code == 12]
    # RFC 5997, 3: a Message-Authenticator and who we are; no user.
    assert dict(asked.shown) == {"NAS-Identifier": "cert-probe"}
    assert asked.verification.value == "valid"


@pytest.mark.parametrize("other", ["127.0.0.2", "127.0.0.1"])
def test_a_reply_from_elsewhere_is_heard_by_a_socket_that_takes_any(other: str) -> None:
    """A server on several addresses may answer from the wrong one, or a translator in between."""
    clients = Clients()

    async def run() -> tuple[VisitSeen, tuple[Trial, ...], int]:
        loop = asyncio.get_running_loop()
        elsewhere, _ = await loop.create_datagram_endpoint(
            asyncio.DatagramProtocol, local_addr=(other, 0)
        )

        def handle(request: Request) -> list[bytes]:
            for octets in clients.handle(request):
                elsewhere.sendto(octets, radius.senders[-1])
            return []

        async with serving(clients, handle) as radius:
            ask = replace(ASK, port=radius.port)
            peer = Peer("127.0.0.1", EAP, SECRET)
            async with EapVisit(ask, peer, QUICK, jitter=lambda: 0.0) as visit:
                seen = await visit.run()
                trials = await visit.narrow_down(lambda _: True)
            port = int(elsewhere.get_extra_info("sockname")[1])
            elsewhere.close()
            return seen, trials, port

    seen, made, port = asyncio.run(run())
    trials = by_kind(made)
    assert seen.outcome is Outcome.SILENT
    assert trials[TrialKind.STATUS_SERVER].outcome is Outcome.SILENT
    found = trials[TrialKind.UNCONNECTED]
    assert (found.outcome, found.detail) == (Outcome.SERVED, "Access-Challenge")
    # With the port, where only that differs.
    assert found.replied_from == (other if other != "127.0.0.1" else f"127.0.0.1:{port}")
    # It ended the session that it had opened; of the first one it has never heard.
    assert (clients.opened, clients.ended) == (2, 1)


def test_what_does_not_verify_from_elsewhere_is_nobodys_reply() -> None:
    clients = Clients()

    async def run() -> tuple[Trial, ...]:
        loop = asyncio.get_running_loop()
        elsewhere, _ = await loop.create_datagram_endpoint(
            asyncio.DatagramProtocol, local_addr=("127.0.0.2", 0)
        )

        def handle(request: Request) -> list[bytes]:
            start = b"\x01\x07\x00\x06\x19\x20"
            elsewhere.sendto(challenge(request, start, secret=b"another"), radius.senders[-1])
            return []

        async with serving(clients, handle) as radius:
            ask = replace(ASK, port=radius.port)
            async with EapVisit(ask, Peer("127.0.0.1", EAP, SECRET), QUICK) as visit:
                await visit.run()
                trials = await visit.narrow_down(lambda _: True)
            elsewhere.close()
            return trials

    found = by_kind(asyncio.run(run()))[TrialKind.UNCONNECTED]
    assert (found.outcome, found.replied_from) == (Outcome.SILENT, None)


# ---------------------------------------------------------------- silence later


def losing_replies_over(clients: Clients, octets: int) -> Handler:
    def handle(request: Request) -> list[bytes]:
        return [reply for reply in clients.handle(request) if len(reply) <= octets]

    return handle


def test_large_replies_that_are_lost_are_told_by_small_ones() -> None:
    clients = Clients()
    seen, trials = tried(clients, losing_replies_over(clients, 700))
    assert seen.outcome is Outcome.CUT_OFF
    smaller = trials[TrialKind.SMALLER_REPLIES]
    assert smaller.outcome is Outcome.SERVED
    assert smaller.detail is not None
    assert smaller.detail.startswith("Framed-MTU 500: the chain came after ")
    large = trials[TrialKind.LARGE_REQUEST]
    assert (large.outcome, large.detail) == (
        Outcome.SERVED,
        "a request of 1600 octets: Access-Challenge",
    )
    assert TrialKind.UNCONNECTED not in trials
    assert max(len(octets) for octets in clients.radius.datagrams) == 1600
    # The visit's own session is ended too, though what the server asked last was never heard.
    assert (clients.opened, clients.ended) == (3, 3)


def test_large_requests_that_are_lost_are_told_by_a_large_one() -> None:
    def handle(request: Request) -> list[bytes]:
        answers = clients.handle(request) if len(request.octets) <= 1_500 else []
        return [reply for reply in answers if len(reply) <= 700]

    clients = Clients()
    _, trials = tried(clients, handle)
    assert trials[TrialKind.SMALLER_REPLIES].outcome is Outcome.SERVED
    large = trials[TrialKind.LARGE_REQUEST]
    assert large.outcome is Outcome.SILENT
    assert large.detail == "a request of 1600 octets: no reply to the EAP identity"


def test_a_server_that_goes_mute_at_our_hello_is_mute_at_a_small_one_too() -> None:
    def handle(request: Request) -> list[bytes]:
        return clients.handle(request) if request.state is None else []

    clients = Clients()
    seen, trials = tried(clients, handle)
    assert seen.outcome is Outcome.CUT_OFF
    assert {kind: trial.outcome for kind, trial in trials.items()} == {
        TrialKind.UNCONNECTED: Outcome.CUT_OFF,
        TrialKind.SMALLER_REPLIES: Outcome.CUT_OFF,
        TrialKind.LARGE_REQUEST: Outcome.SERVED,
    }
    # What is announced: the visit and three more.
    assert clients.opened == 4


# ---------------------------------------------------------------- refusals


def test_a_server_of_old_versions_shows_itself_to_a_wider_offer() -> None:
    clients = Clients(TlsVersion.TLS1_1)
    seen, trials = tried(clients)
    assert seen.outcome is Outcome.REFUSED
    wider = trials[TrialKind.WIDER_OFFER]
    assert wider.outcome is Outcome.SERVED
    assert wider.detail is not None
    assert wider.detail.startswith("TLSv1.1: the chain came after ")
    assert set(trials) == {TrialKind.WIDER_OFFER}
    assert (clients.opened, clients.ended) == (2, 2)


def test_a_server_that_refuses_every_hello_refuses_the_wider_one() -> None:
    def handle(request: Request) -> list[bytes]:
        return clients.handle(request) if request.state is None else [reject(request)]

    clients = Clients()
    _, trials = tried(clients, handle)
    wider = trials[TrialKind.WIDER_OFFER]
    assert (wider.outcome, wider.detail) == (
        Outcome.REFUSED,
        "Access-Reject after the ClientHello",
    )


@pytest.mark.parametrize("version", [TlsVersion.TLS1_0, TlsVersion.TLS1_2])
@pytest.mark.parametrize(
    "offered",
    [ASK.tls, (TlsVersion.TLS1_0, TlsVersion.TLS1_1, TlsVersion.TLS1_2, TlsVersion.TLS1_3)],
)
def test_a_server_of_old_suites_shows_itself_to_a_wider_offer(
    version: TlsVersion, offered: tuple[TlsVersion, ...]
) -> None:
    """Static RSA (RFC 5246, 7.4.7.1) is what servers speak that are old enough."""
    clients = Clients(version, ciphers="AES128-SHA")
    seen, trials = tried(clients, ask=replace(ASK, tls=offered))
    assert seen.outcome is Outcome.REFUSED
    wider = trials[TrialKind.WIDER_OFFER]
    assert wider.outcome is Outcome.SERVED
    assert wider.detail is not None
    assert wider.detail.startswith(f"{version}: the chain came after ")
    assert wider.detail.endswith(", by AES128-SHA")
    assert clients.opened == clients.ended == 2


# ---------------------------------------------------------------- when not


_START = b"\x01\x07\x00\x06\x19\x20"
_NO_TLS = b"\x01\x08\x00\x0c\x19\x00no TLS"


@pytest.mark.parametrize(
    "handle",
    [
        None,
        lambda request: [reject(request)],
        lambda request: [challenge(request, b"\x01\x07\x00\xff\x19")],
        lambda request: [challenge(request, _NO_TLS if request.state else _START)],
    ],
    ids=["served", "rejected", "malformed", "no TLS"],
)
def test_nothing_is_tried_where_the_answer_says_it_all(handle: Handler | None) -> None:
    _, trials = tried(Clients(), handle)
    assert trials == {}


def test_nothing_is_tried_after_a_closer_look() -> None:
    """That a server is silent to one is for the visits of clients to explain."""
    ask = replace(ASK, key_family=KeyFamily.ECDSA, aspect=Aspect.FAMILY)
    seen, trials = tried(Clients(), silent, ask=ask)
    assert seen.outcome is Outcome.SILENT
    assert trials == {}


def test_what_may_not_be_tried_is_not() -> None:
    clients = Clients()
    _, trials = tried(clients, silent, claim=lambda kind: kind is TrialKind.STATUS_SERVER)
    assert set(trials) == {TrialKind.STATUS_SERVER}


def test_what_the_pace_leaves_no_room_for_is_told() -> None:
    clients = Clients()
    _, trials = tried(
        clients, silent, claim=lambda kind: True if kind is TrialKind.STATUS_SERVER else None
    )
    untried = trials[TrialKind.UNCONNECTED]
    assert untried.outcome is Outcome.NOT_ASKED
    assert "failed authentications" in (untried.detail or "")


def test_a_trial_that_is_cancelled_ends_its_session_first() -> None:
    clients = Clients()

    async def run() -> None:
        def handle(request: Request) -> list[bytes]:
            answers = [reply for reply in clients.handle(request) if len(reply) <= 700]
            if clients.opened == 2:
                task.cancel()
            return answers

        async def whole() -> None:
            ask = replace(ASK, port=clients.radius.port)
            async with EapVisit(ask, Peer("127.0.0.1", EAP, SECRET), QUICK) as visit:
                await visit.run()
                await visit.leave()
                await visit.narrow_down(lambda _: True)

        async with serving(clients, handle):
            task = asyncio.create_task(whole())
            with pytest.raises(asyncio.CancelledError):
                await task

    asyncio.run(run())
    assert (clients.opened, clients.ended) == (2, 2)


def test_all_of_it_stays_within_the_time_of_a_visit() -> None:
    """A server that answers each request in the last moment, and the hello not at all."""
    limits = replace(QUICK, radius_silence=1.0, radius_tries=20, eap_visit=0.4)

    def handle(request: Request) -> list[bytes]:
        return clients.handle(request) if request.state is None else []

    async def run() -> float:
        async with serving(clients, handle) as radius:
            ask = replace(ASK, port=radius.port)
            began = asyncio.get_running_loop().time()
            async with EapVisit(ask, Peer("127.0.0.1", EAP, SECRET), limits) as visit:
                await visit.run()
                await visit.leave()
                assert await visit.narrow_down(lambda _: True) == ()
            return asyncio.get_running_loop().time() - began

    clients = Clients()
    assert asyncio.run(run()) < 0.8
