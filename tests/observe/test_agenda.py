"""What is asked, written out: the agenda is a promise of what will and will not be sent."""

import pytest

from probe.observation.model import (
    Aspect,
    Endpoint,
    HandshakeAsk,
    KeyFamily,
    LookupAsk,
    Method,
    Question,
    TlsVersion,
)
from probe.observe.agenda import Depth, agenda, secrets_needed
from probe.observe.footprint import footprint
from probe.observe.webquestions import canary_resolvers
from probe.plan.model import Audience, Guest, Resolver, SecretRef, Service, Web
from probe.records import replace
from tests.observe.plans import EAP, SECRET, node, plan, service, with_methods


def as_clients(questions: tuple[Question, ...]) -> tuple[Question, ...]:
    """The questions that clients ask, without those that look closer."""
    return tuple(q for q in questions if q.handshake is None or q.handshake.aspect is None)


def ids(questions: tuple[Question, ...]) -> list[str]:
    return [question.id for question in questions]


def test_one_node_is_asked_by_name_by_web_and_by_two_conversations() -> None:
    questions = agenda(plan(node("quay1", "192.0.2.11")), Depth.SWEEP)
    assert as_clients(questions) == (
        Question(
            "dns/system/quay1.northpier.example/A",
            Endpoint.DNS,
            ("quay1",),
            lookup=LookupAsk("quay1.northpier.example", "A", "system"),
        ),
        Question(
            "dns/system/quay1.northpier.example/AAAA",
            Endpoint.DNS,
            ("quay1",),
            lookup=LookupAsk("quay1.northpier.example", "AAAA", "system"),
        ),
        *(
            Question(
                f"dns/system/{name}/{kind}",
                Endpoint.DNS,
                ("quay1",),
                lookup=LookupAsk(name, kind, "system"),
            )
            for name, kind in (
                ("quay1.northpier.example", "CAA"),
                ("northpier.example", "CAA"),
                ("example", "CAA"),
                ("_443._tcp.quay1.northpier.example", "TLSA"),
            )
        ),
        Question(
            "web/quay1/192.0.2.11:443/quay1.northpier.example",
            Endpoint.WEB,
            ("quay1",),
            handshake=HandshakeAsk(
                "192.0.2.11",
                443,
                name="quay1.northpier.example",
                server_name="quay1.northpier.example",
                tls=(TlsVersion.TLS1_2, TlsVersion.TLS1_3),
                head=True,
            ),
        ),
        Question(
            "eap/quay1/192.0.2.11:1812/PEAP",
            Endpoint.EAP,
            ("quay1",),
            handshake=HandshakeAsk("192.0.2.11", 1812, methods=(Method.PEAP,)),
        ),
        Question(
            "eap/quay1/192.0.2.11:1812/EAP-TTLS",
            Endpoint.EAP,
            ("quay1",),
            handshake=HandshakeAsk(
                "192.0.2.11",
                1812,
                tls=(
                    TlsVersion.TLS1_0,
                    TlsVersion.TLS1_1,
                    TlsVersion.TLS1_2,
                    TlsVersion.TLS1_3,
                ),
                methods=(Method.EAP_TTLS, Method.EAP_TLS),
            ),
        ),
    )


def test_each_resolver_is_asked_about_each_name_once() -> None:
    questions = agenda(
        plan(
            node("quay1", "192.0.2.11"),
            node("quay2", "192.0.2.12"),
            services=(
                service("guest.northpier.example", "quay1", "quay2"),
                service("guest.northpier.example", "quay1", "quay2", port=8443),
            ),
            resolvers=(Resolver("system"), Resolver("10.0.9.53", view="guest")),
        ),
        Depth.SWEEP,
        only=frozenset({Endpoint.DNS}),
    )
    names = ("quay1.northpier.example", "quay2.northpier.example", "guest.northpier.example")
    guest_ports = [("_443._tcp.guest.northpier.example"), ("_8443._tcp.guest.northpier.example")]
    records = [
        *((name, kind) for name in names for kind in ("A", "AAAA")),
        (names[0], "CAA"),
        ("northpier.example", "CAA"),
        ("example", "CAA"),
        (names[2], "CAA"),
        (names[1], "CAA"),
        (f"_443._tcp.{names[0]}", "TLSA"),
        *((name, "TLSA") for name in guest_ports),
        (f"_443._tcp.{names[1]}", "TLSA"),
    ]
    assert ids(questions) == [
        f"dns/{resolver}/{name}/{kind}"
        for resolver in ("system", "10.0.9.53@guest")
        for name, kind in records
    ]
    guest = questions[4]
    assert guest.nodes == ("quay1", "quay2")
    assert guest.service == "guest.northpier.example"
    assert questions[0].service is None


