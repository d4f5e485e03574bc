"""What is on the network that a plan does not name, and where names are followed."""

import os
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.lab.filling import draft, secret_file, written
from tests.running import PROBE, WITHIN

DOMAIN = "northpier.example"
HOSTS = [f"quay{number}.{DOMAIN}" for number in (1, 2, 3)]
OTHER = "harbour.example"

SCENARIO = f"""
[node.quay1]
reverse = ["quay1.{DOMAIN}"]
[node.quay2]
reverse = ["quay2.{DOMAIN}", "pilot.{DOMAIN}"]
[node.quay3]
reverse = ["quay3.{DOMAIN}"]

[record."pilot.{DOMAIN}"]
A = ["quay2"]
[record."lantern.{DOMAIN}"]
A = ["127.99.0.30"]

[certificate.multi-name]
names = [
    "guest.{DOMAIN}",
    "onboard.{DOMAIN}",
    "quay1.{DOMAIN}",
    "quay2.{DOMAIN}",
    "quay3.{DOMAIN}",
    "nowhere.{DOMAIN}",
    "lantern.{DOMAIN}",
    "*.piers.{DOMAIN}",
    "www.{OTHER}",
]
"""


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    folder = tmp_path_factory.mktemp("check")
    path = written(folder, "many-names", SCENARIO, "healthy-multi-name")
    with Cluster(Scenario.read(path), directory=folder / "lab") as cluster:
        yield cluster


def check(lab: Cluster, plan: str, *arguments: str) -> tuple[int, str, str]:
    """Run `probe draft --check` on a plan beside the lab's own."""
    path = lab.plan_path.with_name("checked.toml")
    path.write_text(plan, "utf-8")
    done = subprocess.run(
        [PROBE, "draft", "--check", path.name, *arguments],
        cwd=path.parent,
        env={"PATH": os.defpath, "HOME": str(path.parent)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        encoding="utf-8",
        timeout=WITHIN,
    )
    return done.returncode, done.stdout, done.stderr


def without(plan: str, *names: str) -> str:
    """Return a plan without the tables of these names."""
    parts = re.split(r"(?=^\[\[)", plan, flags=re.MULTILINE)
    return "".join(
        part for part in parts if not any(f'\nname = "{name}"\n' in f"\n{part}" for name in names)
    )


def tables(report: str) -> str:
    """Return the TOML that a report proposes."""
    return "\n".join(line[6:] for line in report.splitlines() if line.startswith("      "))


PILOT = '[[service]]\nname = "pilot.northpier.example"\nnodes = ["quay2"]\n'
LANTERN = '[[node]]\nname = "lantern"\nhost = "lantern.northpier.example"\n'


def test_what_the_plan_lacks_is_told_and_what_is_put_into_it_is_not(lab: Cluster) -> None:
    """Names behind addresses, names that lead elsewhere; and not: names of other domains, names
    that lead nowhere, stars. With the tables that are printed, nothing is left but what is down."""
    own = lab.plan_path.read_text("utf-8")
    status, told, said = check(lab, own)
    assert status == 1
    assert said == "probe: 2 things that the plan does not name\n"
    flat = " ".join(told.split())
    assert "[1] lantern.northpier.example leads to 127.99.0.30, which the plan" in flat
    assert "[2] pilot.northpier.example is what an address is called (PTR), and leads to" in flat
    assert "lead nowhere, and that the plan does not have: nowhere.northpier.example." in flat
    assert "Certificates cover *.piers.northpier.example" in flat
    assert OTHER not in told
    assert (
        tables(told).split()
        == (
            f'{LANTERN}addresses = ["127.99.0.30"]\n[[service]]\nname = "pilot.{DOMAIN}"\n'
            'endpoint = "web"\naudience = "guests" # or "staff"\nnodes = ["quay2"]'
        ).split()
    )
    status, told, _ = check(lab, f"{own}\n{tables(told)}\n")
    # Nobody is there, and nothing was missing.
    assert status == 4
    assert "Nothing was seen that checked.toml does not name." in told
    assert "lantern, 127.99.0.30 port 443: no certificate was shown" in " ".join(told.split())


@pytest.mark.parametrize(
    ("missing", "says"),
    [
        (
            f"onboard.{DOMAIN}",
            f"onboard.{DOMAIN} is in the certificate of quay1, quay2 and quay3, and leads to quay1,"
            " quay2 and quay3: a name that clients may open.",
        ),
        (
            "quay3",
            f"guest.{DOMAIN}, onboard.{DOMAIN} and quay3.{DOMAIN} lead to",
        ),
    ],
)
def test_a_service_and_a_node_that_are_missing_are_found_again(
    lab: Cluster, missing: str, says: str
) -> None:
    """The table that is printed for it mends it."""
    full = f"{lab.plan_path.read_text('utf-8')}\n{PILOT}\n"
    plan = without(full, missing)
    assert plan != full
    status, told, _ = check(lab, plan)
    assert (status, says in " ".join(told.split())) == (1, True), told
    mended = tables(told).replace('addresses = ["127.77', 'web.port = 10443\naddresses = ["127.77')
    _, after, _ = check(lab, f"{plan}\n{mended}\n")
    assert says not in " ".join(after.split())


def test_names_that_are_asked_about_are_told_too(lab: Cluster) -> None:
    own = f"{lab.plan_path.read_text('utf-8')}\n{PILOT}\n"
    _, told, _ = check(lab, own, "radius.northpier.example", "quay1.northpier.example")
    assert "lead nowhere, and that the plan does not have: radius.northpier.example" in " ".join(
        told.split()
    )


def test_nobody_outside_of_the_plan_is_visited_and_no_radius_server(lab: Cluster) -> None:
    before = {name: server.opened for name, server in lab.radius.items()}
    check(lab, lab.plan_path.read_text("utf-8"))
    assert {name: server.opened for name, server in lab.radius.items()} == before


def test_a_draft_holds_one_eap_conversation_with_each_address_and_ends_it(
    lab: Cluster, tmp_path: Path
) -> None:
    """Each is a failed authentication in a log; as README and --help say."""
    before = {name: server.opened for name, server in lab.radius.items()}
    draft(lab, tmp_path, *HOSTS, "--secret-file", secret_file(lab, tmp_path), keep=False)
    assert {name: server.opened - before[name] for name, server in lab.radius.items()} == {
        "quay1": 1,
        "quay2": 1,
        "quay3": 1,
    }
    assert {server.waiting for server in lab.radius.values()} == {0}


def test_names_elsewhere_are_listed_and_followed_if_that_is_wanted(
    lab: Cluster, tmp_path: Path
) -> None:
    """One node names the others; without --follow none of them is spoken to."""
    one = draft(lab, tmp_path, HOSTS[0], keep=False)
    assert one.stdout.count("[[node]]") == 1
    assert 'name = "guest.northpier.example"' in one.stdout  # it leads to this node too
    beside = next(says for says in one.opens.values() if says.startswith("names beside"))
    assert "quay2.northpier.example, quay3.northpier.example and lantern" in beside
    assert "--follow" in beside
    all_ = draft(lab, tmp_path, HOSTS[0], "--follow", keep=False)
    assert all_.stdout.count("[[node]]") == 3
    # All three have its name, and it has no number as they have: a guess, and said to be one.
    assert (
        "service lantern.northpier.example: lantern.northpier.example has an address of its own and"
        " is taken for a virtual one of all nodes; if it is a node itself, make it one; no"
        " certificate was shown there." in all_.opens.values()
    )
    for text in (one.stdout, all_.stdout):
        assert OTHER not in text
        assert "lead nowhere: nowhere.northpier.example" in text
