"""What one answer leads to: a label for a star, reverse names and back, where clients are led."""

import asyncio
import re
import socket
from collections.abc import Callable
from contextlib import AsyncExitStack
from ipaddress import ip_address

import dns.message
import dns.rdatatype
import pytest

from probe.limits import DEFAULT, Limits
from probe.observation.document import from_json, to_json
from probe.observation.model import (
    Aspect,
    Endpoint,
    Handshake,
    HandshakeAsk,
    Lookup,
    LookupOutcome,
    Outcome,
    Phase,
    Question,
    Served,
    Survey,
    TlsVersion,
    fingerprint,
)
from probe.observe.agenda import Depth, agenda
from probe.observe.events import Event, EventKind
from probe.observe.names import Names
from probe.observe.notebook import Notebook
from probe.observe.sweep import draw_label, survey, utc_now
from probe.observe.visit import VisitSeen
from probe.plan.model import Plan, Resolver, Web
from probe.records import replace
from tests.observe.nameservers import Answer, FakeNameserver, reply, serving
from tests.observe.plans import node, plan, service
from tests.observe.test_web import TlsServer, listening

DNS = frozenset({Endpoint.DNS})
DNS_AND_WEB = frozenset({Endpoint.DNS, Endpoint.WEB})
SOA = "example. 300 SOA a. b. 1 2 3 4 300"
QUAY1 = "quay1.northpier.example"
GUEST = "guest.northpier.example"
Zone = dict[tuple[str, str], list[str]]


def zone(records: Zone) -> Callable[[dns.message.Message], Answer]:
    """A resolver that has these records and no other names."""
    names = {name for name, _ in records}

    def handle(query: dns.message.Message) -> Answer:
        (question,) = query.question
        name = question.name.to_text(omit_final_dot=True)
        kind = dns.rdatatype.to_text(question.rdtype)
        found = [f"{name}. 300 {kind} {data}" for data in records.get((name, kind), ())]
        return reply(
            query, *found, authority=() if found else (SOA,), rcode=0 if name in names else 3
        )

    return handle


def asked_names(server: FakeNameserver) -> list[str]:
    return [query.question[0].name.to_text(omit_final_dot=True) for query in server.asked]


def look(
    planned: Plan,
    *zones: Zone,
    depth: Depth = Depth.NODE,
    only: frozenset[Endpoint] = DNS,
    limits: Limits = DEFAULT,
    keep: Callable[[str], bool] = bool,
) -> tuple[Survey, list[list[str]]]:
    """Survey with resolvers that have these zones in place of the plan's. Returns what each was
    asked too."""

    async def run() -> tuple[Survey, list[list[str]]]:
        async with AsyncExitStack() as stack:
            servers = [await stack.enter_async_context(serving(zone(one))) for one in zones]
            resolvers = tuple(
                replace(planned.resolvers[number], at=server.place)
                for number, server in enumerate(servers)
            )
            here = replace(planned, resolvers=resolvers)
            questions = [q for q in agenda(here, depth, only=only) if keep(q.id)]
            seen = await survey(
                here, questions, secrets={}, limits=limits, label=lambda: "cert-probe-5eed"
            )
            assert from_json(to_json(seen)) == seen
            return seen, [asked_names(server) for server in servers]

    return asyncio.run(run())


def rows(seen: Survey, part: str) -> list[Lookup]:
    return [row for row in seen.lookups if part in row.question]


# ---------------------------------------------------------------- the star


def test_a_label_of_nobodys_stands_in_for_the_star() -> None:
    seen, (asked,) = look(
        plan(node("quay1", "192.0.2.11", eap=None)), {(QUAY1, "A"): ["192.0.2.11"]}
    )
    stars = rows(seen, "/*.northpier.example/")
    assert [(row.asked.name, row.asked.type, row.outcome) for row in stars] == [
        ("cert-probe-5eed.northpier.example", "A", LookupOutcome.NO_NAME),
        ("cert-probe-5eed.northpier.example", "AAAA", LookupOutcome.NO_NAME),
    ]
    assert not any("*" in name for name in asked)
    assert seen.unobserved() == ()


