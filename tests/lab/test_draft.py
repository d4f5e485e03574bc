"""A plan that was drafted from names and filled in as the program says finds what the scenario's
own plan finds."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import FOLDER, Scenario
from tests.lab.filling import (
    Fill,
    Person,
    draft,
    instead,
    names_of,
    nothing,
    secret_file,
    written,
)
from tests.running import probe

DAY = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
DOMAIN = "northpier.example"
GUEST, ONBOARD, RADIUS = f"guest.{DOMAIN}", f"onboard.{DOMAIN}", f"radius.{DOMAIN}"

Knows = Callable[[Cluster], Mapping[str, Fill]]


@dataclass(frozen=True)
class Case:
    """One cluster, what is named of it, and what only people know of it."""

    names: tuple[str, ...] | None = None
    """None: the hosts of the nodes."""
    more: tuple[str, ...] = ()
    """Further arguments; {given} is the folder of profiles."""
    knows: Knows = lambda _lab: {}
    has_eap: bool = True
    opens: int = field(default=4)
    """Things to fill in: two CAs, the expected names, who opens the services."""


def _sheet(lab: Cluster) -> str:
    return "\n".join(
        [
            "host;web port",
            *(f"{lab.scenario.node[name].host};{lab.web_place(name)[1]}" for name in lab.names),
        ]
    )


CASES: dict[str, Case] = {
    "healthy-cluster": Case(),
    "healthy-internationalised-name": Case(),
    "healthy-multi-name": Case(),
    "healthy-root-served": Case(),
    "healthy-split-dns": Case(),
    # A wildcard names no service: it is said. One of two labels leads nowhere.
    "healthy-wildcard": Case(more=(GUEST, ONBOARD)),
    # Two addresses of their own: portal and RADIUS.
    "healthy-virtual-addresses": Case(more=(GUEST, RADIUS)),
    # Each node has a web port of its own here, which nothing tells.
    "healthy-dual-stack": Case(names=(), more=("--nodes", "sheet.csv")),
    # Staff's pages and EAP have one CA; that of the portal shows when the portal is named.
    "healthy-private-staff-names": Case(more=(GUEST,)),
    "healthy-no-eap": Case(
        has_eap=False, opens=3, knows=lambda _lab: {"EAP is not in this plan": nothing}
    ),
    "web-expired": Case(),
    "eap-expired-one-node": Case(),
    "eap-name-unexpected": Case(
        # Only people know what supplicants were told: that is what the mark is for.
        knows=lambda lab: {"eap.expected_names": _expected(lab)},
    ),
    # The CA of one node is nobody's: it stays behind its #.
    "web-unknown-root": Case(opens=5, knows=lambda _lab: {'the CA "Dry Dock Test CA"': nothing}),
    # Nothing tells a closed port from another one.
    "web-closed": Case(
        opens=5, knows=lambda _lab: {"no certificate was shown for web (closed)": nothing}
    ),
    # The demonstration: a record that leads to where nobody is, and a node that knows nobody.
    "northpier-demo": Case(
        opens=6,
        knows=lambda lab: {
            "which is no node's that was named": _without_nodes,
            "node quay4: no certificate was shown for web": _moved(lab),
        },
    ),
    # Where the node is that has no record: the program finds where it may be.
    "dns-no-address": Case(
        opens=5,
        knows=lambda lab: {
            "no address of quay3": instead(
                f'# addresses = ["{lab.web_place("quay3")[0]}"]',
                f'addresses = ["{lab.web_place("quay3")[0]}"]',
            )
        },
    ),
}
"""By scenario. What each one's faults do to a draft is written beside it."""


def _expected(lab: Cluster) -> Fill:
    (name,) = lab.scenario.plan["eap"]["expected_names"]

    def fill(text: str) -> str:
        lines = [
            f'expected_names = ["{name}"]' if "expected_names = [" in line else line
            for line in text.splitlines()
        ]
        return "\n".join(lines) + "\n"

    return fill


def _without_nodes(text: str) -> str:
    """The services are on every node: one of their addresses is that of the node that moved."""
    kept = [line for line in text.splitlines() if not line.startswith("nodes = ")]
    return "\n".join(kept) + "\n"


def _moved(lab: Cluster) -> Fill:
    """Its record is wrong, and it is where only people know. On loopback, silence is short."""
    limits = "\n".join(f"{key} = {value}" for key, value in lab.scenario.plan["limits"].items())

    def fill(text: str) -> str:
        there = instead('["127.99.0.14"]', f'["{lab.web_place("quay4")[0]}"]')
        return there(text) + f"\n[limits]\n{limits}\n"

    return fill


