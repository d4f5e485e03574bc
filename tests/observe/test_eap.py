"""Every outcome of an EAP visit, each with a RADIUS peer on loopback that brings it about."""

import asyncio
import errno
import socket
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from probe.limits import DEFAULT, Limits
from probe.observation.model import HandshakeAsk, Method, Outcome, Phase, TlsVersion
from probe.observe.eap import EapVisit
from probe.observe.eapcontext import Peer, request_context
from probe.observe.exchange import Exchange
from probe.observe.visit import VisitSeen
from probe.plan.model import Eap, Visit
from probe.records import replace
from probe.wire import eap
from probe.wire.fragments import Fragment, Fragmenter
from probe.wire.radius import Code, Reply, Request, build_reply
from tests.observe import standstill
from tests.observe.plans import EAP
from tests.observe.radiuspeers import (
    SECRET,
    FakeRadius,
    Handler,
    answering,
    challenge,
    joined,
    reject,
)
from tests.wire.eapserver import Answer, EapServer
from tests.wire.handmade import hello_retry_request
from tests.wire.pki import der, make_chain, server_context

QUICK = replace(
    DEFAULT,
    radius_first_wait=0.05,
    radius_longest_wait=0.05,
    radius_tries=3,
    radius_silence=0.15,
    eap_farewell_wait=0.05,
)
"""For tests whose point is that nothing usable comes; all others finish before any wait."""

PEAP_START = b"\x01\x07\x00\x06\x19\x20"
"""RFC 3748, 4.1: Request (1), Identifier 7, length 6; type 25 is PEAP, flag S is 0x20."""

NOT_OFFERED = b"\x01\x07\x00\x06\x2b\x20"
"""The same for type 43, EAP-FAST."""


async def converse(
    port: int, *, limits: Limits = DEFAULT, settings: Eap = EAP, visit: str | None = None
) -> VisitSeen:
    ask = HandshakeAsk("127.0.0.1", port, methods=(Method.PEAP,), visit=visit)
    peer = Peer("127.0.0.1", settings, SECRET)
    async with EapVisit(ask, peer, limits, jitter=lambda: 0.0) as conversation:
        seen = await conversation.run()
        await conversation.leave()
    assert len(asyncio.all_tasks()) == 1
    return seen


def visit(handle: Handler, *, limits: Limits = DEFAULT) -> tuple[VisitSeen, FakeRadius]:
    async def run() -> tuple[VisitSeen, FakeRadius]:
        async with answering(handle) as server:
            return await converse(server.port, limits=limits), server

    return asyncio.run(run())


def tls_server(version: TlsVersion = TlsVersion.TLS1_2) -> tuple[EapServer, tuple[bytes, ...]]:
    chain = make_chain("rsa")
    served = (chain.leaf, chain.intermediate)
    return EapServer(server_context(chain.key, *served, version=version)), der(*served)


@pytest.mark.parametrize("version", [TlsVersion.TLS1_2, TlsVersion.TLS1_3])
def test_a_served_chain_is_in_hand_in_the_order_served(version: TlsVersion) -> None:
    server, chain = tls_server(version)
    seen, peer = visit(joined(server))
    assert (seen.outcome, seen.phase, seen.detail) == (Outcome.SERVED, Phase.FINISH, None)
    assert seen.certificates == chain
    assert seen.served is not None
    assert seen.served.key_proven
    assert seen.eap is not None
    assert seen.eap.method is Method.PEAP
    assert seen.radius is not None
    assert seen.radius.reply == "Access-Challenge"
    assert seen.radius.message_authenticator
    # Identity, ClientHello, and an acknowledgement for each fragment but the last.
    assert seen.round_trips == 1 + len(seen.eap.fragments)
    assert seen.radius.transmissions == seen.round_trips
    assert seen.source == "127.0.0.1"
    # The polite end is one more request, outside what is counted; the server rejects it.
    assert len(peer.heard) == seen.round_trips + 1
    assert server.heard[-1].type == eap.Type.PEAP