def test_the_label_is_drawn_anew_and_told_apart_from_names_in_use() -> None:
    drawn = {draw_label() for _ in range(100)}
    assert len(drawn) == 100
    assert all(re.fullmatch(r"cert-probe-[0-9a-f]{16}", label) for label in drawn)


# ---------------------------------------------------------------- who waits


def test_who_gives_up_takes_the_answer_from_nobody_else() -> None:
    """Two want the addresses of one host; for the first it takes too long."""

    limits = replace(DEFAULT, dns_wait=0.1)
    known = zone({(QUAY1, "A"): ["192.0.2.11"]})

    async def run() -> tuple[str, ...]:
        both = asyncio.Event()

        def handle(query: dns.message.Message) -> Answer:
            if len(server.asked) == 2:
                both.set()
            # What is asked again is answered.
            return known(query) if len(server.asked) > 2 else None

        async with serving(handle) as server:
            names = Names(limits, Notebook(None, limits, utc_now), "cert-probe-5eed")
            wanted = QUAY1, (Resolver(server.place),)
            first, second = (asyncio.create_task(names.addresses(*wanted)) for _ in range(2))
            await both.wait()
            first.cancel()
            found = await second
            await names.close()
            assert first.cancelled()
            return found

    assert asyncio.run(run()) == ("192.0.2.11",)


def test_an_error_of_ours_behind_an_answer_ends_the_survey() -> None:
    """The loop would only log it, and the survey wait for ever."""

    def crash(event: Event) -> None:
        if event.has_ended:
            raise ZeroDivisionError

    async def run() -> None:
        async with serving(zone({})) as server:
            planned = plan(node("quay1", eap=None), resolvers=(Resolver(server.place),))
            questions = agenda(planned, Depth.SWEEP, only=DNS)
            await survey(planned, questions, secrets={}, on_event=crash)

    with pytest.raises(ExceptionGroup) as raised:
        asyncio.run(run())
    assert raised.group_contains(ZeroDivisionError)


# ---------------------------------------------------------------- reverse names


def of_reverse(seen: Survey) -> list[tuple[str, str, LookupOutcome, tuple[str, ...]]]:
    return [(row.asked.name, row.asked.type, row.outcome, row.data) for row in rows(seen, "/PTR")]


def test_what_a_reverse_name_gives_is_asked_for_the_way_back() -> None:
    seen, _ = look(
        plan(node("quay1", "192.0.2.11", "2001:db8::11", eap=None)),
        {
            (QUAY1, "A"): ["192.0.2.11"],
            ("old.northpier.example", "A"): ["192.0.2.99"],
            ("11.2.0.192.in-addr.arpa", "PTR"): ["old.northpier.example.", f"{QUAY1}."],
        },
    )
    v6 = "1.1.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa"
    assert of_reverse(seen) == [
        (
            "11.2.0.192.in-addr.arpa",
            "PTR",
            LookupOutcome.ANSWERED,
            ("old.northpier.example", QUAY1),
        ),
        ("old.northpier.example", "A", LookupOutcome.ANSWERED, ("192.0.2.99",)),
        (QUAY1, "A", LookupOutcome.ANSWERED, ("192.0.2.11",)),
        (v6, "PTR", LookupOutcome.NO_NAME, ()),
    ]
    assert len({row.question for row in rows(seen, "/PTR")}) == 2
    assert seen.unobserved() == ()


def test_the_way_back_of_an_ipv6_address_is_an_ipv6_address() -> None:
    v6 = "1.1.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa"
    seen, _ = look(
        plan(node("quay1", "2001:db8::11", eap=None)),
        {(v6, "PTR"): [f"{QUAY1}."], (QUAY1, "AAAA"): ["2001:db8::11"]},
    )
    assert [(name, kind, data) for name, kind, _, data in of_reverse(seen)] == [
        (v6, "PTR", (QUAY1,)),
        (QUAY1, "AAAA", ("2001:db8::11",)),
    ]


