"""`probe complaint`: what it asks of whom, what it rests on, and how it ends."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from lab.cluster import Cluster
from lab.scenario import Scenario
from probe.limits import TOLD_CHARACTERS
from probe.observation.document import read_survey
from probe.observation.model import Endpoint, fingerprint
from probe.report.schema.generate import path as schema_of
from tests.cli.acting import WITH_SECRET, Listener, Probe

INCOMPLETE = ("--saw", "SEC_ERROR_UNKNOWN_ISSUER", "--at-page", "guest.northpier.example")
EXPIRED = ("--saw", "EAP_E_SERVER_CERT_EXPIRED", "--client", "Windows", "--on-wifi")
LOG = "(4) eap_peap: ERROR: (TLS) Alert read:fatal:certificate expired\n"


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """The demonstration: quay2's EAP certificate has ended, quay3 lacks an intermediate, and quay4
    is silent."""
    with Cluster(Scenario.load("northpier-demo"), directory=tmp_path_factory.mktemp("demo")) as lab:
        yield lab


def said(text: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(text)
    Draft202012Validator(json.loads(schema_of("probe-complaint/1").read_text())).validate(document)
    return document


def confirmed(document: dict[str, Any]) -> list[tuple[str, list[str]]]:
    return [
        (one["rule"], one["nodes"]) for one in document["causes"] if one["standing"] == "confirmed"
    ]


def test_network_and_saved_survey_tell_the_same(
    probe: Probe, broken: Cluster, tmp_path: Path
) -> None:
    """And what is asked is of the web and its names alone, as these words are a browser's."""
    saved = tmp_path / "survey"
    command = ("complaint", broken.plan_path, *INCOMPLETE, "--format", "json")
    live = probe(*command, "--save", saved)
    assert (live.status, live.stderr) == (1, "")
    document = said(live.stdout)
    assert confirmed(document) == [("web-chain-incomplete", ["quay3"])]
    assert document["source"] == "network"
    asked = read_survey(saved).questions
    assert {question.endpoint for question in asked} == {Endpoint.WEB, Endpoint.DNS}
    again = probe(*command, "--from", saved)
    assert (again.status, again.stderr) == (1, "")
    document_again = said(again.stdout)
    assert document_again.pop("source") == "saved"
    del document["source"]
    assert document_again == document


def test_a_server_s_log_is_a_complaint_by_itself(
    probe: Probe, broken: Cluster, tmp_path: Path
) -> None:
    log = tmp_path / "radius.log"
    log.write_text(f"{LOG}Auth: (4) Login incorrect (x): [ferryman] (from client c cli 02-00)\n")
    ended = probe(
        *("complaint", broken.plan_path, "--server-log", log, "--node", "quay2"),
        *("--format", "json"),
    )
    assert (ended.status, ended.stderr) == (1, "")
    document = said(ended.stdout)
    assert confirmed(document)[0] == ("eap-expired", ["quay2"])
    assert document["told"]["alerts"] == [
        {
            "alert": "certificate_expired",
            "received": True,
            "times": 1,
            "first": None,
            "last": None,
        }
    ]
    assert "ferryman" not in ended.stdout


# ---------------------------------------------------------------- the history


def test_without_the_secret_it_rests_on_what_earlier_runs_saw(
    probe: Probe, broken: Cluster, tmp_path: Path
) -> None:
    """Nobody is asked, and that is said; a certificate that ends meanwhile counts as ended."""
    kept = tmp_path / "runs.sqlite"
    swept = probe("cluster", broken.plan_path, "--history", kept, "--quiet")
    assert swept.status == 1
    plan = without_its_secret(broken, tmp_path)
    told = ("complaint", plan, *EXPIRED, "--history", kept)
    ended = probe(*told, "--format", "json")
    assert ended.status == 1
    assert "NORTHPIER_RADIUS is not set" in ended.stderr
    assert "nobody is asked: this is by what earlier runs saw" in ended.stderr
    document = said(ended.stdout)
    assert document["source"] == "history"
    assert confirmed(document) == [("eap-expired", ["quay2"])]
    screen = probe(*told, "--quiet")
    assert screen.stderr == ""
    assert "what earlier runs saw until" in screen.stdout
    # It leaves no run behind: nothing was seen.
    past = json.loads(probe("past", "--history", kept, "--format", "json").stdout)
    assert len(past["runs"]) == 1


def test_without_the_secret_and_without_a_history_it_says_what_to_do(
    probe: Probe, listener: Listener, plan: Path, tmp_path: Path
) -> None:
    command = ("complaint", plan, *EXPIRED)
    for history in (tmp_path / "none", "off"):
        ended = probe(*command, "--history", history)
        assert (ended.status, ended.stdout) == (2, "")
        assert "NORTHPIER_RADIUS is not set" in ended.stderr
        assert "--only dns,web" in ended.stderr
        assert "--from FILE" in ended.stderr
    assert not listener.heard()


