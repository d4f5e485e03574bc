"""A whole survey on loopback: what it gathers, what it bounds, and how it is interrupted."""

import asyncio
import resource
import signal
import socket
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address

import dns.message
import pytest

from probe.limits import DEFAULT, Limits
from probe.observation.document import from_json, to_json
from probe.observation.model import (
    Aspect,
    Endpoint,
    Handshake,
    KeyFamily,
    LookupOutcome,
    Method,
    Outcome,
    Phase,
    Question,
    Survey,
    Taken,
    TlsVersion,
    fingerprint,
)
from probe.observe.agenda import Depth, agenda
from probe.observe.events import Event, EventKind, ignore
from probe.observe.sweep import sockets_at_a_time, survey
from probe.plan.model import Guest, Node, Plan, Resolver, Visit, Web
from probe.records import replace
from probe.wire.radius import Request
from tests.observe.nameservers import Answer, reply, serving
from tests.observe.plans import EAP, SECRET, node, plan, service
from tests.observe.radiuspeers import SECRET as SHARED
from tests.observe.radiuspeers import FakeRadius, answering, joined, reject
from tests.observe.test_web import TlsServer, listening, mute
from tests.wire.eapserver import EapServer
from tests.wire.pki import der, make_chain, server_context

SECRETS = {SECRET: SHARED}
CLOCK = datetime(2026, 11, 25, 9, 0, 0, tzinfo=UTC)
EAP_ONLY = frozenset({Endpoint.EAP})
WEB_ONLY = frozenset({Endpoint.WEB})

QUICK = replace(
    DEFAULT,
    dns_wait=0.1,
    tls_wait=0.2,
    radius_first_wait=0.1,
    radius_tries=1,
    radius_silence=0.1,
)
"""For tests with a peer that says nothing."""


def addresses(query: dns.message.Message) -> Answer:
    """A zone in which every name is at 127.0.0.1."""
    (question,) = query.question
    if question.rdtype == dns.rdatatype.A:
        return reply(query, f"{question.name} 300 A 127.0.0.1")
    return reply(query, authority=("northpier.example. 300 SOA a. b. 1 2 3 4 300",))


def eap_chain() -> tuple[EapServer, tuple[bytes, ...]]:
    chain = make_chain("ecdsa")
    return (
        EapServer(server_context(chain.key, chain.leaf, version=TlsVersion.TLS1_2)),
        der(chain.leaf),
    )


class World:
    """One node that answers on everything, and the plan that describes it."""

    def __init__(self, web: TlsServer, web_port: int, radius: FakeRadius, resolver: str) -> None:
        self.web = web
        self.radius = radius
        self.resolver = Resolver(resolver)
        self.endpoints = {
            "web": Web(port=web_port),
            "eap": replace(EAP, port=radius.port, methods=(Method.PEAP,)),
        }

    def plan(self, *addresses: str, **more: object) -> Plan:
        return plan(
            node("quay1", *addresses, **self.endpoints, **more),  # type: ignore[arg-type]  # short
            resolvers=(self.resolver,),
            vantage="head office",
        )


@asynccontextmanager
async def world() -> AsyncIterator[World]:
    async with AsyncExitStack() as stack:
        web = TlsServer(TlsVersion.TLS1_3)
        port = await stack.enter_async_context(listening(web.handle))
        radius = await stack.enter_async_context(answering(joined(eap_chain()[0])))
        resolver = await stack.enter_async_context(serving(addresses))
        yield World(web, port, radius, resolver.place)


async def look(
    planned: Plan,
    questions: tuple[Question, ...],
    *,
    limits: Limits = DEFAULT,
    events: list[Event] | None = None,
) -> Survey:
    on_event = ignore if events is None else events.append
    before = asyncio.all_tasks()
    seen = await survey(
        planned,
        questions,
        secrets=SECRETS,
        limits=limits,
        on_event=on_event,
        clock=lambda: CLOCK,
    )
    mine = {task for task in asyncio.all_tasks() - before if "handle" not in repr(task.get_coro())}
    assert not mine
    return seen


