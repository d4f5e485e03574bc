"""Whole screens, as they were read and found good, kept in screens/ beside this file."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from probe.assessment import Basis, Does, Reaction, Verdict
from probe.observation.model import Endpoint
from probe.report.terminal import (
    render,
    render_agenda,
    render_bundle,
    render_due,
    render_past,
    render_rule,
    render_rules,
)
from tests.report.build import troubled
from tests.report.clusters import judged, one_node, without_digests
from tests.report.test_bundle import made as bundle
from tests.report.test_due import made as due
from tests.report.test_past import past

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


COMMANDS: dict[str, Callable[[int], str]] = {
    "troubled": lambda width: render(troubled(), width=width),
    "node": lambda width: without_digests(render(one_node(), width=width, in_depth=True)),
    "bundle": lambda width: render_bundle(bundle(), width=width),
    "due": lambda width: render_due(due(), width=width),
    "past": lambda width: render_past(past(), width=width),
    "rules": lambda width: render_rules(RULES, width=width),
    "rule": lambda width: render_rule(
        RULES[2], REACTIONS, client_titles={"windows-eap": "Windows"}, width=width
    ),
    "agenda": lambda width: render_agenda(FOOTPRINT, width=width),
}
"""What each command shows, by the width of the terminal."""

WIDTHS = {60: 60, 80: 80, 120: 120, 200: 120}
"""Columns, and the screen that is shown there: no line is longer than can be read."""

CLUSTERS = (("one", 4), ("many", 40), ("half", 40), ("names", 40))


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", COMMANDS)
def test_a_screen_is_what_it_was_when_it_was_read(name: str, width: int) -> None:
    shown = COMMANDS[name](width)
    assert shown == (SCREENS / f"{name}-{WIDTHS[width]}.txt").read_text("utf-8")


@pytest.mark.parametrize(("kind", "count"), CLUSTERS)
def test_a_cluster_is_what_it_was_when_it_was_read(kind: str, count: int) -> None:
    shown = without_digests(render(judged(kind, count)))
    assert shown == (SCREENS / f"{kind}-{count}-nodes-80.txt").read_text("utf-8")


@pytest.mark.parametrize("kind", ["many", "half"])
def test_four_hundred_nodes_are_told_on_two_screens(kind: str) -> None:
    """Who is held up, where, what is first, and what is served: the findings follow."""
    shown, _, _ = without_digests(render(judged(kind, 400))).partition("\nFindings\n")
    assert shown.count("\n") <= 2 * 24 + 12
    assert shown == (SCREENS / f"{kind}-400-nodes-80.txt").read_text("utf-8")


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


def test_names_are_never_counted_among_nodes_that_are_asked_alike() -> None:
    nodes = tuple(Share(f"pier-{letter}", (f"pier-{letter}",), 4, 3, 2) for letter in "abcdefghijk")
    names = tuple(share.place for share in nodes)
    shares = (*nodes, Share("guest.northpier.example", names, 4, 1, 0))
    shown = render_agenda(Footprint(shares, nodes[0], ()), width=110)
    assert "  pier-a, pier-b and 9 more: each 4 DNS questions" in shown
    assert "  guest.northpier.example, at pier-a, pier-b and 9 more: 4 DNS questions" in shown


def test_a_rule_that_makes_notes_only_says_so() -> None:
    note = Rule("eap-same-as-web", Endpoint.EAP, "One certificate for both", floor=None)
    assert "  verdict   none by itself: a note\n" in render_rule(note)


def write() -> None:
    """Write all screens anew, to be read before they are kept."""
    for name, shown in COMMANDS.items():
        for width in sorted({*WIDTHS.values()}):
            (SCREENS / f"{name}-{width}.txt").write_text(shown(width), "utf-8")
    for kind, count in CLUSTERS:
        text = without_digests(render(judged(kind, count)))
        (SCREENS / f"{kind}-{count}-nodes-80.txt").write_text(text, "utf-8")
    for kind in ("many", "half"):
        text, _, _ = without_digests(render(judged(kind, 400))).partition("\nFindings\n")
        (SCREENS / f"{kind}-400-nodes-80.txt").write_text(text, "utf-8")


if __name__ == "__main__":
    write()
