"""What resolvers are asked, and where clients are followed, written out."""

import pytest

from probe.observation.model import Aspect, Endpoint, HandshakeAsk, Question
from probe.observe.agenda import Depth, agenda
from probe.observe.webquestions import places_known
from probe.plan.model import Audience, Node, Plan, Resolver, Roots, Service, Trust, Web
from probe.plan.places import planned_addresses
from probe.records import replace
from tests.observe.plans import EAP, TRUST, node, plan, service

DNS = frozenset({Endpoint.DNS})
CERTIFI = Roots("certifi", None, ())
OWN = Roots("root.pem", None, ())


def asked(planned: Plan, depth: Depth = Depth.SWEEP, *types: str) -> list[str]:
    """Names and types, without the word for the resolver."""
    return [
        question.id.removeprefix("dns/system/")
        for question in agenda(planned, depth, only=DNS)
        if question.lookup is not None and question.lookup.type in types
    ]


def by_id(questions: tuple[Question, ...]) -> dict[str, Question]:
    return {question.id: question for question in questions}


# ---------------------------------------------------------------- CAA


def test_caa_is_asked_of_a_name_and_of_each_domain_above_it_but_the_root() -> None:
    """RFC 8659, section 3: up to but not including the root."""
    planned = plan(
        node("quay1", "192.0.2.11"),
        node("quay2", "192.0.2.12"),
        services=(service("join.guests.northpier.example", "quay2"),),
    )
    assert asked(planned, Depth.SWEEP, "CAA") == [
        "quay1.northpier.example/CAA",
        "northpier.example/CAA",
        "example/CAA",
        "quay2.northpier.example/CAA",
        "join.guests.northpier.example/CAA",
        "guests.northpier.example/CAA",
    ]
    questions = by_id(agenda(planned, Depth.SWEEP))
    above = questions["dns/system/northpier.example/CAA"]
    assert (above.nodes, above.service) == (("quay1", "quay2"), None)
    own = questions["dns/system/join.guests.northpier.example/CAA"]
    assert (own.nodes, own.service) == (("quay2",), "join.guests.northpier.example")


@pytest.mark.parametrize(
    ("view", "public"),
    [
        *((None, True), ("guest", True), ("Public", True), ("Guest Wi-Fi", True)),
        *(("staff", False), ("inside", False), ("republic", False)),
    ],
)
def test_caa_is_asked_where_the_public_view_may_be(view: str | None, public: bool) -> None:
    planned = plan(node("quay1", "192.0.2.11"), resolvers=(Resolver("192.0.2.53", view),))
    kinds = {q.lookup.type for q in agenda(planned, Depth.NODE) if q.lookup is not None}
    assert ("CAA" in kinds) is public
    assert {"A", "AAAA", "TLSA", "PTR"} <= kinds


@pytest.mark.parametrize("eap_roots", [(CERTIFI,), (CERTIFI, OWN), (OWN,), ()])
def test_expected_names_are_a_public_cas_where_it_is_trusted_in_eap(
    eap_roots: tuple[Roots, ...],
) -> None:
    trust = Trust(public=(CERTIFI,), web=(CERTIFI,), staff=(CERTIFI,), eap=eap_roots, node=())
    names = ("radius.northpier.net", "*.northpier.net")
    one = node("quay1", "192.0.2.11", eap=replace(EAP, expected_names=names))
    found = asked(replace(plan(one), trust=trust), Depth.SWEEP, "CAA")
    of_eap = [name for name in found if name.endswith("net/CAA")]
    public = CERTIFI in eap_roots
    assert of_eap == (["radius.northpier.net/CAA", "northpier.net/CAA", "net/CAA"] * public)


def test_a_public_set_of_nothing_is_trusted_by_nobody() -> None:
    one = node("quay1", "192.0.2.11", eap=replace(EAP, expected_names=("radius.northpier.net",)))
    assert TRUST.public == ()
    assert not any("net/CAA" in name for name in asked(plan(one), Depth.SWEEP, "CAA"))