def test_a_node_found_by_dns_is_looked_up_backwards_at_each_address_by_the_same_resolver() -> None:
    planned = plan(
        node("quay1", eap=None), resolvers=(Resolver("first"), Resolver("second", view="inside"))
    )
    seen, (outer, inner) = look(
        planned,
        {
            (QUAY1, "A"): ["192.0.2.11", "192.0.2.12"],
            ("11.2.0.192.in-addr.arpa", "PTR"): [f"{QUAY1}."],
        },
        {(QUAY1, "A"): ["10.0.0.11"]},
    )
    assert [(name, outcome) for name, kind, outcome, _ in of_reverse(seen) if kind == "PTR"] == [
        ("11.2.0.192.in-addr.arpa", LookupOutcome.ANSWERED),
        ("12.2.0.192.in-addr.arpa", LookupOutcome.NO_NAME),
        ("11.0.0.10.in-addr.arpa", LookupOutcome.NO_NAME),
    ]
    assert "11.0.0.10.in-addr.arpa" not in outer
    assert "11.2.0.192.in-addr.arpa" not in inner
    assert outer.count(QUAY1) == len(["A", "AAAA", "CAA"])


def test_a_node_without_any_address_has_nothing_to_be_looked_up_backwards() -> None:
    seen, _ = look(plan(node("quay1", eap=None)), {})
    assert rows(seen, "/PTR") == []
    assert not any(question.id.endswith("/PTR") for question in seen.questions)
    assert seen.unobserved() == ()


def test_many_addresses_and_many_names_are_bounded() -> None:
    many = [f"name{number:02}.northpier.example." for number in range(50)]
    seen, (asked,) = look(
        plan(node("quay1", eap=None)),
        {
            (QUAY1, "A"): [f"192.0.2.{number}" for number in range(1, 60)],
            ("1.2.0.192.in-addr.arpa", "PTR"): many,
        },
    )
    kinds = [kind for _, kind, _, _ in of_reverse(seen)]
    assert (kinds.count("PTR"), kinds.count("A")) == (16, 4)
    assert sum(name.startswith("name") for name in asked) == 4


# ---------------------------------------------------------------- where clients are led


def visits(seen: Survey) -> list[Handshake]:
    return [row for row in seen.handshakes if row.asked.aspect is Aspect.LED]


def is_led(identifier: str) -> bool:
    return identifier.startswith(("dns/", "web/led/"))


def free_port() -> int:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        port: int = held.getsockname()[1]
        return port


def test_clients_are_followed_where_the_plan_has_no_address() -> None:
    """One handshake and no HEAD."""

    async def run() -> tuple[Survey, TlsServer]:
        server = TlsServer(TlsVersion.TLS1_3)
        records: Zone = {(GUEST, "A"): ["127.0.0.1", "127.0.0.9"], (QUAY1, "A"): ["127.0.0.9"]}
        async with listening(server.handle) as port, serving(zone(records)) as resolver:
            planned = plan(
                node("quay1", "127.0.0.9", web=Web(port=port), eap=None),
                services=(service(GUEST, "quay1"),),
                resolvers=(Resolver(resolver.place),),
            )
            questions = [
                question
                for question in agenda(planned, Depth.SWEEP, only=DNS_AND_WEB)
                if is_led(question.id)
            ]
            return await survey(planned, questions, secrets={}), server

    seen, server = asyncio.run(run())
    (row,) = visits(seen)
    assert (row.question.rpartition(":")[0], row.asked.address) == (f"web/led/{GUEST}", "127.0.0.1")
    assert (row.outcome, row.asked.server_name, row.http) == (Outcome.SERVED, GUEST, None)
    assert (server.connections, server.names) == (1, [GUEST.encode()])
    assert set(seen.certificates.values()) == set(server.chain)
    # Nobody is led anywhere else by the node's own name: that is nothing that was not seen.
    assert [q.id for q in seen.questions if "led" in q.id] == [row.question]
    assert seen.unobserved() == ()