def test_a_node_is_found_by_name_and_seen_on_everything() -> None:
    async def run() -> tuple[Survey, World]:
        async with world() as here:
            planned = here.plan()
            return await look(planned, agenda(planned, Depth.SWEEP)), here

    seen, here = asyncio.run(run())
    assert seen.unobserved() == ()
    assert not seen.interrupted
    assert seen.plan_digest == "0" * 64
    (taken,) = seen.taken
    assert (taken.began, taken.ended, taken.vantage) == (CLOCK, CLOCK, "head office")
    assert [(row.outcome, row.data, row.vantage) for row in seen.lookups] == [
        (LookupOutcome.ANSWERED, ("127.0.0.1",), "head office"),
        *[(LookupOutcome.NO_DATA, (), "head office")] * 5,
    ]
    types = [row.asked.type for row in seen.lookups]
    assert types == ["A", "AAAA", "CAA", "CAA", "CAA", "TLSA"]
    assert [(row.endpoint, row.asked.key_family, row.outcome) for row in seen.handshakes] == [
        (Endpoint.WEB, None, Outcome.SERVED),
        (Endpoint.WEB, KeyFamily.RSA, Outcome.SERVED),
        (Endpoint.WEB, KeyFamily.ECDSA, Outcome.REFUSED),
        (Endpoint.EAP, None, Outcome.SERVED),
    ]
    for record in seen.handshakes:
        assert record.asked.address == "127.0.0.1"
        assert (record.at, record.vantage, record.source) == (CLOCK, "head office", "127.0.0.1")
        assert record.nodes == ("quay1",)
    served = {one for row in seen.handshakes if row.served for one in row.served.chain}
    expected = (*here.web.chain, *eap_chain()[1])
    assert seen.certificates == {fingerprint(one): one for one in expected}
    assert served == set(seen.certificates)


def test_a_survey_is_saved_and_read_back_and_holds_no_secret() -> None:
    async def run() -> Survey:
        async with world() as here:
            planned = here.plan("127.0.0.1")
            return await look(planned, agenda(planned, Depth.SWEEP))

    seen = asyncio.run(run())
    octets = to_json(seen)
    assert from_json(octets) == seen
    assert SHARED not in octets
    assert SHARED.hex().encode() not in octets


def test_a_node_that_no_name_leads_to_is_unreachable() -> None:
    async def run() -> Survey:
        async with serving(lambda query: reply(query, rcode=3)) as nowhere:
            planned = plan(node("quay1"), resolvers=(Resolver(nowhere.place),))
            return await look(planned, agenda(planned, Depth.SWEEP))

    seen = asyncio.run(run())
    assert seen.unobserved() == ()
    assert {(row.outcome, row.phase, row.asked.address, row.detail) for row in seen.handshakes} == {
        (Outcome.UNREACHABLE, Phase.CONNECT, None, "no address is known")
    }


def test_a_node_is_found_even_if_names_are_not_asked_about() -> None:
    async def run() -> tuple[Survey, int]:
        async with world() as here:
            planned = here.plan()
            async with serving(addresses) as resolver:
                planned = replace(planned, resolvers=(Resolver(resolver.place),))
                seen = await look(planned, agenda(planned, Depth.SWEEP, only=EAP_ONLY))
                return seen, len(resolver.asked)

    seen, asked = asyncio.run(run())
    assert seen.lookups == ()
    assert [row.outcome for row in seen.handshakes] == [Outcome.SERVED]
    assert asked == 2


def test_addresses_out_of_dns_are_bounded() -> None:
    def many(query: dns.message.Message) -> Answer:
        name = query.question[0].name
        if query.question[0].rdtype == dns.rdatatype.AAAA:
            return reply(query)
        return reply(query, *(f"{name} 300 A 127.0.0.{n}" for n in range(1, 10)))

    async def run() -> Survey:
        async with serving(many) as resolver, answering(lambda _: []) as radius:
            eap = replace(EAP, port=radius.port, methods=(Method.PEAP,))
            planned = plan(node("quay1", eap=eap), resolvers=(Resolver(resolver.place),))
            questions = agenda(planned, Depth.SWEEP, only=EAP_ONLY)
            limits = replace(QUICK, dns_addresses=3)
            return await look(planned, questions, limits=limits)

    seen = asyncio.run(run())
    *visited, left_out = seen.handshakes
    assert [row.asked.address for row in visited] == ["127.0.0.1", "127.0.0.2", "127.0.0.3"]
    assert Outcome.NOT_ASKED not in {row.outcome for row in visited}
    assert (left_out.outcome, left_out.detail) == (
        Outcome.NOT_ASKED,
        "6 more addresses were not visited, the first of them 127.0.0.4: 3 of one name are",
    )
    assert seen.unobserved() == (left_out.question,)
    assert from_json(to_json(seen)) == seen


