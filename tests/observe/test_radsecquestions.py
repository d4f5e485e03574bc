"""What is asked of RadSec endpoints, and what is told of it beforehand."""

from pathlib import Path

import pytest

from probe.observation.model import Aspect, Endpoint, HandshakeAsk, Method, Question, TlsVersion
from probe.observe.agenda import Depth, agenda, secrets_needed
from probe.observe.footprint import footprint
from probe.plan.model import Node, Radsec, SecretRef
from probe.records import replace
from tests.observe.plans import EAP, SECRET, node, plan

ONLY = frozenset({Endpoint.RADSEC})
KEY = SecretRef(file=Path("peer.key"))
PAIR = {"certificate": Path("peer.pem"), "key": KEY}


def with_radsec(*addresses: str, eap: bool = False, **settings: object) -> Node:
    return replace(
        node("quay1", *addresses, eap=EAP if eap else None),
        radsec=replace(Radsec(), **settings),  # type: ignore[arg-type]  # fields by name
    )


def test_an_address_is_asked_once_in_a_sweep() -> None:
    assert agenda(plan(with_radsec("192.0.2.11")), Depth.SWEEP, only=ONLY) == (
        Question(
            "radsec/quay1/192.0.2.11:2083",
            Endpoint.RADSEC,
            ("quay1",),
            handshake=HandshakeAsk("192.0.2.11", 2083, server_name="quay1.northpier.example"),
        ),
    )


def test_in_depth_old_versions_are_asked_for() -> None:
    questions = agenda(plan(with_radsec("192.0.2.11")), Depth.NODE, only=ONLY)
    asked = [(q.id, q.handshake.tls, q.handshake.aspect) for q in questions if q.handshake]
    assert asked[1:] == [
        ("radsec/quay1/192.0.2.11:2083/old/TLSv1", (TlsVersion.TLS1_0,), Aspect.OLD_VERSION),
        ("radsec/quay1/192.0.2.11:2083/old/TLSv1.1", (TlsVersion.TLS1_1,), Aspect.OLD_VERSION),
    ]


@pytest.mark.parametrize("depth", Depth)
def test_with_a_certificate_one_goes_inside(depth: Depth) -> None:
    of = plan(with_radsec("192.0.2.11", eap=True, **PAIR))
    questions = agenda(of, depth, only=ONLY)
    last = questions[-1].handshake
    assert last is not None
    assert questions[-1].id == "radsec/quay1/192.0.2.11:2083/inside"
    assert (last.aspect, last.methods) == (Aspect.INSIDE, (Method.PEAP,))
    assert secrets_needed(of, questions) == (KEY,)
    assert secrets_needed(of, questions[:-1]) == ()
    assert secrets_needed(of, agenda(of, depth)) == (SECRET, KEY)


def test_half_a_pair_is_none() -> None:
    for half in ({"certificate": Path("peer.pem")}, {"key": KEY}):
        assert len(agenda(plan(with_radsec("192.0.2.11", **half)), Depth.SWEEP, only=ONLY)) == 1


@pytest.mark.parametrize(
    ("names", "sent"),
    [
        ((), "quay1.northpier.example"),
        (("192.0.2.11", "radsec.northpier.example"), "radsec.northpier.example"),
    ],
)
def test_the_server_name_is_the_first_that_is_no_address(names: tuple[str, ...], sent: str) -> None:
    """RFC 6066, 3."""
    (question,) = agenda(plan(with_radsec("192.0.2.11", names=names)), Depth.SWEEP, only=ONLY)
    assert question.handshake is not None
    assert question.handshake.server_name == sent


def test_without_addresses_it_is_wherever_the_name_leads() -> None:
    (question,) = agenda(plan(with_radsec(port=2084)), Depth.SWEEP, only=ONLY)
    assert question.id == "radsec/quay1/dns:2084"
    own = with_radsec("192.0.2.11", addresses=("192.0.2.99",))
    (question,) = agenda(plan(own), Depth.SWEEP, only=ONLY)
    assert question.id == "radsec/quay1/192.0.2.99:2083"


def test_without_radsec_in_the_plan_nothing_is_asked() -> None:
    assert agenda(plan(node("quay1", "192.0.2.11")), Depth.NODE, only=ONLY) == ()


def test_what_is_told_beforehand() -> None:
    """The conversation inside is one failed authentication at the server behind."""
    of = plan(with_radsec("192.0.2.11", eap=True, **PAIR))
    told = footprint(of, agenda(of, Depth.NODE, only=ONLY))
    assert (told.total.radsec, told.total.connections) == (4, 0)
    assert (told.total.conversations, told.total.failed_authentications) == (1, 1)
    assert (told.total.further, told.authorities) == (0, True)
    alone = plan(with_radsec("192.0.2.11", **PAIR))
    told = footprint(alone, agenda(alone, Depth.SWEEP, only=ONLY))
    assert (told.total.radsec, told.total.failed_authentications) == (2, 0)