@pytest.mark.parametrize(("aspect", "chains"), [(None, 1), (Aspect.LED, 0), (Aspect.CANARY, 0)])
def test_what_is_served_elsewhere_is_no_reason_to_ask_its_ca(
    aspect: Aspect | None, chains: int
) -> None:
    notebook = Notebook(None, DEFAULT, utc_now)
    ask = HandshakeAsk("192.0.2.99", 443, name=GUEST, server_name=GUEST, aspect=aspect)
    question = Question("web/somewhere", Endpoint.WEB, ("quay1",), handshake=ask)
    leaf = b"a certificate"
    served = Served((fingerprint(leaf),))
    notebook.expect(question, (ask,))
    seen = VisitSeen(Outcome.SERVED, Phase.FINISH, 0.1, served=served, certificates=(leaf,))
    notebook.visited(question, ask, notebook.clock(), seen)
    assert len(notebook.chains()) == chains


def test_every_resolver_may_lead_elsewhere() -> None:
    planned = plan(
        node("quay1", "127.0.0.9", web=Web(port=free_port()), eap=None),
        resolvers=(Resolver("first"), Resolver("second", view="inside")),
    )
    seen, _ = look(
        planned,
        {(QUAY1, "A"): ["127.0.0.9", "127.0.0.2"]},
        {(QUAY1, "A"): ["127.0.0.3", "127.0.0.2"]},
        only=DNS_AND_WEB,
        keep=is_led,
    )
    assert [(row.asked.address, row.outcome) for row in visits(seen)] == [
        ("127.0.0.2", Outcome.CLOSED),
        ("127.0.0.3", Outcome.CLOSED),
    ]


@pytest.mark.parametrize("address", ["224.0.0.1", "255.255.255.255", "0.0.0.0"])  # noqa: S104  # nothing is bound
def test_nobody_is_followed_to_what_is_no_servers_address(address: str) -> None:
    seen, _ = look(
        plan(node("quay1", "192.0.2.11", eap=None)),
        {(QUAY1, "A"): [address]},
        only=DNS_AND_WEB,
        keep=is_led,
    )
    (row,) = visits(seen)
    assert (row.outcome, row.phase, row.seconds) == (Outcome.UNREACHABLE, Phase.CONNECT, 0.0)
    assert row.detail == f"{address} is no server's address, so nothing was sent there"


def test_nobody_is_followed_to_an_address_that_is_reached_otherwise() -> None:
    planned = plan(
        node("quay1", "192.0.2.11", eap=None),
        node("quay2", "192.0.2.12", eap=None, connect=(("192.0.2.12", "127.0.0.1"),)),
    )
    seen, _ = look(planned, {(QUAY1, "A"): ["192.0.2.12"]}, only=DNS_AND_WEB, keep=is_led)
    assert visits(seen) == []
    assert seen.unobserved() == ()


def test_so_many_addresses_are_visited_and_the_rest_is_unseen() -> None:
    planned = plan(node("quay1", "127.0.0.9", web=Web(port=free_port()), eap=None))
    seen, _ = look(
        planned,
        {(QUAY1, "A"): [f"127.0.1.{number}" for number in range(1, 30)]},
        only=DNS_AND_WEB,
        limits=replace(DEFAULT, dns_addresses=2),
        keep=is_led,
    )
    *visited, left_out = visits(seen)
    assert [(row.asked.address, row.outcome) for row in visited] == [
        ("127.0.1.1", Outcome.CLOSED),
        ("127.0.1.10", Outcome.CLOSED),
    ]
    assert (left_out.asked.address, left_out.outcome) == ("127.0.1.11", Outcome.NOT_ASKED)
    assert left_out.detail == (
        "27 more addresses were not visited, the first of them 127.0.1.11: 2 of one name are, and"
        " 1000 in all that the plan does not have"
    )
    assert seen.unobserved() == (left_out.question,)