def test_each_request_has_an_identifier_of_its_own() -> None:
    _, peer = visit(joined(tls_server()[0]))
    identifiers = [request.identifier for request in peer.heard]
    first = identifiers[0]
    assert identifiers == [(first + n) % 256 for n in range(len(identifiers))]


def test_the_request_attributes_are_constant_and_nobodys() -> None:
    settings = replace(
        EAP,
        anonymous_nai="anonymous@northpier.example",
        ssid="Northpier",
        nas_address="192.0.2.200",
        attributes=(("NAS-Port-Id", "probe"),),
    )

    async def run() -> FakeRadius:
        async with answering(lambda request: [reject(request)]) as server:
            seen = await converse(server.port, settings=settings)
            assert seen.radius is not None
            assert seen.radius.sent == server.heard[0].shown
            return server

    (request,) = asyncio.run(run()).heard
    shown = dict(request.shown)
    assert shown["User-Name"] == "anonymous@northpier.example"
    assert shown["NAS-Identifier"] == "cert-probe"
    assert shown["NAS-IP-Address"] == "192.0.2.200"
    assert shown["Calling-Station-Id"] == "02-00-00-CE-47-01"
    assert shown["NAS-Port-Id"] == "probe"
    # RFC 3580, 3.20: an address, a colon, the SSID. 02 marks a locally administered address.
    address, _, ssid = shown["Called-Station-Id"].partition(":")
    assert address.startswith("02-")
    assert ssid == "Northpier"
    # RFC 3579, 3.1: the identity of the EAP response is also the User-Name.
    assert request.eap is not None
    assert request.eap[5:] == b"anonymous@northpier.example"


class _AsksForCookie(EapServer):
    """Answers the first ClientHello with a HelloRetryRequest that sets a long cookie."""

    def inside(self, fragment: Fragment) -> Answer:
        if self._ours.pending:
            return self.say()
        whole = self._theirs.add(fragment)
        if whole is None:
            return self.request(eap.Type.PEAP, Fragment().octets)
        if len(whole) > 20_000:
            return self.failure()
        self._ours = Fragmenter(hello_retry_request(whole, bytes(20_000)), self.fragment_size)
        return self.say()


def test_a_long_hello_fits_the_packets_whatever_the_mtu() -> None:
    # RFC 9846, 4.2.2: the client sends the server's cookie back; RFC 2865, 3: 4096 octets a packet.
    server = _AsksForCookie(None)
    settings = replace(EAP, framed_mtu=9_000)

    async def run() -> tuple[VisitSeen, FakeRadius]:
        async with answering(joined(server)) as peer:
            return await converse(peer.port, settings=settings), peer

    seen, peer = asyncio.run(run())
    assert (seen.outcome, seen.phase) == (Outcome.REFUSED, Phase.HELLO)
    assert max(len(request.octets) for request in peer.heard) <= 4096
    assert sum(len(request.eap or b"") for request in peer.heard) > 20_000


def test_a_visit_takes_its_own_context() -> None:
    dock = Visit("wired dock", "wired", None, "dock@northpier.example", (("NAS-Port-Id", "d1"),))
    settings = replace(EAP, ssid="Northpier", attributes=(("NAS-Port-Id", "w1"),), visits=(dock,))

    async def run() -> FakeRadius:
        async with answering(lambda request: [reject(request)]) as server:
            await converse(server.port, settings=settings, visit="wired dock")
            return server

    shown = dict(asyncio.run(run()).heard[0].shown)
    assert shown["User-Name"] == "dock@northpier.example"
    assert shown["NAS-Port-Type"] == "Ethernet"
    assert shown["NAS-Port-Id"] == "d1"
    assert "Called-Station-Id" not in shown
    with pytest.raises(KeyError):
        request_context(settings, "no such visit")