@pytest.mark.parametrize(
    "address",
    [
        *("0.0.0.0", "224.0.0.1", "255.255.255.255", "::", "ff02::1"),  # noqa: S104  # nothing is bound
        # RFC 4291, 2.5.5.2: a system sends IPv4 for these.
        *("::ffff:0.0.0.0", "::ffff:224.0.0.1", "::ffff:255.255.255.255"),
    ],
)
def test_nothing_is_sent_to_an_address_that_is_no_servers(address: str) -> None:
    """RFC 1112, 4 and RFC 4291, 2.7: groups; RFC 1122, 3.2.1.3: this host, and every host here."""

    def anywhere(query: dns.message.Message) -> Answer:
        (question,) = query.question
        kind = "AAAA" if ":" in address else "A"
        if dns.rdatatype.to_text(question.rdtype) == kind:
            return reply(query, f"{question.name} 300 {kind} {address}")
        return reply(query, authority=("northpier.example. 300 SOA a. b. 1 2 3 4 300",))

    async def run() -> tuple[Survey, World]:
        async with world() as here, serving(anywhere) as resolver:
            planned = replace(here.plan(), resolvers=(Resolver(resolver.place),))
            questions = agenda(planned, Depth.SWEEP, only=EAP_ONLY | WEB_ONLY)
            return await look(planned, questions, limits=QUICK), here

    seen, here = asyncio.run(run())
    assert {row.outcome for row in seen.handshakes} == {Outcome.UNREACHABLE}
    visited = {ip_address(row.asked.address or "") for row in seen.handshakes}
    assert visited == {ip_address(address)}
    assert "no server's address" in (seen.handshakes[0].detail or "")
    assert here.radius.heard == []


def test_an_address_is_mapped_only_to_connect() -> None:
    async def run() -> Survey:
        async with world() as here:
            planned = here.plan("192.0.2.11", connect=(("192.0.2.11", "127.0.0.1"),))
            questions = agenda(planned, Depth.SWEEP, only=EAP_ONLY | WEB_ONLY)
            return await look(planned, questions)

    seen = asyncio.run(run())
    assert [row.outcome for row in as_clients(seen)] == [Outcome.SERVED] * 2
    assert {row.asked.address for row in seen.handshakes} == {"192.0.2.11"}


def as_clients(seen: Survey) -> list[Handshake]:
    """The visits that clients make, without those that look closer."""
    return [row for row in seen.handshakes if row.asked.aspect is None]


def order_of_ends(events: list[Event]) -> list[str]:
    return [event.node for event in events if event.kind is EventKind.ENDED]


def test_a_silent_node_and_a_silent_resolver_delay_nobody() -> None:
    events: list[Event] = []

    async def run() -> Survey:
        async with (
            world() as here,
            serving(lambda _: None) as dead,
            listening(mute) as mute_port,
            answering(lambda _: []) as silent,
        ):
            bad = node(
                "quay0",
                "127.0.0.1",
                web=Web(port=mute_port),
                eap=replace(EAP, port=silent.port),
            )
            lost = node("quay9", web=Web(port=mute_port), eap=None)
            good = here.plan("127.0.0.1")
            planned = replace(
                good, nodes=(bad, lost, *good.nodes), resolvers=(Resolver(dead.place),)
            )
            questions = agenda(planned, Depth.SWEEP)
            limits = replace(QUICK, nodes_in_flight=2)
            return await look(planned, questions, limits=limits, events=events)

    seen = asyncio.run(run())
    assert order_of_ends(events)[:2] == ["quay1", "quay1"]
    assert seen.unobserved() == ()
    assert [(event.done, event.total) for event in events][-1] == (28, 28)
    outcomes = {(row.nodes[0], row.endpoint): row.outcome for row in as_clients(seen)}
    assert outcomes == {
        ("quay0", Endpoint.WEB): Outcome.SILENT,
        ("quay0", Endpoint.EAP): Outcome.SILENT,
        ("quay9", Endpoint.WEB): Outcome.UNREACHABLE,
        ("quay1", Endpoint.WEB): Outcome.SERVED,
        ("quay1", Endpoint.EAP): Outcome.SERVED,
    }


