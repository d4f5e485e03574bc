"""How EAP visits end, whoever ends them, and what RADIUS itself shows."""

import asyncio
from collections.abc import Callable

import pytest

from probe.limits import DEFAULT, Limits
from probe.observation.model import Aspect, HandshakeAsk, Method, Outcome, Phase
from probe.observe.eap import EapVisit
from probe.observe.eapcontext import Peer
from probe.observe.visit import VisitSeen
from probe.records import replace
from probe.wire import eap
from probe.wire.eap import EapPacket
from probe.wire.fragments import Fragment
from probe.wire.radius import Code, Request, Verification, build_reply
from tests.observe import standstill
from tests.observe.plans import EAP
from tests.observe.radiuspeers import SECRET, Handler, challenge, reject
from tests.observe.test_trials import QUICK, Clients, serving, silent

ASK = HandshakeAsk("127.0.0.1", 0, methods=(Method.PEAP,))
UNSIGNED = replace(ASK, aspect=Aspect.UNSIGNED)


async def visited(port: int, limits: Limits, ask: HandshakeAsk = ASK) -> VisitSeen:
    peer = Peer("127.0.0.1", EAP, SECRET)
    async with EapVisit(replace(ask, port=port), peer, limits, jitter=lambda: 0.0) as visit:
        seen = await visit.run()
        await visit.leave()
        await visit.leave()
        return seen


def visit(
    clients: Clients,
    handle: Handler | None = None,
    *,
    limits: Limits = QUICK,
    ask: HandshakeAsk = ASK,
) -> VisitSeen:
    async def run() -> VisitSeen:
        async with serving(clients, handle) as radius:
            return await visited(radius.port, limits, ask)

    return asyncio.run(run())


# ---------------------------------------------------------------- ends


def test_a_server_is_left_politely_and_once() -> None:
    clients = Clients()
    assert visit(clients).outcome is Outcome.SERVED
    assert (clients.opened, clients.ended) == (1, 1)


def test_a_server_that_goes_on_after_our_alerts_gets_one_word_more() -> None:
    """As one does that has fragments left to send; and not a third, whatever it answers."""
    clients = Clients()

    def handle(request: Request) -> list[bytes]:
        if clients.ended:
            return [challenge(request, _MORE.octets)]
        answered = clients.handle(request)
        return [challenge(request, _MORE.octets)] if clients.ended else answered

    assert visit(clients, handle).outcome is Outcome.SERVED
    packets = [EapPacket.parse(request.eap or b"") for request in clients.radius.heard]
    alerts, last = packets[-2:]
    assert Fragment.parse(alerts.data).data == PARTING
    assert (last.identifier, Fragment.parse(last.data).acknowledges) == (_MORE.identifier, True)


def test_a_polite_end_that_is_lost_is_said_once_more() -> None:
    """The same octets: a server answers them alike (RFC 5080, 2.2.2)."""
    clients = Clients()
    lost: list[Request] = []

    def handle(request: Request) -> list[bytes]:
        parting = EapPacket.parse(request.eap or b"").data.endswith(PARTING)
        if parting and not lost:
            lost.append(request)
            return []
        return clients.handle(request)

    limits = replace(QUICK, eap_farewell_wait=0.2)
    assert visit(clients, handle, limits=limits).outcome is Outcome.SERVED
    assert (clients.opened, clients.ended) == (1, 1)
    assert clients.radius.heard[-1].octets == lost[0].octets


def test_behind_a_reply_that_is_lost_the_next_request_is_answered_by_the_end() -> None:
    """RFC 5216, 2.1.5: the server increments the Identifier. It waits for an answer to what never
    came."""
    clients = Clients()

    def handle(request: Request) -> list[bytes]:
        started = len(clients.radius.heard) == 1
        return clients.handle(request) if started else []

    assert visit(clients, handle).outcome is Outcome.CUT_OFF
    packets = [EapPacket.parse(request.eap or b"") for request in clients.radius.heard]
    hello, nak, ahead = packets[-3:]
    assert (nak.identifier, nak.type) == (hello.identifier, eap.Type.NAK)
    assert (ahead.identifier, ahead.type) == (hello.identifier + 1, eap.Type.PEAP)
    # No version is agreed on yet, so the records say 1.0 (RFC 5246, appendix E.1).
    assert Fragment.parse(ahead.data).data == bytes.fromhex("1503010002015a15030100020100")