def short(name: str, *addresses: str) -> Node:
    return replace(node(name, *addresses), host=name)


def test_a_short_name_has_no_domain() -> None:
    """CA/Browser Forum BR, 4.2.2: no public CA certifies it."""
    planned = plan(short("quay1", "192.0.2.11"))
    assert asked(planned, Depth.NODE, "CAA") == []
    assert asked(planned, Depth.NODE, "A", "AAAA", "TLSA") == [
        "quay1/A",
        "quay1/AAAA",
        "_443._tcp.quay1/TLSA",
    ]


# ---------------------------------------------------------------- TLSA


def test_tlsa_is_asked_for_each_name_and_port_that_is_opened() -> None:
    """RFC 6698, section 3 for the names."""
    planned = plan(
        node("quay1", "192.0.2.11", web=Web(port=8443)),
        node("quay2", "192.0.2.12"),
        services=(
            service("guest.northpier.example", "quay1", "quay2"),
            service("join.northpier.example", "quay1", port=9443, addresses=("192.0.2.80",)),
            Service(
                "radius.northpier.example", Endpoint.EAP, Audience.STAFF, ("quay1",), addresses=()
            ),
        ),
    )
    assert asked(planned, Depth.SWEEP, "TLSA") == [
        "_8443._tcp.quay1.northpier.example/TLSA",
        "_8443._tcp.guest.northpier.example/TLSA",
        "_9443._tcp.join.northpier.example/TLSA",
        "_443._tcp.quay2.northpier.example/TLSA",
        "_443._tcp.guest.northpier.example/TLSA",
    ]
    questions = by_id(agenda(planned, Depth.SWEEP))
    one = questions["dns/system/_8443._tcp.guest.northpier.example/TLSA"]
    assert (one.nodes, one.service) == (("quay1",), "guest.northpier.example")


def test_no_name_is_made_longer_than_names_can_be() -> None:
    long = ".".join(["x" * 60] * 4) + ".example"
    planned = plan(replace(node("quay1", "192.0.2.11"), host=long))
    assert asked(planned, Depth.NODE, "TLSA") == []
    assert not any(name.startswith("*") for name in asked(planned, Depth.NODE, "A"))


# ---------------------------------------------------------------- in depth only


def test_a_sibling_of_each_looked_up_name_is_asked_for_in_depth() -> None:
    planned = plan(
        node("quay1", "192.0.2.11"),
        node("quay2", "192.0.2.12"),
        services=(
            service("join.guests.northpier.example", "quay2"),
            service("northpier.example", "quay1"),
        ),
    )
    stars = [name for name in asked(planned, Depth.NODE, "A", "AAAA") if name.startswith("*")]
    assert stars == [
        "*.northpier.example/A",
        "*.northpier.example/AAAA",
        "*.guests.northpier.example/A",
        "*.guests.northpier.example/AAAA",
    ]
    assert not any(name.startswith("*") for name in asked(planned, Depth.SWEEP, "A"))
    questions = by_id(agenda(planned, Depth.NODE))
    star = questions["dns/system/*.northpier.example/A"]
    assert (star.nodes, star.service) == (("quay1", "quay2"), None)


def test_reverse_names_are_asked_for_in_depth() -> None:
    """RFC 1035, section 3.5, and RFC 3596, section 2.5, for the names."""
    planned = plan(
        node("quay1", "192.0.2.11", "2001:db8::11"),
        node("quay2"),
        node("quay3", "192.0.2.11"),
    )
    assert asked(planned, Depth.NODE, "PTR") == [
        "11.2.0.192.in-addr.arpa/PTR",
        "1.1.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.0.8.b.d.0.1.0.0.2.ip6.arpa/PTR",
        "quay2.northpier.example/PTR",
    ]
    assert asked(planned, Depth.SWEEP, "PTR") == []
    questions = by_id(agenda(planned, Depth.NODE))
    assert questions["dns/system/11.2.0.192.in-addr.arpa/PTR"].nodes == ("quay1", "quay3")


