"""RFC 5080, section 2.2.1 (vectors/radius_retransmission.json): when a request is sent again."""

import json
from itertools import accumulate, chain, repeat
from pathlib import Path

import pytest

from probe.limits import DEFAULT
from probe.observe.exchange import uniform_jitter
from probe.observe.retransmission import waits

VECTORS = json.loads(
    (Path(__file__).parent / "vectors/radius_retransmission.json").read_text("utf-8")
)
RFC = VECTORS["constants"]


def by_the_rfc(jitter: float) -> list[float]:
    return list(waits(RFC["IRT"], RFC["MRT"], RFC["MRC"], RFC["MRD"], lambda: jitter))


def test_the_schedule_without_jitter() -> None:
    """RFC 5080, 2.2.1: sent at 0, 2, 6 and 14 seconds, given up at 30."""
    moments = [0.0, *accumulate(by_the_rfc(0.0))]
    assert moments[:-1] == VECTORS["schedule_without_jitter_s"]
    assert moments[-1] == VECTORS["gives_up_at_s"]


def test_the_bounds_of_the_first_wait() -> None:
    """RFC 5080, 2.2.1: RAND is between -0.1 and +0.1 of it."""
    shortest, longest = VECTORS["first_wait_bounds_s"]
    assert by_the_rfc(-0.1)[0] == pytest.approx(shortest)
    assert by_the_rfc(0.1)[0] == pytest.approx(longest)
    drawn = [uniform_jitter() for _ in range(1_000)]
    assert -0.1 <= min(drawn) < -0.05
    assert 0.05 < max(drawn) <= 0.1


def test_jitter_is_drawn_anew_for_each_wait() -> None:
    """RFC 5080, 2.2.1: RT = 2*RTprev + RAND*RTprev. By hand: 2 + 0.2 = 2.2; 4.4 - 0.22 = 4.18;
    8.36 + 0.418 = 8.778; 17.556 is above MRT, so 16 - 1.6 = 14.4."""
    drawn = chain((0.1, -0.1, 0.1, 0.0, -0.1), repeat(0.0))
    got = list(waits(2, 16, 5, 300, lambda: next(drawn)))
    assert got == pytest.approx([2.2, 4.18, 8.778, 14.4, 16.0])


def test_the_number_of_transmissions_is_bounded() -> None:
    """RFC 5080, 2.2.1: "MRC specifies an upper bound on the number of times"."""
    assert list(waits(1, 16, 3, 300, lambda: 0.0)) == [1, 2, 4]


def test_our_own_schedule_has_its_shape() -> None:
    """Not the RFC's figures: an answer is wanted sooner here (limits.py gives each reason)."""
    ours = waits(
        DEFAULT.radius_first_wait,
        DEFAULT.radius_longest_wait,
        DEFAULT.radius_tries,
        DEFAULT.radius_silence,
        lambda: 0.0,
    )
    assert [0.0, *accumulate(ours)] == pytest.approx([0.0, 0.8, 2.4, 5.6, 8.0])
