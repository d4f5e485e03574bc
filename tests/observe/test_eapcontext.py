"""As whom RADIUS servers are asked: nobody, in the same words each time."""

import pytest

from probe.observation.model import Aspect, HandshakeAsk, Method
from probe.observe.eapcontext import guise
from probe.records import replace
from tests.observe.plans import EAP

ASK = HandshakeAsk("192.0.2.11", 1812, methods=(Method.PEAP,))


@pytest.mark.parametrize(
    ("turn", "user", "station"),
    [
        (0, "cert-probe@northpier.example", "02-00-00-CE-47-01"),
        (1, "cert-probe-2@northpier.example", "02-00-00-CE-47-02"),
        (4, "cert-probe-5@northpier.example", "02-00-00-CE-47-05"),
    ],
)
def test_a_repeat_has_a_user_and_a_station_of_its_own(turn: int, user: str, station: str) -> None:
    """In the same realm, by which servers choose (RFC 7542, 2.2), and locally administered."""
    found = guise(EAP, replace(ASK, aspect=Aspect.AGAIN, turn=turn))
    assert (found.identity, found.calling_station) == (user, station)
    shown = dict(found.attributes())
    assert (shown["User-Name"], shown["Calling-Station-Id"]) == (user, station)


def test_a_station_at_the_end_of_the_range_stays_a_hardware_address() -> None:
    settings = replace(EAP, calling_station="02-00-00-CE-47-FF", anonymous_nai="@northpier.example")
    found = guise(settings, replace(ASK, aspect=Aspect.AGAIN, turn=2))
    assert found.calling_station == "02-00-00-CE-47-01"
    assert found.identity == "anonymous-3@northpier.example"


def test_framed_mtu_is_the_plans_unless_it_is_to_be_another() -> None:
    found = guise(EAP, ASK)
    assert dict(found.attributes())["Framed-MTU"] == 1400
    assert dict(found.attributes(500))["Framed-MTU"] == 500