def test_so_many_addresses_are_visited_over_all_names() -> None:
    """Else a name server could send us to sixteen strangers for each name of the plan."""
    hosts = [f"quay{number}" for number in range(1, 5)]
    planned = plan(
        *(node(host, "127.0.0.9", web=Web(port=free_port()), eap=None) for host in hosts)
    )
    names = [one.host for one in planned.nodes]
    seen, _ = look(
        planned,
        {(name, "A"): [f"127.0.{place}.1", f"127.0.{place}.2"] for place, name in enumerate(names)},
        only=DNS_AND_WEB,
        limits=replace(DEFAULT, led_visits=3),
        keep=is_led,
    )
    went = [row.asked.address for row in visits(seen) if row.outcome is Outcome.CLOSED]
    assert went == ["127.0.0.1", "127.0.0.2", "127.0.1.1"]
    left_out = [row for row in visits(seen) if row.outcome is Outcome.NOT_ASKED]
    assert [row.asked.address for row in left_out] == ["127.0.1.2", "127.0.2.1", "127.0.3.1"]
    assert left_out[-1].detail == (
        "2 more addresses were not visited, the first of them 127.0.3.1: 16 of one name are, and 3"
        " in all that the plan does not have"
    )
    assert seen.unobserved() == tuple(row.question for row in left_out)


@pytest.mark.parametrize(
    ("address", "kind"),
    [
        *(("127.0.0.1", "A"), ("169.254.169.254", "A"), ("::1", "AAAA"), ("fe80::1", "AAAA")),
        *(("::ffff:127.0.0.1", "AAAA"), ("::ffff:169.254.169.254", "AAAA")),
    ],
)
def test_nobody_is_followed_to_what_is_each_machines_own(address: str, kind: str) -> None:
    """What listens here, or on our own link, is not what clients meet: the twin is the test above,
    in which the cluster itself is there."""

    async def run() -> tuple[Survey, TlsServer]:
        server = TlsServer(TlsVersion.TLS1_3)
        records: Zone = {(QUAY1, kind): [address]}
        async with listening(server.handle) as port, serving(zone(records)) as resolver:
            planned = plan(
                node("quay1", "192.0.2.11", web=Web(port=port), eap=None),
                resolvers=(Resolver(resolver.place),),
            )
            questions = [q for q in agenda(planned, Depth.SWEEP, only=DNS_AND_WEB) if is_led(q.id)]
            return await survey(planned, questions, secrets={}), server

    seen, server = asyncio.run(run())
    (row,) = visits(seen)
    assert ip_address(row.asked.address or "") == ip_address(address)
    assert (row.outcome, server.connections) == (Outcome.UNREACHABLE, 0)
    assert row.detail == (
        f"{row.asked.address} is each machine's own, or its own link's, so nothing was sent there"
    )


def test_nothing_is_followed_before_it_is_known_where_to() -> None:
    """Interrupted before the answers came, the question stays unseen."""

    async def run() -> Survey:
        async with serving(lambda _: None) as dead:
            planned = plan(
                node("quay1", "127.0.0.1", web=Web(port=free_port()), eap=None),
                resolvers=(Resolver(dead.place),),
            )
            questions = agenda(planned, Depth.SWEEP, only=DNS_AND_WEB)
            visited = asyncio.Event()

            def on_event(event: Event) -> None:
                if event.kind is EventKind.ENDED and event.question.startswith("web/"):
                    visited.set()

            task = asyncio.create_task(survey(planned, questions, secrets={}, on_event=on_event))
            await visited.wait()
            task.cancel()
            return await task

    seen = asyncio.run(run())
    assert seen.interrupted
    assert f"web/led/{QUAY1}" in " ".join(seen.unobserved())