def test_only_the_chosen_nodes_are_spoken_of() -> None:
    planned = plan(
        node("quay1", "192.0.2.11"),
        node("quay2", "192.0.2.12"),
        services=(service("guest.northpier.example", "quay1", "quay2"),),
    )
    for question in agenda(planned, Depth.NODE, nodes=("quay2",)):
        assert question.nodes == ("quay2",)
        assert "quay1" not in question.id
        assert "11.2.0.192" not in question.id


# ---------------------------------------------------------------- where clients are led


def led(questions: tuple[Question, ...]) -> dict[str, Question]:
    return {
        question.id: question
        for question in questions
        if question.handshake is not None and question.handshake.aspect is Aspect.LED
    }


WORLD = plan(
    node("quay1", "192.0.2.11", connect=(("192.0.2.11", "198.51.100.7"),)),
    node("quay2", "192.0.2.12", web=Web(addresses=("192.0.2.22",))),
    services=(
        service("guest.northpier.example", "quay1", "quay2"),
        service("join.northpier.example", "quay1", port=9443, addresses=("192.0.2.80",)),
    ),
)


def test_clients_are_followed_by_each_name_and_port_with_planned_addresses() -> None:
    questions = led(agenda(WORLD, Depth.SWEEP))
    assert [(one.id, one.nodes, one.service) for one in questions.values()] == [
        ("web/led/quay1.northpier.example:443", ("quay1",), None),
        (
            "web/led/guest.northpier.example:443",
            ("quay1", "quay2"),
            "guest.northpier.example",
        ),
        ("web/led/join.northpier.example:9443", ("quay1",), "join.northpier.example"),
        ("web/led/quay2.northpier.example:443", ("quay2",), None),
    ]
    assert questions["web/led/guest.northpier.example:443"].handshake == HandshakeAsk(
        None,
        443,
        name="guest.northpier.example",
        server_name="guest.northpier.example",
        aspect=Aspect.LED,
    )
    assert set(led(agenda(WORLD, Depth.NODE))) == set(questions)


@pytest.mark.parametrize("only", [{Endpoint.WEB}, {Endpoint.DNS}, {Endpoint.EAP}])
def test_clients_are_followed_only_where_names_and_the_web_are_asked_about(
    only: set[Endpoint],
) -> None:
    assert led(agenda(WORLD, Depth.NODE, only=frozenset(only))) == {}


def test_nobody_is_followed_where_the_plan_takes_addresses_from_dns() -> None:
    planned = plan(
        node("quay1"),
        node("quay2", "192.0.2.12"),
        services=(service("guest.northpier.example", "quay1", "quay2"),),
    )
    assert list(led(agenda(planned, Depth.SWEEP))) == ["web/led/quay2.northpier.example:443"]
    # What the rest of the plan says of a name counts, whoever is asked about.
    alone = agenda(planned, Depth.SWEEP, nodes=("quay2",))
    assert list(led(alone)) == ["web/led/quay2.northpier.example:443"]


def test_planned_addresses_of_names() -> None:
    assert planned_addresses(WORLD) == {
        "quay1.northpier.example": {"192.0.2.11"},
        "quay2.northpier.example": {"192.0.2.12"},
        "guest.northpier.example": {"192.0.2.11", "192.0.2.12", "192.0.2.22"},
        "join.northpier.example": {"192.0.2.80"},
    }
    assert planned_addresses(plan(node("quay1"))) == {"quay1.northpier.example": None}


def test_addresses_that_are_visited_anyway_are_known() -> None:
    """So are all that `connect` translates: this machine would not reach them."""
    assert places_known(WORLD) == {
        "quay1.northpier.example": {"192.0.2.11"},
        "quay2.northpier.example": {"192.0.2.11", "192.0.2.12", "192.0.2.22"},
        "guest.northpier.example": {"192.0.2.11", "192.0.2.12", "192.0.2.22"},
        "join.northpier.example": {"192.0.2.11", "192.0.2.80"},
    }
