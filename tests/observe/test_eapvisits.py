"""What EAP visits of one survey have to do with each other: pace, order, what is done once."""

import asyncio

import pytest

from probe.limits import DEFAULT, Limits
from probe.observation.document import from_json, to_json
from probe.observation.model import (
    Aspect,
    Endpoint,
    Method,
    Outcome,
    Survey,
    TlsVersion,
    TrialKind,
)
from probe.observe.agenda import Depth, agenda
from probe.observe.eapvisits import EapVisits
from probe.observe.footprint import footprint
from probe.observe.sweep import survey
from probe.plan.model import Audience, Plan, Service
from probe.records import replace
from probe.wire import eap
from probe.wire.eap import EapPacket, Type
from probe.wire.radius import Code, Request, build_reply
from tests.observe.plans import EAP, SECRET, node, plan
from tests.observe.radiuspeers import SECRET as SHARED
from tests.observe.radiuspeers import FakeRadius, Handler, answering, reject
from tests.observe.test_pace import Clock
from tests.observe.test_trials import QUICK, Clients, losing_replies_over, serving, silent

EAP_ONLY = frozenset({Endpoint.EAP})
VIRTUAL = Service(
    "radius.northpier.example", Endpoint.EAP, Audience.STAFF, ("quay1",), addresses=("127.0.0.1",)
)


def look(
    clients: Clients,
    handle: Handler | None = None,
    *,
    depth: Depth = Depth.SWEEP,
    limits: Limits = QUICK,
    methods: tuple[Method, ...] = (Method.PEAP, Method.EAP_TTLS, Method.EAP_TLS),
    virtual: bool = False,
    clock: Clock | None = None,
) -> tuple[Survey, Plan]:
    """Ask one node, or a virtual address instead of it."""

    async def run() -> tuple[Survey, Plan]:
        async with serving(clients, handle) as radius:
            eap = replace(EAP, port=radius.port, methods=methods)
            planned = plan(
                node("quay1", "127.0.0.1", eap=eap), services=(VIRTUAL,) if virtual else ()
            )
            questions = tuple(
                question
                for question in agenda(planned, depth, only=EAP_ONLY)
                if (question.service is not None) is virtual
            )
            seen = await survey(
                planned,
                questions,
                secrets={SECRET: SHARED},
                limits=limits,
                timer=clock.timer if clock is not None else None,
            )
            assert len(asyncio.all_tasks()) == 1
            return seen, planned

    return asyncio.run(run())


def mute_at_the_hello(clients: Clients) -> Handler:
    return lambda request: clients.handle(request) if request.state is None else []


# ---------------------------------------------------------------- in depth


def test_in_depth_everything_is_seen_and_every_session_ended() -> None:
    clients = Clients()
    seen, _ = look(clients, depth=Depth.NODE, methods=(Method.PEAP,), limits=DEFAULT)
    assert seen.unobserved() == ()
    found = {
        (row.asked.aspect, row.asked.key_family, row.asked.tls[0], row.asked.turn): row.outcome
        for row in seen.handshakes
    }
    assert len(found) == 9
    new, newer = TlsVersion.TLS1_2, TlsVersion.TLS1_3
    assert found[None, None, new, 0] is Outcome.SERVED
    assert found[Aspect.AGAIN, None, new, 2] is Outcome.SERVED
    # The server holds an RSA certificate, and speaks TLS 1.2 only.
    served = [key for key, outcome in found.items() if outcome is Outcome.SERVED]
    assert [key[1:3] for key in served if key[0] is Aspect.FAMILY] == [("rsa", new)]
    assert found[Aspect.FAMILY, "rsa", newer, 0] is Outcome.REFUSED  # type: ignore[index]  # a word
    assert found[Aspect.OLD_VERSION, None, TlsVersion.TLS1_0, 0] is Outcome.REFUSED
    assert clients.opened == clients.ended == 9
    users = {dict(request.shown)["User-Name"] for request in clients.radius.heard}
    assert users == {
        "cert-probe@northpier.example",
        "cert-probe-2@northpier.example",
        "cert-probe-3@northpier.example",
    }


@pytest.mark.parametrize(
    ("handle", "outcome", "opened"),
    [
        (silent, Outcome.SILENT, 0),
        (lambda request: [reject(request)], Outcome.REJECTED, 0),
    ],
)
def test_no_closer_look_where_nobody_is_let_in(
    handle: Handler, outcome: Outcome, opened: int
) -> None:
    clients = Clients()
    seen, _ = look(clients, handle, depth=Depth.NODE, methods=(Method.PEAP,))
    assert [row.outcome for row in seen.handshakes] == [outcome] * 9
    assert seen.unobserved() == ()
    base, *closer = seen.handshakes
    assert {row.detail for row in closer} == {
        f"as the visit before: {base.detail}; so nothing was sent"
    }
    assert {row.radius for row in closer} == {None}
    assert clients.opened == opened


