"""`probe bundle --rehearse`: which options go together, and what is asked of whom."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from probe.observation.document import write_survey
from probe.plan.read import load_plan
from tests.certificate.makes import World, forget
from tests.certificate.makes import world as made
from tests.cli.acting import SECRET, WITH_SECRET, Listener, Probe
from tests.cli.test_bundle import PLAN
from tests.judge.world import seen


@pytest.fixture(scope="module")
def world() -> Iterator[World]:
    yield made()
    forget()


@pytest.fixture
def eap_plan(tmp_path: Path, world: World) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN.format(root=world.path("root.pem")))
    return path


@pytest.fixture
def pem(tmp_path: Path, world: World) -> Path:
    path = tmp_path / "new.pem"
    parts = ("leaf.pem", "leaf.key", "issuers.pem")
    path.write_bytes(b"".join(Path(world.path(part)).read_bytes() for part in parts))
    return path


def saved(plan: Path) -> Path:
    path = plan.parent / "monday.survey"
    write_survey(seen(load_plan(plan)), path)
    return path


@pytest.mark.usefixtures("eap_plan")
@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("--order", "quay1"), "--rehearse is missing"),
        (("--rehearse", "--history", "off"), "--history off"),
        (("--rehearse", "--from", "a.survey", "--history", "b.sqlite"), "name one"),
        (("--rehearse", "--order", "quay9"), "quay9"),
        (("--rehearse", "--node", "quay9"), "quay9"),
        (("--rehearse", "--from", "nothing.survey"), "nothing.survey"),
        (("--rehearse", "--history", "nothing.sqlite"), "nothing.sqlite"),
    ],
)
def test_what_does_not_go_together_is_told(
    probe: Probe, pem: Path, options: tuple[str, ...], why: str
) -> None:
    ended = probe("bundle", pem, *options)
    assert (ended.status, ended.stdout) == (2, "")
    assert why in ended.stderr


def test_a_rehearsal_needs_a_plan(probe: Probe, pem: Path) -> None:
    ended = probe("bundle", pem, "--rehearse")
    assert (ended.status, ended.stdout) == (2, "")
    assert "needs a plan" in ended.stderr


@pytest.mark.usefixtures("eap_plan")
def test_a_key_alone_is_nothing_to_rehearse(probe: Probe, world: World) -> None:
    ended = probe("bundle", world.path("leaf.key"), "--rehearse", "--from", "a.survey")
    assert (ended.status, ended.stdout) == (2, "")
    assert "nothing to rehearse" in ended.stderr


def test_what_was_saved_is_enough_and_the_order_is_heeded(
    probe: Probe, eap_plan: Path, pem: Path
) -> None:
    source = ("--from", saved(eap_plan), "--at", "2026-11-25")
    named = ("--order", "quay2", "--for", "eap", "--format", "json")
    ended = probe("bundle", pem, "--rehearse", *source, *named)
    assert ended.status in {0, 1}, ended.stderr
    read = json.loads(ended.stdout)
    assert [step["done"] for step in read["steps"]] == [[], ["quay2"], ["quay2", "quay1"]]
    assert read["known_from"] == "what was saved"
    target = eap_plan.parent / "report.txt"
    told = probe("bundle", pem, "--rehearse", *source, "--for", "eap", "--output", target)
    assert (told.status, told.stdout) == (ended.status, "")
    assert "rehearsal of leaf.northpier.example" in target.read_text("utf-8")
    assert "in the order" not in target.read_text("utf-8")


def test_what_is_tolerated_ends_well(probe: Probe, eap_plan: Path, pem: Path) -> None:
    source = ("--from", saved(eap_plan), "--at", "2026-11-25", "--for", "eap")
    assert probe("bundle", pem, "--rehearse", *source, "--tolerate", "blocked").status == 0


def test_one_node_is_meant_if_one_is_named(probe: Probe, eap_plan: Path, pem: Path) -> None:
    source = ("--from", saved(eap_plan), "--at", "2026-11-25", "--for", "eap")
    ended = probe("bundle", pem, "--rehearse", *source, "--node", "quay2", "--format", "json")
    assert json.loads(ended.stdout)["order"] == ["quay2"]
    refused = probe("bundle", pem, "--rehearse", *source, "--node", "quay2", "--order", "quay1")
    assert refused.status == 2
    assert "quay1 is not among the nodes" in refused.stderr


def test_without_a_secret_nothing_is_sent(
    probe: Probe, plan: Path, pem: Path, listener: Listener
) -> None:
    ended = probe("bundle", pem, "--plan", plan, "--rehearse")
    assert (ended.status, ended.stdout) == (2, "")
    assert "NORTHPIER_RADIUS" in ended.stderr
    assert not listener.heard()


def test_the_nodes_are_asked_and_the_secret_is_not_told(
    probe: Probe, plan: Path, pem: Path, listener: Listener
) -> None:
    """Nobody answers, and nothing is kept."""
    patience = "[limits]\ntls_wait = 0.3\nradius_silence = 0.4\ntrial_wait = 0.1\n"
    text = plan.read_text().replace("radius_silence = 0.3\n", "")
    plan.write_text(text.replace("[limits]\n", patience))
    ended = probe(
        *("bundle", pem, "--plan", plan, "--rehearse", "--for", "eap", "--format", "json"),
        environment=WITH_SECRET,
    )
    assert listener.heard()
    assert ended.status in {0, 1, 4}, ended.stderr
    assert SECRET not in ended.stdout + ended.stderr
    read = json.loads(ended.stdout)
    assert {one["feels"] for step in read["steps"] for one in step["experiences"]} <= {
        "unseen",
        "blocked",
    }
    assert list(plan.parent.glob("**/*.sqlite")) == []