def test_a_node_is_visited_at_each_address_by_each_name_that_clients_open() -> None:
    questions = agenda(
        plan(
            node("quay1", "192.0.2.11", "2001:db8::11", web=Web(port=8443)),
            services=(
                service("guest.northpier.example", "quay1"),
                service("join.northpier.example", "quay1", port=9443),
            ),
        ),
        Depth.SWEEP,
        only=frozenset({Endpoint.WEB}),
    )
    questions = as_clients(questions)
    assert ids(questions) == [
        "web/quay1/192.0.2.11:8443/quay1.northpier.example",
        "web/quay1/192.0.2.11:8443/guest.northpier.example",
        "web/quay1/192.0.2.11:9443/join.northpier.example",
        "web/quay1/[2001:db8::11]:8443/quay1.northpier.example",
        "web/quay1/[2001:db8::11]:8443/guest.northpier.example",
        "web/quay1/[2001:db8::11]:9443/join.northpier.example",
    ]
    assert [question.service for question in questions[:3]] == [
        None,
        "guest.northpier.example",
        "join.northpier.example",
    ]


def test_a_virtual_web_address_is_visited_and_each_node_behind_it_too() -> None:
    questions = agenda(
        plan(
            node("quay1", "192.0.2.11"),
            node("quay2", "192.0.2.12"),
            services=(
                service("guest.northpier.example", "quay1", "quay2", addresses=("192.0.2.80",)),
            ),
        ),
        Depth.SWEEP,
        only=frozenset({Endpoint.WEB}),
    )
    questions = as_clients(questions)
    assert ids(questions) == [
        "web/quay1/192.0.2.11:443/quay1.northpier.example",
        "web/quay1/192.0.2.11:443/guest.northpier.example",
        "web/quay2/192.0.2.12:443/quay2.northpier.example",
        "web/quay2/192.0.2.12:443/guest.northpier.example",
        "web/guest.northpier.example/192.0.2.80:443/guest.northpier.example",
    ]
    assert questions[-1].nodes == ("quay1", "quay2")
    assert questions[-1].service == "guest.northpier.example"


VIRTUAL_RADIUS = Service(
    name="radius.northpier.example",
    endpoint=Endpoint.EAP,
    audience=Audience.STAFF,
    nodes=("quay1", "quay2"),
    addresses=("192.0.2.90",),
)


def test_a_virtual_radius_address_gets_one_conversation_and_its_name_is_not_looked_up() -> None:
    questions = agenda(
        plan(node("quay1", "192.0.2.11"), node("quay2", "192.0.2.12"), services=(VIRTUAL_RADIUS,)),
        Depth.SWEEP,
        only=frozenset({Endpoint.EAP, Endpoint.DNS}),
    )
    assert ids(questions)[-1] == "eap/radius.northpier.example/192.0.2.90:1812/PEAP"
    assert questions[-1].nodes == ("quay1", "quay2")
    assert questions[-1].handshake == HandshakeAsk("192.0.2.90", 1812, methods=(Method.PEAP,))
    assert not any("dns/system/radius" in name for name in ids(questions))


def test_one_method_is_one_conversation() -> None:
    one = node("quay1", "192.0.2.11", eap=with_methods(Method.EAP_TLS))
    questions = agenda(plan(one), Depth.SWEEP, only=frozenset({Endpoint.EAP}))
    assert ids(questions) == ["eap/quay1/192.0.2.11:1812/EAP-TLS"]


def test_without_eap_in_the_plan_nothing_is_asked_about_it() -> None:
    questions = agenda(plan(node("quay1", "192.0.2.11", eap=None)), Depth.NODE)
    assert {question.endpoint for question in questions} == {Endpoint.DNS, Endpoint.WEB}


def test_a_node_without_addresses_is_one_question_a_name() -> None:
    questions = agenda(
        plan(node("quay1")), Depth.SWEEP, only=frozenset({Endpoint.WEB, Endpoint.EAP})
    )
    assert ids(as_clients(questions)) == [
        "web/quay1/dns:443/quay1.northpier.example",
        "eap/quay1/dns:1812/PEAP",
        "eap/quay1/dns:1812/EAP-TTLS",
    ]
    assert all(question.handshake and question.handshake.address is None for question in questions)


def test_a_host_that_is_an_address_is_neither_looked_up_nor_sent_as_a_server_name() -> None:
    """RFC 6066, section 3: addresses are not permitted as server names."""
    bare = replace(node("bare", "192.0.2.11", eap=None), host="192.0.2.11")
    questions = agenda(plan(bare), Depth.NODE)
    (question,) = as_clients(questions)
    assert question.handshake is not None
    assert question.handshake.server_name is None
    assert question.handshake.name == "192.0.2.11"
    assert "web/192.0.2.11/192.0.2.11:443/no-name" not in ids(questions)


