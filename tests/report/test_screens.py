"""Whole screens, as they were read and found good, kept in screens/ beside this file."""

from dataclasses import dataclass
from pathlib import Path

import pytest

from probe.assessment import Basis, Does, Reaction, Verdict
from probe.observation.model import Endpoint
from probe.report.terminal import render, render_agenda, render_rule, render_rules
from tests.report.build import healthy, troubled

SCREENS = Path(__file__).parent / "screens"


@dataclass(frozen=True)
class Share:
    place: str
    nodes: tuple[str, ...]
    lookups: int
    connections: int
    conversations: int
    per_address: bool = False
    requests: int = 0
    radsec: int = 0

    @property
    def failed_authentications(self) -> int:
        return self.conversations

    @property
    def further(self) -> int:
        return 0


@dataclass(frozen=True)
class Footprint:
    shares: tuple[Share, ...]
    total: Share
    resolvers: tuple[tuple[str, int], ...]
    login: str | None = None
    authorities: bool = False
    led: bool = False
    reverse: bool = False


@dataclass(frozen=True)
class Rule:
    id: str
    endpoint: Endpoint
    title: str
    meaning: str = "What was observed where it is seen."
    why: str = "Why that matters to those who come there."
    remedy: str = "What to do about it."
    source: str = "RFC 5280, 4.1.2.5"
    basis: Basis = Basis.COMMON_PRACTICE
    floor: Verdict | None = Verdict.ADVISED


QUAYS = ("quay1", "quay2", "quay3", "quay4")
FOOTPRINT = Footprint(
    (
        *(Share(name, (name,), 4, 3, 2) for name in QUAYS),
        Share("guest.northpier.example", ("quay1", "quay2"), 4, 1, 0),
    ),
    Share("all", QUAYS, 20, 13, 8),
    (("system", 10), ("10.0.9.53@guest", 10), ("192.0.2.53", 0)),
    authorities=True,
    led=True,
    reverse=True,
)
RULES = (
    Rule("dns-no-address", Endpoint.DNS, "A name has no address"),
    Rule("web-expired", Endpoint.WEB, "A certificate has expired"),
    Rule("eap-expired", Endpoint.EAP, "A certificate has expired"),
    Rule("web-closed", Endpoint.WEB, "The port is closed"),
    Rule("eap-client-authorities-differ", Endpoint.EAP, "Nodes name different client CAs"),
)
REACTIONS = (
    Reaction("windows-eap", "profile", Does.REFUSES, "Can't connect to this network"),
    Reaction("apple-eap", "by-hand", Does.WARNS, None),
    Reaction("linux-eap", "by-hand", Does.WARNS, None),
    Reaction("android-eap", "profile", Does.CONTINUES, None),
)


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("troubled-60", lambda: render(troubled(), width=60)),
        ("troubled-80", lambda: render(troubled(), width=80)),
        ("troubled-120", lambda: render(troubled(), width=120)),
        ("healthy-400-nodes-80", lambda: render(healthy(400))),
        ("agenda-80", lambda: render_agenda(FOOTPRINT)),
        ("rules-80", lambda: render_rules(RULES)),
        (
            "rule-80",
            lambda: render_rule(RULES[2], REACTIONS, client_titles={"windows-eap": "Windows"}),
        ),
    ],
)
def test_a_screen_is_what_it_was_when_it_was_read(name: str, shown: object) -> None:
    assert callable(shown)
    assert shown() == (SCREENS / f"{name}.txt").read_text("utf-8")


def test_a_place_with_unknown_addresses_is_asked_at_each_of_them() -> None:
    share = Share("quay1", ("quay1",), 2, 1, 1, per_address=True)
    shown = render_agenda(Footprint((share,), share, ()), width=110)
    assert (
        "quay1: 2 DNS questions, 1 TLS connection and 1 EAP conversation, at each address found"
        in shown
    )
    assert "1 failed authentication in the servers' own logs for each address\n" in shown
    share = Share("quay1", ("quay1",), 2, 1, 0, per_address=True)
    assert "logged     no failed authentication\n" in render_agenda(Footprint((share,), share, ()))


def test_a_rule_that_makes_notes_only_says_so() -> None:
    note = Rule("eap-same-as-web", Endpoint.EAP, "One certificate for both", floor=None)
    assert "  verdict   none by itself: a note\n" in render_rule(note)