def test_a_server_that_goes_mute_is_asked_for_old_versions_still() -> None:
    clients = Clients()
    seen, _ = look(clients, mute_at_the_hello(clients), depth=Depth.NODE, methods=(Method.PEAP,))
    assert {row.outcome for row in seen.handshakes} == {Outcome.CUT_OFF}
    sent = [row.asked.aspect for row in seen.handshakes if row.radius is not None]
    assert sent == [None, Aspect.OLD_VERSION, Aspect.OLD_VERSION]


def test_another_method_that_is_refused_keeps_nothing_from_being_asked() -> None:
    """The server speaks PEAP alone; the refusals of the others come first."""
    clients = Clients()
    limits = replace(DEFAULT, failed_authentications_per_minute=100, conversations_per_server=9)
    seen, _ = look(clients, depth=Depth.NODE, limits=limits)
    outcomes = [row.outcome for row in seen.handshakes if row.asked.aspect is None]
    assert outcomes == [Outcome.SERVED, Outcome.METHOD_REFUSED, Outcome.METHOD_REFUSED]
    assert all(row.radius is not None for row in seen.handshakes)


def test_a_virtual_address_is_asked_again_whoever_was_silent() -> None:
    """Another user and port may meet another node."""
    clients = Clients()

    def handle(request: Request) -> list[bytes]:
        return (
            [] if dict(request.shown).get("User-Name") == EAP.identity else clients.handle(request)
        )

    seen, _ = look(clients, handle, depth=Depth.NODE, methods=(Method.PEAP,), virtual=True)
    assert [row.outcome for row in seen.handshakes] == [
        Outcome.SILENT,
        Outcome.SERVED,
        Outcome.SERVED,
    ]


# ---------------------------------------------------------------- trials


def trials_of(seen: Survey) -> list[TrialKind]:
    return [trial.kind for row in seen.handshakes for trial in row.trials]


def test_a_server_that_is_silent_to_two_conversations_is_tried_once() -> None:
    seen, _ = look(Clients(), silent)
    assert [row.outcome for row in seen.handshakes] == [Outcome.SILENT] * 2
    assert sorted(trials_of(seen)) == [TrialKind.STATUS_SERVER, TrialKind.UNCONNECTED]
    assert from_json(to_json(seen)) == seen


def test_a_wider_offer_is_tried_where_no_question_makes_it() -> None:
    seen, _ = look(Clients(TlsVersion.TLS1_1), methods=(Method.PEAP,))
    assert trials_of(seen) == [TrialKind.WIDER_OFFER]
    seen, _ = look(Clients(TlsVersion.TLS1_1), methods=(Method.PEAP,), virtual=True)
    assert trials_of(seen) == [TrialKind.WIDER_OFFER]


def test_a_wider_offer_is_tried_once_beside_questions_for_old_versions() -> None:
    """It offers suites and groups that those do not."""
    seen, _ = look(Clients(TlsVersion.TLS1_1), depth=Depth.NODE, methods=(Method.PEAP,))
    assert trials_of(seen) == [TrialKind.WIDER_OFFER]
    assert Outcome.SERVED in {row.outcome for row in seen.handshakes}


def test_a_wider_offer_is_not_tried_where_nobody_is_refused_a_hello() -> None:
    methods = (Method.EAP_TTLS, Method.PEAP)
    seen, _ = look(Clients(TlsVersion.TLS1_1), depth=Depth.SWEEP, methods=methods)
    assert trials_of(seen) == []
    assert Outcome.SERVED in {row.outcome for row in seen.handshakes}


# ---------------------------------------------------------------- pace and footprint


@pytest.mark.parametrize("depth", list(Depth))
@pytest.mark.parametrize(
    "methods", [(Method.PEAP,), (Method.PEAP, Method.EAP_TTLS, Method.EAP_TLS)]
)
@pytest.mark.parametrize("behaviour", ["well", "old", "mute", "silent", "small replies only"])
def test_no_more_authentications_fail_than_were_announced(
    depth: Depth, methods: tuple[Method, ...], behaviour: str
) -> None:
    """Counted at the server: each session that is opened there, whatever ends it."""
    clients = Clients(TlsVersion.TLS1_1 if behaviour == "old" else TlsVersion.TLS1_2)
    handlers: dict[str, Handler] = {
        "mute": mute_at_the_hello(clients),
        # All that it says is lost.
        "silent": losing_replies_over(clients, 0),
        "small replies only": losing_replies_over(clients, 700),
    }
    limits = replace(QUICK, failed_authentications_per_minute=100)
    seen, planned = look(
        clients, handlers.get(behaviour), depth=depth, methods=methods, limits=limits
    )
    told = footprint(planned, seen.questions).total
    tried = any(row.trials for row in seen.handshakes)
    most = told.failed_authentications + (told.further if tried else 0)
    assert 0 < clients.opened <= most
    starts = [r for r in clients.radius.heard if r.code == Code.ACCESS_REQUEST and r.state is None]
    assert len({request.authenticator for request in starts}) == clients.opened