def test_so_many_nodes_at_a_time() -> None:
    events: list[Event] = []

    async def run() -> None:
        async with answering(lambda request: [reject(request)]) as radius:
            eap = replace(EAP, port=radius.port)
            planned = plan(*(node(f"quay{n}", "127.0.0.1", eap=eap) for n in range(3)))
            questions = agenda(planned, Depth.SWEEP, only=EAP_ONLY)
            await look(
                planned, questions, limits=replace(DEFAULT, nodes_in_flight=1), events=events
            )

    asyncio.run(run())
    assert [event.node for event in events] == [f"quay{n}" for n in range(3) for _ in range(4)]


def test_so_many_conversations_at_one_server() -> None:
    """The server answers once it has heard two: fewer would stand still, more would be seen."""
    batches: list[int] = []

    async def run() -> Survey:
        held: list[tuple[Request, tuple[str, int]]] = []

        def handle(request: Request) -> list[bytes]:
            held.append((request, radius.senders[-1]))
            if len(held) == 2:
                batches.append(len({sender for _, sender in held}))
                for each, sender in held:
                    radius.transport.sendto(reject(each), sender)
                held.clear()
            return []

        async with answering(handle) as radius:
            eap = replace(EAP, port=radius.port, visits=(Visit("wired dock", "wired"),))
            planned = plan(node("quay1", "127.0.0.1", eap=eap))
            return await look(planned, agenda(planned, Depth.NODE, only=EAP_ONLY))

    seen = asyncio.run(run())
    assert [row.outcome for row in as_clients(seen)] == [Outcome.REJECTED] * 4
    assert batches == [2, 2]


def muted(port: int) -> Node:
    return node("quay0", "127.0.0.1", web=Web(port=port), eap=None)


def test_cancelled_it_returns_what_is_known() -> None:
    async def run() -> tuple[Survey, bool]:
        async with world() as here, listening(mute) as mute_port:
            good = here.plan("127.0.0.1")
            planned = replace(good, nodes=(muted(mute_port), *good.nodes))
            questions = [
                question
                for question in agenda(planned, Depth.SWEEP)
                if question.handshake is None or question.handshake.aspect is None
            ]

            def stop_at_the_last_but_one(event: Event) -> None:
                if event.kind is EventKind.ENDED and event.done == event.total - 1:
                    task.cancel()

            before = asyncio.all_tasks()
            task = asyncio.create_task(
                survey(planned, questions, secrets=SECRETS, on_event=stop_at_the_last_but_one)
            )
            seen = await task
            left = {
                one for one in asyncio.all_tasks() - before if "handle" not in repr(one.get_coro())
            }
            return seen, not left

    seen, clean = asyncio.run(run())
    assert seen.interrupted
    assert clean
    (unobserved,) = seen.unobserved()
    assert unobserved.startswith("web/quay0/")
    assert {row.outcome for row in seen.handshakes} == {Outcome.SERVED}


def test_an_interrupt_from_the_keyboard_returns_what_is_known() -> None:
    def interrupt(event: Event) -> None:
        if event.kind is EventKind.ENDED:
            signal.raise_signal(signal.SIGINT)

    async def run() -> Survey:
        async with world() as here, listening(mute) as mute_port:
            good = here.plan("127.0.0.1")
            planned = replace(good, nodes=(muted(mute_port), *good.nodes))
            return await survey(
                planned, agenda(planned, Depth.SWEEP), secrets=SECRETS, on_event=interrupt
            )

    seen = asyncio.run(run())
    assert seen.interrupted
    assert seen.unobserved()


@pytest.mark.parametrize(
    ("allowed", "sockets"), [(1024, 600), (256, 192), (10, 1), (resource.RLIM_INFINITY, 600)]
)
def test_no_more_sockets_than_the_system_allows(
    monkeypatch: pytest.MonkeyPatch, allowed: int, sockets: int
) -> None:
    monkeypatch.setattr(resource, "getrlimit", lambda _: (allowed, allowed))
    assert sockets_at_a_time(DEFAULT) == sockets