def test_a_lost_reply_is_asked_for_with_the_same_octets() -> None:
    """RFC 5080, 2.2.1: a retransmission is the same packet."""
    server, _ = tls_server()
    inner = joined(server)
    lost: list[Request] = []

    def handle(request: Request) -> list[bytes]:
        if not lost:
            lost.append(request)
            return []
        return inner(request)

    seen, peer = visit(handle, limits=QUICK)
    assert seen.outcome is Outcome.SERVED
    assert peer.datagrams[0] == peer.datagrams[1]
    assert seen.radius is not None
    assert seen.round_trips is not None
    assert seen.radius.transmissions == seen.round_trips + 1


def test_a_closed_port_is_told_at_once() -> None:
    async def run() -> VisitSeen:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as held:
            # Connected to itself, it takes nothing from others: they get ICMP port unreachable.
            held.bind(("127.0.0.1", 0))
            held.connect(held.getsockname())
            return await converse(held.getsockname()[1])

    seen = asyncio.run(run())
    assert (seen.outcome, seen.phase) == (Outcome.CLOSED, Phase.CONNECT)
    assert seen.radius is not None
    assert seen.radius.transmissions == 1


def test_no_route_is_told_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.ENETUNREACH, "Network is unreachable")

    async def run() -> VisitSeen:
        monkeypatch.setattr(socket.socket, "connect", refuse)
        return await converse(1812)

    seen = asyncio.run(run())
    assert (seen.outcome, seen.phase) == (Outcome.UNREACHABLE, Phase.CONNECT)
    assert seen.detail == "Network is unreachable"
    assert seen.radius is not None
    assert seen.radius.transmissions == 0


def test_a_port_that_closes_in_the_middle_is_a_cut_off() -> None:
    async def run() -> VisitSeen:
        def handle(request: Request) -> list[bytes]:
            # The socket closes with the reply on its way; the next request meets a closed port.
            server.transport.sendto(challenge(request, PEAP_START), server.senders[-1])
            server.transport.close()
            return []

        async with answering(handle) as server:
            return await converse(server.port)

    seen = asyncio.run(run())
    assert (seen.outcome, seen.phase) == (Outcome.CUT_OFF, Phase.HELLO)
    assert seen.detail == "the port is closed, in the middle of the conversation"


def test_silence() -> None:
    async def run() -> tuple[VisitSeen, FakeRadius]:
        async with answering(lambda _: []) as server:
            return await converse(server.port, limits=QUICK), server

    seen, peer = standstill.run(run())
    assert (seen.outcome, seen.phase, seen.round_trips) == (Outcome.SILENT, Phase.IDENTITY, 0)
    assert seen.radius is not None
    assert (seen.radius.reply, seen.radius.message_authenticator) == (None, None)
    assert seen.radius.transmissions == 3
    assert len(peer.datagrams) == 3
    assert seen.seconds == pytest.approx(0.15)


def test_silence_after_the_identity_is_a_cut_off() -> None:
    def handle(request: Request) -> list[bytes]:
        return [] if request.state else [challenge(request, PEAP_START)]

    seen, _ = visit(handle, limits=QUICK)
    assert (seen.outcome, seen.phase, seen.round_trips) == (Outcome.CUT_OFF, Phase.HELLO, 1)


def test_a_visit_has_its_own_bound_of_time() -> None:
    """Replies that always come in time, for ever."""
    number = iter(range(1, 1_000_000))

    def handle(request: Request) -> list[bytes]:
        return [challenge(request, bytes((1, next(number) % 256, 0, 5, 2)))]

    limits = replace(DEFAULT, eap_visit=0.2, eap_rounds=1_000_000, eap_farewell_wait=10.0)
    seen, _ = visit(handle, limits=limits)
    assert (seen.outcome, seen.detail) == (Outcome.CUT_OFF, "given up after 0.2 s")