def test_a_server_that_fails_in_every_way_logs_all_that_was_announced() -> None:
    """One method falls silent in its midst, another is refused: two conversations, four trials."""
    clients = Clients()

    def handle(request: Request) -> list[bytes]:
        packet = EapPacket.parse(request.eap or b"")
        if packet.type == Type.IDENTITY:
            return clients.handle(request)
        if packet.type != Type.NAK:
            return [] if packet.type == Type.PEAP else [reject(request)]
        start = EapPacket(eap.Code.REQUEST, packet.identifier + 1, packet.data[0], b"\x20")
        return [
            build_reply(
                request, SHARED, Code.ACCESS_CHALLENGE, eap=start.octets, state=request.state
            )
        ]

    limits = replace(QUICK, failed_authentications_per_minute=100)
    seen, planned = look(clients, handle, limits=limits)
    told = footprint(planned, seen.questions).total
    assert sorted(trials_of(seen)) == [
        TrialKind.LARGE_REQUEST,
        TrialKind.SMALLER_REPLIES,
        TrialKind.UNCONNECTED,
        TrialKind.WIDER_OFFER,
    ]
    assert (told.failed_authentications, told.further, clients.opened) == (2, 4, 6)


@pytest.mark.parametrize(("most", "waits"), [(5, True), (7, False)])
def test_one_node_is_not_troubled_more_often_than_the_limit_says(most: int, waits: bool) -> None:
    """Of nine conversations seven are under the plan's own identity."""
    clients, clock = Clients(), Clock()
    seen, _ = look(
        clients,
        depth=Depth.NODE,
        methods=(Method.PEAP,),
        limits=replace(DEFAULT, failed_authentications_per_minute=most),
        clock=clock,
    )
    assert clients.opened == 9
    assert seen.unobserved() == ()
    # The clock goes on only where somebody waits for the pace.
    assert (set(clock.waited) == {60.0}) is waits


def test_a_virtual_address_counts_at_the_nodes_behind_it() -> None:
    clock = Clock()
    eap = replace(EAP, methods=(Method.PEAP,))
    planned = plan(node("quay1", "127.0.0.2", eap=eap), services=(VIRTUAL,))

    async def run() -> None:
        limits = replace(DEFAULT, failed_authentications_per_minute=1)
        visits = EapVisits({"quay1": (EAP, SHARED)}, limits, clock.timer)
        for question in agenda(planned, Depth.SWEEP, only=EAP_ONLY):
            assert question.handshake is not None
            async with visits.turn(question, question.handshake):
                clock.now += 1

    asyncio.run(run())
    assert clock.waited == [60.0]


def test_a_virtual_address_takes_one_of_the_conversations_that_its_nodes_hold_at_a_time() -> None:
    """The node answers at its own port and at that of the virtual address."""
    clients, held = Clients(), [0]

    async def run() -> None:
        def at(radius: FakeRadius) -> Handler:
            def handle(request: Request) -> list[bytes]:
                clients.radius = radius
                answer = clients.handle(request)
                held.append(clients.opened - clients.ended)
                return answer

            return handle

        async with answering(silent) as own, answering(silent) as virtual:
            own.handle, virtual.handle = at(own), at(virtual)
            service = replace(VIRTUAL, port=virtual.port)
            eap = replace(EAP, port=own.port, methods=(Method.PEAP,))
            planned = plan(node("quay1", "127.0.0.1", eap=eap), services=(service,))
            await survey(
                planned,
                agenda(planned, Depth.SWEEP, only=EAP_ONLY),
                secrets={SECRET: SHARED},
                limits=replace(DEFAULT, conversations_per_server=1),
            )

    asyncio.run(run())
    assert clients.opened == clients.ended == 2
    assert max(held) == 1


def test_a_trial_for_which_there_is_no_room_is_told() -> None:
    clients, clock = Clients(TlsVersion.TLS1_1), Clock()
    limits = replace(QUICK, failed_authentications_per_minute=1)
    seen, _ = look(clients, methods=(Method.PEAP,), limits=limits, clock=clock)
    (record,) = seen.handshakes
    assert [(trial.kind, trial.outcome) for trial in record.trials] == [
        (TrialKind.WIDER_OFFER, Outcome.NOT_ASKED)
    ]
    assert clients.opened == 1