def test_chosen_nodes_only_and_shared_names_speak_of_the_chosen_alone() -> None:
    questions = agenda(
        plan(
            node("quay1", "192.0.2.11"),
            node("quay2", "192.0.2.12"),
            services=(service("guest.northpier.example", "quay1", "quay2"),),
        ),
        Depth.SWEEP,
        nodes=("quay2",),
    )
    assert {name for question in questions for name in question.nodes} == {"quay2"}
    assert "dns/system/guest.northpier.example/A" in ids(questions)


def test_an_unknown_node_is_an_error() -> None:
    with pytest.raises(KeyError):
        agenda(plan(node("quay1", "192.0.2.11")), Depth.SWEEP, nodes=("quay9",))


def test_secrets_are_needed_for_eap_only_and_each_once() -> None:
    other = SecretRef(environment="OTHER")
    world = plan(
        node("quay1", "192.0.2.11"),
        node("quay2", "192.0.2.12"),
        node("quay3", "192.0.2.13", eap=replace(EAP, secret=other)),
    )
    assert secrets_needed(world, agenda(world, Depth.SWEEP)) == (SECRET, other)
    assert secrets_needed(world, agenda(world, Depth.SWEEP, nodes=("quay3",))) == (other,)
    without = agenda(world, Depth.SWEEP, only=frozenset({Endpoint.DNS, Endpoint.WEB}))
    assert secrets_needed(world, without) == ()


def test_the_footprint_counts_what_each_place_gets() -> None:
    world = plan(
        node("quay1", "192.0.2.11"),
        node("quay2", "192.0.2.12", "2001:db8::12"),
        services=(
            service("guest.northpier.example", "quay1", "quay2", addresses=("192.0.2.80",)),
            VIRTUAL_RADIUS,
        ),
        resolvers=(Resolver("system"), Resolver("10.0.9.53", view="guest")),
    )
    told = footprint(world, agenda(world, Depth.SWEEP))
    assert [
        (one.place, one.lookups, one.connections, one.conversations) for one in told.shares
    ] == [
        ("quay1", 8, 6, 2),
        ("quay2", 8, 12, 4),
        ("guest.northpier.example", 8, 3, 0),
        ("radius.northpier.example", 0, 0, 1),
        ("the domains of these names", 4, 0, 0),
    ]
    assert [one.failed_authentications for one in told.shares] == [2, 4, 0, 1, 0]
    assert told.shares[-1].nodes == ("quay1", "quay2")
    assert (told.total.lookups, told.total.connections, told.total.conversations) == (28, 21, 7)
    assert told.total.failed_authentications == 7
    # Four for each address that is asked: what is tried where it fails.
    assert [one.further for one in told.shares] == [4, 8, 0, 4, 0]
    assert told.total.further == 16
    assert told.resolvers == (("system", 14), ("10.0.9.53@guest", 14))
    assert (told.led, told.reverse) == (True, False)
    assert footprint(world, agenda(world, Depth.NODE)).reverse


def test_the_footprint_tells_of_lookups_that_only_find_a_node() -> None:
    world = plan(node("quay1"))
    told = footprint(world, agenda(world, Depth.SWEEP, only=frozenset({Endpoint.EAP})))
    (share,) = told.shares
    assert (share.lookups, share.conversations, share.per_address) == (2, 2, True)
    assert told.resolvers == (("system", 2),)


QUAY1 = "web/quay1/192.0.2.11:443"


def test_a_sweep_asks_each_name_for_each_key_family_and_nothing_further() -> None:
    """HEAD once an address: the first name's visit carries it."""
    world = plan(
        node("quay1", "192.0.2.11", eap=None),
        services=(service("guest.northpier.example", "quay1"),),
    )
    questions = agenda(world, Depth.SWEEP, only=frozenset({Endpoint.WEB}))
    assert ids(questions) == [
        f"{QUAY1}/quay1.northpier.example",
        f"{QUAY1}/guest.northpier.example",
        f"{QUAY1}/quay1.northpier.example/rsa",
        f"{QUAY1}/quay1.northpier.example/ecdsa",
        f"{QUAY1}/guest.northpier.example/rsa",
        f"{QUAY1}/guest.northpier.example/ecdsa",
    ]
    assert [question.handshake and question.handshake.head for question in questions] == [
        True,
        *[False] * 5,
    ]
    assert questions[3].handshake == HandshakeAsk(
        "192.0.2.11",
        443,
        name="quay1.northpier.example",
        server_name="quay1.northpier.example",
        tls=(TlsVersion.TLS1_2, TlsVersion.TLS1_3),
        key_family=KeyFamily.ECDSA,
        aspect=Aspect.FAMILY,
    )


