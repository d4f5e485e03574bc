"""The closer look at EAP on the screen, as it was read and found good."""

from pathlib import Path

import pytest

from probe.assessment import EapLook, MethodSeen
from probe.observation.model import Outcome, Trial, TrialKind
from probe.records import replace
from probe.report.terminal import render
from tests.report.build import healthy
from tests.report.hostile import HOSTILE

SCREENS = Path(__file__).parent / "screens"

FULL = EapLook(
    nodes=("quay1",),
    service=None,
    address="192.0.2.11",
    port=1812,
    proposed=("EAP-TLS", "EAP-FAST"),
    methods=(
        MethodSeen("PEAP", "served", 5, 1024),
        MethodSeen("EAP-TTLS", "method-refused", 2, None),
        MethodSeen("EAP-TLS", "served", 4, 1024),
    ),
    versions=("TLSv1.1", "TLSv1.2", "TLSv1.3"),
    versions_refused=("TLSv1",),
    families=(("rsa", ("TLSv1.2", "TLSv1.3")), ("ecdsa", ())),
    repeats=2,
    client_authorities=("CN=Northpier Ferries Devices,O=Northpier Ferries", "CN=Guests"),
    resumption=("session-id", "ticket"),
)
TROUBLED = EapLook(
    nodes=("quay4",),
    service=None,
    address="192.0.2.14",
    port=1812,
    methods=(MethodSeen("PEAP", "silent", 0, None),),
    trials=(
        Trial(TrialKind.STATUS_SERVER, Outcome.SILENT),
        Trial(TrialKind.UNCONNECTED, Outcome.SERVED, None, "198.51.100.14"),
        Trial(TrialKind.LARGE_REQUEST, Outcome.NOT_ASKED, "the pace leaves no room"),
    ),
)
BALANCED = EapLook(
    nodes=("quay1", "quay2", "quay3", "quay4"),
    service="radius.northpier.example",
    address="192.0.2.80",
    port=1812,
    proposed=("PEAP",),
    methods=(MethodSeen("PEAP", "served", 4, 1024),),
    versions=("TLSv1.3",),
    repeats=1,
    repeats_alike=False,
    client_authorities=(),
)


@pytest.mark.parametrize("width", [60, 80])
def test_a_closer_look_is_what_it_was_when_it_was_read(width: int) -> None:
    shown = render(replace(healthy(), eap_looks=(FULL, TROUBLED, BALANCED)), width=width)
    assert shown == (SCREENS / f"closer-{width}.txt").read_text("utf-8")


def test_a_sweep_shows_no_closer_look() -> None:
    assert "closer look" not in render(healthy())


def test_what_a_server_says_stays_text() -> None:
    """Names in CertificateRequest and unknown methods are the peer's."""
    hostile = "CN=\x1b]0;owned\x07[bold]\x9b31m"
    look = replace(FULL, client_authorities=(hostile,), proposed=(hostile,), service=hostile)
    shown = render(replace(healthy(), eap_looks=(look,)))
    assert not {"\x1b", "\x07", "\x9b"} & set(shown)
    assert "[bold]" in shown


def test_visits_of_the_plan_that_were_not_asked_are_told_at_the_end() -> None:
    left_out = replace(healthy(), visits_left_out=("wired dock", HOSTILE))
    text = " ".join(render(left_out).split())
    assert 'EAP was not asked in the visit "wired dock"' in text
    assert "\x1b" not in text
    assert "was not asked in the visit" not in " ".join(render(healthy()).split())