def test_a_request_that_is_due_at_the_deadline_is_sent_still() -> None:
    """Else its reply would be waited for in vain."""

    async def run() -> Reply | None:
        async with answering(lambda request: [reject(request)]) as server:
            exchange = Exchange(SECRET, (), DEFAULT)
            await exchange.datagrams.connect("127.0.0.1", server.port)
            request = exchange.request(b"\x02\x00\x00\x06\x01a")
            late = asyncio.get_running_loop().time()
            try:
                assert await exchange.ask(request, late) is None
                return await exchange.reply(request, late + 30)
            finally:
                await exchange.datagrams.close()

    reply = asyncio.run(run())
    assert reply is not None
    assert reply.kind == "Access-Reject"


def test_a_mistake_in_answering_reaches_whoever_asks() -> None:
    """What comes is answered in the socket's callback, where the loop would only log it."""

    def then(reply: Reply) -> Request | None:
        raise ValueError(reply.kind)

    async def run() -> None:
        async with answering(lambda request: [reject(request)]) as server:
            exchange = Exchange(SECRET, (), DEFAULT)
            await exchange.datagrams.connect("127.0.0.1", server.port)
            request = exchange.request(b"\x02\x00\x00\x06\x01a")
            deadline = asyncio.get_running_loop().time() + 30
            try:
                with pytest.raises(ValueError, match="Access-Reject"):
                    await exchange.ask(request, deadline, then)
            finally:
                await exchange.datagrams.close()

    asyncio.run(run())


@pytest.mark.parametrize(
    ("handle", "outcome", "phase", "detail"),
    [
        (
            lambda request: [reject(request)],
            Outcome.REJECTED,
            Phase.IDENTITY,
            "Access-Reject before TLS began",
        ),
        (
            lambda request: (
                [challenge(request, NOT_OFFERED)] if request.state is None else [reject(request)]
            ),
            Outcome.METHOD_REFUSED,
            Phase.METHOD,
            "Access-Reject after we asked for PEAP",
        ),
        (
            lambda request: (
                [challenge(request, PEAP_START)] if request.state is None else [reject(request)]
            ),
            Outcome.REFUSED,
            Phase.HELLO,
            "Access-Reject after the ClientHello",
        ),
        (
            lambda request: [challenge(request, b"\x01\x07\x00\xff\x19")],
            Outcome.MALFORMED,
            Phase.IDENTITY,
            None,
        ),
    ],
)
def test_other_answers(handle: Handler, outcome: Outcome, phase: Phase, detail: str | None) -> None:
    seen, _ = visit(handle)
    assert (seen.outcome, seen.phase) == (outcome, phase)
    assert detail is None or seen.detail == detail


def other_secret(request: Request) -> bytes:
    return challenge(request, PEAP_START, secret=b"not the one agreed on")


def cut_short(request: Request) -> bytes:
    return challenge(request, PEAP_START)[:30]


def stray(request: Request) -> bytes:
    octets = challenge(request, PEAP_START)
    return octets[:1] + bytes(((request.identifier + 1) % 256,)) + octets[2:]


@pytest.mark.parametrize(
    ("bad", "outcome", "detail"),
    [
        (other_secret, Outcome.SECRET_DIFFERS, "the shared secret differs"),
        (cut_short, Outcome.MALFORMED, "length"),
        (stray, Outcome.SILENT, "no reply to the EAP identity"),
    ],
)
def test_nothing_but_bad_replies(
    bad: Callable[[Request], bytes], outcome: Outcome, detail: str
) -> None:
    seen, _ = visit(lambda request: [bad(request)], limits=QUICK)
    assert (seen.outcome, seen.phase, seen.round_trips) == (outcome, Phase.IDENTITY, 0)
    assert seen.detail is not None
    assert detail in seen.detail


@pytest.mark.parametrize("bad", [other_secret, cut_short, stray])
def test_a_bad_reply_does_not_stand_in_the_way_of_a_good_one(
    bad: Callable[[Request], bytes],
) -> None:
    inner = joined(tls_server()[0])
    seen, peer = visit(lambda request: [bad(request), *inner(request)])
    assert seen.outcome is Outcome.SERVED
    assert seen.round_trips is not None
    assert len(peer.heard) == seen.round_trips + 1