PARTING = bytes.fromhex("1503030002015a15030300020100")
_MORE = EapPacket(eap.Code.REQUEST, 77, eap.Type.PEAP, Fragment(b"more", more=True).octets)


@pytest.mark.parametrize("replies", [1, 2])
def test_a_visit_that_is_cancelled_ends_its_session_first(replies: int) -> None:
    """While the identity or the hello is on its way: its answer is awaited for a moment."""
    clients = Clients()

    async def run() -> None:
        def handle(request: Request) -> list[bytes]:
            if len(clients.radius.heard) == replies:
                task.cancel()
            return clients.handle(request)

        async with serving(clients, handle) as radius:
            task = asyncio.create_task(visited(radius.port, replace(DEFAULT)))
            with pytest.raises(asyncio.CancelledError):
                await task

    asyncio.run(run())
    assert (clients.opened, clients.ended) == (1, 1)
    assert len(clients.radius.heard) == replies + 1


def test_a_visit_that_has_no_more_time_ends_its_session_first() -> None:
    """Each answer takes as long as half a visit."""
    clients = Clients()

    async def run() -> VisitSeen:
        loop = asyncio.get_running_loop()

        def handle(request: Request) -> list[bytes]:
            sender = clients.radius.senders[-1]
            for octets in clients.handle(request):
                loop.call_later(0.15, clients.radius.transport.sendto, octets, sender)
            return []

        limits = replace(DEFAULT, eap_visit=0.25, eap_farewell_wait=10.0)
        async with serving(clients, handle) as radius:
            return await visited(radius.port, limits)

    seen = asyncio.run(run())
    assert (seen.outcome, seen.detail) == (Outcome.CUT_OFF, "given up after 0.25 s")
    assert (clients.opened, clients.ended) == (1, 1)


def test_a_visit_that_has_no_more_time_for_a_reply_says_so() -> None:
    """The reply is asked for less long than silence takes, so it is not called one."""

    async def run() -> VisitSeen:
        clients = Clients()
        handle = mute_behind_the_start(clients)
        async with serving(clients, handle) as radius:
            limits = replace(DEFAULT, eap_visit=0.25, eap_farewell_wait=0.05)
            return await visited(radius.port, limits)

    seen = asyncio.run(run())
    assert (seen.outcome, seen.detail) == (Outcome.CUT_OFF, "given up after 0.25 s")


def mute_behind_the_start(clients: Clients) -> Handler:
    return lambda request: clients.handle(request) if request.state is None else []


# ---------------------------------------------------------------- without a signature


def test_an_unsigned_start_that_is_answered_is_left_at_once_and_politely() -> None:
    clients = Clients()
    seen = visit(clients, ask=UNSIGNED)
    assert (seen.outcome, seen.phase) == (Outcome.CUT_OFF, Phase.HELLO)
    assert (
        seen.detail == "it answered a request without Message-Authenticator, and no more was asked"
    )
    assert seen.radius is not None
    assert seen.radius.reply == "Access-Challenge"
    first, end = clients.radius.heard
    assert first.verification is Verification.UNSIGNED
    # RFC 3579, 3.1: all else is signed.
    assert end.verification is Verification.VALID
    assert (clients.opened, clients.ended) == (1, 1)


def test_an_unsigned_start_that_is_dropped_is_silence() -> None:
    """RFC 3579, 3.1: a request with EAP and without a signature is silently discarded."""
    clients = Clients()

    def handle(request: Request) -> list[bytes]:
        if request.verification is Verification.UNSIGNED:
            return []
        return clients.handle(request)

    seen = visit(clients, handle, ask=UNSIGNED)
    assert (seen.outcome, seen.round_trips) == (Outcome.SILENT, 0)
    assert seen.radius is not None
    assert seen.radius.reply is None
    assert clients.opened == 0


def test_an_unsigned_start_may_be_rejected() -> None:
    seen = visit(Clients(), lambda request: [reject(request)], ask=UNSIGNED)
    assert seen.outcome is Outcome.REJECTED