def test_a_full_look_at_one_address_and_name_is_at_most_twelve_questions() -> None:
    questions = agenda(
        plan(node("quay1", "192.0.2.11", eap=None)), Depth.NODE, only=frozenset({Endpoint.WEB})
    )
    assert ids(questions) == [
        f"{QUAY1}/quay1.northpier.example",
        f"{QUAY1}/quay1.northpier.example/rsa/TLSv1.2",
        f"{QUAY1}/quay1.northpier.example/rsa/TLSv1.3",
        f"{QUAY1}/quay1.northpier.example/ecdsa/TLSv1.2",
        f"{QUAY1}/quay1.northpier.example/ecdsa/TLSv1.3",
        f"{QUAY1}/quay1.northpier.example/again/2",
        f"{QUAY1}/quay1.northpier.example/again/3",
        f"{QUAY1}/old/TLSv1",
        f"{QUAY1}/old/TLSv1.1",
        f"{QUAY1}/no-name",
        f"{QUAY1}/other-name",
    ]
    assert len(questions) <= 12
    asks = {question.id: question.handshake for question in questions}
    host = "quay1.northpier.example"
    assert asks[f"{QUAY1}/old/TLSv1"] == HandshakeAsk(
        "192.0.2.11",
        443,
        name=host,
        server_name=host,
        tls=(TlsVersion.TLS1_0,),
        aspect=Aspect.OLD_VERSION,
    )
    assert asks[f"{QUAY1}/no-name"] == HandshakeAsk("192.0.2.11", 443, aspect=Aspect.NO_NAME)
    assert asks[f"{QUAY1}/other-name"] == HandshakeAsk(
        "192.0.2.11",
        443,
        name="elsewhere.invalid",
        server_name="elsewhere.invalid",
        aspect=Aspect.OTHER_NAME,
    )


def test_the_same_is_asked_as_often_as_wanted() -> None:
    world = plan(node("quay1", "192.0.2.11", eap=None))
    again = [
        question.id
        for question in agenda(world, Depth.SWEEP, repeat=3)
        if question.handshake and question.handshake.aspect is Aspect.AGAIN
    ]
    assert again == [f"{QUAY1}/quay1.northpier.example/again/{number}" for number in (2, 3)]
    once = agenda(world, Depth.NODE, repeat=1)
    assert not any("/again/" in question.id for question in once)


def test_each_name_of_a_port_is_looked_at_and_the_port_itself_once() -> None:
    world = plan(
        node("quay1", "192.0.2.11", eap=None),
        services=(
            service("guest.northpier.example", "quay1"),
            service("join.northpier.example", "quay1", port=9443, addresses=("192.0.2.80",)),
        ),
    )
    asked = ids(agenda(world, Depth.NODE, only=frozenset({Endpoint.WEB})))
    assert [name for name in asked if name.endswith("/no-name")] == [
        f"{QUAY1}/no-name",
        "web/quay1/192.0.2.11:9443/no-name",
        "web/join.northpier.example/192.0.2.80:9443/no-name",
    ]
    assert sum(name.endswith("/ecdsa/TLSv1.3") for name in asked) == 4


@pytest.mark.parametrize(
    ("vantage", "views", "asked"),
    [
        ("head office", (None,), ()),
        ("guest room 2", (None,), ("system",)),
        ("head office", (None, "Guests"), ("10.0.9.53",)),
        (None, (None,), ()),
    ],
)
def test_the_canary_is_asked_from_where_guests_are(
    vantage: str | None, views: tuple[str | None, ...], asked: tuple[str, ...]
) -> None:
    resolvers = tuple(
        Resolver("system" if view is None else "10.0.9.53", view=view) for view in views
    )
    world = replace(
        plan(node("quay1", "192.0.2.11"), node("quay2", "192.0.2.12"), resolvers=resolvers),
        vantage=vantage,
        guest=Guest(canary="harbour.example"),
    )
    assert tuple(resolver.at for resolver in canary_resolvers(world)) == asked
    found = [q for q in agenda(world, Depth.SWEEP) if q.id.startswith("web/harbour.example/")]
    assert [(q.id, q.nodes, q.handshake and q.handshake.aspect) for q in found] == [
        ("web/harbour.example/dns:443/harbour.example", ("quay1", "quay2"), Aspect.CANARY)
        for _ in asked[:1]
    ]
    assert not any("harbour" in q.id for q in agenda(replace(world, guest=Guest()), Depth.SWEEP))
