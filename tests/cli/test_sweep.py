"""`probe cluster` and `probe node` against the lab: statuses, streams, files."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from lab.cluster import Cluster
from lab.scenario import Scenario
from tests.cli.acting import Listener, Probe


@pytest.fixture(scope="module")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with Cluster(
        Scenario.load("healthy-cluster"), directory=tmp_path_factory.mktemp("healthy")
    ) as lab:
        yield lab


@pytest.fixture(scope="module")
def mismatch(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with Cluster(
        Scenario.load("web-name-mismatch"), directory=tmp_path_factory.mktemp("mismatch")
    ) as lab:
        yield lab


@pytest.fixture(scope="module")
def silent(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with Cluster(Scenario.load("eap-silent"), directory=tmp_path_factory.mktemp("silent")) as lab:
        yield lab


def test_a_healthy_cluster_is_status_0_and_says_nothing_on_stderr(
    probe: Probe, healthy: Cluster
) -> None:
    ended = probe("cluster", healthy.plan_path)
    assert (ended.status, ended.stderr) == (0, "")
    assert "sound" in ended.stdout.splitlines()[0]
    assert "\x1b" not in ended.stdout, "no colour where there is no terminal"


def test_json_is_one_object_and_one_final_newline(probe: Probe, healthy: Cluster) -> None:
    ended = probe("cluster", healthy.plan_path, "--format", "json")
    assert ended.stdout.endswith("}\n")
    assert not ended.stdout.endswith("\n\n")
    document = json.loads(ended.stdout)
    assert document["format"] == "probe-report/1"
    assert (document["verdict"], document["complete"]) == ("sound", True)
    assert document["plan"]["nodes"] == len(healthy.names)


def test_something_blocked_or_warned_is_status_1(probe: Probe, mismatch: Cluster) -> None:
    assert probe("cluster", mismatch.plan_path).status == 1


def test_something_unseen_and_nothing_worse_is_status_4(probe: Probe, silent: Cluster) -> None:
    ended = probe("cluster", silent.plan_path, "--format", "json")
    assert ended.status == 4
    assert json.loads(ended.stdout)["verdict"] == "unseen"


def test_a_tolerated_verdict_is_status_0(probe: Probe, silent: Cluster, tmp_path: Path) -> None:
    saved = _saved(probe, silent, tmp_path)

    def status(tolerated: str) -> int:
        done = probe("cluster", silent.plan_path, "--from", saved, "--tolerate", tolerated)
        return done.status

    assert {word: status(word) for word in ("blocked", "warned", "due", "unseen")} == {
        "blocked": 0,
        "warned": 0,
        "due": 0,
        "unseen": 0,
    }
    assert status("advised") == status("sound") == 4


def test_what_is_worse_than_tolerated_is_not(
    probe: Probe, mismatch: Cluster, tmp_path: Path
) -> None:
    saved = _saved(probe, mismatch, tmp_path)
    verdict = json.loads(
        probe("cluster", mismatch.plan_path, "--from", saved, "--format", "json").stdout
    )["verdict"]
    assert verdict in ("blocked", "warned")
    for tolerated, status in ((verdict, 0), ("due", 1), ("unseen", 1), ("advised", 1)):
        done = probe("cluster", mismatch.plan_path, "--from", saved, "--tolerate", tolerated)
        assert done.status == status


def _saved(probe: Probe, lab: Cluster, folder: Path) -> Path:
    saved = folder / "survey.json"
    probe("cluster", lab.plan_path, "--save", saved)
    return saved


# ---------------------------------------------------------------- files


def test_a_saved_survey_is_judged_again_to_the_same_document_without_a_secret(
    probe: Probe, healthy: Cluster, tmp_path: Path
) -> None:
    saved, report = tmp_path / "survey.json", tmp_path / "report.json"
    first = probe(
        "cluster", healthy.plan_path, "--format", "json", "--save", saved, "--output", report
    )
    assert (first.status, first.stdout, first.stderr) == (0, "", "")
    secret = healthy.directory / "radius.secret"
    hidden = secret.rename(tmp_path / "elsewhere")
    try:
        again = probe("cluster", healthy.plan_path, "--format", "json", "--from", saved)
    finally:
        hidden.rename(secret)
    assert again.stdout == report.read_text("utf-8")
    assert healthy.secret.decode() not in saved.read_text() + again.stdout
    assert list(tmp_path.glob(".*")) == [], "nothing half-written is left"


def test_several_surveys_are_merged(probe: Probe, healthy: Cluster, tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    probe("cluster", healthy.plan_path, "--node", "quay1", "--save", one)
    probe("cluster", healthy.plan_path, "--node", "quay2", "--save", two)
    ended = probe("cluster", healthy.plan_path, "--from", one, "--from", two, "--format", "json")
    document = json.loads(ended.stdout)
    assert [node["name"] for node in document["nodes"]] == ["quay1", "quay2"]
    assert len(document["taken"]) == 2
    others = [name for name in healthy.names if name not in ("quay1", "quay2")]
    if others:
        assert f"not judged: {', '.join(others)}" in ended.stderr


def test_a_survey_is_judged_at_its_own_end_or_as_of_another_time(
    probe: Probe, healthy: Cluster, tmp_path: Path
) -> None:
    saved = _saved(probe, healthy, tmp_path)

    def judged(*arguments: str) -> dict[str, object]:
        ended = probe("cluster", healthy.plan_path, "--from", saved, "--format", "json", *arguments)
        document: dict[str, object] = json.loads(ended.stdout)
        return document

    own = judged()
    assert own["judged_at"] == own["taken"][0]["ended"]  # type: ignore[index]  # plain JSON
    assert judged("--at", "2050-01-01")["judged_at"] == "2050-01-01T00:00:00Z"
    assert judged("--at", "2050-01-01")["verdict"] == "blocked"
    assert judged("--at", "2050-01-01T01:30:00+02:00")["judged_at"] == "2049-12-31T23:30:00Z"


def test_an_output_that_cannot_be_finished_leaves_what_was_there(
    probe: Probe, healthy: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    report = tmp_path / "report"
    report.write_text("the old one")

    def full(self: Path, target: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    ended = probe("cluster", healthy.plan_path, "--only", "dns", "--output", report)
    assert ended.status == 2
    assert ended.stderr.endswith("no space left on device\n")
    assert report.read_text() == "the old one"
    assert [path.name for path in tmp_path.iterdir()] == ["report"]


# ---------------------------------------------------------------- scope


def test_what_is_left_out_is_not_asked(probe: Probe, silent: Cluster) -> None:
    """`--only dns,web`: no secret is needed, no finding, not unseen."""
    ended = probe("cluster", silent.plan_path, "--only", "dns,web", "--format", "json")
    assert ended.status == 0
    document = json.loads(ended.stdout)
    assert (document["unseen"], document["findings"]) == ([], [])
    endpoints = {entry["endpoint"] for node in document["nodes"] for entry in node["endpoints"]}
    assert endpoints == {"web"}


def test_nodes_that_were_not_asked_are_not_called_sound(
    probe: Probe, healthy: Cluster, tmp_path: Path
) -> None:
    ended = probe("cluster", healthy.plan_path, "--node", "quay2", "--format", "json")
    assert [node["name"] for node in json.loads(ended.stdout)["nodes"]] == ["quay2"]
    saved = _saved(probe, healthy, tmp_path)
    ended = probe("node", "quay2", healthy.plan_path, "--from", saved, "--format", "json")
    assert [node["name"] for node in json.loads(ended.stdout)["nodes"]] == ["quay2"]


def test_a_node_is_found_by_its_host_too_and_asked_for_each_method(
    probe: Probe, healthy: Cluster
) -> None:
    ended = probe(
        "node", "QUAY1.northpier.example.", healthy.plan_path, "--only", "eap", "--format", "json"
    )
    (node,) = json.loads(ended.stdout)["nodes"]
    as_clients = [entry for entry in node["endpoints"] if entry["asked"]["aspect"] is None]
    assert [entry["asked"]["method"] for entry in as_clients] == [
        "EAP-TLS",
        "EAP-TTLS",
        "PEAP",
    ]


def test_an_agenda_is_shown_without_a_secret_and_nothing_is_sent(
    probe: Probe, plan: Path, listener: Listener
) -> None:
    ended = probe("cluster", plan, "--show-agenda")
    assert (ended.status, ended.stderr) == (0, "")
    shown = " ".join(ended.stdout.split())
    assert "6 DNS questions, 3 TLS connections, 1 HEAD request and 2 EAP conversations" in shown
    assert "one TLS connection, without a HEAD request, to each address that DNS gives" in shown
    assert "2 failed authentications" in ended.stdout
    assert "up to 4 more where a server stays silent" in " ".join(ended.stdout.split())
    assert not listener.heard()


def test_a_bare_host_is_looked_at_by_defaults_and_a_plan_is_recommended(
    probe: Probe, healthy: Cluster
) -> None:
    address, port = healthy.web_place("quay1")
    ended = probe("node", f"{address}:{port}", "--format", "json")
    assert ended.status == 1, "the lab's root is not among the public ones"
    document = json.loads(ended.stdout)
    assert [finding["rule"] for finding in document["findings"]] == ["web-unknown-root"]
    assert ended.stderr.startswith("Looked at by defaults. A plan would add:")
    assert probe("node", f"{address}:{port}", "--quiet").stderr == ""


def test_history_off_and_no_fetch_are_accepted(probe: Probe, healthy: Cluster) -> None:
    ended = probe("cluster", healthy.plan_path, "--history", "off", "--no-fetch", "--only", "dns")
    assert ended.status == 0


def test_a_client_family_is_explained_in_every_form_that_has_words(
    probe: Probe, mismatch: Cluster, tmp_path: Path
) -> None:
    saved = tmp_path / "survey.json"
    plan = mismatch.plan_path
    assert probe("node", "quay3", plan, "--save", saved).status == 1
    plain = probe("node", "quay3", plan, "--from", saved)
    explained = probe("node", "quay3", plan, "--from", saved, "--client", "chromium-web")
    assert explained.status == plain.status == 1
    assert explained.stdout.startswith(plain.stdout)
    steps = explained.stdout[len(plain.stdout) :]
    assert "Chromium browsers at quay3, step by step" in steps
    assert "opened as guest.northpier.example: warned" in steps
    assert 'shown "NET::ERR_CERT_COMMON_NAME_INVALID"' in " ".join(steps.split())
    by_host = probe(
        "node", "quay3.northpier.example", plan, "--from", saved, "--client", "chromium-web"
    )
    assert by_host.stdout == explained.stdout
    as_json = ("node", "quay3", plan, "--from", saved, "--format", "json")
    document = json.loads(probe(*as_json).stdout)
    assert document.pop("decided") is None
    with_steps = json.loads(probe(*as_json, "--client", "chromium-web").stdout)
    told = with_steps.pop("decided")
    assert with_steps == document
    assert (told["node"], told["client"]) == ("quay3", "chromium-web")
    (warned,) = [one for one in told["decisions"] if one["verdict"] == "warned"]
    assert warned["opened"] == ["guest.northpier.example"]
    about = list(dict.fromkeys(step["about"] for step in warned["steps"]))
    assert about[:3] == ["roots", "path", "name"]
    assert "web-name-mismatch" in about
    assert "NET::ERR_CERT_COMMON_NAME_INVALID" in [step["words"] for step in warned["steps"]]
    page = probe(*as_json[:-1], "page", "--client", "chromium-web").stdout
    assert "Chromium browsers at quay3, step by step" in page
    assert "NET::ERR_CERT_COMMON_NAME_INVALID" in page
    numbers = probe(*as_json[:-1], "metrics", "--client", "chromium-web")
    assert (numbers.status, numbers.stdout) == (2, "")
    assert "--format metrics has numbers alone" in numbers.stderr
    wrong = probe("node", "quay3", plan, "--from", saved, "--client", "abacus-web")
    assert wrong.status == 2
    assert "chromium-web" in wrong.stderr


def test_a_closer_look_is_told_beforehand(probe: Probe, plan: Path, listener: Listener) -> None:
    """Eleven connections for one address and name, and one more for each more repeat."""
    for options, connections in (((), 11), (("--repeat", "1"), 9), (("--repeat", "5"), 13)):
        ended = probe("node", "quay1", plan, "--only", "web", "--show-agenda", *options)
        assert (ended.status, ended.stderr) == (0, "")
        assert f"quay1: {connections} TLS connections and 1 HEAD request" in ended.stdout
    ended = probe("cluster", plan, "--only", "web", "--show-agenda", "--repeat", "3")
    assert "quay1: 5 TLS connections and 1 HEAD request" in ended.stdout
    assert not listener.heard()


def test_eap_in_depth_is_told_beforehand(probe: Probe, plan: Path, listener: Listener) -> None:
    """Eleven conversations with one address, and one more for each more repeat and option."""
    for options, conversations in (
        ((), 11),
        (("--repeat", "1"), 9),
        (("--repeat", "5"), 13),
        (("--unsigned",), 12),
    ):
        ended = probe("node", "quay1", plan, "--only", "eap", "--show-agenda", *options)
        assert (ended.status, ended.stderr) == (0, "")
        assert f"quay1: {conversations} EAP conversations" in ended.stdout
        assert f"{conversations} failed authentications" in ended.stdout
    ended = probe("cluster", plan, "--only", "eap", "--show-agenda", "--repeat", "3")
    assert "quay1: 2 EAP conversations" in ended.stdout
    assert not listener.heard()


@pytest.mark.parametrize(
    "options",
    [("--only", "dns,web"), ("--from", "survey.json")],
)
def test_unsigned_is_for_an_eap_endpoint_that_is_asked(
    probe: Probe, plan: Path, options: tuple[str, ...]
) -> None:
    ended = probe("node", "quay1", plan, "--unsigned", *options)
    assert ended.status == 2
    assert "--unsigned" in ended.stderr


def test_unsigned_without_a_plan_wants_eap(probe: Probe) -> None:
    ended = probe("node", "quay1.northpier.example", "--unsigned")
    assert ended.status == 2
    assert "--eap" in ended.stderr


@pytest.mark.parametrize("number", ["0", "-1", "21", "many"])
def test_a_number_of_repeats_that_is_none(probe: Probe, plan: Path, number: str) -> None:
    ended = probe("cluster", plan, "--repeat", number)
    assert ended.status == 2