def test_what_was_mended_since_is_told_with_its_time(probe: Probe, tmp_path: Path) -> None:
    """The complaint is of the time of a run that saw it; the next one did not."""
    kept = tmp_path / "runs.sqlite"
    with Cluster(Scenario.load("eap-expired-one-node"), directory=tmp_path / "lab") as lab:
        assert probe("cluster", lab.plan_path, "--history", kept).status == 1
        (run,) = json.loads(probe("past", "--history", kept, "--format", "json").stdout)["runs"]
        lab.install("quay3", ("eap", "northpier-issuing"), endpoint="eap")
        assert probe("cluster", lab.plan_path, "--history", kept).status == 0
        ended = probe(
            *("complaint", lab.plan_path, *EXPIRED, "--history", kept, "--format", "json"),
            *("--when", run["began"]),
        )
        document = said(ended.stdout)
        cause = document["causes"][0]
        assert (cause["rule"], cause["then"]) == ("eap-expired", True)
        assert cause["fixed_since"] is not None
        assert document["first"].startswith("Fixed since ")
        assert ended.status == 0


def test_a_certificate_of_the_past_is_known_by_its_fingerprint(
    probe: Probe, broken: Cluster, tmp_path: Path
) -> None:
    leaf = fingerprint(broken.issued("eap-last-year").der)
    spaced = " ".join(leaf[at : at + 4].upper() for at in range(0, 64, 4))
    command = ("complaint", broken.plan_path, "--on-wifi", "--history", "off", "--format", "json")
    ours = said(probe(*command, "--fingerprint", spaced).stdout)
    assert ours["recognised"]["whose"] == "ours"
    other = said(probe(*command, "--fingerprint", "ab" * 20).stdout)
    assert other["recognised"]["whose"] == "unknown"
    assert other["advice"]["safe"] is False


def test_where_no_server_could_show_it_nobody_is_asked_and_nothing_kept(
    probe: Probe, listener: Listener, plan: Path, tmp_path: Path
) -> None:
    """Another server's page."""
    kept = tmp_path / "runs.sqlite"
    page = ("--saw", "SEC_ERROR_UNKNOWN_ISSUER", "--at-page", "www.elsewhere.example")
    ended = probe("complaint", plan, *page, "--history", kept)
    assert ended.status == 4
    assert "www.elsewhere.example is no name of the plan" in ended.stdout
    assert not listener.heard()
    assert not kept.exists()


# ---------------------------------------------------------------- what is given


def test_the_agenda_is_of_those_questions_alone(
    probe: Probe, listener: Listener, plan: Path
) -> None:
    page = ("--at-page", "quay1.northpier.example")
    ended = probe("complaint", plan, *INCOMPLETE[:2], *page, "--show-agenda")
    assert ended.status == 0
    assert "TLS connections" in ended.stdout
    assert "EAP conversations" not in ended.stdout
    ended = probe("complaint", plan, *EXPIRED, "--show-agenda")
    assert "EAP conversations" in ended.stdout
    assert "TLS connections" not in ended.stdout
    assert not listener.heard()


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ((), "nothing is told that a cause could be looked for by"),
        (("--client", "iPhone"), "nothing is told that a cause could be looked for by"),
        (("--saw", " "), "it is empty"),
        (("--saw", "x" * (TOLD_CHARACTERS + 1)), "it is longer than"),
        (("--saw", "x") * 51, "more than 50 of one kind are told"),
        (("--saw", "x", "--client", "toaster"), "toaster is no client that is known: it is none"),
        (("--saw", "x", "--client", "Andriod"), "did you mean Android?"),
        (("--saw", "x", "--node", "quay2"), "quay2 is no node of the plan, by name, host or addr"),
        (("--saw", "x", "--site", "pier"), "pier is no site of the plan: it names none"),
        (("--saw", "x", "--fingerprint", "ab"), "is no fingerprint"),
        (("--saw", "x", "--shown-expiry", "soon"), "is no date such as"),
        (("--saw", "x", "--when", "2999-01-01"), "--when lies ahead"),
        (("--server-log", "none.log"), "none.log: no such file"),
        (("--saw", "x", "--format", "calendar"), "calendar"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_sent(
    probe: Probe, listener: Listener, plan: Path, given: tuple[str, ...], expected: str
) -> None:
    ended = probe("complaint", plan, *given, environment=WITH_SECRET)
    assert (ended.status, ended.stdout) == (2, "")
    assert expected in ended.stderr
    assert not listener.heard()


def test_a_log_without_alerts_is_told(probe: Probe, plan: Path, tmp_path: Path) -> None:
    log = tmp_path / "radius.log"
    log.write_text("Info: Ready to process requests\n")
    ended = probe("complaint", plan, "--server-log", log)
    assert ended.status == 2
    assert "has no TLS alert in a form that is read" in ended.stderr


def test_a_report_does_not_take_the_place_of_the_log(
    probe: Probe, plan: Path, tmp_path: Path
) -> None:
    log = tmp_path / "radius.log"
    log.write_text(LOG)
    ended = probe("complaint", plan, "--server-log", log, "--output", log)
    assert ended.status == 2
    assert log.read_text() == LOG


def without_its_secret(lab: Cluster, folder: Path) -> Path:
    """Return the same plan as a help desk has it: the secret is somebody else's."""
    text = lab.plan_path.read_text("utf-8")
    plan = lab.plan_path.with_name("desk.toml")
    plan.write_text(
        text.replace('{ file = "radius.secret" }', '{ environment = "NORTHPIER_RADIUS" }'), "utf-8"
    )
    return plan