@pytest.mark.parametrize("name", CASES)
def test_a_draft_that_is_filled_in_finds_what_the_clusters_own_plan_finds(
    tmp_path: Path, name: str
) -> None:
    case = CASES[name]
    with Cluster(Scenario.load(name), directory=tmp_path / "lab", at=DAY) as lab:
        _compare(lab, tmp_path, case)


def test_a_node_that_is_down_stays_one_in_the_draft(tmp_path: Path) -> None:
    """That it is down is a finding of the plan, and a question of the draft."""
    down = '[node.quay3.web]\nfault = "closed"\n[node.quay3.eap]\nfault = "closed"\n'
    path = written(tmp_path, "down", down)
    case = Case(opens=5, knows=lambda _lab: {"no certificate was shown for EAP (closed)": nothing})
    with Cluster(Scenario.read(path), directory=tmp_path / "lab", at=DAY) as lab:
        _compare(lab, tmp_path, case)


def test_without_any_dns_a_sheet_has_the_addresses(tmp_path: Path) -> None:
    """Names alone lead nowhere then, and that is said."""
    path = written(tmp_path, "mute", '[nameserver.main]\nfault = "refuses"\n')
    with Cluster(Scenario.read(path), directory=tmp_path / "lab", at=DAY) as lab:
        nothing_found = draft(lab, tmp_path, *names_of(lab), keep=False)
        assert nothing_found.status == 2
        assert "quay1.northpier.example: no resolver answered (refused)" in nothing_found.stderr
        rows = (
            f"{lab.scenario.node[name].host},{lab.web_place(name)[0]},pier" for name in lab.names
        )
        (tmp_path / "sheet.csv").write_text("\n".join(["host,addresses,group", *rows]), "utf-8")
        services = ("--service", GUEST, "--service", ONBOARD)
        drafted = draft(
            lab,
            tmp_path,
            *("--nodes", "sheet.csv", *services, "--secret-file", secret_file(lab, tmp_path)),
        )
        assert drafted.path.read_text("utf-8").count('group = "pier"') == 3
        Person(lab, tmp_path).fill_in(drafted)
        at = ("--at", DAY.isoformat())
        own, of_draft = probe(lab.plan_path, *at), probe(drafted.path, *at)
        assert of_draft.findings() == own.findings() != set()
        assert {rule for rule, *_ in own.findings()} == {"dns-no-answer"}
        assert of_draft.status == own.status == 4


def test_forty_nodes_are_found_from_the_portals_name_alone(tmp_path: Path) -> None:
    """It leads to all of them, and each has its own name in its certificate."""
    nodes = ", ".join(f'"quay{number}"' for number in range(1, 41))
    base = (FOLDER / "healthy-cluster.toml").read_text("utf-8")
    path = tmp_path / "forty.toml"
    path.write_text(base.replace('["quay1", "quay2", "quay3"]', f"[{nodes}]"), "utf-8")
    with Cluster(Scenario.read(path), directory=tmp_path / "lab", at=DAY) as lab:
        _compare(lab, tmp_path, Case(names=(GUEST,)))
        # One table stands for all of them.
        assert (tmp_path / "drafted.toml").read_text("utf-8").count("[[node]]") == 1


def _compare(lab: Cluster, folder: Path, case: Case) -> None:
    (folder / "sheet.csv").write_text(_sheet(lab), "utf-8")
    eap = ("--secret-file", secret_file(lab, folder)) if case.has_eap else ()
    names = names_of(lab) if case.names is None else case.names
    drafted = draft(lab, folder, *names, *case.more, *eap)
    assert drafted.status in {0, 4}, drafted.stderr
    assert len(drafted.opens) == case.opens, drafted.stderr
    # Each is marked in the file too, and nothing else is.
    text = drafted.path.read_text("utf-8")
    assert [f"# OPEN {number}: " in text for number in drafted.opens] == [True] * case.opens
    assert f"# OPEN {case.opens + 1}" not in text
    Person(lab, folder, case.knows(lab)).fill_in(drafted)
    at = ("--at", DAY.isoformat())
    own, of_draft = probe(lab.plan_path, *at), probe(drafted.path, *at)
    assert of_draft.findings() == own.findings()
    assert of_draft.document["unseen"] == own.document["unseen"] == []
    assert _verdicts(of_draft.document) == _verdicts(own.document)
    assert of_draft.status == own.status


def _verdicts(document: dict[str, object]) -> dict[str, str]:
    nodes = document["nodes"]
    assert isinstance(nodes, list)
    return {node["name"]: node["verdict"] for node in nodes}
