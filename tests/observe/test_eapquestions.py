"""Which EAP conversations are held, written out: each is a failed authentication somewhere."""

import pytest

from probe.observation.model import (
    Aspect,
    Endpoint,
    HandshakeAsk,
    KeyFamily,
    Method,
    Question,
    TlsVersion,
)
from probe.observe.agenda import Depth, agenda
from probe.plan.model import Audience, Eap, Plan, Roots, Service, Visit
from probe.records import replace
from tests.observe.plans import EAP, node, plan, with_methods

EAP_ONLY = frozenset({Endpoint.EAP})
QUAY1 = "eap/quay1/192.0.2.11:1812"
ALL_VERSIONS = (TlsVersion.TLS1_0, TlsVersion.TLS1_1, TlsVersion.TLS1_2, TlsVersion.TLS1_3)
VIRTUAL = Service(
    name="radius.northpier.example",
    endpoint=Endpoint.EAP,
    audience=Audience.STAFF,
    nodes=("quay1",),
    addresses=("192.0.2.90",),
)


def one_node(eap: Eap = EAP, *, client_issuers: bool = False) -> Plan:
    """Northpier's first quay; `client_issuers`: the plan says where clients' certificates are
    from."""
    planned = plan(node("quay1", "192.0.2.11", eap=eap))
    issuers = (Roots("device-ca.pem", None, ()),) if client_issuers else ()
    return replace(planned, trust=replace(planned.trust, client_issuers=issuers))


def asked(
    planned: Plan, depth: Depth, *, repeat: int | None = None, unsigned: bool = False
) -> dict[str, HandshakeAsk]:
    questions = agenda(planned, depth, only=EAP_ONLY, repeat=repeat, unsigned=unsigned)
    return {question.id: _handshake(question) for question in questions}


def _handshake(question: Question) -> HandshakeAsk:
    assert question.handshake is not None
    return question.handshake


def test_a_full_look_with_three_methods_is_eleven_conversations() -> None:
    """Below the twelve a minute that one node is troubled with."""
    looked = asked(one_node(), Depth.NODE)
    assert list(looked) == [
        f"{QUAY1}/PEAP",
        f"{QUAY1}/EAP-TTLS",
        f"{QUAY1}/EAP-TLS",
        f"{QUAY1}/PEAP/rsa/TLSv1.2",
        f"{QUAY1}/PEAP/rsa/TLSv1.3",
        f"{QUAY1}/PEAP/ecdsa/TLSv1.2",
        f"{QUAY1}/PEAP/ecdsa/TLSv1.3",
        f"{QUAY1}/PEAP/old/TLSv1",
        f"{QUAY1}/PEAP/old/TLSv1.1",
        f"{QUAY1}/PEAP/again/2",
        f"{QUAY1}/PEAP/again/3",
    ]
    base = HandshakeAsk("192.0.2.11", 1812, methods=(Method.PEAP,))
    assert looked[f"{QUAY1}/PEAP"] == base
    assert looked[f"{QUAY1}/EAP-TLS"] == replace(
        base, methods=(Method.EAP_TLS,), until_request=True
    )
    assert looked[f"{QUAY1}/PEAP/ecdsa/TLSv1.3"] == replace(
        base, tls=(TlsVersion.TLS1_3,), key_family=KeyFamily.ECDSA, aspect=Aspect.FAMILY
    )
    assert looked[f"{QUAY1}/PEAP/old/TLSv1"] == replace(
        base, tls=(TlsVersion.TLS1_0,), aspect=Aspect.OLD_VERSION
    )
    assert looked[f"{QUAY1}/PEAP/again/3"] == replace(base, aspect=Aspect.AGAIN, turn=2)


def test_each_visit_of_the_plan_gets_its_own_conversation() -> None:
    wired = with_methods(Method.PEAP, Method.EAP_TLS, visits=(Visit("wired dock", "wired"),))
    looked = asked(one_node(wired), Depth.NODE)
    assert [name for name in looked if "/" not in name.partition("/PEAP")[2]][:2] == [
        f"{QUAY1}/PEAP",
        f"{QUAY1}/EAP-TLS",
    ]
    assert looked[f"{QUAY1}/PEAP/wired dock"] == HandshakeAsk(
        "192.0.2.11",
        1812,
        methods=(Method.PEAP, Method.EAP_TLS),
        visit="wired dock",
        until_request=True,
    )