def test_two_transmissions_answered_wrongly_are_clear_enough() -> None:
    seen, peer = visit(lambda request: [other_secret(request), other_secret(request)], limits=QUICK)
    assert seen.outcome is Outcome.SECRET_DIFFERS
    assert seen.radius is not None
    assert seen.radius.transmissions == len(peer.datagrams) == 2


@pytest.mark.parametrize(
    ("wrong", "good"),
    [({0, 1}, 1), ({0}, 2)],
    ids=["in the time of the second", "to the third, as the second was lost"],
)
def test_a_good_reply_may_come_after_wrong_ones(wrong: set[int], good: int) -> None:
    inner = joined(tls_server()[0])
    transmissions = iter(range(100))

    def handle(request: Request) -> list[bytes]:
        number = next(transmissions)
        bad = [other_secret(request)] if number in wrong else []
        return [*bad, *inner(request)] if number >= good else bad

    seen, _ = visit(handle, limits=QUICK)
    assert seen.outcome is Outcome.SERVED


def test_replies_that_do_not_verify_weigh_more_than_unreadable_ones() -> None:
    seen, _ = visit(lambda request: [other_secret(request), cut_short(request)], limits=QUICK)
    assert seen.outcome is Outcome.SECRET_DIFFERS


def test_an_unsigned_reply_is_told() -> None:
    def handle(request: Request) -> list[bytes]:
        return [
            build_reply(request, SECRET, Code.ACCESS_REJECT, eap=b"\x04\x01\x00\x04", signed=False)
        ]

    seen, _ = visit(handle)
    assert seen.radius is not None
    assert seen.radius.message_authenticator is False


def test_a_flood_of_datagrams_does_not_stand_in_the_way() -> None:
    inner = joined(tls_server()[0])
    seen, _ = visit(lambda request: [b"\x00"] * 200 + inner(request))
    assert seen.outcome is Outcome.SERVED


def test_the_answer_to_the_polite_end_is_not_waited_for_in_the_timed_path() -> None:
    server, _ = tls_server()
    inner = joined(server)

    def handle(request: Request) -> list[bytes]:
        answers = inner(request)
        # The server keeps its reject for itself.
        return [one for one in answers if one[0] != Code.ACCESS_REJECT]

    limits = replace(DEFAULT, eap_farewell_wait=1.0)

    async def run() -> tuple[float, VisitSeen]:
        async with answering(handle) as peer:
            began = asyncio.get_running_loop().time()
            seen = await converse(peer.port, limits=limits)
            return asyncio.get_running_loop().time() - began, seen

    seconds, seen = asyncio.run(run())
    assert seen.outcome is Outcome.SERVED
    # Timers may be early by what the clock can tell apart.
    assert seconds - seen.seconds > 0.99


def test_the_secret_shows_nowhere() -> None:
    peer = Peer("127.0.0.1", EAP, SECRET)
    conversation = EapVisit(HandshakeAsk("127.0.0.1", 1, methods=(Method.PEAP,)), peer, DEFAULT)
    assert "lantern" not in repr(peer)
    assert "lantern" not in repr(conversation)


@settings(deadline=None, max_examples=100)
@given(st.binary(max_size=120), st.booleans())
def test_no_reply_is_a_traceback(octets: bytes, signed: bool) -> None:
    """Any octets, raw or as the EAP of a reply that verifies."""
    limits = replace(QUICK, radius_first_wait=0.01, radius_tries=1, radius_silence=0.01)
    limits = replace(limits, eap_rounds=3, eap_farewell_wait=0.0)

    def handle(request: Request) -> list[bytes]:
        if not signed:
            return [octets[:1] + bytes((request.identifier,)) + octets[1:]]
        return [challenge(request, octets)]

    seen, _ = visit(handle, limits=limits)
    assert seen.outcome in set(Outcome)