@pytest.mark.parametrize(("ask", "seconds"), [(ASK, 8.0), (UNSIGNED, 2.0)])
def test_an_unsigned_start_is_not_waited_for_as_long(ask: HandshakeAsk, seconds: float) -> None:
    """`radius_silence` and `trial_wait`, by a clock that stands still while anybody is busy."""

    async def run() -> VisitSeen:
        async with serving(Clients(), silent) as radius:
            return await visited(radius.port, DEFAULT, ask)

    assert standstill.run(run()).seconds == pytest.approx(seconds)


# ---------------------------------------------------------------- RADIUS


def test_no_eap_packet_of_ours_is_longer_than_the_framed_mtu_that_we_tell() -> None:
    """RFC 3579, 2.4. The ClientHello takes two."""
    clients = Clients()

    async def run() -> VisitSeen:
        async with serving(clients) as radius:
            peer = Peer("127.0.0.1", replace(EAP, framed_mtu=200), SECRET)
            async with EapVisit(replace(ASK, port=radius.port), peer, QUICK) as visit:
                return await visit.run()

    assert asyncio.run(run()).outcome is Outcome.SERVED
    assert max(len(request.eap or b"") for request in clients.radius.heard) == 200


def test_the_longest_reply_and_the_place_of_the_signature_are_told() -> None:
    clients = Clients()
    lengths: list[int] = []

    def handle(request: Request) -> list[bytes]:
        answers = clients.handle(request)
        lengths.extend(len(octets) for octets in answers)
        return answers

    seen = visit(clients, handle)
    assert seen.radius is not None
    # The polite end's answer comes after what is told.
    assert seen.radius.largest_reply == max(lengths[:-1])
    assert seen.radius.authenticator_first is True


def test_a_signature_that_is_not_there_is_not_first_either() -> None:
    def handle(request: Request) -> list[bytes]:
        eap = b"\x04\x01\x00\x04"
        return [build_reply(request, SECRET, Code.ACCESS_REJECT, eap=eap, signed=False)]

    seen = visit(Clients(), handle)
    assert seen.radius is not None
    assert (seen.radius.message_authenticator, seen.radius.authenticator_first) == (False, False)


def test_a_bare_reject_need_not_be_signed() -> None:
    """RFC 3579, 3.1 demands it beside EAP-Message."""

    def handle(request: Request) -> list[bytes]:
        if request.state is None:
            return clients.handle(request)
        return [build_reply(request, SECRET, Code.ACCESS_REJECT, signed=False)]

    clients = Clients()
    seen = visit(clients, handle)
    assert seen.radius is not None
    assert seen.radius.reply == "Access-Reject"
    assert (seen.radius.message_authenticator, seen.radius.authenticator_first) == (True, False)


def test_where_nothing_came_nothing_is_told_of_it() -> None:
    seen = visit(Clients(), silent)
    assert seen.radius is not None
    assert seen.radius.largest_reply is None
    assert seen.radius.authenticator_first is None


def longer_than_allowed(request: Request) -> bytes:
    """RFC 2865, 3: at most 4096 octets. Valid but for padding behind its Length."""
    return challenge(request, b"\x01\x07\x00\x06\x19\x20") + bytes(4_100)


def says_to_be_longer(request: Request) -> bytes:
    octets = longer_than_allowed(request)
    return octets[:2] + len(octets).to_bytes(2) + octets[4:]


@pytest.mark.parametrize("bad", [longer_than_allowed, says_to_be_longer])
def test_a_datagram_longer_than_radius_allows_is_told_and_not_taken(
    bad: Callable[[Request], bytes],
) -> None:
    seen = visit(Clients(), lambda request: [bad(request)])
    assert (seen.outcome, seen.round_trips) == (Outcome.MALFORMED, 0)
    assert "4096" in (seen.detail or "").replace(",", "")
    assert seen.radius is not None
    assert seen.radius.largest_reply is not None
    assert seen.radius.largest_reply > 4_096


def test_the_cause_of_an_error_is_told_by_its_name() -> None:
    """RFC 5176, 3.6: 402 is "Missing Attribute"."""

    def handle(request: Request) -> list[bytes]:
        return [
            build_reply(request, SECRET, Code.ACCESS_REJECT, attributes=(("Error-Cause", 402),))
        ]

    seen = visit(Clients(), handle)
    assert seen.radius is not None
    assert seen.radius.attributes == (("Error-Cause", "Missing-Attribute"),)