def test_ipv6_addresses_are_visited_alike() -> None:
    async def run() -> Survey:
        async with (
            listening(TlsServer(TlsVersion.TLS1_3).handle, "::1") as port,
            answering(joined(eap_chain()[0]), "::1") as radius,
        ):
            eap = replace(EAP, port=radius.port, methods=(Method.PEAP,))
            planned = plan(node("quay1", "::1", web=Web(port=port), eap=eap))
            return await look(planned, agenda(planned, Depth.SWEEP, only=EAP_ONLY | WEB_ONLY))

    seen = asyncio.run(run())
    assert [(row.outcome, row.source) for row in as_clients(seen)] == [
        (Outcome.SERVED, "::1"),
        (Outcome.SERVED, "::1"),
    ]


def test_a_missing_secret_is_told_before_anything_is_sent() -> None:
    async def run() -> int:
        async with world() as here:
            planned = here.plan("127.0.0.1")
            with pytest.raises(KeyError):
                await survey(planned, agenda(planned, Depth.SWEEP), secrets={})
            return len(here.radius.heard) + len(here.web.names)

    assert asyncio.run(run()) == 0


def test_text_off_the_wire_is_bounded() -> None:
    async def handle(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(4096)
        writer.write(b"220 " + b"x" * 5_000 + b"\r\n")

    async def run() -> Survey:
        async with listening(handle) as port:
            planned = plan(node("quay1", "127.0.0.1", web=Web(port=port), eap=None))
            questions = agenda(planned, Depth.SWEEP, only=WEB_ONLY)
            return await look(planned, questions, limits=replace(DEFAULT, text_characters=20))

    (record,) = as_clients(asyncio.run(run()))
    assert record.outcome is Outcome.NOT_TLS
    assert record.detail is not None
    assert len(record.detail) <= 20


def test_services_at_one_address_are_seen_each_by_its_name() -> None:
    async def run() -> tuple[Survey, list[bytes | None]]:
        async with world() as here:
            planned = replace(
                here.plan("127.0.0.1"),
                services=(service("guest.northpier.example", "quay1"),),
            )
            seen = await look(planned, agenda(planned, Depth.SWEEP, only=WEB_ONLY))
            return seen, here.web.names

    seen, names = asyncio.run(run())
    assert Counter(names) == {b"guest.northpier.example": 3, b"quay1.northpier.example": 3}
    assert [row.asked.server_name for row in as_clients(seen)] == [
        "quay1.northpier.example",
        "guest.northpier.example",
    ]


def test_the_clock_is_read_when_a_question_is_asked() -> None:
    moments = (CLOCK + timedelta(seconds=n) for n in range(1_000))

    async def run() -> Survey:
        async with world() as here:
            planned = here.plan("127.0.0.1")
            return await survey(
                planned,
                agenda(planned, Depth.SWEEP),
                secrets=SECRETS,
                clock=lambda: next(moments),
            )

    seen = asyncio.run(run())
    (taken,) = seen.taken
    assert isinstance(taken, Taken)
    at = [row.at for row in (*seen.lookups, *seen.handshakes)]
    assert len(set(at)) == len(at)
    assert taken.began < min(at)
    assert max(at) < taken.ended


@pytest.mark.parametrize("staple", [None, b"no staple"])
def test_a_full_look_opens_at_most_twelve_connections(staple: bytes | None) -> None:
    async def run() -> tuple[Survey, TlsServer]:
        server = TlsServer(TlsVersion.TLS1_3, staple=staple)
        async with listening(server.handle) as port:
            planned = plan(node("quay1", "127.0.0.1", web=Web(port=port), eap=None))
            return await look(planned, agenda(planned, Depth.NODE, only=WEB_ONLY)), server

    seen, server = asyncio.run(run())
    assert seen.unobserved() == ()
    assert server.connections <= 12
    assert server.connections == len(seen.handshakes) + (0 if staple is None else 1)
    assert server.names.count(b"elsewhere.invalid") == 1
    found = {
        (row.asked.aspect, row.asked.key_family, row.asked.tls): row.outcome
        for row in seen.handshakes
    }
    both, old, new = (TlsVersion.TLS1_2, TlsVersion.TLS1_3), TlsVersion.TLS1_0, TlsVersion.TLS1_3
    assert found[None, None, both] is Outcome.SERVED
    assert found[Aspect.AGAIN, None, both] is Outcome.SERVED
    assert found[Aspect.FAMILY, KeyFamily.RSA, (new,)] is Outcome.SERVED
    assert found[Aspect.FAMILY, KeyFamily.ECDSA, (new,)] is Outcome.REFUSED
    assert found[Aspect.OLD_VERSION, None, (old,)] is Outcome.REFUSED
    assert [row.http is not None for row in seen.handshakes] == [True] + [False] * 10


def test_a_closed_port_is_tried_once() -> None:
    async def run() -> Survey:
        with socket.socket() as held:
            held.bind(("127.0.0.1", 0))
            planned = plan(
                node("quay1", "127.0.0.1", web=Web(port=held.getsockname()[1]), eap=None)
            )
            return await look(planned, agenda(planned, Depth.NODE, only=WEB_ONLY))

    first, *others = asyncio.run(run()).handshakes
    assert {row.outcome for row in (first, *others)} == {Outcome.CLOSED}
    assert first.detail == "the port is closed"
    assert {row.detail for row in others} == {
        "as the visit before: the port is closed; so nothing was sent"
    }


def test_a_silent_server_is_asked_for_old_versions_still() -> None:
    """One that is silent to a hello it has not heard of may answer an older one."""
    connections = 0

    async def count(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal connections
        connections += 1
        await mute(reader, writer)

    async def run() -> Survey:
        async with listening(count) as port:
            planned = plan(node("quay1", "127.0.0.1", web=Web(port=port), eap=None))
            questions = agenda(planned, Depth.NODE, only=WEB_ONLY)
            return await look(planned, questions, limits=QUICK)

    assert {row.outcome for row in asyncio.run(run()).handshakes} == {Outcome.SILENT}
    assert connections == 3


def test_what_the_library_cannot_ask_is_unobserved(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("probe.wire.openssl.HAS_SIGNATURES", False)

    async def run() -> Survey:
        async with world() as here:
            planned = here.plan("127.0.0.1")
            return await look(planned, agenda(planned, Depth.NODE, only=WEB_ONLY))

    seen = asyncio.run(run())
    rows = {row.question: row for row in seen.handshakes}
    assert [question.rpartition("example/")[2] for question in seen.unobserved()] == [
        "rsa/TLSv1.3",
        "ecdsa/TLSv1.3",
    ]
    for question in seen.unobserved():
        assert rows[question].outcome is Outcome.NOT_ASKED
        assert "cannot ask for the key family" in (rows[question].detail or "")
    assert from_json(to_json(seen)) == seen


def test_a_family_is_asked_for_as_far_as_the_library_can(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("probe.wire.openssl.HAS_SIGNATURES", False)

    async def run() -> Survey:
        async with listening(TlsServer(TlsVersion.TLS1_2).handle) as port:
            planned = plan(node("quay1", "127.0.0.1", web=Web(port=port), eap=None))
            return await look(planned, agenda(planned, Depth.SWEEP, only=WEB_ONLY))

    seen = asyncio.run(run())
    assert seen.unobserved() == ()
    (rsa,) = [row for row in seen.handshakes if row.asked.key_family is KeyFamily.RSA]
    assert (rsa.outcome, rsa.asked.tls) == (Outcome.SERVED, (TlsVersion.TLS1_2,))
    assert rsa.detail == (
        "this machine's TLS library cannot ask for the key family rsa under TLSv1.3"
    )
    assert from_json(to_json(seen)) == seen


def test_the_canary_is_found_by_the_resolvers_of_guests() -> None:
    async def run() -> tuple[Survey, int, int]:
        async with world() as here, serving(addresses) as guests:
            planned = replace(
                here.plan("127.0.0.1"),
                resolvers=(here.resolver, Resolver(guests.place, view="guest")),
                guest=Guest(canary="harbour.example"),
            )
            questions = [q for q in agenda(planned, Depth.SWEEP) if "web/harbour" in q.id]
            (canary,) = questions
            assert canary.handshake is not None
            port = planned.nodes[0].web.port
            canary = replace(canary, handshake=replace(canary.handshake, port=port))
            seen = await look(planned, (canary,))
            return seen, len(guests.asked), len(here.web.names)

    seen, asked, visited = asyncio.run(run())
    (record,) = seen.handshakes
    assert (record.asked.server_name, record.asked.address) == ("harbour.example", "127.0.0.1")
    assert (record.outcome, asked, visited) == (Outcome.SERVED, 2, 1)