def test_a_sweep_offers_every_version_in_its_second_conversation() -> None:
    """So an old server shows itself, and no third conversation is needed to find it."""
    base = HandshakeAsk("192.0.2.11", 1812, methods=(Method.PEAP,))
    rest = (Method.EAP_TTLS, Method.EAP_TLS)
    assert asked(one_node(), Depth.SWEEP) == {
        f"{QUAY1}/PEAP": base,
        f"{QUAY1}/EAP-TTLS": replace(base, methods=rest, tls=ALL_VERSIONS),
    }


def test_a_sweep_asks_for_ca_names_alone_where_the_plan_says_which_are_due() -> None:
    """Offered another method beside, a server chooses by its own order (RFC 3748, 5.3.1), and a
    node that refuses EAP-TLS would look like one that only likes another one better."""
    looked = asked(one_node(client_issuers=True), Depth.SWEEP)
    assert list(looked) == [f"{QUAY1}/PEAP", f"{QUAY1}/EAP-TLS"]
    second = looked[f"{QUAY1}/EAP-TLS"]
    assert second.methods == (Method.EAP_TLS,)
    assert second.until_request
    assert not looked[f"{QUAY1}/PEAP"].until_request


def test_a_sweep_reads_on_in_a_first_method_too_that_asks_for_certificates() -> None:
    only_tls = with_methods(Method.EAP_TLS)
    (looked,) = asked(one_node(only_tls, client_issuers=True), Depth.SWEEP).values()
    assert looked.until_request
    (looked,) = asked(one_node(only_tls), Depth.SWEEP).values()
    assert not looked.until_request


@pytest.mark.parametrize(("methods", "most"), [((Method.PEAP,), 1), (tuple(Method), 2)])
def test_a_sweep_holds_at_most_two_conversations_however_often_the_web_is_asked(
    methods: tuple[Method, ...], most: int
) -> None:
    looked = asked(one_node(with_methods(*methods)), Depth.SWEEP, repeat=5, unsigned=True)
    assert len(looked) == most


def test_repeats_go_through_a_small_fixed_set_of_users_and_stations() -> None:
    looked = asked(one_node(with_methods(Method.PEAP)), Depth.NODE, repeat=8)
    turns = [ask.turn for ask in looked.values() if ask.aspect is Aspect.AGAIN]
    assert turns == [1, 2, 3, 4, 1, 2, 3]


def test_an_unsigned_request_is_an_option_of_its_own() -> None:
    usual = asked(one_node(), Depth.NODE)
    looked = asked(one_node(), Depth.NODE, unsigned=True)
    assert looked.keys() - usual.keys() == {f"{QUAY1}/unsigned"}
    assert looked[f"{QUAY1}/unsigned"] == HandshakeAsk(
        "192.0.2.11", 1812, methods=(Method.PEAP,), aspect=Aspect.UNSIGNED
    )


def test_a_virtual_address_is_one_method_and_in_depth_asked_again() -> None:
    planned = replace(one_node(), services=(VIRTUAL,))
    place = "eap/radius.northpier.example/192.0.2.90:1812"
    base = HandshakeAsk("192.0.2.90", 1812, methods=(Method.PEAP,))
    swept = asked(planned, Depth.SWEEP)
    assert {name: ask for name, ask in swept.items() if "quay1" not in name} == {
        f"{place}/PEAP": base
    }
    looked = asked(planned, Depth.NODE)
    assert {name: ask for name, ask in looked.items() if "quay1" not in name} == {
        f"{place}/PEAP": base,
        f"{place}/PEAP/again/2": replace(base, aspect=Aspect.AGAIN, turn=1),
        f"{place}/PEAP/again/3": replace(base, aspect=Aspect.AGAIN, turn=2),
    }
